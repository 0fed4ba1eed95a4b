"""A channel map: the file in which a user says what the columns of a log are."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any

from lapwright.errors import Fault, InputError
from lapwright.inputs import kinds, tree
from lapwright.inputs.channel_map_keys import CHANNEL_MAP
from lapwright.inputs.log_layout import SEPARATORS, Title
from lapwright.inputs.log_units import UNITS_OF, LogUnit, unit_of
from lapwright.inputs.source import read_text


@dataclass(frozen=True)
class Named:
    """A column that a map names, and where in the map."""

    text: str
    line: int
    column: int


@dataclass(frozen=True)
class Wanted:
    """What a map says of a channel: its column, its unit ('' : as the file says), its sign (0: find it)."""

    column: Named
    unit: str = ""
    sign: int = 0


@dataclass(frozen=True)
class ChannelMap:
    """A channel map.

    Attributes
    ----------
    file : its name
    driver : '' when it does not say
    separator, decimal : characters, '' for: find out
    header : line of the titles, 0 for: find out
    time : the column of the time; None when there is none, or it is to be found
    rate : rows a second [Hz] of a log without a time; 0 with one
    channels : by the names of ``UNITS_OF``
    """

    file: str
    driver: str = ""
    separator: str = ""
    decimal: str = ""
    header: int = 0
    time: Wanted | None = None
    rate: float = 0.0
    channels: Mapping[str, Wanted] = field(default_factory=dict)


def load_channel_map(path: str | FilePath) -> ChannelMap:
    """The channel map in a YAML file.

    Raises
    ------
    InputError
        With every fault of the file, each with line and column.
    """
    return read_channel_map(read_text(path), str(path))


def read_channel_map(text: str, file: str = "") -> ChannelMap:
    """The channel map in a YAML ``text``; ``file`` is its name in messages."""
    root, form_faults = tree.parse(text, file)
    report = kinds.Report(file)
    report.add_form_faults(form_faults)
    value = CHANNEL_MAP.read(root, (), report)
    faults = report.final_faults()
    if faults:
        raise InputError(faults)
    time = value["time"] or {}
    channels: dict[str, Any] = value["channels"]
    return ChannelMap(
        file=file,
        driver=value["driver"] or "",
        separator=SEPARATORS.get(value["separator"], ""),
        decimal={"point": ".", "comma": ","}.get(value["decimal"], ""),
        header=int(value["header"] or 0),
        time=_wanted(time) if time.get("column") else None,
        rate=float(time.get("rate") or 0.0),
        channels={name: _wanted(entry) for name, entry in channels.items() if entry is not None},
    )


def _wanted(entry: Mapping[str, Any]) -> Wanted:
    text, line, column = entry["column"]
    return Wanted(Named(text, line, column), entry["unit"] or "", int(entry.get("sign") or 0))


@dataclass(frozen=True)
class Pick:
    """A column chosen for a channel: unit, and sign (0: to be found)."""

    measure: str
    title: Title
    unit: LogUnit
    sign: int = 0


def find_columns(
    chart: ChannelMap, titles: Sequence[Title], log: str
) -> tuple[Pick | None, tuple[Pick, ...]]:
    """The columns that a map names: of the time, and of the channels.

    Raises
    ------
    InputError
        For each column that is not there, with the nearest titles, and each unit that neither map nor log says.
    """
    faults: list[Fault] = []
    picks = []
    time = _pick("time", chart.time, titles, chart.file, log, faults) if chart.time is not None else None
    for measure, wanted in chart.channels.items():
        pick = _pick(measure, wanted, titles, chart.file, log, faults)
        if pick is not None:
            picks.append(pick)
    if faults:
        raise InputError(sorted(faults, key=lambda fault: (fault.line, fault.column)))
    return time, tuple(picks)


def _pick(
    measure: str, wanted: Wanted, titles: Sequence[Title], file: str, log: str, faults: list[Fault]
) -> Pick | None:
    name = wanted.column

    def fault(message: str) -> None:
        faults.append(Fault(message, (), file, name.line, name.column))

    found = [title for title in titles if title.text == name.text]
    found = found or [title for title in titles if title.name == name.text]
    if not found and name.text.isdigit():
        found = [title for title in titles if title.column == int(name.text)]
    if not found:
        fault(f"{log} has no column {name.text}" + _nearest(name.text, titles))
        return None
    if len(found) > 1:
        places = ", ".join(str(title.column) for title in found)
        fault(f"{log} has {len(found)} columns {name.text}; give the number of one of them instead: {places}")
        return None
    title = found[0]
    unit = unit_of(measure, wanted.unit or title.unit)
    if unit is None and measure == "time":
        # Found out from the cells: a clock, or steps.
        return Pick(measure, title, LogUnit("", 1.0))
    if unit is None:
        names = ", ".join(unit.name for unit in UNITS_OF[measure])
        written = (
            f"{title.unit} of the log is not one of {measure}" if title.unit else "the log does not say it"
        )
        fault(f"the unit of {name.text} is needed: {written}; add unit: one of {names}")
        return None
    return Pick(measure, title, unit, wanted.sign)


def _nearest(text: str, titles: Sequence[Title]) -> str:
    lower = {title.text.lower(): title.text for title in titles if title.text}
    lower |= {title.name.lower(): title.text for title in titles if title.name}
    near = list(
        dict.fromkeys(
            lower[name] for name in difflib.get_close_matches(text.lower()[:80], lower, n=3, cutoff=0.5)
        )
    )
    if near:
        return f"; did you mean {' or '.join(near)}?"
    shown = [title.text for title in titles if title.text]
    return "; it has " + ", ".join(shown[:12]) + (f" and {len(shown) - 12} more" if len(shown) > 12 else "")
