"""Where the passes put their nodes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.path import Offsets, PathRoad, path_road
from lapwright.track.road import Array, distinct

if TYPE_CHECKING:
    from lapwright.track.track import Track

STEP = 1.0
"""Longest step [m] of the passes."""

FEWEST = 240
"""Steps on a short road."""

MOST = 8000
"""Steps, about, on a long one."""

GRADING = (1 / 64, 1 / 16, 1 / 4)
"""Shares of a step at which nodes stand on either side of a place where the passes start with a vertical tangent."""


@dataclass(frozen=True)
class Grid:
    """K nodes along the road and the middles of the K - 1 steps between them.

    ``points`` is the road at 2K - 1 points: node, middle, node, ... A station where the curvature jumps has two nodes, one
    for each side, and a step of no length between them. ``kept`` marks the nodes that become rows of a lap, one for each
    station; ``left`` the points whose road is that of the left side of a jump; ``same`` is the number of each point in the
    grid that this one was made from, -1 for a new one.
    """

    s: Array
    points: PathRoad
    kept: NDArray[np.bool_]
    left: NDArray[np.bool_]
    same: NDArray[np.int64]

    @property
    def nodes(self) -> PathRoad:
        """The road at the nodes alone."""
        return self.points.take(slice(None, None, 2))


def base_stations(start: float, end: float, step: float | None = None) -> Array:
    """Evenly spaced stations from ``start`` to ``end`` [m], ``step`` or less apart."""
    length = end - start
    if step is None:
        step = min(STEP, length / FEWEST) if length < MOST * STEP else length / MOST
    return np.linspace(start, end, max(2, int(np.ceil(length / step - 1e-9)) + 1))


def build_grid(
    track: Track, offsets: Offsets, base: Array, singular: Array, before: Grid | None = None
) -> Grid:
    """The grid with every base station, the road's breaks and graded nodes around them and the ``singular`` stations.

    Parameters
    ----------
    track, offsets
        The road and the line.
    base
        Stations [m] from start to end; rows of the lap.
    singular
        Further stations that become nodes and rows and have graded neighbours (the slowest point of a bend).
    before
        An earlier grid of the same line; what it knows of the road is taken over.
    """
    first, last = base[0], base[-1]
    step = float(np.max(np.diff(base)))
    breaks = track.breaks[(track.breaks > first) & (track.breaks < last)]
    special = np.concatenate([breaks, singular])
    rows = np.concatenate([base, special])
    near = (special[:, None] + step * np.array([-g for g in GRADING] + list(GRADING))[None, :]).ravel()
    every = distinct(np.concatenate([rows, near[(near > first) & (near < last)]]))
    every = _apart(every, np.concatenate([breaks, [first, last]]))
    at = np.sort(np.concatenate([every, every[np.isin(every, breaks)]]))
    left = np.concatenate([at[1:] == at[:-1], [False]])
    left[-1] = track.closed
    middles = 0.5 * (at[1:] + at[:-1])
    stations = np.empty(2 * at.size - 1)
    stations[::2], stations[1::2] = at, middles
    side = np.zeros(stations.size, dtype=bool)
    side[::2] = left
    same = _same(stations, side, before)
    kept = ~left & np.isin(at, rows)
    kept[-1] = True
    return Grid(at, _points(track, offsets, stations, side, before, same), kept, side, same)


def _apart(stations: Array, fixed: Array) -> Array:
    """Stations at least a micrometre apart; of two that are closer a fixed one stays."""
    close = np.diff(stations) < 1e-6
    if not close.any():
        return stations
    is_fixed = np.isin(stations, fixed)
    drop = np.zeros(stations.size, dtype=bool)
    drop[1:] |= close & ~is_fixed[1:]
    drop[:-1] |= close & is_fixed[1:] & ~is_fixed[:-1]
    return stations[~drop]


def _same(stations: Array, left: NDArray[np.bool_], before: Grid | None) -> NDArray[np.int64]:
    """Numbers of the points in an earlier grid, -1 where it has none."""
    same = np.full(stations.size, -1, dtype=np.int64)
    for side in (False, True):
        here = np.flatnonzero(left == side)
        there = np.zeros(0, dtype=np.int64) if before is None else np.flatnonzero(before.left == side)
        if before is not None and there.size:
            known = before.points.s[there]
            at = np.minimum(np.searchsorted(known, stations[here]), there.size - 1)
            hit = known[at] == stations[here]
            same[here[hit]] = there[at[hit]]
    return same


def _points(
    track: Track,
    offsets: Offsets,
    stations: Array,
    left: NDArray[np.bool_],
    before: Grid | None,
    same: NDArray[np.int64],
) -> PathRoad:
    places, parts = [np.flatnonzero(same >= 0)], []
    if before is not None:
        parts.append(before.points.take(same[places[0]]))
    for side, name in ((False, "right"), (True, "left")):
        new = np.flatnonzero((same < 0) & (left == side))
        if new.size:
            places.append(new)
            parts.append(path_road(track, offsets, stations[new], name))
    order = np.argsort(np.concatenate(places))
    fields = {
        name: np.concatenate([getattr(part, name) for part in parts])[order]
        for name in PathRoad.__dataclass_fields__
    }
    return PathRoad(**fields)


def road_at(grid: Grid, track: Track, offsets: Offsets, stations: Array) -> PathRoad:
    """The road on the right at stations [m], most of which are nodes."""
    side = np.zeros(stations.size, dtype=bool)
    return _points(track, offsets, stations, side, grid, _same(stations, side, grid))


def lows(values: Array) -> NDArray[np.int64]:
    """Positions of strict local minima, the middle ones of three, and of no plateau."""
    inner = (values[1:-1] < values[:-2]) & (values[1:-1] <= values[2:])
    inner &= np.isfinite(values[1:-1])
    return np.flatnonzero(inner) + 1


def refine_low(s: Array, values: Array, at: NDArray[np.int64]) -> Array:
    """Stations of the lowest points of the parabolas through each low and its neighbours."""
    a, b, c = s[at - 1], s[at], s[at + 1]
    fa, fb, fc = values[at - 1], values[at], values[at + 1]
    finite = np.isfinite(fa) & np.isfinite(fc)
    fa, fc = np.where(finite, fa, fb), np.where(finite, fc, fb)
    top = (b - a) ** 2 * (fb - fc) - (b - c) ** 2 * (fb - fa)
    bottom = (b - a) * (fb - fc) - (b - c) * (fb - fa)
    move = np.where(np.abs(bottom) > 0.0, -0.5 * top / np.where(bottom == 0.0, 1.0, bottom), 0.0)
    return np.clip(b + move, a, c)
