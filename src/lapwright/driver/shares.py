"""Where the time is: the running difference between two laps, and its share of every corner, straight and phase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array, Lap
from lapwright.reference.kept import KeptLap
from lapwright.track.track import Track

SHORTEST = 5.0
"""Length [m] below which there is no straight between two corners."""

EARLIEST = 400.0
"""Farthest before a corner [m] that a foot is taken to move for it."""

BEFORE = 5.0
"""Distance [m] before the first foot moves at which a corner's share begins."""


@dataclass(frozen=True)
class Share:
    """What a stretch of road has of the difference.

    Attributes
    ----------
    name : of the phase, the corner or the straight
    kind : "corner", "straight" or "phase"
    start, end : stations [m]; ``start > end`` runs across the line of a closed circuit
    driver, reference : time there [s]
    difference : the one less the other [s]
    line, inputs : what the line costs and what pedals and wheel cost on it [s]; they add up to the difference; None when the
        line is not known
    caused : the difference made there [s]: time lost, and the speed that is missing at its end as the rest of the lap prices
        it, less that at its start
    phases : of a corner, in driving order
    """

    name: str
    kind: str
    start: float
    end: float
    driver: float
    reference: float
    difference: float
    line: float | None
    inputs: float | None
    caused: float
    phases: tuple[Share, ...] = ()


@dataclass(frozen=True, eq=False)
class Running:
    """Differences along the road, over the stations ``s`` (M,) [m]; positive where the driver has lost.

    Attributes
    ----------
    time : running time difference [s], driver less reference; ends at the difference of the lap times
    line : that of the optimum on the driver's line less the reference [s]; None without
    value : ``time`` and what the missing speed at a place costs on the rest of the lap [s], to first order
    """

    s: Array
    driver: Array
    reference: Array
    time: Array
    line: Array | None
    value: Array

    def between(self, values: Array, start: float, end: float) -> float:
        """How much a running quantity grows from one station to another; round the line when the end comes first."""
        first, last = float(self.s[0]), float(self.s[-1])
        grown = float(np.interp(end, self.s, values) - np.interp(start, self.s, values))
        return grown + float(values[-1] - values[0]) if end < start and last > first else grown


def worth_of_speed(known: KeptLap, s: Array) -> Array:
    """What a m/s more at stations is worth on the rest of the lap [s per m/s]: negative, as more speed takes less time.

    From the costate of the reference lap (Bryson & Ho, Applied Optimal Control, 1975, ch. 2 [from memory]); (M,) like ``s``.
    """
    # Both models have the offset, the heading and the speed as their first states.
    return np.interp(s, known.nodes, known.worth[:, 2])


def running(drive: Lap, target: Lap, known: KeptLap, on_line: Lap | None = None) -> Running:
    """Differences along the road.

    Parameters
    ----------
    drive, target
        The driver's lap and the reference, rows at the same stations.
    known
        The reference with its multipliers.
    on_line
        The optimum on the driver's line, rows at the same stations.
    """
    t, u = drive.t - drive.t[0], target.t - target.t[0]
    time = t - u
    line = None if on_line is None else (on_line.t - on_line.t[0]) - u
    value = time + worth_of_speed(known, target.s) * (drive.speed - target.speed)
    return Running(target.s, t, u, time, line, value)


def shares(
    run: Running,
    track: Track,
    driver: Sequence[CornerReport],
    reference: Sequence[CornerReport],
) -> tuple[Share, ...]:
    """The lap cut into corners and straights, in driving order from the line; together they are the whole difference.

    A corner's share begins where the first of the two drivers' feet moves for it, and ends with the corner; where that falls
    into the corner before, that one ends there. Its phases: "braking" ("lift") up to the reference's turn-in, "entry" from
    there to its slowest point, "exit" to the corner's end.

    Parameters
    ----------
    run
        From ``running``.
    track
        The road.
    driver, reference
        The corners of both laps, from ``corner_reports``, in the same order.
    """
    length = track.length if track.closed else 0.0
    spans = _spans(track, driver, reference)
    found: list[Share] = []
    for i, (report, begin, turn_in, slowest, end) in enumerate(spans):
        before = spans[i - 1][4] if i or length else float(run.s[0])
        gap = (begin - before) % length if length and (i or len(spans) > 1) else begin - before
        if len(spans) == 1 and length:
            gap = length - (end - begin)
        if gap > SHORTEST:
            found.append(_share(run, f"to {report.name}", "straight", before, begin, length))
        else:
            begin = before
        foot = "lift" if report.entry in ("lift", "flat") and driver[i].entry != "brake" else "braking"
        cuts = [(foot, begin, turn_in), ("entry", turn_in, slowest), ("exit", slowest, end)]
        phases = tuple(_share(run, name, "phase", a, b, length) for name, a, b in cuts if b - a > 0.5)
        found.append(_share(run, report.name, "corner", begin, end, length, phases))
    if not spans:
        return (_share(run, "the road", "straight", float(run.s[0]), float(run.s[-1]), 0.0),)
    if not length and run.s[-1] - spans[-1][4] > 0.5:
        found.append(_share(run, "to the end", "straight", spans[-1][4], float(run.s[-1]), 0.0))
    return tuple(found)


def _spans(
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


def _share(
    run: Running,
    name: str,
    kind: str,
    start: float,
    end: float,
    length: float,
    phases: tuple[Share, ...] = (),
) -> Share:
    a, b = (start % length, end % length) if length else (start, end)
    # The line itself is the end of a share, and the start of the next.
    if length and b == 0.0 and end > start:
        b = length
    difference = run.between(run.time, a, b)
    line = None if run.line is None else run.between(run.line, a, b)
    return Share(
        name=name,
        kind=kind,
        start=a,
        end=b,
        driver=run.between(run.driver, a, b),
        reference=run.between(run.reference, a, b),
        difference=difference,
        line=line,
        inputs=None if line is None else difference - line,
        caused=run.between(run.value, a, b),
        phases=phases,
    )
