"""Which piece of road belongs to a corner: from the straight before it to where the foot leaves the throttle again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array, Lap
from lapwright.lap.phases import BRAKE_ON, FULL_THROTTLE, zones_of
from lapwright.lap.unrolled import Unrolled, crossing, unroll
from lapwright.transcription.mesh import Mesh, graded_mesh

APPROACH_TIME, APPROACH = 1.2, 60.0
"""Time [s] and distance [m] that a section begins before the entry: room for a driver who brakes early."""

HELD, SEARCH = 0.995, 350.0
"""Grip use up to which a section can begin at all, and how far back such a place is looked for [m]: from a state at the very
limit, known to the accuracy of another mesh, there may be no way on."""

CALM = 0.9
"""Throttle that is never left between the start of a section and its entry when no other corner lies between them."""

AHEAD = 4.0
"""A section ends this far before the next lift or braking [m]."""

FINEST, COARSEST = 1.0, 2.0
"""Shortest and longest interval of the fine part of a section's mesh, unless asked otherwise [m]."""

FINE_INTERVALS = 170
"""Intervals of the fine part between these two limits."""

WAY_IN = 100.0
"""How far before a corner that is taken without the brake its lift is looked for [m]."""

WIDER = 4.0
"""Intervals of the approach and of the way out over those of the fine part."""

EASE = 25.0
"""Distance over which the one becomes the other [m]."""


@dataclass(frozen=True)
class Stretch:
    """Stations [m] of a section; on a closed lap they run on past the line.

    ``start`` < ``entry`` (lift or brake-on, or the start of a corner taken flat) < ``corner_start`` < ``corner_end``;
    ``fine_end`` where the corner is done with; ``end`` before the next lift or braking, or the end of an open road.
    ``last`` says that the section reaches the end of an open road; ``calm`` that the throttle stays open from the start
    to the entry: no earlier corner lies in between, which a car with less grip could not take as the lap did.
    """

    start: float
    entry: float
    corner_start: float
    corner_end: float
    fine_end: float
    end: float
    last: bool
    calm: bool

    def mesh(self, step: float | None, breaks: Array) -> Mesh:
        """A mesh with intervals of ``step`` [m] in the corner, up to ``WIDER`` times as long outside."""
        first = max(self.start, self.entry - APPROACH)
        fine = step or float(np.clip((self.fine_end - first) / FINE_INTERVALS, FINEST, COARSEST))

        def length(s: Array) -> Array:
            away = np.maximum(np.maximum(first - s, s - self.fine_end), 0.0)
            return fine * np.minimum(1.0 + (WIDER - 1.0) * away / EASE, WIDER)

        return graded_mesh(self.start, self.end, length, breaks, smallest=0.3 * fine)


def stretch_of(lap: Lap, report: CornerReport, nodes: Array) -> Stretch:
    """The section of a corner.

    Parameters
    ----------
    lap, report
        A lap and one of its corners, from ``corner_reports``.
    nodes
        Stations [m] at which the section may begin and end, ascending: the mesh nodes of the lap.
    """
    road = unroll(lap)
    begin, end = _corner(road, report)
    entry = _entry(road, report, begin)
    done = end
    if report.full_throttle is not None:
        done = max(done, _after(road, report.full_throttle, begin))
    finish, last = _finish(road, report, begin, end)
    start, calm = _start(road, entry)
    tiled = np.concatenate([nodes[:-1] + k * road.length for k in (-1, 0, 1)]) if road.length else nodes
    first = float(tiled[max(int(np.searchsorted(tiled, start, "right")) - 1, 0)])
    final = float(tiled[-1])
    if not last:
        before = int(np.searchsorted(tiled, finish, "right")) - 1
        final = float(tiled[before] if tiled[before] > end else tiled[min(before + 1, tiled.size - 1)])
    return Stretch(first, entry, begin, end, min(done, final), final, last, calm)


def _after(road: Unrolled, station: float, origin: float) -> float:
    """A station of the lap at or after ``origin``."""
    return origin + (station - origin) % road.length if road.length else station


