"""A lap of a made-up open road whose channels are given by hand, so that what is read from it is known
exactly."""

from __future__ import annotations

import numpy as np

from lapwright.lap.lap import Lap
from lapwright.track.build import build_track
from lapwright.track.definition import (
    Arc,
    CornerSpec,
    ElementLine,
    Landmark,
    Station,
    Straight,
    TrackDefinition,
)
from lapwright.track.track import Track

RADIUS, ANGLE = 50.0, np.pi / 2


def bend_road(corners=(("Gate", 500.0, 570.0),), landmarks=()) -> Track:
    """500 m straight, a left bend of 90 degrees and radius 50 m (78.5 m long), 500 m straight; 10 m wide."""
    return build_track(
        TrackDefinition(
            name="Bend (invented)",
            closed=False,
            centreline=ElementLine((Straight(500.0), Arc(RADIUS, ANGLE), Straight(500.0))),
            width_left=(Station(0.0, 5.0),),
            width_right=(Station(0.0, 5.0),),
            corners=tuple(CornerSpec(*corner) for corner in corners),
            landmarks=tuple(Landmark(*mark) for mark in landmarks),
        )
    )


def handmade_lap(track: Track, s, **channels) -> Lap:
    """A lap with the channels that are given; the rest is calm: full throttle at 30 m/s on the centreline."""
    s = np.asarray(s, dtype=float)
    one, zero, four = np.ones(s.size), np.zeros(s.size), np.ones((s.size, 4))
    road = track.road(s)
    speed = np.broadcast_to(channels.get("speed", 30.0 * one), s.shape).astype(float)
    pace = 1.0 / speed
    t = np.concatenate([[0.0], np.cumsum(0.5 * (pace[1:] + pace[:-1]) * np.diff(s))])
    values = {
        "t": t,
        "x": road.x,
        "y": road.y,
        "z": road.z,
        "n": zero,
        "xi": zero,
        "curvature": road.curvature,
        "speed": speed,
        "pedal": one,
        "brake": zero,
        "throttle": one,
        "brake_pressure": zero,
        "steering_wheel": zero,
        "gear": np.full(s.size, 3),
        "engine_speed": 500.0 * one,
        "accel_long": zero,
        "accel_lat": speed**2 * road.curvature,
        "yaw_rate": speed * road.curvature,
        "sideslip": zero,
        "slip_angle_front": zero,
        "slip_angle_rear": zero,
        "load": 3000.0 * four,
        "grip_use": 0.5 * four,
        "force_long": 0.0 * four,
        "force_lat": 0.0 * four,
        "grip_long": 4500.0 * four,
        "grip_lat": 4500.0 * four,
        "slip_ratio": 0.0 * four,
        "limiting_axle": np.full(s.size, "none"),
    }
    values.update(channels)
    return Lap("target", track.name, "Hand (invented)", False, s=s, **values)
