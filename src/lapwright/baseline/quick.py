"""A rough quasi-steady speed over the centreline in a few milliseconds: the optimiser's first guess.

No trim is solved. Each axle's lateral force is estimated from its load, the fall of friction with load and the load
moved sideways; braking and drive fill what an ellipse leaves. Aero, power, brakes, gears, slopes, crests, dips and
banks count. Where an answer is to be trusted, use ``lapwright.baseline.solve.solve_baseline``.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from lapwright.baseline.path import Offsets, PathRoad, path_road
from lapwright.quantities import G
from lapwright.track.road import Array
from lapwright.vehicle.driveline import SPEED_MAX, wheel_forces
from lapwright.vehicle.loads import lateral_transfers
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle, Tyre, Vehicle

if TYPE_CHECKING:
    from lapwright.track.track import Track

STEP = 5.0
"""Longest step [m] of the rough passes."""

DRIVE_STEP = 0.5
"""Spacing of the table of drive force over speed [m/s]."""

SLOWEST = 1.0
"""Speed [m/s] below which the estimate never goes."""


@dataclass(frozen=True)
class RoughCar:
    """A car as the estimate sees it; specific forces [m/s2].

    Grip at total specific load N is ``(lat[0] - lat[1] N) N`` across, ``brake`` and ``drive`` alike along.
    ``lift`` and ``drag`` are per squared speed [1/m]; ``pull`` is drive less drag over speed (steps of
    ``DRIVE_STEP``), ``brake_most`` the brakes' own limit.
    """

    lat: tuple[float, float]
    brake: tuple[float, float]
    drive: tuple[float, float]
    lift: float
    drag: float
    pull: Array
    brake_most: float


def rough_car(vehicle: AnyVehicle) -> RoughCar:
    """The estimate's numbers of a car."""
    speeds = np.arange(0.0, SPEED_MAX + DRIVE_STEP, DRIVE_STEP)
    return (
        _rough_circle(vehicle, speeds)
        if isinstance(vehicle, FrictionCircle)
        else _rough_full(vehicle, speeds)
    )


def _rough_circle(car: FrictionCircle, speeds: Array) -> RoughCar:
    pull = np.full(speeds.shape, np.inf if car.accel_limit is None else car.accel_limit * G)
    if car.power is not None:
        pull = np.minimum(pull, car.power / (car.mass * np.maximum(speeds, SLOWEST)))
    aero = 0.5 * car.air_density / car.mass
    grip = (car.grip, 0.0)
    return RoughCar(grip, grip, grip, aero * car.downforce_area, aero * car.drag_area, pull, np.inf)


def _rough_full(car: Vehicle, speeds: Array) -> RoughCar:
    chassis, mass, share = car.chassis, car.chassis.mass, car.chassis.front_mass_share
    aero = 0.5 * car.aero.air_density / mass
    shares = ((car.tyres.front, share), (car.tyres.rear, 1.0 - share))
    lateral = [_axle(tyre, tyre.peak_mu_lat, part, mass) for tyre, part in shares]
    guess = min(level - fall * G for level, fall in lateral) * G
    for index, moved in enumerate(lateral_transfers(chassis, guess)):
        tyre, part = shares[index]
        lost = 2.0 * tyre.load_sensitivity * tyre.grip_scale * moved * moved / (mass * part * G)
        lateral[index] = (lateral[index][0] - min(lost, 0.3), lateral[index][1])
    weakest = min(lateral, key=lambda axle: axle[0] - axle[1] * G)
    along = [_axle(tyre, tyre.peak_mu_long, part, mass) for tyre, part in shares]
    brake = (
        share * along[0][0] + (1.0 - share) * along[1][0],
        share * along[0][1] + (1.0 - share) * along[1][1],
    )
    part = {"front": share, "rear": 1.0 - share, "all": 1.0}[car.driveline.driven]
    level, fall = {"front": along[0], "rear": along[1], "all": brake}[car.driveline.driven]
    lever = level * chassis.cg_height / chassis.wheelbase
    moved_on = {"front": 1.0 + lever, "rear": max(1.0 - lever, 0.5), "all": 1.0}[car.driveline.driven]
    drive = (part * level / moved_on, part * fall / moved_on)
    force, _ = wheel_forces(car.driveline, speeds)
    return RoughCar(
        weakest, brake, drive, aero * car.aero.downforce_area, aero * car.aero.drag_area, force / mass,
        car.brakes.peak_force / mass,
    )  # fmt: skip


def _axle(tyre: Tyre, peak: float, share: float, mass: float) -> tuple[float, float]:
    """Friction of an axle that carries ``share`` of the car: level, and fall per specific load of the car [s2/m]."""
    level = (peak + tyre.load_sensitivity * tyre.reference_load) * tyre.grip_scale
    return level, tyre.load_sensitivity * tyre.grip_scale * 0.5 * share * mass


