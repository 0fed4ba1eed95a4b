"""Surveyed points made ready: checked, without repeats, the lap's small gap spread over it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lapwright.errors import Fault, InputError
from lapwright.track.definition import PointLine
from lapwright.track.elements import GAP_LIMIT, GAP_SHARE
from lapwright.track.line import REPEAT, point_fault
from lapwright.track.road import Array

HOLE = 5.0
"""The last point may be this many usual spacings from the first; further away the lap is not closed."""
HOLE_LEAST = 30.0
"""A distance [m] from the last point to the first that is always bridged."""
WIDE = 60.0
"""Points further apart than this [m] get a notice: the road between them is the smoother's guess."""
_END = 6.0
"""Stretch of road [m], or 4 points, from which place and direction at the ends are taken."""


@dataclass(frozen=True, eq=False)
class Survey:
    """Points without repeats.

    ``kept`` (M,) are their positions in the user's list, ``place`` (M,) x + iy [m], ``chord`` (M,) the plan
    distance along the chords [m]; ``whole`` is that distance to the end, for a closed lap back to the first
    point. ``gap`` [m] and ``heading_error`` [rad] were found at the line and spread over the lap.
    """

    kept: np.ndarray
    place: np.ndarray
    chord: Array
    whole: float
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
    if not closed:
        return Survey(kept, place, chord, float(chord[-1]), 0.0, _wide(steps, kept))
    whole = float(chord[-1] + abs(place[0] - place[-1]))
    place, gap, notices = _close(line, kept, place, chord, float(np.median(steps)))
    return Survey(kept, place, chord, whole, gap, (*notices, *_wide(steps, kept)))


def _wide(steps: Array, kept: np.ndarray) -> tuple[str, ...]:
    widest = int(np.argmax(steps))
    if steps[widest] <= WIDE:
        return ()
    return (
        f"points {kept[widest] + 1} and {kept[widest + 1] + 1} are {steps[widest]:.1f} m apart: the road "
        "between them is a guess",
    )


def _close(
    line: PointLine, kept: np.ndarray, place: np.ndarray, chord: Array, usual: float
) -> tuple[np.ndarray, float, tuple[str, ...]]:
    """Places with the gap spread over the lap, the gap and what to tell the user.

    The way from the last point to the first is the chord of an arc when the lap closes: its direction is then
    the mean of the directions at its ends. What it deviates sideways is the gap.
    """
    length = float(chord[-1])
    way = place[0] - place[-1]
    if abs(way) > max(HOLE * usual, HOLE_LEAST):
        text = (
            f"the lap does not close: the last point is {abs(way):.1f} m from the first (x "
            f"{place[0].real:.2f}, y {place[0].imag:.2f}) while points are usually {usual:.2f} m apart; add "
            "the missing points, or write closed: false if the road is open"
        )
        raise InputError(point_fault(line, int(kept[-1]), text))
    start, leaving = _end(place, chord, first=True)
    finish, coming = _end(place, chord, first=False)
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
    shift = 1j * middle * aside * (chord / (length + abs(way)) - 0.5)
    return place + shift, gap, (notice,)


def _end(place: np.ndarray, chord: Array, first: bool) -> tuple[complex, complex]:
    """Place and unit direction of travel at one end, from a parabola through the points there."""
    end = chord[0] if first else chord[-1]
    near = np.abs(chord - end) <= _END
    if np.count_nonzero(near) < 4:
        near = np.zeros(len(chord), bool)
        near[slice(0, 4) if first else slice(-4, None)] = True
    sides = np.column_stack([place[near].real, place[near].imag])
    fit = np.polynomial.polynomial.polyfit(chord[near] - end, sides, 2)
    speed = complex(*fit[1])
    return complex(*fit[0]), speed / abs(speed)
