"""Surveyed points made ready: checked, without repeats, the lap's small gap spread over it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lapwright.errors import Fault, InputError
from lapwright.track.definition import PointLine
from lapwright.track.elements import GAP_LIMIT, GAP_SHARE
from lapwright.track.line import REPEAT, length_fault, point_fault
from lapwright.track.road import Array

HOLE = 5.0
"""The last point may be this many usual spacings from the first; further away the lap is not closed."""
HOLE_LEAST = 30.0
"""A distance [m] from the last point to the first that is always bridged."""
WIDE = 60.0
"""Points further apart than this [m] get a notice: the road between them is the smoother's guess."""
_END = 6.0
"""Stretch of road [m], or 3 points, from which place and direction at the ends are taken."""
_ANCHOR = 4.0
"""Distance [m] of the points along which the road is first measured."""


@dataclass(frozen=True, eq=False)
class Survey:
    """Points without repeats.

    ``kept`` (M,) are their positions in the user's list, ``place`` (M,) x + iy [m], ``chord`` (M,) the plan
    distance along the chords [m]. ``along`` (M,) is a first guess of their stations and ``length`` of the
    length of the road [m]: along every noisy point it would be far too long. ``gap`` [m] was found at the
    line and, when larger than the tolerance, spread over the lap. (The direction at either end is too
    uncertain to speak of a heading error: a real kink shows as points off the smooth line.)
    """

    kept: np.ndarray
    place: np.ndarray
    chord: Array
    along: Array
    length: float
    gap: float
    notices: tuple[str, ...]


def read_survey(line: PointLine, closed: bool) -> Survey:
    """Check the points and close a small gap.

    Raises
    ------
    InputError
        Too few points, a point that is no number, a tolerance that cannot be held, a lap that does not close.
    """
    if not (math.isfinite(line.tolerance) and line.tolerance >= REPEAT):
        text = f"tolerance_m is {line.tolerance:g}: a smoothed line needs at least {REPEAT:g}"
        raise InputError(Fault(text, ("centreline", "tolerance_m")))
    if len(line.points) < 4:
        raise InputError(Fault(f"{len(line.points)} points: a road needs at least 4", ("centreline",)))
    faults = [
        point_fault(line, index, f"point {index + 1} is {point}: give x and y, or x, y and z, as numbers")
        for index, point in enumerate(line.points)
        if len(point) != len(line.points[0]) or len(point) not in (2, 3) or not all(map(math.isfinite, point))
    ]
    if faults:
        raise InputError(faults)
    place = np.array([complex(point[0], point[1]) for point in line.points])
    kept: np.ndarray = np.flatnonzero(np.concatenate([[True], np.abs(np.diff(place)) >= REPEAT]))
    if closed and len(kept) > 1 and abs(place[kept[-1]] - place[kept[0]]) < REPEAT:
        kept = kept[:-1]
    if len(kept) < 4:
        text = f"{len(kept)} different points: a road needs at least 4"
        raise InputError(point_fault(line, 0, text))
    chord = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(place)))])[kept]
    place = place[kept]
    steps = np.abs(np.diff(place))
    along, length = _first_stations(place)
    if fault := length_fault(length, ("centreline",)):
        raise InputError(fault)
    gap, notices = 0.0, _wide(steps, kept)
    if closed:
        place, gap, notice = _close(line, kept, place, along, float(np.median(steps)))
        length += float(abs(place[0] - place[-1]))
        notices = (*notice, *notices)
    return Survey(kept, place, chord, along, length, gap, notices)


def _first_stations(place: np.ndarray) -> tuple[Array, float]:
    """Distance along anchors a few metres apart, and the largest such distance."""
    least = min(_ANCHOR, max(np.ptp(place.real), np.ptp(place.imag)) / 20.0)
    anchors, last = [0], complex(place[0])
    for index, here in enumerate(place.tolist()):
        if abs(here - last) >= least:
            anchors.append(index)
            last = here
    steps = np.diff(place[anchors])
    at = np.concatenate([[0.0], np.cumsum(np.abs(steps))])
    owner = np.searchsorted(anchors, np.arange(len(place)), side="right") - 1
    ways = np.append(steps, steps[-1])
    forward = ((place - place[anchors][owner]) * np.conj(ways[owner])).real / np.abs(ways[owner])
    along = at[owner] + np.maximum(forward, 0.0)
    return along, float(np.max(along))


def _wide(steps: Array, kept: np.ndarray) -> tuple[str, ...]:
    widest = int(np.argmax(steps))
    if steps[widest] <= WIDE:
        return ()
    return (
        f"points {kept[widest] + 1} and {kept[widest + 1] + 1} are {steps[widest]:.1f} m apart: the road "
        "between them is a guess",
    )


def _close(
    line: PointLine, kept: np.ndarray, place: np.ndarray, along: Array, usual: float
) -> tuple[np.ndarray, float, tuple[str, ...]]:
    """Places with the gap spread over the lap, the gap and what to tell the user.

    The way from the last point to the first is the chord of an arc when the lap closes: its direction is then
    the mean of the directions at its ends. What it deviates sideways is the gap.
    """
    length = float(np.max(along))
    way = place[0] - place[-1]
    if abs(way) > max(HOLE * usual, HOLE_LEAST):
        text = (
            f"the lap does not close: the last point is {abs(way):.1f} m from the first (x "
            f"{place[0].real:.2f}, y {place[0].imag:.2f}) while points are usually {usual:.2f} m apart; add "
            "the missing points, or write closed: false if the road is open"
        )
        raise InputError(point_fault(line, int(kept[-1]), text))
    start, leaving = _end(place, along, first=True)
    finish, coming = _end(place, along, first=False)
    turn = float(np.angle(leaving / coming))
    middle = coming * np.exp(0.5j * turn)
    ahead, aside = ((start - finish) / middle).real, ((start - finish) / middle).imag
    if ahead < -max(usual, 2.0 * line.tolerance, 1.0):
        text = (
            f"the points run on past the first one by {-ahead:.1f} m: end the list at the point before the "
            "line, or repeat the first point there"
        )
        raise InputError(point_fault(line, int(kept[-1]), text))
    gap, limit = abs(float(aside)), min(GAP_LIMIT, GAP_SHARE * length)
    if gap > limit:
        text = (
            f"the lap does not close: it arrives {gap:.2f} m beside the first point (x {place[0].real:.2f}, "
            f"y {place[0].imag:.2f}), at most {limit:.2f} m can be spread over the lap; correct the survey, "
            "or write closed: false if the road is open"
        )
        raise InputError(point_fault(line, int(kept[-1]), text))
    if gap <= line.tolerance:
        # No more than a point may stray: the smoothing takes care of it.
        return place, gap, ()
    notice = f"the points arrive {gap:.3f} m beside the first one; the gap was spread over the lap"
    shift = 1j * middle * aside * (along / (length + abs(way)) - 0.5)
    return place + shift, gap, (notice,)


def _end(place: np.ndarray, along: Array, first: bool) -> tuple[complex, complex]:
    """Place and unit direction of travel at one end, from a parabola through the points there."""
    end = 0.0 if first else float(np.max(along))
    near = np.abs(along - end) <= _END
    if np.count_nonzero(near) < 4:
        near = np.zeros(len(along), bool)
        near[slice(0, 3) if first else slice(-3, None)] = True
    sides = np.column_stack([place[near].real, place[near].imag])
    fit = np.polynomial.polynomial.polyfit(along[near] - end, sides, 2)
    speed = complex(*fit[1])
    return complex(*fit[0]), speed / abs(speed)
