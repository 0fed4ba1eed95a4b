"""Which way round a log's channels are: found by holding them against each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.log import Signal

Array = NDArray[np.float64]

TELLING = 0.3
"""Correlation above which a sign is told; noise alone, over the seconds of a lap, stays below 0.2."""

TURNING = ("yaw_rate", "accel_lat", "steering_wheel", "road_wheel")
"""Channels that are positive to the left; the first of them is believed most when nothing else tells."""

WINDOW = 1.0
"""Time over which course and speed are compared with themselves [s]: noise of places makes no turn of a course over it."""

WORDS = {
    "yaw_rate": "yaw rate",
    "accel_lat": "lateral acceleration",
    "steering_wheel": "steering",
    "road_wheel": "steering of the road wheels",
    "accel_long": "longitudinal acceleration",
}


@dataclass(frozen=True)
class Signs:
    """Signals with our signs, and what was found, in words."""

    signals: Mapping[str, Signal]
    words: tuple[str, ...]


def find_signs(signals: Mapping[str, Signal], fixed: frozenset[str]) -> Signs:
    """Left and forward made positive.

    The way of a car in the plane tells left from right: its course, from places ``WINDOW`` apart, turns as the yaw rate does,
    and speed times that is the lateral acceleration. Without places the turning channels are held against each other: the yaw
    rate, else the lateral acceleration, keeps its sign. Longitudinal acceleration is held against the change of speed.

    Parameters
    ----------
    signals
        By the names of the measures.
    fixed
        Channels whose sign the user gave: they are held against the others too, but not turned.
    """
    result = dict(signals)
    words: list[str] = []
    grid = _grid(signals)
    if grid.size < 20:
        return Signs(result, ())
    speed = _on(signals["speed"], grid)
    against: dict[str, tuple[Array, str]] = {}
    if "accel_long" in signals:
        against["accel_long"] = (_slope(grid, speed), "the change of speed")
    turn = _turning(signals, grid, speed, fixed)
    if turn is not None:
        rate, source, name = turn
        if name and name not in fixed:
            words.append(
                f"{WORDS[name]}: there are no places to tell its sign; taken as it is, left positive"
            )
        for measure in TURNING:
            if measure in signals and measure != name:
                # Steering follows the curvature; at a standstill that is nothing.
                size = (
                    rate
                    if measure == "yaw_rate"
                    else rate * speed
                    if measure == "accel_lat"
                    else rate / np.maximum(speed, 8.0)
                )
                against[measure] = (size, source)
    for measure, (model, source) in against.items():
        alike = _alike(_on(signals[measure], grid), model)
        if alike < -TELLING and measure not in fixed:
            signal = result[measure]
            result[measure] = replace(signal, values=-signal.values)
            words.append(
                f"{WORDS[measure]} has the other sign (correlation {alike:.2f} with {source}): turned round"
            )
        elif alike < -TELLING:
            words.append(
                f"{WORDS[measure]}: the sign of the channel map disagrees with {source} (correlation {alike:.2f})"
            )
        elif alike <= TELLING and measure not in fixed:
            words.append(
                f"{WORDS[measure]}: {source} does not tell its sign (correlation {alike:.2f}); taken as it is"
            )
    return Signs(result, tuple(words))


def _grid(signals: Mapping[str, Signal]) -> Array:
    t = signals["speed"].t
    return np.arange(t[0], t[-1], 0.2)


def _on(signal: Signal, grid: Array) -> Array:
    """A signal on the grid, as the mean over a step around it; NaN where it has none."""
    # Sums up to the edges of the steps, so that vibration does not alias.
    edges = np.append(grid - 0.1, grid[-1] + 0.1)
    place = np.searchsorted(signal.t, edges)
    total = np.concatenate([[0.0], np.cumsum(signal.values)])
    count = np.diff(place)
    means = np.diff(total[place]) / np.maximum(count, 1)
    values = np.where(count > 0, means, np.interp(grid, signal.t, signal.values))
    values[(grid < signal.t[0]) | (grid > signal.t[-1])] = np.nan
    return np.asarray(values)


def _slope(grid: Array, values: Array) -> Array:
    k = max(round(0.5 * WINDOW / 0.2), 1)
    slope = np.full(grid.size, np.nan)
    slope[k:-k] = (values[2 * k :] - values[: -2 * k]) / (grid[2 * k :] - grid[: -2 * k])
    return slope


def _turning(
    signals: Mapping[str, Signal], grid: Array, speed: Array, fixed: frozenset[str]
) -> tuple[Array, str, str] | None:
    """What tells left from right, as a yaw rate: values, words, and which channel it is ('' for none of them)."""
    if "x" in signals and "y" in signals:
        x, y = (_on(signals[name], grid) for name in ("x", "y"))
        course = np.arctan2(_slope(grid, y), _slope(grid, x))
        good = np.isfinite(course)
        rate = np.full(grid.size, np.nan)
        if good.sum() > 20:
            rate[good] = _slope(grid[good], np.unwrap(course[good]))
            rate[speed < 5.0] = np.nan
            return rate, "the curve of the places", ""
    given = [name for name in TURNING if name in signals and name in fixed]
    for name in given + [name for name in TURNING if name in signals]:
        values = _on(signals[name], grid)
        moving = np.maximum(speed, 8.0)
        rate = values if name == "yaw_rate" else values / moving if name == "accel_lat" else values * moving
        return rate, WORDS[name], name
    return None


def _alike(values: Array, model: Array) -> float:
    good = np.isfinite(values) & np.isfinite(model)
    if good.sum() < 20 or np.std(values[good]) == 0.0 or np.std(model[good]) == 0.0:
        return 0.0
    return float(np.corrcoef(values[good], model[good])[0, 1])
