"""What each difference is worth: imposed on the reference with everything else driven as well as possible."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lapwright.corner.impose import Known
from lapwright.corner.reading import read_corner
from lapwright.corner.section import Drive, Section
from lapwright.corner.stretch import stretch_of
from lapwright.driver.difference import Difference
from lapwright.driver.shares import Running, Share
from lapwright.errors import NoSolutionError
from lapwright.lap.corners import CornerReport
from lapwright.reference.kept import KeptLap
from lapwright.track.track import Track
from lapwright.transcription.pointfunctions import PointFunctions

NOTHING = 0.01
"""Loss [s] below which a difference is one of style: it costs nothing that anybody could measure."""

MOST = 24
"""Differences that are priced by a solve; the rest, by what was seen there the smaller ones, to first order."""


@dataclass(frozen=True, eq=False)
class Finding:
    """A difference and what it costs.

    Attributes
    ----------
    what : the difference
    seen : what was lost from its start to its end, speed included that is missing at its end [s]: to first order, from the
        worth of speed, and together with everything else that was done there
    loss : seconds that it cost: by itself, imposed on the reference, but no more than was lost in the corner; when it was not
        solved ``seen``
    imposed : seconds that it costs by itself, imposed on the reference; NaN when it was not solved
    status : "solved", "first order", "not solved" or "off the road"
    off_by : how far off the road it leads when nobody could stay on it [m]
    drive : of the reference's section with it imposed; None when it was not solved
    """

    what: Difference
    seen: float
    loss: float
    imposed: float
    status: str
    off_by: float = 0.0
    drive: Drive | None = None

    @property
    def style(self) -> bool:
        """Whether it is a difference that costs nothing."""
        return self.loss < NOTHING


class Pricer:
    """Sections of the reference, made when they are asked for, on which differences are imposed.

    Parameters
    ----------
    track, known, reports
        The road, the reference lap on it, and its corners.
    """

    def __init__(self, track: Track, known: KeptLap, reports: Sequence[CornerReport]) -> None:
        self._track, self._known = track, known
        self._reports = {report.name: report for report in reports}
        self._sections: dict[str, tuple[Section, Known] | None] = {}
        self._functions: PointFunctions | None = None

    def section(self, corner: str) -> tuple[Section, Known] | None:
        """The section of a corner and its drive; None when it cannot be solved."""
        if corner not in self._sections:
            self._sections[corner] = self._make(self._reports[corner])
        return self._sections[corner]

    def _make(self, report: CornerReport) -> tuple[Section, Known] | None:
        stretch = stretch_of(self._known.lap, report, self._known.nodes)
        try:
            section = Section(self._track, self._known, stretch, None, self._functions)
            reading = read_corner(section.base.lap, self._track, stretch, report.name)
        except (NoSolutionError, ValueError):
            return None
        self._functions = section.nlp.functions
        return section, Known(section.base.lap, reading, stretch, self._known.vehicle)

    def price(self, what: Difference, seen: float, most: float) -> Finding:
        """A difference with the price of having it imposed, ``most`` [s] being what the driver can have lost by it."""
        made = None if what.bound is None else self.section(what.corner)
        bound = None if made is None or what.bound is None else what.bound(made[1])
        if made is None or bound is None:
            return first_order(what, seen, most)
        section = made[0]
        outcome = section.changed(bound)
        if outcome.drive is None:
            return replace(first_order(what, seen, most), status=outcome.status, off_by=outcome.off_by)
        cost = max(outcome.drive.cost - section.base.cost, 0.0)
        return Finding(what, seen, min(cost, most), cost, "solved", drive=outcome.drive)


def first_order(what: Difference, seen: float, most: float) -> Finding:
    """A difference that is priced by what was seen where it was made."""
    return Finding(what, seen, min(max(seen, 0.0), most), float("nan"), "first order")


def priced(
    found: Sequence[Difference],
    run: Running,
    parts: Sequence[Share],
    pricer: Pricer,
    length: float,
    *,
    along: float = 0.0,
    most: int = MOST,
    progress: Callable[[Difference], None] | None = None,
) -> tuple[Finding, ...]:
    """All differences with their prices, the dearest first.

    Parameters
    ----------
    found
        From ``findings.differences``.
    run, parts
        Differences along the lap, and its shares: no finding costs more than was lost in its corner.
    pricer
        Sections to impose them on.
    length
        Of a closed circuit [m], 0 for an open road.
    along
        Standard deviation of a station of the log [m].
    most
        How many are priced by a solve.
    progress
        Told which one comes next.
    """

    def slack(station: float) -> float:
        pace = np.interp([station - 1.0, station + 1.0], run.s, run.driver)
        return along * float(pace[1] - pace[0]) / 2.0

    ceilings = {share.name: lost_in(share, slack) for share in parts if share.kind == "corner"}
    seen = [(what, seen_in(run, what, length)) for what in found]
    seen.sort(key=lambda pair: -pair[1])
    done = []
    for number, (what, value) in enumerate(seen):
        if number >= most:
            done.append(first_order(what, value, ceilings[what.corner]))
            continue
        if progress is not None:
            progress(what)
        done.append(pricer.price(what, value, ceilings[what.corner]))
    return tuple(sorted(done, key=lambda finding: -finding.loss))


def lost_in(share: Share, slack: Callable[[float], float]) -> float:
    """What a driver can have lost in a corner [s]: as a whole, or in those of its phases in which he lost.

    Parameters
    ----------
    share
        The corner.
    slack
        How far the time at a station [m] may be off for the noise of the log [s].
    """
    total = share.caused + float(np.hypot(slack(share.start), slack(share.end)))
    sure = [
        phase.caused - 2.0 * float(np.hypot(slack(phase.start), slack(phase.end))) for phase in share.phases
    ]
    return max(total, sum(max(value, 0.0) for value in sure), 0.0)


def seen_in(run: Running, what: Difference, length: float) -> float:
    """What was lost, to first order, where a difference was made [s]."""
    if length:
        a, b = what.start % length, what.end % length
        return run.between(run.value, a, b)
    first, last = float(run.s[0]), float(run.s[-1])
    return run.between(run.value, min(max(what.start, first), last), min(max(what.end, first), last))