def _corner(road: Unrolled, report: CornerReport) -> tuple[float, float]:
    end = report.start + (report.end - report.start) % road.length if road.length else report.end
    return report.start, end


def _entry(road: Unrolled, report: CornerReport, begin: float) -> float:
    if report.entry == "lift":
        first = first_lift(road, begin, _after(road, report.slowest_at, begin))
        return begin if first is None else min(first, begin)
    places = [station for station in (report.lift_at, report.brake_on) if station is not None]
    if report.entry == "shared":
        places += [zone.start for zone in zones_of(road) if zone.start <= begin][-1:]
    if not places:
        return begin
    if not road.length:
        return min([*places, begin])
    # A lift inside the corner lies behind its start, half a lap away when counted backward.
    near = [begin + (place - begin + 0.5 * road.length) % road.length - 0.5 * road.length for place in places]
    return min([*near, begin])


def first_lift(road: Unrolled, begin: float, slowest: float) -> float | None:
    """First place on the way into a corner where the throttle leaves full; None when it has not been full there.

    Parameters
    ----------
    road
        The lap.
    begin, slowest
        Where the corner begins, and its slowest point [m].
    """
    rows = road.rows(begin - WAY_IN, slowest)
    s, throttle = road.s[rows], road.throttle[rows]
    falls = np.flatnonzero((throttle[:-1] >= FULL_THROTTLE) & (throttle[1:] < FULL_THROTTLE))
    return crossing(s, throttle, FULL_THROTTLE, int(falls[0])) if falls.size else None


def _finish(road: Unrolled, report: CornerReport, begin: float, end: float) -> tuple[float, bool]:
    """Where the section ends, and whether the road does so too."""
    slowest = _after(road, report.slowest_at, begin)
    full = slowest if report.full_throttle is None else _after(road, report.full_throttle, begin)
    if report.entry == "flat":
        full = end
    zones = [zone.start for zone in zones_of(road) if zone.start > max(slowest, begin) + 1.0]
    rows = road.rows(full + 1.0, float(road.s[-1]))
    lifted = np.flatnonzero(road.throttle[rows] < FULL_THROTTLE)
    places = zones[:1]
    if report.full_throttle is not None or report.entry == "flat":
        places += [float(road.s[rows][lifted[0]])] if lifted.size else []
    last = float(road.s[-1])
    # The last control of a road with a free end carries no weight: what the foot does there is nobody's wish.
    if not places or (not road.length and min(places) > last - 2.0 * AHEAD):
        return last, not road.length
    # The corner belongs to its section whole, also when the foot is off the throttle again before its end.
    return max(min(places) - AHEAD, slowest + 1.0, end + 2.0), False


def _start(road: Unrolled, entry: float) -> tuple[float, bool]:
    """Where the section begins, and whether that is a calm place.

    With room for an early driver, but not before the throttle was full after the corner before, unless that leaves less than
    half of the room; with the brake off and below ``HELD``, or where the grip use is least. A friction-circle car, told by
    its having no wheel, may change its force at once and can begin anywhere.
    """
    room = max(APPROACH, APPROACH_TIME * road.at("speed", entry))
    latest = max(entry - room, float(road.s[0]))
    rows = road.rows(float(road.s[0]), entry - 1.0)
    lifted = np.flatnonzero(road.throttle[rows] < FULL_THROTTLE)
    full = float(road.s[rows][lifted[-1]]) + 1.0 if lifted.size else float(road.s[0])
    begin = max(latest, min(full, entry - 0.5 * room))
    free = road.rows(max(float(road.s[0]), begin - SEARCH), max(begin, entry - 0.7 * room))
    use = road.use[free] if np.any(road.wheel != 0.0) else np.zeros(free.stop - free.start)
    fit = np.flatnonzero((road.brake[free] < BRAKE_ON) & (use <= HELD))
    if fit.size:
        places = road.s[free][fit]
        ahead = places[places >= begin]
        begin = float(ahead[0] if ahead.size else places[-1])
    elif use.size:
        begin = float(road.s[free][int(np.argmin(use))])
    way = road.rows(begin, entry - 0.4 * room)
    calm = bool(np.all(road.throttle[way] >= CALM))
    return begin, calm
