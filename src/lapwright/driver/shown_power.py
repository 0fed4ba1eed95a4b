"""The power and the drag that a car showed on straights at full throttle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.felt import STRAIGHT, calm, motion_of
from lapwright.driver.session import DriverLap
from lapwright.driver.shown import Shown, percent_words, unseen
from lapwright.lap.lap import Array, Lap
from lapwright.track.track import Track
from lapwright.vehicle.driveline import drive_curve, wheel_forces
from lapwright.vehicle.loads import drag
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

Mask = NDArray[np.bool_]

FULL, ROLLING = 0.98, 20.0
"""Throttle and speed [m/s] of the rows that tell of power and drag."""

REACH = 0.4
"""Time before and after a row over which its acceleration is made [s]."""

ALONE = 1.5
"""Time between two rows that count as independent [s]."""

LEAST = 6.0
"""Independent rows from which power is told."""

DRAG_SURE = 0.08
"""Standard error of the drag, as a share, above which only power is told."""


def power_shown(
    track: Track, vehicle: AnyVehicle, laps: Sequence[DriverLap], target: Lap
) -> tuple[Shown, Shown]:
    """Drive force and drag over the file's: m a_x = p F_drive(v) - d drag(v), by least squares over time.

    What is felt has the slope of the road in it. The reference is measured in the same way, and what it comes out by
    (spinning masses, rolling resistance, tyres that scrub) is divided out. The reference changes gear in no time; what
    a car loses while it does is in the power that it showed.

    Parameters
    ----------
    track, vehicle
        The road, and the car as its file has it.
    laps
        Whole laps.
    target
        The reference with rows where the laps have theirs.
    """
    known = [drive for drive in laps if drive.lap is not None and "throttle" in drive.has]
    if not known:
        words = "nothing about power and drag: no throttle was logged"
        return unseen(words), unseen(words)
    straight = np.abs(calm(target.t, target.accel_lat)) < STRAIGHT
    ours: list[tuple[Lap, Mask]] = []
    theirs: list[tuple[Lap, Mask]] = []
    for drive in known:
        assert drive.lap is not None
        for lap, rows in ((drive.lap, ours), (target, theirs)):
            # By the speed alone: an accelerometer that is not level would read power into or out of the car.
            told = motion_of(lap, track, drive.has - {"accel_long"})
            # Without anything that tells of the line the road's bends are not the car's.
            turning = drive.has & {"yaw_rate", "accel_lat", "line"}
            also = np.abs(calm(told.t, told.accel_lat)) < STRAIGHT if turning else straight
            rows.append((told, straight & also))
    found, model = _pull(vehicle, ours, True), _pull(vehicle, theirs, True)
    if found is None or model is None:
        words = "nothing about power and drag: no straight at full throttle is long enough, or the car has no power limit"
        return unseen(words), unseen(words)
    (push, air), (push_error, air_error), count = found
    if air_error > DRAG_SURE:
        alone, base = _pull(vehicle, ours, False), _pull(vehicle, theirs, False)
        assert alone is not None and base is not None
        value, error = float(alone[0][0] / base[0][0]), float(alone[1][0])
        words = "drag cannot be told from power: too few different speeds at full throttle"
        return _seen("power", value, error, count), unseen(words)
    return (
        _seen("power", float(push / model[0][0]), float(push_error), count),
        _seen("drag", float(air / model[0][1]), float(air_error), count),
    )


def _seen(word: str, value: float, error: float, count: int) -> Shown:
    return Shown(value, error, "seen", count, (), f"{word} {percent_words(value, error)}")


def _pull(
    vehicle: AnyVehicle, laps: Sequence[tuple[Lap, Mask]], with_drag: bool
) -> tuple[Array, Array, int] | None:
    """Scales of drive force and drag, their standard errors, and how many independent rows they rest on."""
    pulls, airs, needs, spans = [], [], [], []
    for lap, straight in laps:
        throttle = np.nan_to_num(lap.throttle)
        rows = straight & (throttle >= FULL) & (np.nan_to_num(lap.brake) < 0.01) & (lap.speed > ROLLING)
        # The foot must be down for as long as the speed is looked at.
        rows &= np.interp(lap.t - REACH, lap.t, throttle) >= FULL
        rows &= np.interp(lap.t + REACH, lap.t, throttle) >= FULL
        speed = lap.speed[rows]
        mass, force, air = _forces(vehicle, speed)
        if force is None:
            return None
        pulls.append(force)
        airs.append(air)
        needs.append(mass * calm(lap.t, lap.accel_long)[rows])
        spans.append(np.gradient(lap.t)[rows])
    pull, air, need, span = (np.concatenate(part) for part in (pulls, airs, needs, spans))
    if float(np.sum(span)) / ALONE < LEAST:
        return None
    design = np.column_stack([pull, -air]) if with_drag else pull[:, None]
    wanted = need if with_drag else need + air
    root = np.sqrt(span / np.sum(span))
    answer = np.asarray(
        np.linalg.lstsq(design * root[:, None], wanted * root, rcond=None)[0], dtype=np.float64
    )
    variance = float(np.sum((root * (wanted - design @ answer)) ** 2))
    covariance = np.linalg.inv((design * root[:, None]).T @ (design * root[:, None])) * variance
    independent = float(np.sum(span)) / ALONE
    error = np.sqrt(np.diag(covariance) / max(independent - answer.size, 1.0))
    return answer, np.asarray(error), round(independent)


def _forces(vehicle: AnyVehicle, speed: Array) -> tuple[float, Array | None, Array]:
    """Mass, drive force at full throttle and drag at speeds; no force for a car without a power limit."""
    if isinstance(vehicle, FrictionCircle):
        air = 0.5 * vehicle.air_density * vehicle.drag_area * speed**2
        return vehicle.mass, None if vehicle.power is None else vehicle.power / speed, air
    line = vehicle.driveline
    # The reference has the smooth curve of a car with gears, so that is what the scale is of.
    force = drive_curve(line).forces(speed)[0] if line.gear_ratios else wheel_forces(line, speed)[0]
    return vehicle.chassis.mass, force, np.asarray(drag(vehicle.aero, speed))
