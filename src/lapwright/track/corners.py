"""Corners of the road, from the user's list or found in the curvature."""

from __future__ import annotations

import itertools

import numpy as np

from lapwright.quantities import DEG
from lapwright.track.definition import CornerSpec
from lapwright.track.plan import PlanCurve
from lapwright.track.road import Array
from lapwright.track.track import Corner

STEP = 1.0
"""Spacing [m] at which the curvature is looked at."""
WIDEST = 600.0
"""No bend wider than this radius [m] is a corner, whatever the rest of the road is like."""
SHARE = 0.15
"""A corner bends more than this share of the curvature that is typical of the road."""
EDGE = 0.1
"""A corner begins and ends where the curvature falls below this share of its tightest."""
LEAST_ANGLE = 12.0 * DEG
"""A corner turns at least this much [rad]."""
JOIN, JOIN_SHARE = 25.0, 0.5
"""Two bends to one side are one corner when less than this [m], and share of the longer, lies between."""
LOBE = 5.0 * DEG
"""A part that turns less than this [rad] does not count for the direction of a corner."""


def find_corners(curve: PlanCurve, closed: bool) -> tuple[Corner, ...]:
    """Corners found in the curvature, named T1, T2, ... in driving order.

    A corner bends more than 1 / ``WIDEST`` and more than ``SHARE`` of the curvature typical of the road: that
    from which upwards the road does half of its turning. It reaches as far to either side as the curvature
    stays above ``EDGE`` of its own peak. Neighbours to the same side are joined when little straight is
    between them; what turns less than ``LEAST_ANGLE`` is left out.
    """
    count = max(8, round(curve.length / STEP))
    s = np.linspace(0.0, curve.length, count, endpoint=False) + 0.5 * curve.length / count
    bend = curve.curvature(s)[0]
    rising = np.sort(np.abs(bend))
    turned = np.cumsum(rising)
    typical = float(rising[np.searchsorted(turned, 0.5 * turned[-1])])
    threshold = max(1.0 / WIDEST, SHARE * typical)
    side = np.where(bend > threshold, 1, np.where(bend < -threshold, -1, 0))
    runs = [_reach(run, bend, closed) for run in _runs(side, closed)]
    runs = _join(runs, count, closed, JOIN * count / curve.length)
    corners = []
    for first, last, _ in runs:
        start, end = _station(first, count, curve.length), _station(last + 1, count, curve.length)
        corner = describe("", start, end, curve)
        if corner.angle >= LEAST_ANGLE:
            corners.append(corner)
    # By apex: a corner across the line is the first or the last of the lap, as its apex lies.
    corners.sort(key=lambda c: c.apex)
    return tuple(
        Corner(f"T{i}", c.start, c.end, c.apex, c.direction, c.radius, c.angle)
        for i, c in enumerate(corners, 1)
    )


def _station(index: int, count: int, length: float) -> float:
    return (index % count if index != count else count) * (length / count)


def _runs(side: np.ndarray, closed: bool) -> list[tuple[int, int, int]]:
    """(first, last, side) of every run of samples to one side; ``last`` may pass the end of a closed lap."""
    edges = np.flatnonzero(np.diff(side)) + 1
    firsts = np.concatenate([[0], edges])
    lasts = np.concatenate([edges - 1, [len(side) - 1]])
    runs = [(int(a), int(b), int(side[a])) for a, b in zip(firsts, lasts, strict=True) if side[a]]
    across = closed and len(runs) > 1 and side[0] and side[0] == side[-1]
    if across:
        head = runs.pop(0)
        first, _, same = runs.pop()
        runs.append((first, head[1] + len(side), same))
    return runs


def _reach(run: tuple[int, int, int], bend: Array, closed: bool) -> tuple[int, int, int]:
    """The run carried on to either side while the road still bends noticeably the same way."""
    first, last, side = run
    count = len(bend)
    floor = EDGE * float(np.max(side * bend[np.arange(first, last + 1) % count]))
    while (closed or first > 0) and last - first < count - 1 and side * bend[(first - 1) % count] > floor:
        first -= 1
    while (
        (closed or last < count - 1) and last - first < count - 1 and side * bend[(last + 1) % count] > floor
    ):
        last += 1
    return first, last, side


def _join(
    runs: list[tuple[int, int, int]], count: int, closed: bool, near: float
) -> list[tuple[int, int, int]]:
    """Neighbours to the same side made one where little is between them; ``near`` is ``JOIN`` in samples."""
    joined: list[tuple[int, int, int]] = []
    for run in runs:
        if joined and _belong(joined[-1], run, near):
            joined[-1] = (joined[-1][0], max(joined[-1][1], run[1]), run[2])
        else:
            joined.append(run)
    if closed and len(joined) > 1:
        first, last, side = joined[0]
        head, tail = (first + count, last + count, side), joined[-1]
        if _belong(tail, head, near):
            joined = [*joined[1:-1], (tail[0], max(tail[1], head[1]), side)]
    return joined


def _belong(one: tuple[int, int, int], other: tuple[int, int, int], near: float) -> bool:
    longer = max(one[1] - one[0], other[1] - other[0]) + 1
    between = other[0] - one[1] - 1
    return one[2] == other[2] and between < min(near, JOIN_SHARE * longer)


def describe(name: str, start: float, end: float, curve: PlanCurve) -> Corner:
    """What a corner from ``start`` to ``end`` [m] is like: side, apex, radius there, turning.

    ``start > end`` runs across the line.
    """
    span = end - start if end > start else end - start + curve.length
    count = max(16, int(np.ceil(span / (0.25 * STEP))))
    along = np.linspace(0.0, span, count, endpoint=False) + 0.5 * span / count
    s = np.mod(start + along, curve.length)
    bend = curve.curvature(s)[0]
    tightest = float(np.max(np.abs(bend)))
    apex = float(s[_middle_of_first(np.abs(bend) >= 0.999 * tightest)])
    angle = float(np.sum(np.abs(bend)) * span / count)
    radius = 1.0 / tightest if tightest > 0.0 else float("inf")
    return Corner(name, start, end, apex, _direction(bend * span / count), radius, angle)


def _middle_of_first(chosen: np.ndarray) -> int:
    first = int(np.argmax(chosen))
    after = np.flatnonzero(~chosen[first:])
    last = first + int(after[0]) - 1 if len(after) else len(chosen) - 1
    return (first + last) // 2


def _direction(turned: Array) -> str:
    sides = np.sign(turned)
    bounds = np.concatenate([[0], np.flatnonzero(np.diff(sides)) + 1, [len(turned)]])
    words: list[str] = []
    for a, b in itertools.pairwise(bounds):
        angle = float(np.sum(turned[a:b]))
        word = "left" if angle > 0.0 else "right"
        if abs(angle) >= LOBE and (not words or words[-1] != word):
            words.append(word)
    if not words:
        total = float(np.sum(turned))
        return "straight" if total == 0.0 else "left" if total > 0.0 else "right"
    return "-".join(words)


def named_corners(specs: tuple[CornerSpec, ...], curve: PlanCurve) -> tuple[Corner, ...]:
    """The user's corners with side, apex, radius and turning filled in."""
    return tuple(describe(spec.name, spec.start, spec.end, curve) for spec in specs)
