"""Between the road and the world: which station and offset a place in the world has."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lapwright.track.road import Array

if TYPE_CHECKING:
    from lapwright.track.track import Track

STEP = 2.0
"""Spacing [m] of the centreline samples from which the search starts."""
REACH = 60.0
"""How far [m] along the road from an expected station the search looks."""
_NEIGHBOURS = 24


def lateral_axis(track: Track, at: Array) -> tuple[np.ndarray, Array]:
    """The road's leftward unit vector at stations ``at``: plan part as x + iy, and its rise."""
    slope, bank = np.arctan(track.height.slope(at)), track.banking.at(at)
    plan = np.exp(1j * track.curve.heading(at)) * (-np.sin(slope) * np.sin(bank) + 1j * np.cos(bank))
    return plan, np.cos(slope) * np.sin(bank)


def project(track: Track, x: Array, y: Array, near: Array | None = None) -> tuple[Array, Array]:
    """Station and lateral offset of the road point over given plan positions.

    Solves ``to_world(s, n) = (x, y)`` in plan by Newton's method from the nearest sample of the centreline.
    Where that leads off the road, other nearby stretches are tried and one is taken on which the point lies
    on the road. Positions beyond the ends of an open track get a station outside [0, length].

    Parameters
    ----------
    x, y
        Plan positions [m], (M,).
    near
        Expected stations [m], (M,): only the road within ``REACH`` of them is looked at. Needed where the
        road passes over itself.

    Returns
    -------
    s, n
        Station [m] and lateral offset in the road surface [m, positive left], each (M,).
    """
    from scipy.spatial import cKDTree

    goal = np.atleast_1d(np.asarray(x, float)) + 1j * np.atleast_1d(np.asarray(y, float))
    count = max(8, int(np.ceil(track.length / STEP)))
    samples = np.linspace(0.0, track.length, count + 1)
    places = track.curve.place(samples)
    if near is not None:
        return _refine(track, goal, _nearest_about(track, goal, samples, places, np.asarray(near, float)))
    tree = cKDTree(np.column_stack([places.real, places.imag]))
    targets = np.column_stack([goal.real, goal.imag])
    s, n = _refine(track, goal, samples[tree.query(targets)[1]])
    stray = np.flatnonzero(~_on_road(track, s, n))
    if len(stray):
        _try_others(
            track, goal, s, n, stray, samples[tree.query(targets[stray], k=min(_NEIGHBOURS, count))[1]]
        )
    return s, n


def _try_others(track: Track, goal: np.ndarray, s: Array, n: Array, stray: np.ndarray, starts: Array) -> None:
    """Replace ``s`` and ``n`` of stray points, in place, by another stretch on which they are on the road."""
    for column in range(1, starts.shape[1]):
        apart = np.abs(starts[:, column] - s[stray])
        if track.closed:
            apart = np.minimum(apart, track.length - apart)
        todo = np.flatnonzero((apart > 5.0 * STEP) & ~_on_road(track, s[stray], n[stray]))
        if len(todo) == 0:
            continue
        chosen = stray[todo]
        other_s, other_n = _refine(track, goal[chosen], starts[todo, column])
        better = _on_road(track, other_s, other_n)
        s[chosen[better]], n[chosen[better]] = other_s[better], other_n[better]


def _on_road(track: Track, s: Array, n: Array) -> np.ndarray:
    at = track.wrap(s)
    return (n <= track.left.at(at)) & (n >= -track.right.at(at))


def _nearest_about(track: Track, goal: np.ndarray, samples: Array, places: np.ndarray, near: Array) -> Array:
    steps = np.arange(-int(REACH / STEP), int(REACH / STEP) + 1)
    count = len(samples) - 1
    start = np.empty(len(goal))
    for part in np.array_split(np.arange(len(goal)), max(1, len(goal) // 20000)):
        index = np.rint(near[part] / track.length * count).astype(int)[:, None] + steps
        index = index % count if track.closed else np.clip(index, 0, count)
        best = np.argmin(np.abs(places[index] - goal[part, None]), axis=1)
        start[part] = samples[index[np.arange(len(part)), best]]
    return start


def _refine(track: Track, goal: np.ndarray, start: Array) -> tuple[Array, Array]:
    """Newton's method on r(s) + n l(s) = goal, with the steps along the road held within a few samples."""
    s = start.copy()
    n = np.zeros_like(s)
    active = np.arange(len(s))
    for _ in range(30):
        at = track.wrap(s[active])
        across, _ = lateral_axis(track, at)
        miss = goal[active] - track.curve.place(at)
        forward = np.exp(1j * track.curve.heading(at))
        # n that brings the point nearest, then the step along the road that removes what is left of the miss.
        offset = (miss * np.conj(across)).real / np.abs(across) ** 2
        turning = 1j * track.curve.curvature(at)[0] * across
        along = forward + offset * turning
        left_over = miss - offset * across
        ahead = -1j * across
        size = np.maximum((along * np.conj(ahead)).real, 0.05)
        step = (left_over * np.conj(ahead)).real / size
        n[active] = offset
        s[active] += np.clip(step, -3.0 * STEP, 3.0 * STEP)
        active = active[np.abs(step) > 1e-10]
        if len(active) == 0:
            break
    if track.closed:
        s = np.mod(s, track.length)
    return s, n
