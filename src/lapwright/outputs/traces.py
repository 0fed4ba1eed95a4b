"""Trace files: one row per mesh point, one column per channel of ``channels.CHANNELS``."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import Fault, InputError
from lapwright.lap.lap import Lap
from lapwright.outputs.channels import CHANNELS, COLUMNS, Channel

AXLES = ("front", "rear", "both", "none")

Array = NDArray[np.float64]

MANY_DIGITS = 1e15
"""Numbers of so many last decimals are left to Python's own formatting: a double no longer counts them one by one."""


def trace_text(lap: Lap) -> str:
    """The trace file of a lap: ASCII, a header and one row per row of the lap, lines end in a line feed.

    A value that is not a finite number is left empty, for instance the slip angle of a point mass.
    """
    cells = [_cells(channel, lap) for channel in CHANNELS]
    comma, end = (np.full((lap.s.size, 1), ord(mark), dtype=np.uint8) for mark in ",\n")
    parts = [part for column in cells for part in (column, comma)]
    table = np.hstack([*parts[:-1], end])
    return ",".join(COLUMNS) + "\n" + table[table > 0].tobytes().decode("ascii")


def write_trace(path: Path, lap: Lap) -> None:
    """Write ``target.csv`` or ``baseline.csv`` (see ``trace_text``)."""
    path.write_bytes(trace_text(lap).encode("ascii"))


def read_trace(path: Path) -> dict[str, NDArray[Any]]:
    """Read a trace file back: column name to array, in the units of the file.

    Numbers come as floats (an empty field as NaN), ``limiting_axle`` as words.

    Raises
    ------
    InputError
        When the file cannot be read, a column is missing or twice, a row is short or a field is not a number:
        every fault with line and column.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(Fault(f"cannot be read as text: {error}", file=str(path))) from None
    rows = list(csv.reader(text.splitlines()))
    if not rows:
        raise InputError(Fault("is empty: a trace begins with a line of column names", file=str(path)))
    header = [name.strip() for name in rows[0]]
    faults = _header_faults(header, path)
    if faults:
        raise InputError(faults)
    columns: dict[str, list[Any]] = {name: [] for name in COLUMNS}
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(header):
            message = f"has {len(row)} fields where the header names {len(header)}"
            faults.append(Fault(message, file=str(path), line=number))
            continue
        faults += _read_row(dict(zip(header, row, strict=True)), columns, path, number, header)
    if faults:
        raise InputError(faults)
    return {name: np.array(values) for name, values in columns.items()}


def _cells(channel: Channel, lap: Lap) -> NDArray[np.uint8]:
    """The characters of a column, (M, width); zeros stand for nothing and may lie anywhere between them."""
    values = channel.value(lap)
    if channel.decimals is None:
        return _spelled(values.tolist())
    scaled = np.rint(np.asarray(values, dtype=float) * 10.0**channel.decimals)
    finite = np.isfinite(scaled)
    most = float(np.max(np.abs(scaled), where=finite, initial=0.0))
    if most >= MANY_DIGITS:
        form = f"%.{channel.decimals}f"
        rounded = np.round(np.asarray(values, dtype=float), channel.decimals) + 0.0
        return _spelled([form % v if np.isfinite(v) else "" for v in rounded.tolist()])
    return _digits(np.where(finite, scaled, 0.0), channel.decimals, most) * finite[:, None]


def _spelled(words: list[str]) -> NDArray[np.uint8]:
    text = np.array(words, dtype="S")
    return text.view(np.uint8).reshape(text.size, -1)


def _digits(scaled: Array, decimals: int, most: float) -> NDArray[np.uint8]:
    """Sign, digits and point of whole numbers of the last decimal."""
    rest = np.abs(scaled).astype(np.int64)
    columns: list[NDArray[np.uint8]] = []
    for place in range(max(len(f"{most:.0f}"), decimals + 1)):
        if place == decimals and decimals > 0:
            columns.append(np.full(rest.size, ord("."), dtype=np.uint8))
        left = rest // 10
        digit = (rest - 10 * left + ord("0")).astype(np.uint8)
        columns.append(digit if place <= decimals else digit * (rest > 0))
        rest = left
    columns.append(np.where(scaled < 0.0, ord("-"), 0).astype(np.uint8))
    return np.stack(columns[::-1], axis=1)


def _header_faults(header: list[str], path: Path) -> list[Fault]:
    missing = [name for name in COLUMNS if name not in header]
    twice = sorted({name for name in header if header.count(name) > 1 and name in COLUMNS})
    messages = [f"column {name} is missing" for name in missing] + [
        f"column {name} is there twice" for name in twice
    ]
    return [Fault(message, file=str(path), line=1) for message in messages]


def _read_row(
    row: dict[str, str], columns: dict[str, list[Any]], path: Path, number: int, header: list[str]
) -> list[Fault]:
    faults = []
    for channel in CHANNELS:
        field = row[channel.name].strip()
        value: float | str
        if channel.decimals is None:
            value, fault = field, None if field in AXLES else f"{field!r} is not one of {', '.join(AXLES)}"
        else:
            value, fault = _number(field)
        if fault:
            place = header.index(channel.name) + 1
            faults.append(Fault(f"{channel.name} (field {place}): {fault}", file=str(path), line=number))
        columns[channel.name].append(value)
    return faults


def _number(field: str) -> tuple[float, str | None]:
    if not field:
        return float("nan"), None
    try:
        return float(field), None
    except ValueError:
        return float("nan"), f"{field!r} is not a number"
