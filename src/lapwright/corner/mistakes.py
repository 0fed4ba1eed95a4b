"""What a mistake costs: imposed, with the rest driven as well as possible."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lapwright.corner import impose
from lapwright.corner.impose import Imposed, Known
from lapwright.corner.reading import Reading
from lapwright.corner.section import Drive, Outcome, Section
from lapwright.problem.section import edges_of
from lapwright.quantities import KMH
from lapwright.solver.sensitivity import bound_gradient

LATE = 0.2
"""How late [s] a foot is that is told by the time."""

DIFFERENCE = 0.02
"""Share of a mistake's size by which its bounds are moved to see how they follow it."""


@dataclass(frozen=True)
class Mistake:
    """One mistake in one corner.

    Attributes
    ----------
    key : for programs; ``words`` for people
    size, unit : how large; a positive size
    status : "driven", "off the road" or "not solved"
    loss : seconds until the next braking and, by the speed left there, on the way on; None when not driven
    slope : what one unit more costs [s per unit], to first order, from the multipliers; None when not driven, and for
        mistakes that end at a place: what moves with such a place is no bound at all, but the point where it ends
    moved, moved_at : greatest distance from the reference's line [m], signed like the lateral offset, and where
    edge : least distance of the car's side to a road edge from turn-in on [m]
    off_by, off_at : how far off the road it leads [m], and where, when nobody could stay on it
    seconds, iterations : of the solve
    """

    key: str
    words: str
    size: float
    unit: str
    status: str
    loss: float | None
    slope: float | None
    moved: float
    moved_at: float
    edge: float | None
    off_by: float
    off_at: float
    seconds: float
    iterations: int


@dataclass(frozen=True)
class Kind:
    """A sort of mistake: ``bounds`` impose it in a size; ``smooth`` when these bounds follow the size everywhere."""

    key: str
    words: str
    unit: str
    size: float
    bounds: Callable[[Known, float], Imposed]
    smooth: bool = False


def mistakes(
    section: Section, known: Known, keys: Sequence[str] | None = None, size: float | None = None
) -> tuple[Mistake, ...]:
    """The mistakes that can be made in a corner, in driving order.

    Parameters
    ----------
    section, known
        The corner and the drive that the mistakes are held against.
    keys
        Which of them; all when left out.
    size
        How large, in the unit of each; as a card has them when left out.
    """
    wanted = [kind for kind in kinds(known) if keys is None or kind.key in keys]
    if size is not None:
        wanted = [replace(kind, size=size) for kind in wanted]
    return tuple(_made(section, known, kind) for kind in wanted)


def kinds(known: Known) -> list[Kind]:
    """Which mistakes a corner offers: another list where there is no braking, another where there is not even a lift."""
    reading = known.reading
    slower = Kind(
        "slowest_3_kmh_low", "slowest speed 3 km/h low", "m/s", 3.0 / KMH, impose.slowest_lower, True
    )
    if reading.entry == "flat":
        return [
            Kind("throttle_half_closed", "throttle half closed for a moment at turn-in", "-", 0.5, _breath),
            Kind("throttle_closed", "throttle closed for a moment at turn-in", "-", 0.97, _breath),
            slower,
        ]
    found = _entry_kinds(reading)
    if reading.braking is not None:
        found += [
            Kind("peak_10_percent_low", "peak brake 10 % low", "-", 0.1, impose.peak_lower, True),
            Kind("release_10_m_early", "brake off 10 m early", "m", 10.0, _released_earlier),
            Kind("release_10_m_late", "brake off 10 m late", "m", 10.0, _released_later),
        ]
    found.append(slower)
    if reading.pick_up is not None:
        found.append(Kind("throttle_10_m_late", "throttle 10 m late", "m", 10.0, impose.throttle_later))
    return found


def _entry_kinds(reading: Reading) -> list[Kind]:
    """Braking or lifting early and late; none where the throttle was never full before the corner."""
    braking, first = reading.braking, reading.lift
    if braking is not None:
        verb, first = "brake", braking.on
    elif first is not None:
        verb = "lift"
    else:
        return []
    late = LATE * first.speed
    return [
        Kind(f"{verb}_10_m_early", f"{verb} 10 m early", "m", 10.0, impose.entry_earlier),
        Kind(f"{verb}_5_m_early", f"{verb} 5 m early", "m", 5.0, impose.entry_earlier),
        Kind(f"{verb}_5_m_late", f"{verb} 5 m late", "m", 5.0, impose.entry_later, True),
        Kind(f"{verb}_10_m_late", f"{verb} 10 m late", "m", 10.0, impose.entry_later, True),
        Kind(f"{verb}_0.2_s_late", f"{verb} 0.2 s late ({late:.0f} m)", "m", late, impose.entry_later, True),
    ]


def _breath(known: Known, closed: float) -> Imposed:
    place = known.reading.turn_in or known.reading.start
    return impose.breath(known, place.at, 1.0 - closed)


def _released_earlier(known: Known, metres: float) -> Imposed:
    return impose.off_by(known, known.off - metres)


def _released_later(known: Known, metres: float) -> Imposed:
    return impose.held_until(known, known.off + metres)


def _made(section: Section, known: Known, kind: Kind) -> Mistake:
    outcome = section.changed(kind.bounds(known, kind.size))
    moved, moved_at, edge, loss, slope = 0.0, 0.0, None, None, None
    if outcome.drive is not None:
        loss = outcome.drive.cost - section.base.cost
        moved, moved_at = _moved(section, outcome.drive)
        edge = _edge(section, known, outcome.drive)
        slope = _slope(known, kind, outcome) if kind.smooth else None
    return Mistake(
        kind.key, kind.words, kind.size, kind.unit, outcome.status, loss, slope, moved, moved_at, edge,
        outcome.off_by, outcome.off_at, outcome.seconds, outcome.iterations,
    )  # fmt: skip


def _moved(section: Section, drive: Drive) -> tuple[float, float]:
    base, lap = section.base.lap, drive.lap
    apart = lap.n - np.interp(lap.s, base.s, base.n)
    worst = int(np.argmax(np.abs(apart)))
    return float(apart[worst]), float(lap.s[worst])


def _edge(section: Section, known: Known, drive: Drive) -> float:
    lap, turn_in = drive.lap, known.reading.turn_in
    rows = lap.s >= (turn_in.at if turn_in else known.reading.start.at)
    edges = edges_of(section.problem)
    s, n = lap.s[rows], lap.n[rows]
    return float(max(np.min(np.minimum(edges.upper(s) - n, n - edges.lower(s))), 0.0))


def _slope(known: Known, kind: Kind, outcome: Outcome) -> float:
    """Cost of one more unit of a mistake: the pull of its bounds times the way they would move."""
    assert outcome.drive is not None
    solution = outcome.drive.solution
    s = solution.nlp.stations
    step = DIFFERENCE * kind.size
    more, less = kind.bounds(known, kind.size + step).bound, kind.bounds(known, kind.size - step).bound
    total = 0.0
    for upper in (False, True):
        a, b = ((c.upper if upper else c.lower)(s.ravel()).reshape(s.shape) for c in (more, less))
        with np.errstate(invalid="ignore"):
            moves = np.nan_to_num((a - b) / (2.0 * step), nan=0.0, posinf=0.0, neginf=0.0)
        # The gradient is by the room that a bound gives: a lower one gives room when it falls.
        room = moves if upper else -moves
        total += float(np.sum(bound_gradient(solution, more.state, upper) * room))
    return total
