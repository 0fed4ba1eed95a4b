"""Surveyed points from a table: CSV with the columns of ``COLUMNS``, whatever its separator."""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any

from lapwright.errors import Fault, InputError
from lapwright.inputs.kinds import Kind, Path, Report, Schema, did_you_mean
from lapwright.inputs.numbers import NUMBER, UNITS, Number, number_or_reason
from lapwright.inputs.points import FAR, MAX_POINTS, MIN_POINTS, extent_problem
from lapwright.inputs.source import read_text
from lapwright.inputs.tree import CONTROL, Node, Scalar, describe
from lapwright.track.definition import Station

SIDE = Number("m", 0.2, 100, (1, 30))
BANK = Number("deg", -60, 60, (-35, 35))

COLUMNS: dict[str, Number] = {
    "x_m": Number("m", -FAR, FAR),
    "y_m": Number("m", -FAR, FAR),
    "z_m": Number("m", -FAR, FAR),
    "width_left_m": SIDE,
    "width_right_m": SIDE,
    "bank_deg": BANK,
}
REQUIRED_COLUMNS = ("x_m", "y_m")
SEPARATORS = {";": "semicolons", "\t": "tabs", ",": "commas"}
MAX_LISTED = 20


@dataclass(frozen=True)
class CsvPoints:
    """A table of points in SI units.

    Attributes
    ----------
    points : (x, y) or (x, y, z) of each point [m]
    lines : line of the file of each point
    width_left, width_right, bank : stations, or empty when the table has no such column. A station is the
    plan
        distance along the chords from the first point: the smoothed centreline differs from its chords by far
        less than the spacing of the points
    """

    source: str
    points: tuple[tuple[float, ...], ...]
    lines: tuple[int, ...]
    width_left: tuple[Station, ...] = ()
    width_right: tuple[Station, ...] = ()
    bank: tuple[Station, ...] = ()


