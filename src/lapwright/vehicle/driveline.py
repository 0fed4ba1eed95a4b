"""Engine, gears and differential: what reaches the driven wheels.

A shifting gearbox makes the force at the wheels a sawtooth over speed. ``drive_curve`` works the sawtooth out gear by
gear and describes it as a sum of smooth bends, so that the same curve serves arrays and symbols and every number
of it can be a parameter of a solved lap.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.vehicle.parameters import Differential, Driveline
from lapwright.vehicle.smooth import positive, sign

Array = NDArray[np.float64]

KNOTS = 24
"""Bends in a drive curve; unused ones have no effect."""

SHIFT_SPAN = 1.2
"""Speed [m/s] over which the force changes at a shift: what is left of the step after a driver's tolerance of some rpm."""

GRID = 0.2
"""Spacing [m/s] on which the drive curve is worked out."""

BLOCK = 64
"""Points of that grid that are worked on at once: their tables stay in the processor's cache."""

SPEED_MAX = 130.0
"""Highest speed [m/s] that the drive curve covers."""

POWER_SPEED_FLOOR = 2.0
"""Below about this speed [m/s] a plain power gives no more force than here; keeps power / speed finite."""


@dataclass(frozen=True)
class DriveCurve:
    """Full-throttle and overrun force at the contact patches of all driven wheels, over speed.

    ``force(u) = level + slope * u + sum_j bend_j * positive(u - knot_j)``, in N and m/s; the overrun force alike.

    Attributes
    ----------
    level, slope, bends : the full-throttle force
    drag_level, drag_slope, drag_bends : the overrun (engine braking) force, positive
    knots, widths : the bends' speeds and the speeds over which they bend [m/s], (KNOTS,)
    """

    level: Any
    slope: Any
    bends: Any
    drag_level: Any
    drag_slope: Any
    drag_bends: Any
    knots: Any
    widths: Any

    def forces(self, speed: Any) -> tuple[Any, Any]:
        """Full-throttle force and overrun force [N] at ``speed`` [m/s]; arrays or symbols."""
        drive = self.level + self.slope * speed
        overrun = self.drag_level + self.drag_slope * speed
        for j in range(KNOTS):
            bend = positive(speed - self.knots[j], self.widths[j])
            drive = drive + self.bends[j] * bend
            overrun = overrun + self.drag_bends[j] * bend
        return drive, overrun


def gear_shift_speeds(driveline: Driveline) -> Array:
    """Road speed [m/s] at which each gear is left: where the next pulls harder, at ``shift_speed`` at the latest."""
    ratios = np.asarray(driveline.gear_ratios) * driveline.final_drive
    speeds = []
    for low, high in pairwise(ratios):
        limit = driveline.shift_speed * driveline.wheel_radius / low
        grid = np.linspace(0.3 * limit, limit, 400)
        better = _pull(driveline, high, grid) > _pull(driveline, low, grid)
        speeds.append(float(grid[np.argmax(better)]) if better.any() else float(limit))
    return np.asarray(speeds)


def gear_at(driveline: Driveline, speed: Array) -> NDArray[np.int64]:
    """Gear number (1 = lowest) at ``speed`` [m/s]; 0 for a car without gears."""
    speed = np.asarray(speed)
    if not driveline.gear_ratios:
        return np.zeros(speed.shape, dtype=np.int64)
    return 1 + np.searchsorted(gear_shift_speeds(driveline), speed, side="right").astype(np.int64)


def engine_speed_at(driveline: Driveline, speed: Array) -> Array:
    """Engine speed [rad/s] at ``speed`` [m/s] in the gear of ``gear_at``, clutch closed; 0 for a car without gears."""
    if not driveline.gear_ratios:
        return np.zeros(np.shape(speed))
    ratio = np.asarray(driveline.gear_ratios)[gear_at(driveline, speed) - 1] * driveline.final_drive
    return np.asarray(speed) / driveline.wheel_radius * ratio


def wheel_forces(driveline: Driveline, speed: Array) -> tuple[Array, Array]:
    """Full-throttle and overrun force [N] of the sawtooth itself at ``speed`` [m/s], cut at ``shift_speed`` in top gear."""
    speed = np.asarray(speed, dtype=float)
    if not driveline.gear_ratios:
        power = driveline.power if driveline.power is not None else 0.0
        drive = driveline.efficiency * power / positive(speed, POWER_SPEED_FLOOR)
        return drive, np.full(speed.shape, driveline.overrun_torque / driveline.wheel_radius)
    ratio = np.asarray(driveline.gear_ratios)[gear_at(driveline, speed) - 1] * driveline.final_drive
    drive = _pull(driveline, ratio, speed)
    overrun = driveline.overrun_torque * ratio / (driveline.wheel_radius * driveline.efficiency)
    return np.where(speed > top_gear_speed(driveline), -overrun, drive), overrun


def top_gear_speed(driveline: Driveline) -> float:
    """Road speed [m/s] at ``shift_speed`` in the highest gear; infinite for a car without gears."""
    if not driveline.gear_ratios:
        return float("inf")
    return (
        driveline.shift_speed * driveline.wheel_radius / (driveline.gear_ratios[-1] * driveline.final_drive)
    )


