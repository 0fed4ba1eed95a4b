"""Logs as the rest of the house sees them: CSV by itself, ASAM MDF 4 and GPX 1.1 by their libraries."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from lapwright.driver.log import Log
from lapwright.errors import Fault, InputError
from lapwright.inputs.channel_map import ChannelMap, Pick, find_columns, load_channel_map
from lapwright.inputs.log_bytes import LogBytes, check_file, log_bytes
from lapwright.inputs.log_clock import Array, clock_seconds
from lapwright.inputs.log_layout import PLAIN, WORDS_OF, Layout, find_layout
from lapwright.inputs.log_proposal import Entry, Proposal, propose
from lapwright.inputs.log_signals import Raw, build_signals
from lapwright.inputs.log_table import TimeColumn, cell_number, read_columns, sample_cells

if TYPE_CHECKING:
    from lapwright.inputs.log_mdf import MdfSource


def load_log(path: str | Path, channel_map: str | Path | None = None) -> Log:
    """The log in a file.

    Parameters
    ----------
    path
        CSV in any dressing, ASAM MDF 4 (``.mf4``, ``.mdf``) or GPX 1.1 (``.gpx``).
    channel_map
        YAML file that says what is what; without one the columns are recognised by title, unit and values.

    Returns
    -------
    Log
        SI units, left positive, times from the first row; what was repaired or left out is among its notices.

    Raises
    ------
    InputError
        With every fault, placed by line and column where there are lines. Without a map also when a column is in doubt: then
        ``propose_map`` has the map to look at.
    """
    path = Path(path)
    chart = load_channel_map(channel_map) if channel_map is not None else None
    check_file(path)
    kind = _kind(path)
    if kind == "gpx":
        from lapwright.inputs.log_gpx import load_gpx

        return load_gpx(path, chart)
    log = _load_mdf(path, chart) if kind == "mdf" else _load_table(path, chart)
    return log if chart is None or not chart.driver else replace(log, driver=chart.driver)


def propose_map(path: str | Path) -> Proposal:
    """A channel map for a log: its ``text`` is the YAML to write, ``sure`` whether nothing is in doubt.

    Raises
    ------
    InputError
        When the file is no log that can be read, or needs no map (GPX).
    """
    path = Path(path)
    check_file(path)
    kind = _kind(path)
    if kind == "gpx":
        raise InputError(
            Fault("a GPX file needs no channel map: its places and times have fixed names", file=str(path))
        )
    if kind == "mdf":
        from lapwright.inputs.log_mdf import open_mdf

        with open_mdf(path) as source:
            return source.proposal()
    return _Table.of(path, None).proposal


def _kind(path: Path) -> str:
    """The kind, "mdf", "gpx" or "table", told by how the file begins and by its name."""
    with path.open("rb") as handle:
        start = handle.read(512)
    # ASAM MDF 4: the identification block begins with "MDF     " (or "UnFinMF " in a file that was not closed).
    if start.startswith((b"MDF ", b"UnFinMF")) or path.suffix.lower() in (".mf4", ".mdf"):
        return "mdf"
    if path.suffix.lower() == ".gpx" or b"<gpx" in start:
        return "gpx"
    return "table"


def refuse_doubts(proposal: Proposal) -> None:
    """Raise InputError for a log whose columns are not beyond doubt."""
    if proposal.sure:
        return
    faults = list(proposal.faults)
    for entry in sorted(proposal.doubts, key=lambda entry: entry.title.column):
        name = entry.title.text or f"column {entry.title.column}"
        message = f"{name}: taken for {entry.measure} in {entry.unit.name}, in doubt: {entry.why}"
        place = (proposal.header, entry.title.place) if proposal.header else (0, 0)
        faults.append(Fault(message, (), proposal.file, *place))
    advice = (
        "what the columns are is in doubt: --write-map FILE writes the channel map that is proposed; "
        "look at it and pass it with --map FILE"
    )
    raise InputError([*faults, Fault(advice, file=proposal.file)])


def taken_words(proposal: Proposal) -> list[Fault]:
    """Notices: what was taken for what, and what is not used."""
    return [Fault(sentence, (), proposal.file) for sentence in proposal.summary]


def picks_of(proposal: Proposal) -> tuple[Pick, ...]:
    """The columns of a proposal as chosen ones."""
    return tuple(Pick(entry.measure, entry.title, entry.unit) for entry in proposal.entries)


@dataclass
class _Table:
    """A CSV file: bytes, layout, and columns of a sample of its rows."""

    data: LogBytes
    layout: Layout
    sample: list[list[str]]

    @classmethod
    def of(cls, path: Path, chart: ChannelMap | None) -> _Table:
        data = log_bytes(path)
        told = (chart.separator, chart.decimal, chart.header) if chart is not None else ("", "", 0)
        layout = find_layout(data, *told)
        return cls(data, layout, sample_cells(data, layout))

    @cached_property
    def clocks(self) -> frozenset[int]:
        """Columns that hold times of day."""
        found = []
        for title in self.layout.titles:
            cells = [row[title.column - 1] for row in self.sample[:40] if row[title.column - 1]]
            if cells and sum(":" in cell for cell in cells) > 0.5 * len(cells):
                found.append(title.column)
        return frozenset(found)

    def values(self, column: int) -> Array:
        """A column of the sample."""
        cells = [row[column - 1] for row in self.sample]
        if column in self.clocks:
            return clock_seconds(cells)
        return np.array([cell_number(cell, self.layout.decimal) for cell in cells])

    @property
    def proposal(self) -> Proposal:
        layout = self.layout
        return propose(
            str(self.data.path), layout.titles, self.values, self.clocks, layout.driver, layout.header
        )

    def time_of(self, entry: Entry | Pick) -> TimeColumn:
        """The column of the time as it is to be read."""
        column = entry.title.column
        if column in self.clocks:
            return TimeColumn(column, 1.0, True)
        if entry.unit.name in ("", "h:m:s"):
            # The map does not say: by the steps, as in a proposal.
            found = propose("", [replace(entry.title, name="time", unit="")], self.values, header=1).time
            return TimeColumn(column, found.unit.si if found is not None else 1.0)
        return TimeColumn(column, entry.unit.si)


def _load_table(path: Path, chart: ChannelMap | None) -> Log:
    table = _Table.of(path, chart)
    layout, file = table.layout, str(path)
    notices: list[Fault] = []
    if chart is None:
        proposal = table.proposal
        refuse_doubts(proposal)
        assert proposal.time is not None
        notices = taken_words(proposal)
        time, picks = table.time_of(proposal.time), picks_of(proposal)
    else:
        told, picks = find_columns(chart, layout.titles, file)
        time = _time_of_map(table, chart, told)
    columns = read_columns(
        table.data, layout, time, {pick.title.column: WORDS_OF.get(pick.measure, PLAIN) for pick in picks}
    )
    if columns.faults:
        raise InputError(columns.faults)
    raw = {column: Raw(columns.t, values, columns.row) for column, values in columns.values.items()}
    built = build_signals(file, picks, raw, columns.line, layout.header)
    return Log(
        file=file,
        driver=layout.driver or path.stem,
        signals=built.signals,
        geographic=built.geographic,
        line=columns.line,
        notices=(*notices, *columns.notices, *built.notices),
    )


def _time_of_map(table: _Table, chart: ChannelMap, told: Pick | None) -> TimeColumn:
    if told is not None:
        return table.time_of(told)
    if chart.rate:
        return TimeColumn(0, rate=chart.rate)
    found = table.proposal.time
    if found is None or not found.sure:
        message = "the time is not said and not found beyond doubt; add time: {column: ...}"
        raise InputError(Fault(message, (), chart.file))
    return table.time_of(found)


def _load_mdf(path: Path, chart: ChannelMap | None) -> Log:
    from lapwright.inputs.log_mdf import open_mdf

    with open_mdf(path) as source:
        if chart is None:
            proposal = source.proposal()
            refuse_doubts(proposal)
            notices, picks = taken_words(proposal), picks_of(proposal)
        else:
            notices = []
            picks = find_columns(chart, source.titles, str(path))[1]
        raw = _read_all(source, picks)
        driver = source.driver
    begin = min((float(one.t[0]) for one in raw.values() if one.t.size), default=0.0)
    raw = {column: Raw(one.t - begin, one.values, one.row) for column, one in raw.items()}
    built = build_signals(str(path), picks, raw, np.empty(0, np.int64), 0)
    return Log(
        file=str(path),
        driver=driver or path.stem,
        signals=built.signals,
        geographic=built.geographic,
        notices=(*notices, *built.notices),
    )


def _read_all(source: MdfSource, picks: tuple[Pick, ...]) -> dict[int, Raw]:
    """Chosen channels of an MDF file, or what is wrong with any of them."""
    raw: dict[int, Raw] = {}
    faults: list[Fault] = []
    for pick in picks:
        try:
            raw[pick.title.column] = source.read(pick.title.column)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    return raw
