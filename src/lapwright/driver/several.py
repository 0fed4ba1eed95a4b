"""Several laps of one driver: how alike they are, what his own best pieces add up to, and where the session went."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from lapwright.driver.session import DriverLap
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.lap.lap import Array
from lapwright.quantities import KMH
from lapwright.track.track import Track

FEWEST = 4
"""Laps from which a trend is told."""

SURE = 0.95
"""Confidence of a trend."""


@dataclass(frozen=True)
class Section:
    """A piece of the lap: its best time [s] of all laps, in which lap, and how far the others' were from it."""

    name: str
    best_s: float
    lap: int
    median_s: float


@dataclass(frozen=True)
class Spread:
    """How much one thing varies from lap to lap in a corner.

    ``what`` is "brake_on", "slowest" or "line"; ``spread`` the standard deviation in ``unit``, ``least`` and ``most`` the
    farthest from the mean.
    """

    corner: str
    what: str
    unit: str
    spread: float
    least: float
    most: float


@dataclass(frozen=True)
class Trend:
    """Where the lap times went: ``s_per_lap`` [s a lap] between ``low`` and ``high`` with ``SURE`` confidence;
    ``kmh_per_lap`` the same of the slowest speeds, all corners together; ``words`` say it.
    """

    s_per_lap: float
    low: float
    high: float
    kmh_per_lap: float
    words: str


@dataclass(frozen=True)
class Several:
    """All whole laps of a log.

    Attributes
    ----------
    laps, times : their numbers and times [s]
    sections : of every piece of the lap the best
    spreads : by corner
    trend : None for fewer than ``FEWEST`` laps
    """

    laps: tuple[int, ...]
    times: tuple[float, ...]
    sections: tuple[Section, ...]
    spreads: tuple[Spread, ...]
    trend: Trend | None

    @property
    def best_sections(self) -> float:
        """What the best pieces add up to [s]: a lap that was never driven, but all of it was."""
        return sum(section.best_s for section in self.sections)

    def record(self) -> dict[str, Any]:
        """Plain values with units in the names of the keys."""
        return {
            "laps": list(self.laps),
            "times_s": [round(time, 4) for time in self.times],
            "best_sections_s": round(self.best_sections, 4),
            "sections": [_rounded(asdict(section), 4) for section in self.sections],
            "spread": [_rounded(asdict(spread), 2) for spread in self.spreads],
            "trend": None if self.trend is None else _rounded(asdict(self.trend), 3),
        }


def _rounded(values: dict[str, Any], decimals: int) -> dict[str, Any]:
    return {
        key: round(value, decimals) if isinstance(value, float) else value for key, value in values.items()
    }


def several_laps(
    track: Track, laps: Sequence[DriverLap], spans: Sequence[tuple[str, float, float]]
) -> Several:
    """Whole laps of one log side by side.

    Parameters
    ----------
    track
        The road.
    laps
        At least two whole laps, in driving order.
    spans
        Names and stations [m] of pieces that make up the lap; ``start > end`` runs across the line.
    """
    channels = [lap.lap for lap in laps]
    reports = [corner_reports(lap, track) for lap in channels if lap is not None]
    sections = []
    for name, start, end in spans:
        times = [_time(lap.s, lap.t, start, end) for lap in channels if lap is not None]
        best = int(np.argmin(times))
        sections.append(Section(name, times[best], laps[best].number, float(np.median(times))))
    spreads = [spread for corner in zip(*reports, strict=True) for spread in _spreads(corner, laps)]
    return Several(
        laps=tuple(lap.number for lap in laps),
        times=tuple(lap.time for lap in laps),
        sections=tuple(sections),
        spreads=tuple(spreads),
        trend=_trend(laps, reports) if len(laps) >= FEWEST else None,
    )


def _time(s: Array, t: Array, start: float, end: float) -> float:
    spent = float(np.interp(end, s, t) - np.interp(start, s, t))
    return spent + float(t[-1] - t[0]) if end < start else spent


def _spreads(corner: Sequence[CornerReport], laps: Sequence[DriverLap]) -> list[Spread]:
    def before(report: CornerReport) -> float | None:
        return None if report.brake_on is None else -float(report.brake_on_before_start or 0.0)

    def slowest(report: CornerReport) -> float | None:
        return report.slowest_speed * KMH

    def line(report: CornerReport) -> float | None:
        return report.clip_gap

    wanted: list[tuple[str, str, Callable[[CornerReport], float | None], str]] = [
        ("brake_on", "m", before, "brake"),
        ("slowest", "km/h", slowest, "speed"),
        ("line", "m", line, "line"),
    ]
    found = []
    for what, unit, read, needs in wanted:
        values = [read(report) for report, lap in zip(corner, laps, strict=True) if needs in lap.has]
        known = np.array([value for value in values if value is not None and np.isfinite(value)])
        # Of a corner that is braked for in some laps only there is no brake point to compare.
        if known.size < 2 or known.size < len(laps):
            continue
        middle = float(np.mean(known))
        spread = float(np.std(known, ddof=1))
        found.append(
            Spread(
                corner[0].name, what, unit, spread, float(known.min() - middle), float(known.max() - middle)
            )
        )
    return found


def _trend(laps: Sequence[DriverLap], reports: Sequence[Sequence[CornerReport]]) -> Trend:
    """The slope of the lap times by Theil and Sen, with its confidence (``scipy.stats.theilslopes``): one lap that went wrong
    does not tilt it.
    """
    from scipy.stats import theilslopes

    number = np.array([lap.number for lap in laps], dtype=float)
    time = np.array([lap.time for lap in laps])
    speed = np.array([np.mean([report.slowest_speed * KMH for report in corners]) for corners in reports])
    slope, _, low, high = theilslopes(time, number, SURE)
    quicker, _, speed_low, speed_high = theilslopes(speed, number, SURE)
    if high < 0.0 and speed_low > 0.0:
        words = "quicker from lap to lap, and faster through the corners: tyres coming in, or a driver who finds his marks"
    elif high < 0.0:
        words = (
            "quicker from lap to lap, but not through the slowest points: braking and lines rather than grip"
        )
    elif low > 0.0 and speed_high < 0.0:
        words = "slower from lap to lap, and through the corners too: tyres going off, or a driver who tires"
    elif low > 0.0:
        words = "slower from lap to lap"
    else:
        words = "no trend that stands out from the scatter of the laps"
    return Trend(float(slope), float(low), float(high), float(quicker), words)
