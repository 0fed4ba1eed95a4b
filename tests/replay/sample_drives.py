"""Roads, equilibria and quiet laps for the tests of the replay."""

from __future__ import annotations

import numpy as np
from sample_cars import curve_of
from scipy.optimize import fsolve

from lapwright.quantities import DEG, G
from lapwright.replay.equations import equations
from lapwright.replay.integrate import integrate
from lapwright.replay.states import trace_of
from lapwright.replay.table import road_table
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition


def circle(radius=60.0, turn=1.0, half_width=8.0):
    """A level closed circle."""
    return build_track(
        TrackDefinition(
            "circle", True, ElementLine((Arc(radius, turn * 360 * DEG),)), (Station(0, half_width),),
            (Station(0, half_width),)
        )
    )  # fmt: skip


def straight(length=1500.0, rise=()):
    """An open straight, level or with elevation stations (at, height)."""
    return build_track(
        TrackDefinition(
            "straight", False, ElementLine((Straight(length),)), (Station(0, 20.0),), (Station(0, 20.0),),
            elevation=tuple(Station(a, z) for a, z in rise),
        )
    )  # fmt: skip


def settled(vehicle, track, speed):
    """States (12,), road-wheel angle and pedal of steady driving along the centreline at ``speed`` [m/s]."""
    table = road_table(track)
    car = equations(vehicle, table.size)
    road = table.at(0.0)
    rate = speed * road[3] / road[0]
    radius = vehicle.driveline.wheel_radius
    lat = rate * speed

    def unpack(y):
        xi, v, r, long, across, delta, pedal = y[:7] * [0.01, 0.1, 0.1, 1.0, 1.0, 0.01, 0.1]
        return np.array([0.0, 0.0, xi, speed, v, r, long, across, *(y[7:] * speed / radius)]), delta, pedal

    def miss(y):
        x, delta, pedal = unpack(y)
        rates = car.rates(x, delta, pedal, road)
        spins = rates[8:] / 100.0
        line = vehicle.driveline
        if line.differential.type == "locked":
            for k, driven in ((0, line.driven != "rear"), (2, line.driven != "front")):
                if driven:
                    spins[k + 1] = (x[8 + k] - x[9 + k]) / 10.0
        return np.concatenate([rates[1:8], spins])

    guess = np.array([0, 0, rate * 10, 0, lat, vehicle.chassis.wheelbase * road[3] * 100, 0.5, 1, 1, 1, 1])
    found, _, status, text = fsolve(miss, guess, full_output=True, xtol=1e-12)
    assert status == 1, text
    return (car, table, *unpack(found))


def held(delta, pedal):
    """Hands and feet that do not move."""
    return lambda _t, _x: (delta, pedal)


def rolling(vehicle, speed, s=0.0):
    """Straight rolling without slip."""
    spin = speed / vehicle.driveline.wheel_radius
    return np.array([s, 0.0, 0.0, speed, 0.0, 0.0, 0.0, 0.0, spin, spin, spin, spin])


def drive(vehicle, track, start, controls, seconds, times=None, s_end=1e9, **options):
    """Integrate and return the motion with its channels."""
    table = road_table(track)
    car = equations(vehicle, table.size)
    times = np.linspace(0.0, seconds, 401) if times is None else times
    motion = integrate(car, table, start, controls, 0.0, seconds, s_end, times, **options)
    inputs = np.array([controls(float(t), x) for t, x in zip(motion.t, motion.x.T, strict=True)])
    return motion, trace_of(track, vehicle, motion.t, motion.x, inputs[:, 0], inputs[:, 1])


def steady_lap(vehicle, track, speed):
    """A closed lap at constant speed, as a recording (36 rows)."""
    from dataclasses import replace

    _, _, x, delta, pedal = settled(vehicle, track, speed)
    s = np.linspace(0.0, track.length, 37)
    states = np.tile(x[:, None], 37)
    states[0] = s
    t = s / (x[3] * np.cos(x[2]) - x[4] * np.sin(x[2]))
    lap = trace_of(track, vehicle, t, states, np.full(37, delta), np.full(37, pedal))
    return replace(lap, closed=True)


def weight(vehicle):
    """[N]"""
    return vehicle.chassis.mass * G


__all__ = ["circle", "curve_of", "drive", "held", "rolling", "settled", "steady_lap", "straight", "weight"]
