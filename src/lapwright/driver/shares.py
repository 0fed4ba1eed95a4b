"""Where the time is: the running difference between two laps, and its share of every corner, straight and phase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array, Lap
from lapwright.lap.spans import Span, growth, spans_of
from lapwright.reference.kept import KeptLap
from lapwright.track.track import Track


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
        return growth(self.s, values, start, end)


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
    spans = spans_of(track, driver, reference, float(run.s[0]), float(run.s[-1]))
    return tuple(_share(run, span) for span in spans)


def _share(run: Running, span: Span) -> Share:
    difference = run.between(run.time, span.start, span.end)
    line = None if run.line is None else run.between(run.line, span.start, span.end)
    return Share(
        name=span.name,
        kind=span.kind,
        start=span.start,
        end=span.end,
        driver=run.between(run.driver, span.start, span.end),
        reference=run.between(run.reference, span.start, span.end),
        difference=difference,
        line=line,
        inputs=None if line is None else difference - line,
        caused=run.between(run.value, span.start, span.end),
        phases=tuple(_share(run, phase) for phase in span.phases),
    )
