"""A first guess for the optimiser: the quasi-steady centreline lap, driven a little below the limit.

Slip angles, steering and pedal are set so that the tyres roughly carry what the speed profile asks of them: a guess whose
forces are far from its accelerations costs the optimiser dozens of iterations.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.quick import quick_speed_profile
from lapwright.problem.lap import EndState
from lapwright.problem.model import Guess
from lapwright.quantities import G
from lapwright.track.track import Track
from lapwright.vehicle.driveline import wheel_forces
from lapwright.vehicle.loads import drag
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle, Tyre, Vehicle
from lapwright.vehicle.tyre import shape_factors

Array = NDArray[np.float64]

SPEED_SHARE = 0.9
"""Share of the quasi-steady speed at which the guess drives."""

SPACING = 2.0
"""Distance between the rows of a guess [m]."""


def first_guess(
    track: Track, vehicle: AnyVehicle, start: EndState, end: EndState, share: float = SPEED_SHARE
) -> Guess:
    """The guess for a lap of ``track``, or for a run over an open road between two end states."""
    s = np.linspace(0.0, track.length, max(int(track.length / SPACING), 8) + 1)
    full = quick_speed_profile(track, vehicle, s, start_speed=start.speed, end_speed=end.speed)
    speed = np.maximum(share * full, 3.5)
    road = track.road(s)
    if track.closed:
        accel = 0.25 * (np.roll(speed[:-1], -2) ** 2 - np.roll(speed[:-1], 2) ** 2) / (2.0 * (s[1] - s[0]))
        accel = np.append(accel, accel[0])
    else:
        accel = np.gradient(0.5 * speed * speed, s)
    accel_long = accel + G * road.up_x
    accel_lat = speed * speed * road.curvature
    offset = np.zeros_like(s)
    if start.offset or end.offset:
        offset = np.interp(s, [0.0, track.length], [start.offset or 0.0, end.offset or 0.0])
    if isinstance(vehicle, FrictionCircle):
        states = np.vstack([offset, np.zeros_like(s), speed])
        return Guess(s, states, np.vstack([accel_long, accel_lat]) / G, np.zeros((0, len(s))))
    return _full_car(vehicle, s, offset, speed, road.curvature, accel_long, accel_lat)


def _full_car(
    vehicle: Vehicle,
    s: Array,
    offset: Array,
    speed: Array,
    curvature: Array,
    accel_long: Array,
    accel_lat: Array,
) -> Guess:
    chassis = vehicle.chassis
    yaw_rate = speed * curvature
    angle_front = _slip_angle(vehicle.tyres.front, accel_lat)
    angle_rear = _slip_angle(vehicle.tyres.rear, accel_lat)
    side = -speed * np.tan(angle_rear) + yaw_rate * chassis.cg_to_rear
    delta = angle_front + np.arctan2(side + yaw_rate * chassis.cg_to_front, speed)
    heading = -np.arctan2(side, speed)
    states = np.vstack(
        [
            offset,
            heading,
            speed,
            side,
            yaw_rate,
            delta,
            _pedal(vehicle, speed, accel_long),
            accel_long,
            accel_lat,
        ]
    )
    return Guess(s, states, np.zeros((2, len(s))), np.zeros((4, len(s))))


def _slip_angle(tyre: Tyre, accel_lat: Array) -> Array:
    """Slip angle [rad] at which the tyre gives about the share of its grip that the corner asks for."""
    q, stiffness = shape_factors(tyre.sliding_grip_ratio)
    use = np.clip(np.abs(accel_lat) / (G * tyre.peak_mu_lat * tyre.grip_scale), 0.0, 0.85)
    return np.asarray(np.sign(accel_lat) * tyre.peak_slip_angle * np.tan(np.arcsin(use) / q) / stiffness)


def _pedal(vehicle: Vehicle, speed: Array, accel_long: Array) -> Array:
    force: Any = vehicle.chassis.mass * accel_long + drag(vehicle.aero, speed)
    drive, _ = wheel_forces(vehicle.driveline, speed)
    throttle = np.clip(force / np.maximum(drive, 1.0), 0.0, 0.95)
    brake = np.clip(-force / vehicle.brakes.peak_force, 0.0, 0.9)
    return np.asarray(throttle - brake)