def quick_speed_profile(
    track: Track,
    vehicle: AnyVehicle,
    s: Array,
    *,
    start_speed: float | None = None,
    end_speed: float | None = None,
) -> Array:
    """A rough quasi-steady speed [m/s] on the centreline at stations ``s`` [m], (M,).

    Parameters
    ----------
    track, vehicle
        The road and the car, full or friction circle.
    s
        Stations; on a closed track any, on an open one within it.
    start_speed, end_speed
        Speeds [m/s] at the ends of an open track; what is None is as high as the road allows. Ignored on a closed one.

    Notes
    -----
    Point-mass forward and backward passes (Milliken & Milliken, Race Car Vehicle Dynamics, 1995, ch. 9 [from memory]) with
    an ellipse between lateral and longitudinal grip; within about five percent of the full car's quasi-steady speed.
    """
    count = max(8, int(np.ceil(track.length / STEP)))
    grid = np.linspace(0.0, track.length, count + 1)
    road = path_road(track, Offsets(), np.concatenate([grid, np.minimum(track.breaks + 1e-6, track.length)]))
    order = np.argsort(road.s, kind="stable")
    road = road.take(order)
    car = rough_car(vehicle)
    limit = _limits(road, car)
    w = limit.copy()
    if track.closed:
        # Twice round from anywhere is enough: the second lap starts with the speed that the first one ends with.
        for _ in range(2):
            w[0] = w[-1] = min(w[0], w[-1])
            w = _pass(road, car, w, 1)
            w[0] = w[-1] = min(w[0], w[-1])
            w = _pass(road, car, w, -1)
    else:
        w[0] = w[0] if start_speed is None else min(w[0], start_speed**2)
        w[-1] = w[-1] if end_speed is None else min(w[-1], end_speed**2)
        w = _pass(road, car, _pass(road, car, w, 1), -1)
    w = np.maximum(w, SLOWEST**2)
    at = track.wrap(np.asarray(s, dtype=float))
    return np.sqrt(np.interp(at, road.s, w))


def _limits(road: PathRoad, car: RoughCar) -> Array:
    """Squared speed [m2/s2] at which all grip goes into the bend, at most that of ``SPEED_MAX``."""
    low, high = np.zeros_like(road.s), np.full_like(road.s, SPEED_MAX**2)
    for _ in range(24):
        w = 0.5 * (low + high)
        normal = road.normal(w)
        load = normal + car.lift * w
        fits = np.abs(road.lateral(w, normal)) <= road.grip * (car.lat[0] - car.lat[1] * load) * load
        fits &= load > 0.05 * G
        low, high = np.where(fits, w, low), np.where(fits, high, w)
    return np.maximum(low, SLOWEST**2)


def _pass(road: PathRoad, car: RoughCar, w: Array, direction: int) -> Array:
    """Lower ``w`` to what driving forward (1) or braking backward (-1) can reach, by midpoint steps."""
    out = w.tolist()
    steps = (np.diff(road.s) * 0.5 * (road.metric[1:] + road.metric[:-1])).tolist()
    columns = [
        getattr(road, name).tolist()
        for name in (
            "normal_rest", "normal_rate", "curvature", "spin_lat", "gravity_lat", "tilt_lat",
            "gravity_long", "spin_long", "tilt_long", "grip",
        )
    ]  # fmt: skip
    points = list(zip(*columns, strict=True))
    pull = car.pull.tolist()
    indices = range(len(steps)) if direction > 0 else range(len(steps) - 1, -1, -1)
    for i in indices:
        here, there = (i, i + 1) if direction > 0 else (i + 1, i)
        now = out[here]
        if now >= out[there] and steps[i] == 0.0:
            continue
        ahead = 2.0 * direction * steps[i]
        half = now + 0.5 * ahead * _accel(points[here], car, pull, now, direction)
        reach = now + ahead * _accel(points[there], car, pull, max(half, 1.0), direction)
        if reach < out[there]:
            out[there] = max(reach, 1.0)
    return np.array(out)


def _accel(point: tuple[float, ...], car: RoughCar, pull: list[float], w: float, direction: int) -> float:
    """Greatest (1) or least (-1) acceleration [m/s2] along the line at squared speed ``w``."""
    rest, rate, curvature, spin_lat, g_lat, tilt_lat, g_long, spin_long, tilt_long, grip = point
    normal = rest + rate * w
    load = max(normal + car.lift * w, 0.0)
    lateral = (curvature - spin_lat) * w - g_lat - tilt_lat * normal
    most = grip * (car.lat[0] - car.lat[1] * load) * load
    share = lateral / most if most > 0.0 else 1.0
    left = sqrt(1.0 - share * share) if abs(share) < 1.0 else 0.0
    free = g_long + spin_long * w + tilt_long * normal - car.drag * w
    if direction < 0:
        return free - min(grip * (car.brake[0] - car.brake[1] * load) * load * left, car.brake_most)
    index = min(int(sqrt(w) / DRIVE_STEP), len(pull) - 1)
    return free + min(grip * (car.drive[0] - car.drive[1] * load) * load * left, pull[index])
