"""The tree of a track file as a ``TrackDefinition``."""

from __future__ import annotations

from typing import Any

from lapwright.inputs.csv_points import CsvPoints
from lapwright.inputs.kinds import MISSING, Group, Report
from lapwright.inputs.track_keys import TRACK
from lapwright.inputs.tree import Mapping
from lapwright.track.definition import ElementLine, PointLine, Station, TrackDefinition


def read_definition(root: Mapping, report: Report, keys: Group = TRACK) -> Any:
    """The definition, or ``MISSING`` after recording every fault; ``keys`` is ``TRACK``, or that with a memory."""
    values = keys.read(root, (), report)
    if values is MISSING:
        return MISSING
    line = values["centreline"]
    table = line["csv"] or CsvPoints("", (), ())
    left, right = (
        _sides(values["width"]) if values["width"] is not None else (table.width_left, table.width_right)
    )
    return TrackDefinition(
        name=values["name"],
        closed=values["closed"],
        centreline=_centreline(line, table),
        width_left=left,
        width_right=right,
        elevation=_stations(values["elevation"]),
        bank=_stations(values["bank"]) or table.bank,
        grip=values["grip"],
        corners=values["corners"],
        landmarks=values["landmarks"],
    )


def _centreline(line: dict[str, Any], table: CsvPoints) -> ElementLine | PointLine:
    if line["elements"] is not None:
        return ElementLine(line["elements"])
    if line["points"] is not None:
        return PointLine(line["points"], line["tolerance"])
    return PointLine(table.points, line["tolerance"], table.source, table.lines)


def _sides(width: Any) -> tuple[tuple[Station, ...], tuple[Station, ...]]:
    if isinstance(width, float):
        half = (Station(0.0, 0.5 * width),)
        return half, half
    if isinstance(width, dict):
        return (Station(0.0, width["left"]),), (Station(0.0, width["right"]),)
    left = tuple(Station(item["at"], item["left"]) for item in width)
    return left, tuple(Station(item["at"], item["right"]) for item in width)


def _stations(given: Any) -> tuple[Station, ...]:
    if given is None:
        return ()
    return (Station(0.0, given),) if isinstance(given, float) else given
