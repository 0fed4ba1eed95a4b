"""Why the corner is driven like this: which limit holds the car in each phase, and what the moving load gives and takes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lapwright.corner.reading import Place, Reading
from lapwright.corner.section import Section
from lapwright.corner.stretch import Stretch
from lapwright.lap.lap import Array, Lap
from lapwright.reference.limits import LimitRecord, limit_records, wheels_at_limit

WHEELS = ("front left", "front right", "rear left", "rear right")

SHORTEST = 0.5
"""Length from which a phase is one [m]."""

PRESENT = 0.15
"""Share of a phase from which a limit is said to hold the car in it."""

WORTH = 2e-5
"""Seconds for a practical step from which a limit that is only touched is named as well."""


@dataclass(frozen=True)
class Span:
    """A phase of the corner: name, from one station to another [m], in so many seconds."""

    name: str
    start: float
    end: float
    time: float


@dataclass(frozen=True)
class Holding:
    """A limit in a phase: ``share`` of the phase's length in which it is active, ``worth`` [s] of the step in its name."""

    name: str
    share: float
    worth: float


@dataclass(frozen=True)
class Phase:
    """A phase with what holds the car in it.

    Attributes
    ----------
    limits : those that count, the one that is active longest first
    wheels : (4,) share of the phase that each wheel is at its limit, fl, fr, rl, rr
    use_front, use_rear : mean grip use of the axles
    words : the same in a sentence
    """

    span: Span
    limits: tuple[Holding, ...]
    wheels: tuple[float, float, float, float]
    use_front: float
    use_rear: float
    words: str


@dataclass(frozen=True)
class LoadPoint:
    """The axles at a moment of the corner.

    ``load_front``, ``load_rear`` [N] and their change since the car came off the throttle; ``grip_front``, ``grip_rear``:
    the largest force to the side that the axle's tyres could give there [N], with its change; ``use_front``, ``use_rear``.
    """

    name: str
    at: Place
    load_front: float
    load_rear: float
    load_front_moved: float
    load_rear_moved: float
    grip_front: float
    grip_rear: float
    grip_front_moved: float
    grip_rear_moved: float
    use_front: float
    use_rear: float


def spans_of(lap: Lap, stretch: Stretch, reading: Reading) -> tuple[Span, ...]:
    """The phases of a corner in driving order, without a gap."""
    marks = [*_marks(stretch, reading), ("", stretch.fine_end)]
    found: list[Span] = []
    begin = marks[0][1]
    for (name, _), (_, end) in pairwise(marks):
        # What is shorter belongs to what comes after it.
        if end - begin >= SHORTEST:
            first, last = np.interp([begin, end], lap.s, lap.t)
            found.append(Span(name, begin, end, float(last - first)))
            begin = end
    return tuple(found)


def _marks(stretch: Stretch, reading: Reading) -> list[tuple[str, float]]:
    """Name and start of each phase; an order that no driver could keep (a phase that ends before it begins) is mended."""
    braking, turn_in, full = reading.braking, reading.turn_in, reading.full
    if reading.entry == "flat":
        return [("flat out", stretch.corner_start)]
    begin = reading.lift.at if reading.lift else braking.on.at if braking else stretch.corner_start
    marks = [("lift", begin)]
    if braking is not None:
        marks.append(("straight braking", braking.on.at))
        if turn_in is not None and turn_in.at < braking.off.at:
            marks.append(("trail braking", max(turn_in.at, braking.on.at)))
        marks.append(("coast", braking.off.at))
    if reading.pick_up is not None:
        marks.append(("throttle pick-up", reading.pick_up.at))
    if full is not None:
        marks.append(("full throttle", full.at))
    latest = begin
    kept = []
    for name, at in marks:
        latest = max(latest, at)
        kept.append((name, latest))
    return kept


def phases_of(section: Section, reading: Reading) -> tuple[Phase, ...]:
    """What holds the car in each phase of a section's own drive."""
    solution, lap = section.base.solution, section.base.lap
    records = limit_records(solution, section.known.vehicle)
    wheels = wheels_at_limit(solution)
    nlp = solution.nlp
    stations, metres = nlp.stations, nlp.mesh.steps[:, None] * nlp.collocation.weights
    middle = 0.5 * (nlp.mesh.nodes[1:] + nlp.mesh.nodes[:-1])
    found = []
    for span in spans_of(lap, section.stretch, reading):
        inside = (stations > span.start) & (stations <= span.end)
        weight = metres * inside
        total = max(float(weight.sum()), 1e-9)
        between = (middle > span.start) & (middle <= span.end)
        holding = [_holding(record, weight, total, between) for record in records]
        counted = sorted(
            (h for h in holding if h.share >= PRESENT or (h.share > 0.0 and h.worth >= WORTH)),
            key=lambda h: -h.share,
        )
        at_limit = tuple(float((weight * flags).sum() / total) for flags in wheels)
        front, rear = (_mean(lap, use, span) for use in (lap.grip_use_front, lap.grip_use_rear))
        found.append(
            Phase(
                span,
                tuple(counted),
                (at_limit[0], at_limit[1], at_limit[2], at_limit[3]),
                front,
                rear,
                _words(counted, at_limit, reading),
            )
        )
    return tuple(found)


