"""Whether speed and places of a log tell of the same car: a unit taken for another shows here."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.log import Signal

Array = NDArray[np.float64]

STEP = 1.0
"""Time over which ways are compared [s]."""

FEWEST = 20
"""Steps at least, for a median that single bad fixes do not move."""


def place_speed_ratio(signals: Mapping[str, Signal]) -> float:
    """How many times as fast as its speed the places of a log go.

    The way between places ``STEP`` apart is divided by the integral of the speed (trapezia) over the same time; the median of
    all steps in which the car is fast and fixes are close together. A chord is shorter than its arc: for a turn of 0.7 rad in
    a step by 2 %.

    Parameters
    ----------
    signals
        By the names of the measures; ``speed`` [m/s], ``x`` and ``y`` [m].

    Returns
    -------
    The ratio, 1 when both agree; NaN when a channel is missing or fewer than ``FEWEST`` steps can be compared.
    """
    if not all(name in signals for name in ("speed", "x", "y")):
        return float("nan")
    speed, x, y = (signals[name] for name in ("speed", "x", "y"))
    begin, end = max(speed.t[0], x.t[0]), min(speed.t[-1], x.t[-1])
    if end - begin < FEWEST * STEP:
        return float("nan")
    grid = np.arange(begin, end, STEP)
    driven = np.concatenate(
        [[0.0], np.cumsum(0.5 * np.diff(speed.t) * (speed.values[1:] + speed.values[:-1]))]
    )
    way = np.diff(np.interp(grid, speed.t, driven))
    chord = np.hypot(np.diff(np.interp(grid, x.t, x.values)), np.diff(np.interp(grid, y.t, y.values)))
    # Between fixes that are far apart a straight line is not what was driven; the same of the speed.
    good = (way > 0.3 * float(np.percentile(way, 90.0))) & (way > 0.0)
    for signal in (speed, x):
        after = np.minimum(np.searchsorted(signal.t, grid[:-1], side="right"), signal.t.size - 1)
        good &= signal.t[after] - signal.t[np.maximum(after - 1, 0)] <= 1.5 * STEP
    return float(np.median(chord[good] / way[good])) if good.sum() >= FEWEST else float("nan")