@lru_cache(maxsize=64)
def drive_curve(driveline: Driveline) -> DriveCurve:
    """The smooth drive curve of a car with gears.

    The sawtooth is blurred over ``SHIFT_SPAN`` at its steps, its knots are placed where straight pieces between them
    miss it least, and the bends are fitted by least squares, so that ``KNOTS`` of them describe any gearbox.
    """
    grid = np.arange(0.0, SPEED_MAX + 0.5 * GRID, GRID)
    window = np.hanning(round(SHIFT_SPAN / GRID) + 3)
    window /= window.sum()
    drive, overrun = (_blur(curve, window) for curve in wheel_forces(driveline, grid))
    weight = 1.0 / (np.abs(drive) + 0.05 * max(float(np.max(np.abs(drive))), 1.0))
    knots = grid[_place_knots(grid, np.stack([drive, overrun]), weight)]
    gaps = np.diff(np.concatenate([[0.0], knots, [SPEED_MAX]]))
    widths = np.clip(0.25 * np.minimum(gaps[:-1], gaps[1:]), 0.15, 2.0)
    basis = np.column_stack([np.ones_like(grid), grid, positive(grid[:, None] - knots, widths)])
    fit, *_ = np.linalg.lstsq(
        basis * weight[:, None], np.column_stack([drive, overrun]) * weight[:, None], rcond=None
    )
    return DriveCurve(
        float(fit[0, 0]),
        float(fit[1, 0]),
        fit[2:, 0],
        float(fit[0, 1]),
        float(fit[1, 1]),
        fit[2:, 1],
        knots,
        widths,
    )


def differential_transfer(differential: Differential, input_torque: Any, slip_speed: Any) -> Any:
    """Torque [N m] that a differential moves from the left wheel to the right one.

    Parameters
    ----------
    differential
        Not of type "locked": a locked axle has no torque law but equal wheel speeds.
    input_torque
        Torque into the axle [N m], negative on overrun.
    slip_speed
        Spin of the left wheel less that of the right [rad/s].

    Notes
    -----
    The clutch pack of type "preload" holds up to ``preload + ramp * |input torque|`` of difference between the wheels
    (Milliken & Milliken 1995, ch. 20 [from memory]); half of the difference is moved. Dry friction is rounded
    over 0.5 rad/s.
    """
    if differential.type == "viscous":
        return 0.5 * differential.viscosity * slip_speed
    if differential.type == "preload":
        on_drive = positive(input_torque, 20.0)
        on_overrun = positive(-input_torque, 20.0)
        locking = (
            differential.preload + differential.ramp_drive * on_drive + differential.ramp_overrun * on_overrun
        )
        return 0.5 * locking * sign(slip_speed, 0.5)
    return 0.0 * slip_speed


def _pull(driveline: Driveline, ratio: Any, speed: Array) -> Array:
    spin = speed / driveline.wheel_radius * ratio
    torque = np.interp(spin, driveline.engine_speed, driveline.engine_torque)
    return np.asarray(torque * ratio * driveline.efficiency / driveline.wheel_radius)


def _blur(curve: Array, window: Array) -> Array:
    half = len(window) // 2
    return np.convolve(np.pad(curve, half, mode="edge"), window, mode="valid")[: len(curve)]


def _place_knots(grid: Array, curves: Array, weight: Array) -> NDArray[np.int64]:
    """Grid points whose chords miss the curves least in the sum of squares: Bellman & Roth, JASA 64 (1969) 1079.

    ``cost[j, i]`` is the weighted squared miss of the chord from grid point i to j, from running sums; ``best[j]`` the
    least cost of a polyline that ends in j with as many pieces as have been added so far. Pieces run forward: a block of
    ends needs the starts before its last end only.
    """
    count = len(grid)
    terms = [_running_sums(grid, curve, weight) for curve in curves]
    blocks = [slice(first, min(first + BLOCK, count)) for first in range(0, count, BLOCK)]
    costs = []
    for block in blocks:
        cost = np.sum([_chord_misses(*running, block) for running in terms], axis=0)
        cost[np.arange(cost.shape[1]) >= np.arange(count)[block, None]] = np.inf
        costs.append(cost)
    best, came_from = np.concatenate([cost[:, 0] for cost in costs]), []
    for _ in range(KNOTS):
        source, least = np.empty(count, dtype=np.int64), np.empty(count)
        for block, cost in zip(blocks, costs, strict=True):
            through = best[: block.stop] + cost
            source[block] = np.argmin(through, axis=1)
            least[block] = np.min(through, axis=1)
        came_from.append(source)
        best = least
    knots = [count - 1]
    for source in reversed(came_from):
        knots.append(int(source[knots[-1]]))
    return np.asarray(knots[:0:-1])


def _running_sums(grid: Array, curve: Array, weight: Array) -> tuple[Array, Array, list[Array]]:
    terms = (curve * curve, curve, curve * grid, np.ones_like(grid), grid, grid * grid)
    return grid, curve, [np.cumsum(weight * weight * term) for term in terms]


def _chord_misses(grid: Array, curve: Array, sums: list[Array], block: slice) -> Array:
    """Weighted squared miss of a curve by the chord from point i to point j of a block, at [j, i]; i < j has a meaning."""

    def apart(values: Array) -> Array:
        return np.asarray(values[block, None] - values[None, : block.stop])

    ff, f, fx, one, x, xx = map(apart, sums)
    length = apart(grid)
    slope = apart(curve) / np.where(length > 0.0, length, 1.0)
    level = curve[: block.stop] - slope * grid[: block.stop]
    miss = ff - 2 * level * f - 2 * slope * fx
    miss += level * level * one + 2 * level * slope * x + slope * slope * xx
    return np.asarray(np.maximum(miss, 0.0))