def _holding(record: LimitRecord, weight: Array, total: float, between: NDArray[np.bool_]) -> Holding:
    share = float((weight * record.active).sum() / total)
    return Holding(record.name, share, float(record.gain[between].sum()))


def _mean(lap: Lap, use: Array, span: Span) -> float:
    s = np.linspace(span.start, span.end, 41)
    return float(np.mean(np.interp(s, lap.s, use)))


def _words(counted: list[Holding], wheels: tuple[float, ...], reading: Reading) -> str:
    """A sentence about the limits of a phase."""
    if not counted:
        return "nothing: the driver's choice"
    parts = []
    for holding in counted:
        name = holding.name.split(" (")[0]
        if name in ("front grip", "rear grip"):
            axle = name.split()[0]
            pair = wheels[:2] if axle == "front" else wheels[2:]
            name = f"{axle} axle{_side(pair, reading)}"
        parts.append(f"{name} {100 * holding.share:.0f} %")
    return ", ".join(parts)


def _side(pair: tuple[float, ...], reading: Reading) -> str:
    """Which wheel of an axle, when one of them is at its limit much longer than the other."""
    if abs(pair[0] - pair[1]) < 0.3:
        return ""
    left = pair[0] > pair[1]
    inside = reading.direction.startswith("left") == left
    return f" (the {'inside' if inside else 'outside'} wheel)"


def load_points(lap: Lap, stretch: Stretch, reading: Reading) -> tuple[LoadPoint, ...]:
    """Loads and grip of the axles at the moments of a corner; the first is before the foot leaves the throttle."""
    braking, release = reading.braking, reading.release
    before = reading.lift or (braking.on if braking else None) or _at(lap, stretch.start)
    moments: list[tuple[str, Place | None]] = [
        ("before", before),
        ("brake built up", braking.peak_at if braking else None),
        ("turn-in", reading.turn_in),
        ("release half done", _half(lap, release.start, release.end) if release else None),
        ("brake off", braking.off if braking else None),
        ("slowest point", reading.slowest),
        ("throttle picked up", reading.pick_up),
        ("full throttle", reading.full),
    ]
    known = sorted(((name, place) for name, place in moments[1:] if place), key=lambda pair: pair[1].at)
    first = _axles(lap, before.at)
    found = [_point("before", before, first, first)]
    found += [_point(name, place, _axles(lap, place.at), first) for name, place in known]
    return tuple(found)


def _half(lap: Lap, start: Place, end: Place) -> Place:
    time = 0.5 * (start.time + end.time)
    return _at(lap, float(np.interp(time, lap.t, lap.s)))


def _at(lap: Lap, station: float) -> Place:
    row = max(int(np.searchsorted(lap.s, station, "right")) - 1, 0)
    speed, time = (float(np.interp(station, lap.s, values)) for values in (lap.speed, lap.t))
    return Place(station, speed, int(lap.gear[row]), time)


def _axles(lap: Lap, station: float) -> Array:
    """Load, grip to the side and use of front and rear axle, (6,)."""

    def at(values: Array) -> float:
        return float(np.interp(station, lap.s, values))

    return np.array(
        [
            at(lap.load[:, :2].sum(axis=1)),
            at(lap.load[:, 2:].sum(axis=1)),
            at(lap.grip_lat[:, :2].sum(axis=1)),
            at(lap.grip_lat[:, 2:].sum(axis=1)),
            at(lap.grip_use_front),
            at(lap.grip_use_rear),
        ]
    )


def _point(name: str, place: Place, here: Array, first: Array) -> LoadPoint:
    moved = here - first
    return LoadPoint(
        name, place, *(float(v) for v in here[:2]), *(float(v) for v in moved[:2]),
        *(float(v) for v in here[2:4]), *(float(v) for v in moved[2:4]), *(float(v) for v in here[4:]),
    )  # fmt: skip
