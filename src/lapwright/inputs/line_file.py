"""A driving line from a table: CSV with the columns ``distance_m``, ``lateral_offset_m`` and maybe ``curvature_1pm``.

Other columns are passed over, so that a trace written by lapwright serves as well as a line drawn by hand.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from lapwright.baseline.lines import line_faults, line_offsets
from lapwright.baseline.path import Offsets
from lapwright.errors import Fault, InputError
from lapwright.inputs.csv_points import MAX_LISTED, SEPARATORS, number_or_none
from lapwright.inputs.kinds import did_you_mean
from lapwright.inputs.points import MAX_POINTS
from lapwright.inputs.source import read_text
from lapwright.track.road import Array

if TYPE_CHECKING:
    from lapwright.track.track import Track

COLUMNS = ("distance_m", "lateral_offset_m")

CURVATURE = "curvature_1pm"
"""A column that need not be there; where it is, the line has this curvature."""

SMOOTHING = 0.03
"""Root mean square [m] that a line may stray from the points of its file unless asked otherwise."""


class LinePoints(NamedTuple):
    """Points of a line: stations [m], offsets [m], curvature [1/m] or None, (M,) each, and the lines of the file."""

    stations: Array
    offsets: Array
    curvature: Array | None
    lines: list[int]


def load_line(path: str | Path, track: Track, smoothing: float = SMOOTHING) -> tuple[Offsets, list[str]]:
    """A line for ``solve_baseline`` from a CSV file, and sentences about it.

    Parameters
    ----------
    path
        The file; comma, semicolon or tab between the columns, a decimal comma understood with the latter two. Blank lines
        and lines that begin with # are passed over.
    track
        The road that the line lies on.
    smoothing
        Root mean square [m] that the line may stray from the points; 0 goes through each of them. A line with a column
        ``curvature_1pm`` goes through each of them anyway.

    Raises
    ------
    InputError
        With every fault, placed by file, line and column.
    """
    points = parse_line(read_text(path, latin=True), str(path))
    s, n, curvature, lines = points
    faults = [_placed(fault, str(path), lines) for fault in line_faults(track, s, n, curvature)]
    if faults:
        raise InputError(faults)
    offsets = line_offsets(track, s, n, smoothing, curvature)
    told = f"line {Path(path).name}: {s.size} points"
    if curvature is not None:
        return offsets, [f"{told}, driven with the curvature in {CURVATURE}"]
    stray = float(np.max(np.abs(offsets.at(s)[0] - n)))
    return offsets, [f"{told}, smoothed by at most {stray:.3f} m"]


def parse_line(text: str, source: str = "") -> LinePoints:
    """The points of a line from the text of a CSV file; faults as in ``load_line``."""
    rows = [
        (number, line)
        for number, line in enumerate(text.split("\n"), 1)
        if line.strip(",; \t\r") and not line.lstrip().startswith("#")
    ]
    if not rows:
        raise InputError(Fault("the table is empty: it has no header and no points", (), source, 1, 1))
    header_line, header = rows[0]
    separator = next((mark for mark in SEPARATORS if mark in header), ",")
    places = _places(_cells(header, separator), source, header_line)
    if len(rows) - 1 > MAX_POINTS:
        raise InputError(
            Fault(f"the table has {len(rows) - 1} points; at most {MAX_POINTS} are read", (), source)
        )
    faults: list[Fault] = []
    values: list[list[float]] = []
    for number, line in rows[1:]:
        values.append(_row(_cells(line, separator), places, separator, source, number, faults))
    if faults:
        listed, rest = faults[:MAX_LISTED], len(faults) - MAX_LISTED
        raise InputError(listed if rest <= 0 else [*listed, Fault(f"and {rest} more faults", (), source)])
    table = np.array(values, dtype=float).reshape(-1, len(places))
    curvature = table[:, 2] if CURVATURE in places else None
    return LinePoints(table[:, 0], table[:, 1], curvature, [number for number, _ in rows[1:]])


def _places(cells: list[tuple[str, int]], source: str, line: int) -> dict[str, int]:
    """Where the columns stand that are read."""
    names = [name for name, _ in cells]
    faults = []
    wanted_names = (*COLUMNS, CURVATURE) if CURVATURE in names else COLUMNS
    for wanted in wanted_names:
        if names.count(wanted) > 1:
            column = [column for name, column in cells if name == wanted][1]
            faults.append(Fault(f"the column {wanted} is there twice", (), source, line, column))
        elif wanted not in names:
            near = did_you_mean(wanted, tuple(name for name in names if name))
            faults.append(
                Fault(
                    f"there is no column {wanted}{near}; a line needs {' and '.join(COLUMNS)}",
                    (),
                    source,
                    line,
                    1,
                )
            )
    if faults:
        raise InputError(faults)
    return {wanted: names.index(wanted) for wanted in wanted_names}


def _row(
    cells: list[tuple[str, int]],
    places: dict[str, int],
    separator: str,
    source: str,
    line: int,
    faults: list[Fault],
) -> list[float]:
    found = []
    for name, place in places.items():
        if place >= len(cells):
            faults.append(Fault(f"this row ends before the column {name}", (), source, line, 1))
            found.append(np.nan)
            continue
        text, column = cells[place]
        value = number_or_none(text, separator)
        if value is None:
            what = f"is {text}; it must be a number" if text else "is empty; it must be a number"
            faults.append(Fault(f"{name} {what}", (), source, line, column))
        found.append(np.nan if value is None else value)
    return found


def _cells(line: str, separator: str) -> list[tuple[str, int]]:
    """Text of each cell without blanks and quotes, and its column counted from 1."""
    # A stray carriage return is not for the csv module; the cell it stands in is a fault further on.
    texts = next(csv.reader([line.replace("\r", " ")], delimiter=separator), [])
    cells, start = [], 0
    for text in texts:
        bare = text.strip()
        found = line.find(bare, start) if bare else start
        cells.append((bare, found + 1))
        end = line.find(separator, found + len(bare))
        start = end + 1 if end >= 0 else len(line)
    return cells


def _placed(fault: Fault, file: str, lines: list[int]) -> Fault:
    """A fault of a line with the place of its point in the file."""
    if len(fault.key) == 2 and isinstance(fault.key[1], int):
        return replace(fault, key=(), file=file, line=lines[fault.key[1]], column=1)
    return replace(fault, key=(), file=file)