@dataclass(frozen=True)
class CsvFile(Kind):
    """The name of a file of points, relative to the file that names it."""

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The table, or the faults found in it (they carry its name)."""
        if not isinstance(node, Scalar) or not node.text.strip():
            return report.fault(node, path, f"csv is {describe(node)}; it must be the name of a file")
        source = FilePath(report.file).parent / node.text.strip()
        if not source.is_file():
            return report.fault(node, path, f"csv: {_why_no_file(source)}")
        try:
            points, notices = parse_points(read_text(source, latin=True), str(source))
        except InputError as error:
            return report.take(list(error.faults))
        report.notices += notices
        return points

    def schema(self) -> Schema:
        """A string."""
        return {"type": "string", "minLength": 1}

    def words(self) -> str:
        """What is allowed."""
        return "file name"


def _why_no_file(source: FilePath) -> str:
    try:
        read_text(source)
    except InputError as error:
        return str(error)
    return f"{source} cannot be read"


def parse_points(text: str, source: str = "") -> tuple[CsvPoints, list[Fault]]:
    """Points, widths and bank from the text of a CSV file, and notices.

    Columns are separated by commas, semicolons or tabs; with the latter two a decimal comma is understood.
    Blank lines and lines that begin with # are skipped.

    Raises
    ------
    InputError
        With a fault, placed by line and column, for each bad name or cell (up to ``MAX_LISTED``, then how
        many more).
    """
    table = _Table(source, text.split("\n"))
    columns = table.read_header()
    table.read_rows(columns)
    return table.finish(columns)


@dataclass
class _Table:
    source: str
    lines: list[str]
    faults: list[Fault] = field(default_factory=list)
    notices: list[Fault] = field(default_factory=list)
    count: int = 0
    separator: str = ","
    header_line: int = 0
    width: int = 0
    rows: list[list[float]] = field(default_factory=list)
    row_lines: list[int] = field(default_factory=list)

    def fault(self, message: str, line: int = 0, column: int = 0) -> None:
        self.count += 1
        if self.count <= MAX_LISTED:
            self.faults.append(Fault(message, (), self.source, line, column))

    def stop_if_faulty(self) -> None:
        if self.count > MAX_LISTED:
            self.faults.append(Fault(f"and {self.count - MAX_LISTED} more faults", (), self.source))
        if self.count:
            raise InputError(self.faults)

    def read_header(self) -> list[tuple[str, int]]:
        """Known columns and their positions."""
        number = next((i for i, line in enumerate(self.lines, 1) if _has_data(line)), 0)
        if not number:
            self.fault("the table is empty: it has no header and no points", 1, 1)
            self.stop_if_faulty()
        line = self.lines[number - 1]
        self.header_line = number
        self.separator = next((mark for mark in SEPARATORS if mark in line), ",")
        cells = list(_cells(line, self.separator))
        self.width = len(cells)
        if all(number_or_none(text, self.separator) is not None for text, _ in cells):
            self._complain_no_header(number)
        columns: dict[str, int] = {}
        for index, (name, column) in enumerate(cells):
            self._take_name(name, index, column, columns)
        for name in REQUIRED_COLUMNS:
            if name not in columns and not any(f" {name}" in fault.message for fault in self.faults):
                self.fault(
                    f"there is no column {name}; needed are x_m and y_m, the others are optional", number, 1
                )
        for have, lack in (("width_left_m", "width_right_m"), ("width_right_m", "width_left_m")):
            if have in columns and lack not in columns:
                self.fault(f"{have} is given without {lack}; the road needs both", number, 1)
        self.stop_if_faulty()
        return list(columns.items())

    def _complain_no_header(self, number: int) -> None:
        optional = ", ".join(name for name in COLUMNS if name not in REQUIRED_COLUMNS)
        message = f"the first line must name the columns: x_m, y_m and optionally {optional}"
        hidden = [i for i, line in enumerate(self.lines[: number - 1], 1) if "x_m" in line]
        if hidden:
            message += f"; take away the # on line {hidden[0]}"
        self.fault(message, number, 1)
        self.stop_if_faulty()

    def _take_name(self, name: str, index: int, column: int, columns: dict[str, int]) -> None:
        if name in columns:
            self.fault(f"the column {name} is there twice", self.header_line, column)
        elif name in COLUMNS:
            columns[name] = index
        elif near := did_you_mean(name, tuple(COLUMNS)):
            self.fault(f"{name} is not a column of points{near}", self.header_line, column)
        elif name or index < self.width - 1:
            message = f"the column {name or '(no name)'} is not used; known are {', '.join(COLUMNS)}"
            self.notices.append(Fault(message, (), self.source, self.header_line, column))

    def read_rows(self, columns: list[tuple[str, int]]) -> None:
        """All rows, or every bad cell."""
        wanted = [(name, index, COLUMNS[name]) for name, index in columns]
        for number in range(self.header_line + 1, len(self.lines) + 1):
            line = self.lines[number - 1]
            if not _has_data(line):
                continue
            if (bad := CONTROL.search(line)) is not None:
                self.fault(
                    f"the character U+{ord(bad.group()):04X} does not belong in a table",
                    number,
                    bad.start() + 1,
                )
                continue
            cells = list(_cells(line, self.separator))
            if len(cells) != self.width and not (len(cells) == self.width + 1 and not cells[-1][0]):
                self._complain_length(len(cells), number)
                continue
            self.rows.append([self._cell(*cells[index], name, kind, number) for name, index, kind in wanted])
            self.row_lines.append(number)
        if len(self.rows) > MAX_POINTS:
            self.fault(f"the table has {len(self.rows)} points; at most {MAX_POINTS} are read")
        if len(self.rows) < MIN_POINTS and not self.count:
            self.fault(f"the table has {len(self.rows)} points; at least {MIN_POINTS} are needed")
        self.stop_if_faulty()

    def _complain_length(self, count: int, number: int) -> None:
        message = f"this row has {count} cells, the header has {self.width}"
        if self.separator == "," and count == 2 * self.width:
            message += "; with decimal commas the columns must be separated by semicolons or tabs"
        self.fault(message, number, 1)

    def _cell(self, text: str, column: int, name: str, kind: Number, line: int) -> float:
        value = number_or_none(text, self.separator)
        if value is None:
            reason = number_or_reason(text)
            what = f"is {text}; {reason}" if text else "is empty; it must be a number"
            self.fault(f"{name} {what}", line, column)
            return math.nan
        if not kind.allows(value):
            self.fault(kind.refusal(name, text, value), line, column)
        return value * UNITS[kind.unit].si

    def finish(self, columns: list[tuple[str, int]]) -> tuple[CsvPoints, list[Fault]]:
        """The points and what hangs on them."""
        by_name = dict(zip((name for name, _ in columns), zip(*self.rows, strict=True), strict=True))
        axes = [by_name[name] for name in ("x_m", "y_m", "z_m") if name in by_name]
        points = list(zip(*axes, strict=True))
        if problem := extent_problem(points):
            self.fault(problem, self.header_line, 1)
            self.stop_if_faulty()
        at = _chord_stations(points)

        def stations(name: str) -> tuple[Station, ...]:
            values = by_name.get(name, ())
            return tuple(Station(s, v) for s, v in zip(at, values, strict=False) if s is not None)

        table = CsvPoints(
            self.source,
            tuple(points),
            tuple(self.row_lines),
            stations("width_left_m"),
            stations("width_right_m"),
            stations("bank_deg"),
        )
        return table, self.notices


def number_or_none(text: str, separator: str) -> float | None:
    """A finite number from a cell, with a decimal comma where commas do not separate; else None.

    Leading zeros are harmless here: no program reads a table in base eight.
    """
    if separator != "," and "," in text and "." not in text:
        text = text.replace(",", ".", 1)
    if not NUMBER.fullmatch(text):
        return None
    value = float(text)
    return value if math.isfinite(value) else None


def _has_data(line: str) -> bool:
    bare = line.strip()
    return bool(bare) and not bare.startswith("#") and bool(bare.strip(",; \t"))


def _cells(line: str, separator: str) -> Iterator[tuple[str, int]]:
    """Text of each cell without blanks and quotes, and its column counted from 1."""
    texts = line.split(separator)
    if '"' in line:
        # A stray carriage return or an endless field is not for the csv module; such cells are faults further on.
        with suppress(csv.Error):
            texts = next(csv.reader([line.replace("\r", " ")], delimiter=separator), [])
    start = 0
    for text in texts:
        bare = text.strip()
        found = line.find(bare, start) if bare else start
        found = start if found < 0 else found
        yield bare, found + 1
        end = line.find(separator, found + len(bare))
        start = end + 1 if end >= 0 else len(line)


def _chord_stations(points: list[tuple[float, ...]]) -> list[float | None]:
    """Plan distance along the chords; None for a point that repeats its predecessor (the last: the first)."""
    at: list[float | None] = [0.0]
    total = 0.0
    for before, here in itertools.pairwise(points):
        step = math.dist(before[:2], here[:2])
        total += step
        at.append(total if step > 0 else None)
    if math.dist(points[0][:2], points[-1][:2]) < 1e-3:
        at[-1] = None
    return at
