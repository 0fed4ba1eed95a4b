"""From two passes to one speed profile: where driving gives way to braking, and the time it takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.grid import Grid
from lapwright.baseline.passes import Sweep
from lapwright.track.road import Array, distinct

_ROOT = float(np.sqrt(0.15))
GAUSS = ((0.5 - _ROOT, 5.0 / 18.0), (0.5, 8.0 / 18.0), (0.5 + _ROOT, 5.0 / 18.0))
"""Gauss-Legendre points and weights on [0, 1]."""

HALVINGS, NEWTONS = 6, 6
"""Bisections of a step and Newton steps then, to find a switch from driving to braking."""

_Ends = tuple[Array, Array, Array, Array]


@dataclass(frozen=True)
class SpeedProfile:
    """The quasi-steady answer at M stations.

    Attributes
    ----------
    s : stations [m]; t : time from the first [s]
    w : squared speed along the line [m2/s2]
    accel : its acceleration [m/s2]; where it jumps, the value just after
    switches : stations where driving as hard as possible gives way to braking [m]
    """

    s: Array
    t: Array
    w: Array
    accel: Array
    switches: Array

    def take(self, rows: NDArray[np.int64]) -> SpeedProfile:
        """The same at some of the stations."""
        return SpeedProfile(self.s[rows], self.t[rows], self.w[rows], self.accel[rows], self.switches)


class _Cells(NamedTuple):
    """Steps, w as a cubic from slopes at both ends; ``metric`` (3, C) is metres of line per plan metre there and between."""

    s: Array
    length: Array
    w: Array
    w_end: Array
    slope: Array
    slope_end: Array
    metric: Array


def join_passes(grid: Grid, forward: Sweep, backward: Sweep) -> SpeedProfile:
    """The lower of the two passes at every node, with a row added at each switch from driving to braking."""
    cells, switched = _cells(grid, forward, backward)
    times = _times(cells)
    t = np.concatenate([[0.0], np.cumsum(times)])
    s = np.append(cells.s, grid.s[-1])
    w = np.append(cells.w, cells.w_end[-1])
    nothing = cells.length == 0.0
    slope = np.append(
        cells.slope / (2.0 * cells.metric[0]), cells.slope_end[-1] / (2.0 * cells.metric[2, -1])
    )
    kept = np.ones(s.size, dtype=bool)
    kept[~switched] = grid.kept
    kept[:-1] &= ~nothing
    at_node = _switches_at_nodes(grid, forward, backward)
    return SpeedProfile(s[kept], t[kept], w[kept], slope[kept], distinct(np.append(s[switched], at_node)))


def _cells(grid: Grid, forward: Sweep, backward: Sweep) -> tuple[_Cells, NDArray[np.bool_]]:
    """All steps, the ones with a switch cut in two there, and which of their first nodes are switches."""
    s, length = grid.s[:-1], np.diff(grid.s)
    metric = np.stack([grid.points.metric[:-1:2], grid.points.metric[1::2], grid.points.metric[2::2]])
    ahead = forward.w - backward.w
    driving = (ahead[:-1] <= 0.0) & (ahead[1:] <= 0.0)
    braking = (ahead[:-1] >= 0.0) & (ahead[1:] >= 0.0) & ~driving
    crossing = (ahead[:-1] < 0.0) & (ahead[1:] > 0.0) & (length > 0.0)
    w = np.minimum(forward.w, backward.w)
    secant = np.divide(np.diff(w), length, out=np.zeros_like(length), where=length > 0.0)
    smooth_on = driving & (forward.raw[1:] <= forward.w[1:])
    smooth_off = braking & (backward.raw[:-1] <= backward.w[:-1])
    slope = np.where(smooth_on, forward.slope[:-1], np.where(smooth_off, backward.slope[:-1], secant))
    slope_end = np.where(smooth_on, forward.slope[1:], np.where(smooth_off, backward.slope[1:], secant))
    whole = _Cells(s, length, w[:-1], w[1:], slope, slope_end, metric)
    if not crossing.any():
        return whole, np.zeros(grid.s.size, dtype=bool)
    return _split(whole, crossing, forward, backward)


def _switches_at_nodes(grid: Grid, forward: Sweep, backward: Sweep) -> Array:
    """Stations of the nodes where the passes meet exactly: driving before, braking after, neither held by the limit."""
    ahead = forward.w - backward.w
    uncut = (forward.raw <= forward.w) & (backward.raw <= backward.w)
    meet = (ahead[1:-1] == 0.0) & (ahead[:-2] < 0.0) & (ahead[2:] > 0.0) & uncut[1:-1]
    return grid.s[1:-1][meet]


def _split(
    whole: _Cells, crossing: NDArray[np.bool_], forward: Sweep, backward: Sweep
) -> tuple[_Cells, NDArray[np.bool_]]:
    at = np.flatnonzero(crossing)
    h = whole.length[at]
    on = (forward.w[at], forward.raw[at + 1], forward.slope[at], forward.slope[at + 1])
    off = (backward.raw[at], backward.w[at + 1], backward.slope[at], backward.slope[at + 1])
    share = _crossing(on, off, h)
    w, slope_on = cubic(on, h, share)
    _, slope_off = cubic(off, h, share)
    first, second = [field.copy() for field in whole[:-1]], [field[at].copy() for field in whole[:-1]]
    metric = _blend(whole.metric[:, at], share)
    quarter, three = _blend(whole.metric[:, at], 0.5 * share), _blend(whole.metric[:, at], 0.5 + 0.5 * share)
    first_metric = whole.metric.copy()
    first_metric[1, at], first_metric[2, at] = quarter, metric
    second_metric = np.stack([metric, three, whole.metric[2, at]])
    first[1][at], first[3][at], first[4][at], first[5][at] = share * h, w, on[2], slope_on
    second[0], second[1], second[2], second[4] = whole.s[at] + share * h, (1.0 - share) * h, w, slope_off
    second[5] = off[3]
    fields = [np.insert(a, at + 1, b) for a, b in zip(first, second, strict=True)]
    both = np.insert(first_metric, at + 1, second_metric, axis=1)
    switched = np.zeros(fields[0].size + 1, dtype=bool)
    switched[at + 1 + np.arange(at.size)] = True
    s, length, w_start, w_end, slope, slope_end = fields
    return _Cells(s, length, w_start, w_end, slope, slope_end, both), switched


def cubic(ends: _Ends, h: Array, share: Array) -> tuple[Array, Array]:
    """Value and slope of the cubic with values and slopes (a, b, slope a, slope b) over ``h``, at a share of it."""
    a, b, slope_a, slope_b = ends
    x = share
    value = (
        a * (1.0 + 2.0 * x) * (1.0 - x) ** 2
        + h * slope_a * x * (1.0 - x) ** 2
        + b * x * x * (3.0 - 2.0 * x)
        + h * slope_b * x * x * (x - 1.0)
    )
    step = np.where(h > 0.0, h, 1.0)
    slope = (
        (b - a) / step * 6.0 * x * (1.0 - x)
        + slope_a * (1.0 - 4.0 * x + 3.0 * x * x)
        + slope_b * (3.0 * x * x - 2.0 * x)
    )
    return value, slope


def _crossing(on: _Ends, off: _Ends, h: Array) -> Array:
    """Share of a step at which the cubic of one pass, below the other at first, meets it: halvings, then Newton steps."""
    low, high = np.zeros(h.size), np.ones(h.size)
    share = 0.5 * (low + high)
    for turn in range(HALVINGS + NEWTONS):
        (w_on, slope_on), (w_off, slope_off) = cubic(on, h, share), cubic(off, h, share)
        below = w_on < w_off
        low, high = np.where(below, share, low), np.where(below, high, share)
        share = 0.5 * (low + high)
        if turn >= HALVINGS:
            closing = (slope_on - slope_off) * h
            step = np.divide(w_off - w_on, closing, out=np.full(h.size, np.inf), where=closing > 0.0)
            better = np.where(below, low, high) + step
            share = np.where((better >= low) & (better <= high), better, share)
    return share


def _blend(three: Array, share: Array) -> Array:
    """The parabola through values at both ends and in the middle, at a share of the way."""
    a, m, b = three
    return a + share * (4.0 * m - 3.0 * a - b + share * (2.0 * a + 2.0 * b - 4.0 * m))


def _times(cells: _Cells) -> Array:
    """Time of each step [s].

    With w0, w1 at the ends, a share y of the step's time at constant acceleration ends at v = v0 + y (v1 - v0); integrating
    over y what the cubic differs from that is exact from a standstill too.
    """
    v0, v1 = np.sqrt(cells.w), np.sqrt(cells.w_end)
    together = np.where(v0 + v1 > 0.0, v0 + v1, 1.0)
    ends = (cells.w, cells.w_end, cells.slope, cells.slope_end)
    total = np.zeros_like(v0)
    for y, weight in GAUSS:
        share = y * (2.0 * v0 + y * (v1 - v0)) / together
        steady = v0 + y * (v1 - v0)
        w = np.maximum(cubic(ends, cells.length, share)[0], 1e-12)
        total += weight * steady / np.sqrt(w) * _blend(cells.metric, share)
    return np.where(cells.length > 0.0, 2.0 * cells.length / together * total, 0.0)
