"""The keys of a channel map."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lapwright.driver.log import MEASURES
from lapwright.inputs.kinds import MISSING, Choice, Group, Key, Path, Report, Text
from lapwright.inputs.log_layout import DEEPEST, SEPARATORS
from lapwright.inputs.log_units import UNITS_OF
from lapwright.inputs.numbers import Number, Whole
from lapwright.inputs.tree import Mapping, Node, at_path


@dataclass(frozen=True)
class ColumnTitle(Text):
    """The title of a column; it remembers where in the map it stands."""

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """Text, line and column."""
        text = super().read(node, path, report)
        return text if text is MISSING else (text, node.line, node.column)

    def words(self) -> str:
        """What is allowed."""
        return "title of a column, or its number from 1"


MEANING = {
    **{name: measure.meaning for name, measure in MEASURES.items()},
    "latitude": "latitude, WGS 84, north positive",
    "longitude": "longitude, WGS 84, east positive",
}
CHANNELS = tuple(name for name in UNITS_OF if name != "time")
SIGNED = ("steering_wheel", "road_wheel", "accel_long", "accel_lat", "yaw_rate")
"""Channels whose sign loggers disagree about."""


def _channel(name: str) -> Group:
    keys = [
        Key(
            "column",
            ColumnTitle(),
            "title of the column as it stands in the log, or its number from 1",
            "column",
        ),
        Key(
            "unit",
            Choice(tuple(unit.name for unit in UNITS_OF[name])),
            "unit of the numbers (left out: the one that the log writes)",
            "unit",
            default=None,
        ),
    ]
    if name in SIGNED:
        doc = "-1 when the log has the other sign than left and forward positive (left out: found from the other channels)"
        keys.append(Key("sign", Choice(("1", "+1", "-1")), doc, "sign", default=None))
    return Group(tuple(keys), noun=f"the channel {name}")


def _check_channels(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """Speed is there; places come in pairs and once; no column is two channels."""
    given = [name for name in node.values if name in CHANNELS]
    if "speed" not in given:
        report.fault(
            at_path(node, ()), path, "speed is missing in channels: without it no lap can be compared"
        )
    for one, other in (("latitude", "longitude"), ("x", "y")):
        for have, lack in ((one, other), (other, one)):
            if have in given and lack not in given:
                report.fault(
                    node.keys[have], (*path, have), f"{have} is given without {lack}; a place needs both"
                )
    if "latitude" in given and "x" in given:
        report.fault(
            node.keys["x"], (*path, "x"), "x, y and latitude, longitude are both given; keep one pair"
        )
    seen: dict[str, str] = {}
    for name in given:
        entry = values.get(name)
        if not isinstance(entry, dict):
            continue
        text = entry["column"][0]
        if text in seen:
            place = node.keys[name]
            report.fault(
                place, (*path, name), f"the column {text} is taken for {seen[text]} and for {name}; keep one"
            )
        seen[text] = name


def _check_time(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """A column or a rate."""
    have = [name for name in ("column", "rate_hz") if name in node.values]
    if len(have) != 1:
        message = "time needs a column or, in a log without one, rate_hz" + (
            "; keep one of them" if have else ""
        )
        report.fault(at_path(node, ()), path, message)


_TIME = Group(
    (
        Key("column", ColumnTitle(), "title of the column, or its number from 1", "column", default=None),
        Key(
            "unit",
            Choice(tuple(unit.name for unit in UNITS_OF["time"])),
            "unit of the time (left out: the one that the log writes, or found)",
            "unit",
            default=None,
        ),
        Key(
            "rate_hz", Number("", 0.5, 5000), "rows a second, for a log without a time", "rate", default=None
        ),
    ),
    check=_check_time,
    noun="time",
)

CHANNEL_MAP = Group(
    (
        Key(
            "driver",
            Text(),
            "name of the driver (left out: from the log, or the name of the file)",
            "driver",
            default=None,
        ),
        Key(
            "delimiter",
            Choice(tuple(SEPARATORS)),
            "what parts the cells (left out: found)",
            "separator",
            default=None,
        ),
        Key("decimal", Choice(("point", "comma")), "decimal sign (left out: found)", "decimal", default=None),
        Key(
            "header_line",
            Whole("", 1, DEEPEST),
            "line of the titles, from 1 (left out: found)",
            "header",
            default=None,
        ),
        Key("time", _TIME, "the time (left out: found)", "time", default=None),
        Key(
            "channels",
            Group(
                tuple(Key(name, _channel(name), MEANING[name], name, default=None) for name in CHANNELS),
                check=_check_channels,
                noun="channels",
            ),
            "what the columns are",
            "channels",
        ),
    ),
    noun="a channel map",
)
