"""Fixes of a satellite receiver on the road: station and offset, without those that are astray, on the clock of the speed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.log import Log
from lapwright.driver.penalised import white_noise
from lapwright.track.track import Track

Array = NDArray[np.float64]

ASTRAY = 60.0
"""A fix farther than this from the middle of the road [m] is not of use."""

SPAN = 2.0
"""Time [s] over whose median a fix is judged: what leaps away for less than half of it is no car."""

STRAY, LEAST_STRAY = 6.0, 5.0
"""A fix farther from that median than this many standard deviations, and than this [m], is astray."""

CREEP = 1.0
"""Speed [m/s] from which a car cannot be twice at the same place to the last digit."""

CLOCK_WINDOW, BLOCK = 20.0, 2.0
"""Time [s] over which slow changes are taken out before clocks are compared, and in which errors hang together."""

LEAST_LAG, MOST_LAG = 0.05, 1.5
"""Difference of the clocks [s] that is put right: less is not worth it, more is not believed."""

SURE = 4.0
"""It is put right only when it is this many times its own standard error."""

ALIKE = 0.9999
"""Correlation of the speed and its square from which lag and slip cannot be told apart."""


@dataclass(frozen=True, eq=False)
class Fixes:
    """Places on the road, in time.

    Attributes
    ----------
    t : (M,) times [s]
    s : (M,) stations [m] that keep growing: a closed road's length is added lap by lap
    n : (M,) offset [m]
    noise : standard deviation of one of them [m]
    stray : how many were left out because they leap away from their neighbours
    lag : by how much they came later than the speed [s], which is taken out of ``t``
    """

    t: Array
    s: Array
    n: Array
    noise: float
    stray: int = 0
    lag: float = 0.0


def places_of(log: Log) -> tuple[Array, Array, Array]:
    """Times [s] and places [m] of a log in its own axes: rows that have both."""
    x, y = log.signals["x"], log.signals["y"]
    if x.t.size == y.t.size and np.array_equal(x.t, y.t):
        return x.t, x.values, y.values
    step = float(np.median(np.diff(y.t))) if y.t.size > 1 else 0.0
    after = np.clip(np.searchsorted(y.t, x.t), 1, max(y.t.size - 1, 1))
    if y.t.size < 2:
        return x.t[:0], x.values[:0], y.values[:0]
    # Between two samples that are near to each other, not across a gap nor beyond an end.
    both = (x.t >= y.t[0]) & (x.t <= y.t[-1]) & (y.t[after] - y.t[after - 1] <= 1.8 * step)
    return x.t[both], x.values[both], np.interp(x.t[both], y.t, y.values)


def fixes_on(track: Track, t: Array, x: Array, y: Array, clock: Array, way: Array) -> Fixes:
    """Places as station and offset, without those that are astray.

    A fix that leaps to a neighbouring piece of road, or off it and back within a second, is judged by the median of its
    neighbours: of the offset, and of the station less the distance driven. The median keeps edges and straight changes, so
    a spin or a trip over the grass is no leap.

    Parameters
    ----------
    t, x, y
        (M,) times [s] and places [m] in the track's axes.
    clock, way
        (K,) times [s] and distance driven by the speed [m].
    """
    t, x, y = _renewed(t, x, y, clock, way)
    s, n = track.project(x, y)
    near = np.abs(n) <= ASTRAY
    t, s, n = t[near], s[near], n[near]
    driven = np.interp(t, clock, way)
    if track.closed and t.size > 1:
        # From fix to fix the car has come as far as its speed says, give or take half a lap.
        turns = np.round((np.diff(driven) - np.diff(s)) / track.length)
        s = s + track.length * np.concatenate([[0.0], np.cumsum(turns)])
    noise = max(_noise(t, s - driven), _noise(t, n))
    kept = _with_their_neighbours(t, s - driven, noise) & _with_their_neighbours(t, n, noise)
    t, s, n, driven = t[kept], s[kept], n[kept], driven[kept]
    noise = max(_noise(t, s - driven), _noise(t, n))
    return Fixes(t, s, n, noise, int(np.sum(~kept)))


def _renewed(t: Array, x: Array, y: Array, clock: Array, way: Array) -> tuple[Array, Array, Array]:
    """Fixes without repetitions: a logger that is quicker than the receiver holds each one, while the car drives on."""
    moving = np.diff(np.interp(t, clock, way)) > CREEP * np.diff(t)
    same = (np.diff(x) == 0.0) & (np.diff(y) == 0.0) & moving
    new = np.concatenate([[True], ~same])
    return t[new], x[new], y[new]


def _noise(t: Array, values: Array) -> float:
    """Noise of one fix, from the pieces without gaps."""
    if t.size < 8:
        return 0.0
    steady = np.diff(t) < 1.8 * np.median(np.diff(t))
    runs = np.split(np.arange(t.size), np.flatnonzero(~steady) + 1)
    long = [run for run in runs if run.size >= 8]
    if not long:
        return white_noise(values)
    # Pieces count by their length: between fixes that were left out there are short ones.
    return float(np.average([white_noise(values[run]) for run in long], weights=[run.size for run in long]))


def _with_their_neighbours(t: Array, values: Array, noise: float) -> NDArray[np.bool_]:
    """Which values do not leap away from the median of those around them."""
    from scipy.ndimage import median_filter

    if t.size < 8:
        return np.ones(t.size, dtype=bool)
    half = max(round(0.5 * SPAN / float(np.median(np.diff(t)))), 2)
    # Fixes a hundred times a second would be sorted in windows of three hundred: every so many of them tell the median.
    skip = max(half // 8, 1)
    median = np.interp(t, t[::skip], median_filter(values[::skip], 2 * (half // skip) + 1, mode="nearest"))
    return np.asarray(np.abs(values - median) <= max(STRAY * noise, LEAST_STRAY))


def lag_of(t: Array, apart: Array, clock: Array, speed: Array, refine: bool = False) -> float:
    """By how much the fixes come later than the speed [s]; 0 when that is not sure.

    Fixes that are late by tau are tau v short of the distance driven. So is, as v squared, the distance of a wheel that slips
    with the force on it; both are fitted together, by least squares, once what changes slowly is taken out. The standard
    error is from sums over blocks, within which errors may hang together (Liang & Zeger, Biometrika 73 (1986) 13 [from
    memory]).

    Parameters
    ----------
    t, apart
        (M,) times of the fixes [s], and how far they are ahead of the distance driven [m].
    clock, speed
        (K,) times [s] and speed [m/s].
    refine
        True once a lag was found: what is left of it is then told, however small.
    """
    from scipy.ndimage import uniform_filter1d

    if t.size < 50 or t[-1] - t[0] < CLOCK_WINDOW:
        return 0.0
    size = max(round(CLOCK_WINDOW / float(np.median(np.diff(t)))), 3)
    v = np.interp(t, clock, speed)

    def quick(values: Array) -> Array:
        return np.asarray(values - uniform_filter1d(values, size, mode="nearest"))

    # A window cut short at an end no longer takes out what is slow.
    inner = (t > t[0] + 0.5 * CLOCK_WINDOW) & (t < t[-1] - 0.5 * CLOCK_WINDOW)
    parts = np.column_stack([quick(v), quick(v * v)])[inner]
    known = quick(apart)[inner]
    # Speeds that hardly change, or change between two values only, cannot tell the one from the other.
    if known.size < 50 or np.std(parts[:, 0]) < 1.0 or abs(np.corrcoef(parts.T)[0, 1]) > ALIKE:
        return 0.0
    inverse = np.linalg.inv(parts.T @ parts)
    fit = inverse @ (parts.T @ known)
    scores = parts * (known - parts @ fit)[:, None]
    block = ((t[inner] - t[0]) / BLOCK).astype(np.int64)
    sums = np.column_stack([np.bincount(block, scores[:, k]) for k in range(2)])
    error = float(np.sqrt((inverse @ (sums.T @ sums) @ inverse)[0, 0]))
    lag = -float(fit[0])
    least = 0.0 if refine else max(LEAST_LAG, SURE * error)
    return lag if least < abs(lag) < MOST_LAG else 0.0


def moved_by(fixes: Fixes, lag: float) -> Fixes:
    """Fixes put onto the clock of the speed, which they lag by so many more seconds."""
    return replace(fixes, t=fixes.t - lag, lag=fixes.lag + lag)
