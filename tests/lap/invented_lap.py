"""An invented circuit and an invented lap of it, for the tests of what is made from a lap.

Nothing here is an optimum: a line of least curvature between the edges, a speed by forward and backward
passes under a friction ellipse, and channels by simple formulas. It is smooth, closed and plausible, which is
all that reading, drawing and printing need.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import lsq_linear
from scipy.sparse import diags

from lapwright.lap.lap import Lap
from lapwright.quantities import G
from lapwright.track.definition import Landmark
from lapwright.track.road import RoadPoints
from lapwright.track.track import Corner, TrackReport

STEP = 0.25
HALF_WIDTH = 5.5

# (length, None) is a straight; (radius, degrees, ramp, name) a bend, positive to the left.
ELEMENTS = (
    ("straight", None),
    (45.0, 100.0, 25.0, "Gate"),
    (180.0, None),
    (60.0, -85.0, 25.0, "Kiln"),
    (110.0, None),
    (260.0, 25.0, 30.0, "Long Acre"),
    (190.0, None),
    (18.0, 160.0, 12.0, "Ferry Hairpin"),
    ("back", None),
    (42.0, -40.0, 18.0, "Sluice"),
    (14.0, None),
    (42.0, 70.0, 18.0, "Weir"),
    (230.0, None),
    (110.0, 130.0, 40.0, "Marrow"),
)


@dataclass(frozen=True)
class InventedTrack:
    """The contract of a track, filled from a table of curvature."""

    name: str
    closed: bool
    length: float
    corners: tuple[Corner, ...]
    landmarks: tuple[Landmark, ...]
    report: TrackReport
    breaks: np.ndarray
    splines: dict = field(repr=False)

    def road(self, s) -> RoadPoints:
        s = np.asarray(s, dtype=float)
        u = np.mod(s, self.length) if self.closed else s
        x, y, z, heading, curvature = (self.splines[k](u) for k in ("x", "y", "z", "heading", "curvature"))
        slope = np.arctan(self.splines["z"](u, 1))
        o, one = np.zeros_like(u), np.ones_like(u)
        return RoadPoints(
            s=s,
            x=x,
            y=y,
            z=z,
            heading=heading,
            slope=slope,
            bank=o,
            stretch=1 / np.cos(slope),
            curvature=curvature,
            omega_x=o,
            omega_y=o,
            omega_z=curvature,
            omega_x_rate=o,
            up_x=np.sin(slope),
            up_y=o,
            up_z=np.cos(slope),
            width_left=HALF_WIDTH * one,
            width_right=HALF_WIDTH * one,
            grip_base=one,
            grip_bands=np.zeros((u.size, 0, 3)),
        )


def _lay(straights: dict[str, float]) -> tuple[np.ndarray, list[tuple[str, float, float, float]]]:
    knots, values, bends, s = [0.0], [0.0], [], 0.0
    for element in ELEMENTS:
        if element[1] is None:
            s += straights.get(element[0], element[0]) if isinstance(element[0], str) else element[0]
            knots.append(s)
            values.append(0.0)
            continue
        radius, degrees, ramp, name = element
        arc = radius * np.deg2rad(abs(degrees)) - ramp
        k = np.sign(degrees) / radius
        bends.append((name, s, s + arc + 2 * ramp, np.deg2rad(degrees)))
        knots += [s + ramp, s + ramp + arc, s + arc + 2 * ramp]
        values += [k, k, 0.0]
        s = knots[-1]
    grid = np.linspace(0.0, s, round(s / STEP) + 1)
    return np.column_stack([grid, np.interp(grid, knots, values)]), bends


def _plan(table: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    s, k = table.T
    ds = np.diff(s)
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (k[1:] + k[:-1]) * ds)])
    middle = 0.5 * (heading[1:] + heading[:-1])
    x = np.concatenate([[0.0], np.cumsum(np.cos(middle) * ds)])
    y = np.concatenate([[0.0], np.cumsum(np.sin(middle) * ds)])
    return x, y, heading


def invented_track(start: float = 240.0) -> InventedTrack:
    """A circuit of about 2.6 km. ``start`` moves the line along the first straight and beyond [m]."""
    base = {"straight": 300.0, "back": 300.0}
    x, y, _ = _plan(_lay(base)[0])
    back = np.deg2rad(200.0)
    extra = np.linalg.solve(np.array([[1.0, np.cos(back)], [0.0, np.sin(back)]]), -np.array([x[-1], y[-1]]))
    table, bends = _lay({"straight": 300.0 + extra[0], "back": 300.0 + extra[1]})
    s = table[:, 0]
    length = float(s[-1])
    x, y, heading = _plan(table)
    x -= x[-1] * s / length
    y -= y[-1] * s / length
    z = 12.0 + 7.0 * np.sin(2 * np.pi * s / length) + 2.5 * np.sin(6 * np.pi * s / length + 1.0)
    roll = round(start / STEP)
    shift = s[roll]

    def rolled(a: np.ndarray, jump: float = 0.0) -> np.ndarray:
        return np.concatenate([a[roll:-1], a[: roll + 1] + jump])

    columns = {
        "x": rolled(x),
        "y": rolled(y),
        "z": rolled(z),
        "heading": rolled(heading, heading[-1]),
        "curvature": rolled(table[:, 1]),
    }
    grid = np.linspace(0.0, length, s.size)
    corners = []
    for name, a, b, angle in bends:
        radius = next(e[0] for e in ELEMENTS if e[1] is not None and e[3] == name)
        corners.append(
            Corner(
                name,
                (a - shift) % length,
                (b - shift) % length,
                (0.5 * (a + b) - shift) % length,
                "left" if angle > 0 else "right",
                radius,
                abs(angle),
            )
        )
    corners.sort(key=lambda c: c.apex)
    at = {c.name: c.start for c in corners}
    marks = (
        Landmark("100 m board", (at["Gate"] - 100.0) % length),
        Landmark("50 m board", (at["Gate"] - 50.0) % length),
        Landmark("marshal post 4", (at["Ferry Hairpin"] - 90.0) % length),
        Landmark("end of the fence", (at["Sluice"] - 60.0) % length),
    )
    report = TrackReport(length, 0.0, 0.0, 0.0, 0.0, 18.0, corners[0].apex, float(np.ptp(z)), 0.03, ())
    return InventedTrack(
        "Fen Loop (invented)",
        True,
        length,
        tuple(corners),
        tuple(sorted(marks, key=lambda m: m.at)),
        report,
        np.array([0.0, length]),
        {k: CubicSpline(grid, v) for k, v in columns.items()},
    )


def _line(track: InventedTrack, s: np.ndarray) -> np.ndarray:
    """Offset of the line of least curvature between the edges, linearised."""
    m, h = s.size, s[1] - s[0]
    k = track.road(s).curvature
    second = diags([1.0, 1.0, -2.0, 1.0, 1.0], [-(m - 1), -1, 0, 1, m - 1], shape=(m, m)) / h**2
    gain = second + diags(k**2)
    room = HALF_WIDTH - 1.1
    return lsq_linear(gain.tocsr(), -k, bounds=(-room, room), max_iter=60).x


def invented_lap(track: InventedTrack, kind: str = "target", step: float = 5.0, grip: float = 1.35) -> Lap:
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
