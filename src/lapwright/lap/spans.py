"""A lap cut into straights, corners and their phases: the pieces that a sum along the road is told by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array
from lapwright.track.track import Track

SHORTEST = 5.0
"""Length [m] below which there is no straight between two corners."""

EARLIEST = 400.0
"""Farthest before a corner [m] that a foot is taken to move for it."""

BEFORE = 5.0
"""Distance [m] before the first foot moves at which a corner's piece begins."""


LEAST = 0.5
"""Length [m] that a phase, or the road after the last corner, must have to be told by itself."""


@dataclass(frozen=True)
class Span:
    """A piece of a lap.

    Attributes
    ----------
    name : of the phase, the corner or the straight
    kind : "corner", "straight" or "phase"
    start, end : stations [m]; ``start > end`` runs across the line of a closed circuit
    phases : of a corner, in driving order; together they are the corner
    """

    name: str
    kind: str
    start: float
    end: float
    phases: tuple[Span, ...] = ()


def spans_of(
    track: Track,
    driver: Sequence[CornerReport],
    reference: Sequence[CornerReport],
    first: float = 0.0,
    last: float | None = None,
) -> tuple[Span, ...]:
    """A lap cut into corners and straights, in driving order from the line; together they are the whole lap.

    A corner's piece begins where the first foot moves for it, and ends with the corner; where that falls into the corner
    before, that one ends there. Its phases: "braking" ("lift") up to the reference's turn-in, "entry" from there to its
    slowest point, "exit" to the corner's end; what would be shorter than ``LEAST`` is left to its neighbour.

    Parameters
    ----------
    track
        The road.
    driver, reference
        The corners of two laps, from ``corner_reports``, in the same order; of one lap both times the same.
    first, last
        Where an open road's lap begins and ends [m]; the ends of the road when left out.
    """
    length = track.length if track.closed else 0.0
    last = track.length if last is None else last
    places = _places(track, driver, reference)
    if not places:
        return (_span("the road", "straight", first, last, 0.0),)
    found: list[Span] = []
    for i, (report, begin, turn_in, slowest, end) in enumerate(places):
        before = places[i - 1][4] if i or length else first
        gap = (begin - before) % length if length and (i or len(places) > 1) else begin - before
        if len(places) == 1 and length:
            gap = length - (end - begin)
        if gap > SHORTEST:
            found.append(_span(f"to {report.name}", "straight", before, begin, length))
        else:
            begin = before
        foot = "lift" if report.entry in ("lift", "flat") and driver[i].entry != "brake" else "braking"
        cuts = [(foot, begin, turn_in), ("entry", turn_in, slowest), ("exit", slowest, end)]
        phases = tuple(_span(name, "phase", a, b, length) for name, a, b in _long_enough(cuts))
        found.append(_span(report.name, "corner", begin, end, length, phases))
    if not length and last - places[-1][4] > LEAST:
        found.append(_span("to the end", "straight", places[-1][4], last, 0.0))
    return tuple(found)


def growth(s: Array, values: Array, start: float, end: float) -> float:
    """How much a running quantity grows from one station to another; round the line when the end comes first.

    ``s`` (M,) stations from the first of the lap to its last [m], ``values`` (M,).
    """
    first, last = float(s[0]), float(s[-1])
    grown = float(np.interp(end, s, values) - np.interp(start, s, values))
    return grown + float(values[-1] - values[0]) if end < start and last > first else grown


def leaves(spans: Sequence[Span]) -> tuple[tuple[Span, Span], ...]:
    """The smallest pieces of a lap that has been cut: each with the straight or corner that it belongs to."""
    return tuple((span, leaf) for span in spans for leaf in (span.phases or (span,)))


def split_up(s: Array, steps: Array, spans: Sequence[Span]) -> Array:
    """(K,) a sum along the road by the K ``leaves`` of a lap.

    Parameters
    ----------
    s
        (N + 1,) stations of the nodes [m], the whole lap.
    steps
        (N,) what each interval between them adds; taken as spread evenly within it.
    """
    running = np.concatenate([[0.0], np.cumsum(steps)])
    return np.array([growth(s, running, leaf.start, leaf.end) for _, leaf in leaves(spans)])


def _long_enough(cuts: Sequence[tuple[str, float, float]]) -> list[tuple[str, float, float]]:
    """Phases that are longer than ``LEAST``; together they still are the whole."""
    found: list[tuple[str, float, float]] = []
    begin = cuts[0][1]
    for name, _, end in cuts:
        if end - begin > LEAST:
            found.append((name, begin, end))
            begin = end
    if found:
        found[-1] = (found[-1][0], found[-1][1], cuts[-1][2])
    return found


def _span(
    name: str, kind: str, start: float, end: float, length: float, phases: tuple[Span, ...] = ()
) -> Span:
    a, b = (start % length, end % length) if length else (start, end)
    # The line itself is the end of a piece, and the start of the next.
    if length and b == 0.0 and end > start:
        b = length
    return Span(name, kind, a, b, phases)


def _places(
    track: Track, driver: Sequence[CornerReport], reference: Sequence[CornerReport]
) -> list[tuple[CornerReport, float, float, float, float]]:
    """Report, begin, turn-in, slowest point and end of every corner; begin <= turn-in <= slowest <= end, on past the line."""
    length = track.length if track.closed else 0.0
    spans: list[tuple[CornerReport, float, float, float, float]] = []
    for ours, theirs in zip(driver, reference, strict=True):
        start = theirs.start
        end = start + (theirs.end - start) % length if length else theirs.end
        slowest = start + (theirs.slowest_at - start) % length if length else theirs.slowest_at
        slowest = min(max(slowest, start), end)
        feet = [x for r in (ours, theirs) for x in (r.lift_at, r.brake_on) if x is not None]
        ahead = [(start - x) % length if length else start - x for x in feet]
        begin = start - max((d + BEFORE for d in ahead if 0.0 < d <= EARLIEST), default=0.0)
        turn_in = start if theirs.turn_in is None else theirs.turn_in
        if length:
            turn_in = start + (turn_in - start + 0.5 * length) % length - 0.5 * length
        spans.append((theirs, begin, min(max(turn_in, begin), slowest), slowest, end))
    return _apart(spans, length)


def _apart(
    spans: list[tuple[CornerReport, float, float, float, float]], length: float
) -> list[tuple[CornerReport, float, float, float, float]]:
    """No two corners share a piece of road: the one before gives way down to its slowest point."""
    done = list(spans)
    for i in range(len(done)):
        j = i - 1
        if j < 0 and not length:
            report, begin, turn_in, slowest, end = done[i]
            done[i] = (report, max(begin, 0.0), max(turn_in, 0.0), slowest, end)
            continue
        turn = -length if j < 0 else 0.0
        before, first, bend, middle, last = done[j]
        report, begin, turn_in, slowest, end = done[i]
        border = min(max(begin, middle + turn), last + turn) if begin < last + turn else begin
        if begin < last + turn:
            done[j] = (before, first, bend, middle, border - turn)
        done[i] = (report, border, max(turn_in, border), max(slowest, border), end)
    return done
