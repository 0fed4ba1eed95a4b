"""A driven lap as channels over the road."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.log import Log, Signal
from lapwright.driver.session import STEP
from lapwright.lap.lap import Lap
from lapwright.quantities import G
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

Array = NDArray[np.float64]

CREEP = 1.0
"""Speed [m/s] below which curvature is not made from rates."""

SPEED_WINDOW = 0.4
"""Time [s] over which speed is differentiated when no acceleration was logged."""

LONGEST_GAP = 1.0
"""Longest time without a sample [s] in a channel that is known in a lap; three samples in a slow one."""


@dataclass(frozen=True, eq=False)
class Course:
    """One lap's way: times (M,) [s] of the log, stations [m] from 0 to the road's length, speed [m/s], and with places the
    offset, its slope and its bend over the station; NaN without.
    """

    t: Array
    s: Array
    speed: Array
    n: Array
    slope: Array
    bend: Array


def grid_of(track: Track) -> Array:
    """Stations of the rows of every driven lap of a road [m]."""
    return np.linspace(0.0, track.length, int(np.ceil(track.length / STEP)) + 1)


def channels_of(track: Track, vehicle: AnyVehicle, log: Log, course: Course) -> tuple[Lap, frozenset[str]]:
    """The lap over an even grid of stations, and which of its channels were logged.

    Pedals and hands are read at the time at which the car is at a station, straight between two samples: nothing is smoothed
    that has a place. Accelerations that were not logged follow from speed, path and the road's slope and bank; curvature from
    the yaw rate, the lateral acceleration or the path, in this order.
    """
    s = grid_of(track)
    # Equal stations (a car that stands) would have no time of their own.
    keep = np.concatenate([[True], np.diff(course.s) > 1e-9])
    t = np.interp(s, course.s[keep], course.t[keep])

    def over(values: Array) -> Array:
        return np.interp(t, course.t, values)

    def logged(name: str) -> Array | None:
        if name not in log.signals:
            return None
        signal = log.signals[name]
        return np.interp(t, signal.t, signal.values) if _goes_on(signal, t) else None

    speed = np.maximum(over(course.speed), 0.05)
    placed = bool(np.all(np.isfinite(course.n)))
    has = {"speed"} | ({"line"} if placed else set())
    n, slope, bend = (over(values) for values in (course.n, course.slope, course.bend))
    road = track.road(s)
    none = np.full(s.size, np.nan)
    pedals = _pedals(vehicle, logged)
    wheel = _wheel(vehicle, logged)
    long, lateral, yaw = logged("accel_long"), logged("accel_lat"), logged("yaw_rate")
    curvature = _curvature(speed, yaw, lateral, road, s, n, slope, bend, placed)
    for name, values in (
        *pedals.items(),
        ("steering", wheel),
        ("accel_long", long),
        ("accel_lat", lateral),
        ("yaw_rate", yaw),
    ):
        if values is not None and name in (
            "brake",
            "throttle",
            "steering",
            "accel_long",
            "accel_lat",
            "yaw_rate",
        ):
            has.add(name)
    for name in ("gear", "engine_speed"):
        if name in log.signals and _goes_on(log.signals[name], t):
            has.add(name)
    rate = _rate(t, speed)
    x, y, z = track.to_world(s, n if placed else np.zeros_like(s))
    brake = pedals["brake"] if pedals["brake"] is not None else none
    throttle = pedals["throttle"] if pedals["throttle"] is not None else none
    engine, gear = logged("engine_speed"), _held(log, "gear", t)
    four = np.full((s.size, 4), np.nan)
    lap = Lap(
        kind="driver",
        track_name=track.name,
        vehicle_name=vehicle.name,
        closed=track.closed,
        s=s,
        t=t - t[0],
        x=x if placed else none,
        y=y if placed else none,
        z=z,
        n=n if placed else none,
        xi=np.arctan2(slope, 1.0 - n * road.omega_z / road.stretch) if placed else none,
        curvature=curvature,
        speed=speed,
        pedal=np.nan_to_num(throttle) - np.nan_to_num(brake),
        brake=brake,
        throttle=throttle,
        brake_pressure=pedals["pressure"] if pedals["pressure"] is not None else none,
        steering_wheel=wheel if wheel is not None else none,
        gear=gear,
        engine_speed=engine if engine is not None else none,
        accel_long=long if long is not None else rate + G * road.up_x,
        accel_lat=lateral if lateral is not None else speed * speed * curvature + G * road.up_y,
        yaw_rate=yaw if yaw is not None else speed * curvature,
        sideslip=np.zeros_like(s),
        slip_angle_front=none,
        slip_angle_rear=none,
        load=four,
        grip_use=four,
        force_long=four,
        force_lat=four,
        grip_long=four,
        grip_lat=four,
        slip_ratio=four,
        limiting_axle=np.full(s.size, "none"),
    )
    return lap, frozenset(has)


def as_logged(lap: Lap, track: Track, has: frozenset[str]) -> Lap:
    """A lap whose accelerations and yaw rate are made as ``channels_of`` makes those that were not logged.

    A log without an accelerometer has the rate of the speed along the path, not what is felt along the car: two laps are held
    against each other only when both are told in the same way.
    """
    road = track.road(lap.s)
    yaw = lap.yaw_rate if "yaw_rate" in has else None
    lateral = lap.accel_lat if "accel_lat" in has else None
    slope = np.tan(lap.xi) if "line" in has else np.zeros_like(lap.s)
    curvature = lap.curvature
    if yaw is not None or lateral is not None:
        curvature = _curvature(lap.speed, yaw, lateral, road, lap.s, lap.n, slope, slope, False)
    return replace(
        lap,
        accel_long=lap.accel_long if "accel_long" in has else _rate(lap.t, lap.speed) + G * road.up_x,
        accel_lat=lateral if lateral is not None else lap.speed**2 * curvature + G * road.up_y,
        yaw_rate=yaw if yaw is not None else lap.speed * curvature,
    )


def _pedals(vehicle: AnyVehicle, logged: object) -> dict[str, Array | None]:
    """Brake as a share of the car's peak pressure, pressure, throttle; what was not logged is None."""
    assert callable(logged)
    brake, pressure, throttle = logged("brake"), logged("brake_pressure"), logged("throttle")
    if pressure is not None and not isinstance(vehicle, FrictionCircle):
        # A pressure is the same for every log; a pedal's travel is whatever its sensor was set to.
        brake = np.clip(pressure / vehicle.brakes.peak_pressure, 0.0, None)
    if brake is not None:
        brake = np.clip(brake, 0.0, 1.2)
    return {
        "brake": brake,
        "pressure": pressure,
        "throttle": None if throttle is None else np.clip(throttle, 0.0, 1.0),
    }


