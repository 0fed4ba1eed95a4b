"""What trail braking is worth in a corner: the best time when the brake must be off by a point, for a row of points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapwright.corner.impose import Known, held_until, off_by
from lapwright.corner.section import Outcome, Section

BEFORE = (30.0, 15.0)
"""Points before turn-in [m]."""

BETWEEN = (0.35, 0.6, 0.8)
"""Points on the way from turn-in to the best brake-off."""

PAST = (5.0, 10.0, 20.0)
"""Points past the best brake-off at which the brake must still be on [m]."""


@dataclass(frozen=True)
class TrailPoint:
    """``station`` [m] where the brake is off; ``past_slowest`` [m]; ``loss`` [s], None when not driven; ``status``."""

    station: float
    past_slowest: float
    loss: float | None
    status: str


@dataclass(frozen=True)
class TrailWorth:
    """Seconds lost over the point where the brake is off.

    Attributes
    ----------
    points : in driving order; before the best point the brake must be off by there, past it it is still on there
    best : where the brake goes off when it is free to [m]
    turn_in : of the free drive [m]
    no_trail : loss when the brake is off by turn-in [s]; None when that was not driven
    """

    points: tuple[TrailPoint, ...]
    best: float
    turn_in: float
    no_trail: float | None


def trail_worth(section: Section, known: Known) -> TrailWorth | None:
    """The worth of trail braking in a corner; None where there is none to be had: no braking, or all of it before turn-in."""
    braking, turn_in = known.reading.braking, known.reading.turn_in
    if braking is None or turn_in is None or braking.trail <= 0.0:
        return None
    best = braking.off.at
    free = [turn_in.at - before for before in BEFORE if turn_in.at - before > section.stretch.start + 30.0]
    free += [turn_in.at, *(turn_in.at + share * (best - turn_in.at) for share in BETWEEN)]
    found, near = [TrailPoint(best, best - known.reading.slowest.at, 0.0, "driven")], None
    # Each from the one before it: from the best release step by step forward and backward.
    for station in reversed(free):
        outcome = section.changed(off_by(known, station), near=near)
        near = outcome.drive or near
        found.insert(0, _point(known, station, section, outcome))
    near = None
    for past in PAST:
        station = best + past
        if station < known.stretch.fine_end:
            outcome = section.changed(held_until(known, station), near=near)
            near = outcome.drive or near
            found.append(_point(known, station, section, outcome))
    no_trail = next(point.loss for point in found if point.station == turn_in.at)
    return TrailWorth(tuple(found), best, turn_in.at, no_trail)


def _point(known: Known, station: float, section: Section, outcome: Outcome) -> TrailPoint:
    loss = None if outcome.drive is None else outcome.drive.cost - section.base.cost
    return TrailPoint(station, station - known.reading.slowest.at, loss, outcome.status)


def half_loss(worth: TrailWorth) -> float | None:
    """How much earlier than best the brake may be off for half of the no-trail loss [m]."""
    if worth.no_trail is None or worth.no_trail <= 0.0:
        return None
    known = [(p.station, p.loss) for p in worth.points if p.loss is not None and p.station <= worth.best]
    stations, losses = (np.array(values) for values in zip(*known, strict=True))
    at = float(np.interp(-0.5 * worth.no_trail, -losses, stations))
    return worth.best - at
