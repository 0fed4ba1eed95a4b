"""corners.csv, and the corners of summary.json: one record for each corner, units in the names."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lapwright.lap.corners import CornerReport, nearest_landmark
from lapwright.quantities import KMH, G


@dataclass(frozen=True)
class CornerColumn:
    """One column of corners.csv; ``decimals`` is None for words and whole numbers."""

    name: str
    doc: str
    decimals: int | None
    value: Callable[[CornerReport], Any]


def _scaled(field: str, factor: float) -> Callable[[CornerReport], Any]:
    def value(report: CornerReport) -> Any:
        found = getattr(report, field)
        return None if found is None else found * factor

    return value


def _plain(field: str) -> Callable[[CornerReport], Any]:
    return _scaled(field, 1.0)


def _word(field: str) -> Callable[[CornerReport], Any]:
    return lambda report: getattr(report, field)


def _landmark(report: CornerReport) -> str | None:
    fix = nearest_landmark(report)
    return fix.name if fix else None


def _landmark_distance(report: CornerReport) -> float | None:
    fix = nearest_landmark(report)
    return fix.distance if fix else None


CORNER_COLUMNS: tuple[CornerColumn, ...] = (
    CornerColumn("corner", "name in the track file", None, _word("name")),
    CornerColumn("direction", "left, right, or both in order for a complex", None, _word("direction")),
    CornerColumn("start_m", "station of the corner's start", 1, _plain("start")),
    CornerColumn("end_m", "station of the corner's end", 1, _plain("end")),
    CornerColumn("entry", "brake, shared, lift or flat", None, _word("entry")),
    CornerColumn("shared_with", "corner that owns a shared braking", None, _word("shared_with")),
    CornerColumn("lift_m", "where the throttle leaves full before the corner", 1, _plain("lift_at")),
    CornerColumn("brake_on_m", "station of brake-on", 1, _plain("brake_on")),
    CornerColumn(
        "brake_on_before_start_m", "from brake-on to the corner's start", 1, _plain("brake_on_before_start")
    ),
    CornerColumn("brake_on_speed_kmh", "speed at brake-on", 1, _scaled("brake_on_speed", KMH)),
    CornerColumn("brake_on_gear", "gear at brake-on", None, _word("brake_on_gear")),
    CornerColumn("landmark", "landmark nearest to brake-on", None, _landmark),
    CornerColumn("landmark_distance_m", "brake-on past it, negative before it", 1, _landmark_distance),
    CornerColumn("brake_peak", "highest brake, share of peak pressure", 3, _plain("brake_peak")),
    CornerColumn("brake_peak_m", "station of the highest brake", 1, _plain("brake_peak_at")),
    CornerColumn("release_m", "where the release begins", 1, _plain("release_at")),
    CornerColumn("brake_off_m", "station of brake-off", 1, _plain("brake_off")),
    CornerColumn(
        "brake_off_past_slowest_m",
        "brake-off from the slowest point, negative before it",
        1,
        _plain("brake_off_past_slowest"),
    ),
    CornerColumn("turn_in_m", "station of turn-in", 1, _plain("turn_in")),
    CornerColumn("turn_in_speed_kmh", "speed at turn-in", 1, _scaled("turn_in_speed", KMH)),
    CornerColumn(
        "turn_in_by", "what tells turn-in: steering, or curvature of the path", None, _word("turn_in_by")
    ),
    CornerColumn("slowest_m", "station of the least speed in the corner", 1, _plain("slowest_at")),
    CornerColumn("slowest_speed_kmh", "least speed in the corner", 1, _scaled("slowest_speed", KMH)),
    CornerColumn("slowest_gear", "gear there, 0 for a car without gears", None, _word("slowest_gear")),
    CornerColumn("clip_m", "station of the clipping point", 1, _plain("clip_at")),
    CornerColumn("clip_gap_m", "car's centre to the inside edge there", 2, _plain("clip_gap")),
    CornerColumn("lateral_max_g", "greatest lateral acceleration", 3, _scaled("lateral_max", 1.0 / G)),
    CornerColumn("pick_up_m", "station of throttle pick-up", 1, _plain("pick_up")),
    CornerColumn(
        "pick_up_past_slowest_m",
        "pick-up from the slowest point, negative before it",
        1,
        _plain("pick_up_past_slowest"),
    ),
    CornerColumn("full_throttle_m", "station of full throttle", 1, _plain("full_throttle")),
    CornerColumn(
        "full_throttle_past_slowest_m",
        "full throttle from the slowest point",
        1,
        _plain("full_throttle_past_slowest"),
    ),
    CornerColumn("entry_speed_kmh", "speed at the corner's start", 1, _scaled("entry_speed", KMH)),
    CornerColumn("exit_speed_kmh", "speed at the corner's end", 1, _scaled("exit_speed", KMH)),
    CornerColumn("time_s", "from the corner's start to its end", 3, _plain("time")),
)

BASELINE_LOSS = "baseline_loss_s"
"""Seconds that the baseline loses in the corner's sector (from its lift or brake point to the next one's)."""


def corner_records(
    reports: Sequence[CornerReport], baseline_loss: Sequence[float] | None = None
) -> list[dict[str, Any]]:
    """The corners as records, rounded as in corners.csv; None for what did not happen.

    Parameters
    ----------
    reports
        From ``corner_reports``.
    baseline_loss
        Seconds for each corner, or None to leave the column out.
    """
    records = []
    for i, report in enumerate(reports):
        record = {column.name: _rounded(column, report) for column in CORNER_COLUMNS}
        if baseline_loss is not None:
            record[BASELINE_LOSS] = round(float(baseline_loss[i]), 3) + 0.0
        records.append(record)
    return records


def write_corners(
    path: Path, reports: Sequence[CornerReport], baseline_loss: Sequence[float] | None = None
) -> None:
    """Write corners.csv, UTF-8 because corners keep their names; an empty field for what did not happen."""
    names = [column.name for column in CORNER_COLUMNS] + (
        [BASELINE_LOSS] if baseline_loss is not None else []
    )
    decimals = {column.name: column.decimals for column in CORNER_COLUMNS} | {BASELINE_LOSS: 3}
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    for record in corner_records(reports, baseline_loss):
        writer.writerow([_field(record[name], decimals[name]) for name in names])
    path.write_bytes(text.getvalue().encode("utf-8"))


def _rounded(column: CornerColumn, report: CornerReport) -> Any:
    value = column.value(report)
    if value is None or column.decimals is None:
        return value
    return round(float(value), column.decimals) + 0.0


def _field(value: Any, decimals: int | None) -> str:
    if value is None:
        return ""
    return str(value) if decimals is None else f"{value:.{decimals}f}"