def _wheel(vehicle: AnyVehicle, logged: object) -> Array | None:
    assert callable(logged)
    wheel, road_wheel = logged("steering_wheel"), logged("road_wheel")
    if wheel is None and road_wheel is not None and not isinstance(vehicle, FrictionCircle):
        return np.asarray(road_wheel * vehicle.steering.ratio)
    return None if wheel is None else np.asarray(wheel)


def _curvature(
    speed: Array,
    yaw: Array | None,
    lateral: Array | None,
    road: object,
    s: Array,
    n: Array,
    slope: Array,
    bend: Array,
    placed: bool,
) -> Array:
    """Curvature of the path in the road's surface [1/m]."""
    from lapwright.track.road import RoadPoints

    assert isinstance(road, RoadPoints)
    moving = speed > CREEP
    if yaw is not None:
        return np.where(moving, yaw / np.maximum(speed, CREEP), 0.0)
    if lateral is not None:
        return np.where(moving, (lateral - G * road.up_y) / np.maximum(speed, CREEP) ** 2, 0.0)
    turn = road.omega_z / road.stretch
    if not placed:
        return turn
    return curvature_beside(turn, s, n, slope, bend)


def curvature_beside(turn: Array, s: Array, n: Array, slope: Array, bend: Array) -> Array:
    """Curvature [1/m] of a curve that runs beside another, both in one plane.

    (x'y'' - y'x'') / hypot(x', y')^3 of the curve r + n N by the formulas of Frenet (any textbook of differential geometry):
    with h = 1 - n k it is (h (h k + n'') + n' (2 n' k + n k')) / (h^2 + n'^2)^(3/2).

    Parameters
    ----------
    turn, s
        Curvature k [1/m], left positive, at stations [m].
    n, slope, bend
        Offset [m], left positive, and its first [-] and second [1/m] derivative over the station.
    """
    h = 1.0 - n * turn
    swing = h * (h * turn + bend) + slope * (2.0 * slope * turn + n * np.gradient(turn, s))
    return np.asarray(swing / np.hypot(h, slope) ** 3)


def _goes_on(signal: Signal, t: Array) -> bool:
    """Whether a channel has no gap in the lap; one that stops half way is not known in it, rather than what it was last."""
    # Of this lap alone: the whole of a long log, lap for lap, would take longer than all the rest.
    inside = signal.t[slice(*np.searchsorted(signal.t, [t[0], t[-1]]))]
    if inside.size < 2:
        return False
    usual = float(np.median(np.diff(inside)))
    return bool(np.max(np.diff(np.concatenate([[t[0]], inside, [t[-1]]]))) <= max(LONGEST_GAP, 3.0 * usual))


def _held(log: Log, name: str, t: Array) -> NDArray[np.int64]:
    """A channel that keeps its value until the next sample; 0 when it was not logged."""
    if name not in log.signals or not _goes_on(log.signals[name], t):
        return np.zeros(t.size, dtype=np.int64)
    signal = log.signals[name]
    before = np.clip(np.searchsorted(signal.t, t, side="right") - 1, 0, signal.t.size - 1)
    return np.rint(signal.values[before]).astype(np.int64)


def _rate(t: Array, speed: Array) -> Array:
    """Rate of the speed [m/s2], from straight lines over ``SPEED_WINDOW``."""
    early, late = np.interp(t - 0.5 * SPEED_WINDOW, t, speed), np.interp(t + 0.5 * SPEED_WINDOW, t, speed)
    span = np.minimum(t + 0.5 * SPEED_WINDOW, t[-1]) - np.maximum(t - 0.5 * SPEED_WINDOW, t[0])
    return np.asarray((late - early) / np.maximum(span, 1e-6))
