"""An invented circuit and an invented lap of it, for the tests of what is made from a lap.

Nothing here is an optimum: a line of least curvature between the edges, a speed by forward and backward
passes under a friction ellipse, and channels by simple formulas. It is smooth, closed and plausible, which is
all that reading, drawing and printing need.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import lsq_linear
from scipy.sparse import diags

from lapwright.lap.lap import Lap
from lapwright.quantities import G
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

HALF_WIDTH = 5.5

STRAIGHT, BACK = 266.8744, 560.8813  # chosen so that the circuit closes

# (length, None) is a straight; (radius, degrees, ramp, name) a bend, positive to the left.
ELEMENTS = (
    (STRAIGHT, None),
    (45.0, 100.0, 25.0, "Gate"),
    (180.0, None),
    (60.0, -85.0, 25.0, "Kiln"),
    (110.0, None),
    (260.0, 25.0, 30.0, "Long Acre"),
    (190.0, None),
    (18.0, 160.0, 12.0, "Ferry Hairpin"),
    (BACK, None),
    (42.0, -40.0, 18.0, "Sluice"),
    (14.0, None),
    (42.0, 70.0, 18.0, "Weir"),
    (230.0, None),
    (110.0, 130.0, 40.0, "Marrow"),
)


def invented_track(start: float = 240.0, mirror: bool = False) -> Track:
    """A circuit of about 2.4 km.

    ``start`` [m] puts the line so far along the first straight; ``mirror`` exchanges left and right.
    """
    elements: list[Straight | Arc] = [Straight(STRAIGHT - start)]
    at, corners, marks = STRAIGHT - start, [], {}
    length = STRAIGHT + sum(_length(e) for e in ELEMENTS[1:])
    for element in ELEMENTS[1:]:
        if element[1] is None:
            elements.append(Straight(element[0]))
        else:
            radius, degrees, ramp, name = element
            elements.append(Arc(radius, np.deg2rad(-degrees if mirror else degrees), ramp, ramp))
            marks[name] = at
            corners.append(CornerSpec(name, at, at + _length(element)))
        at += _length(element)
    elements.append(Straight(start))
    landmarks = (
        ("100 m board", marks["Gate"] - 100.0),
        ("50 m board", marks["Gate"] - 50.0),
        ("marshal post 4", marks["Ferry Hairpin"] - 90.0),
        ("end of the fence", marks["Sluice"] - 60.0),
    )
    level = [Station(f * length, 12 + 7 * np.sin(2 * np.pi * f) + 2 * np.sin(6 * np.pi * f)) for f in LEVELS]
    return build_track(
        TrackDefinition(
            name="Fen Loop (invented)",
            closed=True,
            centreline=ElementLine(tuple(elements)),
            width_left=(Station(0.0, HALF_WIDTH),),
            width_right=(Station(0.0, HALF_WIDTH),),
            elevation=tuple(level),
            corners=tuple(corners),
            landmarks=tuple(Landmark(name, where % length) for name, where in landmarks),
        )
    )


LEVELS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)


def _length(element: tuple) -> float:
    """Length of an element: a bend of angle a and radius R with two ramps r is a R + r long."""
    if element[1] is None:
        return element[0]
    return element[0] * np.deg2rad(abs(element[1])) + element[2]


def _line(track: Track, s: np.ndarray) -> np.ndarray:
    """Offset of the line of least curvature between the edges, linearised."""
    m, h = s.size, s[1] - s[0]
    k = track.road(s).curvature
    second = diags([1.0, 1.0, -2.0, 1.0, 1.0], [-(m - 1), -1, 0, 1, m - 1], shape=(m, m)) / h**2
    gain = second + diags(k**2)
    room = HALF_WIDTH - 1.1
    return lsq_linear(gain.tocsr(), -k, bounds=(-room, room), max_iter=60).x


def invented_lap(track: Track, kind: str = "target", step: float = 5.0, grip: float = 1.35) -> Lap:
    """A lap of ``track``: on the line of least curvature for a target, on the centreline for a baseline."""
    m = round(track.length / step)
    s = np.linspace(0.0, track.length, m + 1)[:-1]
    h = s[1] - s[0]
    road = track.road(s)
    n = _line(track, s) if kind == "target" else np.zeros(m)
    xi = np.arctan(np.gradient(np.concatenate([n[-3:], n, n[:3]]), h)[3:-3])
    x, y = road.x - n * np.sin(road.heading), road.y + n * np.cos(road.heading)
    second = (np.roll(n, -1) - 2 * n + np.roll(n, 1)) / h**2
    curvature = gaussian_filter1d(road.curvature / (1 - n * road.curvature) + second, 1.0, mode="wrap")
    v, ax = _speed(curvature, h, grip)
    ay = v**2 * curvature
    mass, drag = 1250.0, 0.55
    drive = mass * ax + drag * v**2
    top = np.minimum(300e3 / v, 0.62 * mass * G)
    peak_force = 1.6 * mass * G
    pedal = np.where(drive > 0, drive / top, drive / peak_force)
    pedal = np.clip(gaussian_filter1d(pedal, 1.0, mode="wrap"), -1, 1)
    pedal[pedal > 0.97] = 1.0
    dt = h / v
    t = np.concatenate([[0.0], np.cumsum(0.5 * (dt + np.roll(dt, -1)))])
    ring = lambda a: np.concatenate([a, a[:1]])  # noqa: E731
    gear = np.searchsorted([18.0, 26.0, 35.0, 45.0, 56.0], v) + 1
    ratio = np.array([3.1, 2.25, 1.75, 1.42, 1.18, 1.0])[gear - 1]
    wheel = 14.0 * (2.5 * curvature + 0.0022 * ay)
    load, flong, flat, glong, glat = _forces(mass, v, ax, ay, drive)
    use = np.clip(np.hypot(flong / glong, flat / glat), 0, 0.999)
    front = np.clip(use[:, :2].max(axis=1), 0, 1)
    rear = np.clip(use[:, 2:].max(axis=1), 0, 1)
    axle = np.select(
        [(front > 0.97) & (rear > 0.97), front > 0.97, rear > 0.97], ["both", "front", "rear"], "none"
    )
    return Lap(
        kind=kind,
        track_name=track.name,
        vehicle_name="Cup coupe (invented)",
        closed=True,
        s=np.append(s, track.length),
        t=t,
        x=ring(x),
        y=ring(y),
        z=ring(road.z),
        n=ring(n),
        xi=ring(xi),
        curvature=ring(curvature),
        speed=ring(v),
        pedal=ring(pedal),
        brake=ring(np.maximum(-pedal, 0)),
        throttle=ring(np.maximum(pedal, 0)),
        brake_pressure=ring(np.maximum(-pedal, 0) * 90e5),
        steering_wheel=ring(wheel),
        gear=ring(gear),
        engine_speed=ring(v / 0.31 * ratio * 4.1),
        accel_long=ring(ax),
        accel_lat=ring(ay),
        yaw_rate=ring(v * curvature),
        sideslip=ring(-0.0012 * ay),
        slip_angle_front=ring(0.0065 * ay),
        slip_angle_rear=ring(0.006 * ay),
        load=ring(load),
        grip_use=ring(use),
        force_long=ring(flong),
        force_lat=ring(flat),
        grip_long=ring(glong),
        grip_lat=ring(glat),
        slip_ratio=ring(0.08 * flong / glong),
        limiting_axle=ring(axle),
    )


def _speed(curvature: np.ndarray, h: float, grip: float) -> tuple[np.ndarray, np.ndarray]:
    m = curvature.size
    v = np.minimum(np.sqrt(grip * G / np.maximum(np.abs(curvature) - 4e-4 * grip, 1e-4)), 75.0)
    for i in range(2 * m):
        a, b = i % m, (i + 1) % m
        side = min(v[a] ** 2 * abs(curvature[a]) / (grip * G * (1 + v[a] ** 2 / 6000)), 1.0)
        free = (1 - side**2) ** 0.5
        ax = min(300e3 / v[a] / 1250.0, 0.62 * G * (0.15 + 0.85 * free)) - 0.55 * v[a] ** 2 / 1250.0
        v[b] = min(v[b], np.sqrt(max(v[a] ** 2 + 2 * ax * h, 25.0)))
    for i in range(2 * m, 0, -1):
        a, b = (i - 1) % m, i % m
        side = min(v[b] ** 2 * abs(curvature[b]) / (grip * G * (1 + v[b] ** 2 / 6000)), 1.0)
        ax = 1.15 * G * (1 - side**2) ** 0.5 * (1 + v[b] ** 2 / 6000) + 0.55 * v[b] ** 2 / 1250.0
        v[a] = min(v[a], np.sqrt(v[b] ** 2 + 2 * ax * h))
    v = gaussian_filter1d(v, 1.2, mode="wrap")
    square = v**2
    return v, (np.roll(square, -1) - np.roll(square, 1)) / (4 * h)


def _forces(mass, v, ax, ay, drive):
    weight = mass * G + 1.1 * v**2
    pitch = mass * ax * 0.45 / 2.5
    roll = mass * ay * 0.45 / 1.55
    front, rear = 0.42 * weight - pitch, 0.58 * weight + pitch
    load = np.column_stack(
        [front / 2 - 0.55 * roll, front / 2 + 0.55 * roll, rear / 2 - 0.45 * roll, rear / 2 + 0.45 * roll]
    )
    load = np.maximum(load, 120.0)
    mu = 1.62 - 4e-5 * (load - 3500.0)
    peak = mu * load
    share = load / load.sum(axis=1, keepdims=True)
    flat = share * (mass * ay)[:, None]
    brake = np.minimum(drive, 0.0)[:, None] * np.array([0.31, 0.31, 0.19, 0.19])
    push = np.maximum(drive, 0.0)[:, None] * np.array([0.0, 0.0, 0.5, 0.5])
    return load, brake + push, flat, peak, peak


def mirrored(lap: Lap) -> Lap:
    """The same lap of the mirrored circuit: left and right change places."""
    odd = (
        "y",
        "n",
        "xi",
        "curvature",
        "steering_wheel",
        "accel_lat",
        "yaw_rate",
        "sideslip",
        "slip_angle_front",
        "slip_angle_rear",
    )
    swap = [1, 0, 3, 2]
    wheels = ("load", "grip_use", "force_long", "grip_long", "grip_lat", "slip_ratio")
    return replace(
        lap,
        **{k: -getattr(lap, k) for k in odd},
        **{k: getattr(lap, k)[:, swap] for k in wheels},
        force_lat=-lap.force_lat[:, swap],
    )
