"""A log in rows and columns: the cells that are wanted, as numbers, with a fault for each that is none."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import Fault, InputError
from lapwright.inputs.log_bytes import LogBytes
from lapwright.inputs.log_clock import SHOWN, Array, clock_seconds, rising, without_repeats
from lapwright.inputs.log_layout import GAP_WORDS, PLAIN, SWITCH_WORDS, WORDS_OF, Layout, Words, cells_of

COMPASS = {**WORDS_OF["latitude"].signs, **WORDS_OF["longitude"].signs}
PIECES, PIECE = 48, 24_000
"""Pieces of a file that are looked at for a proposal, and bytes of each."""


@dataclass
class Columns:
    """Columns of a table.

    Attributes
    ----------
    t : (M,) [s] from the first, never falling; the times of one column's values rise strictly
    row : (M,) rows of the file they stand in
    line : (rows of the file,) line of each, from 1
    values : by number of the column (from 1), (M,) as written, NaN in gaps
    faults, notices : what is wrong, what was left out
    """

    t: Array
    row: NDArray[np.int64]
    line: NDArray[np.int64]
    values: dict[int, Array]
    faults: list[Fault] = field(default_factory=list)
    notices: list[Fault] = field(default_factory=list)


@dataclass(frozen=True)
class TimeColumn:
    """Where the time stands: number of the column, seconds in one of its unit, or ``clock``; or only a rate [Hz]."""

    column: int
    si: float = 1.0
    clock: bool = False
    rate: float = 0.0


def sample_cells(data: LogBytes, layout: Layout) -> list[list[str]]:
    """Rows from all over a table, as text: the first ones, and from pieces at even distances."""
    rows = []
    with data.open() as handle:
        span = data.size - layout.start
        for number in range(PIECES if span > PIECES * PIECE else 1):
            handle.seek((data.skip if data.recoded is None else 0) + layout.start + span * number // PIECES)
            piece = handle.read(PIECE if span > PIECES * PIECE else span).decode("utf-8", "replace")
            lines = piece.replace("\r\n", "\n").replace("\r", "\n").split("\n")
            rows += lines[1 if number else 0 : -1] if span > PIECES * PIECE else lines
    width = len(layout.titles)
    parted = (cells_of(line, layout.separator) for line in rows if line.strip())
    return [cells[:width] + [""] * (width - len(cells)) for cells in parted]


def cell_number(text: str, decimal: str) -> float:
    """A cell as a number; NaN for a gap and for what is none."""
    low = text.lower()
    if low in GAP_WORDS:
        return np.nan
    if low in SWITCH_WORDS:
        return SWITCH_WORDS[low]
    sign = COMPASS.get(low[-1:], 0.0)
    text = text[:-1].rstrip(" °") if sign else text
    try:
        return (sign or 1.0) * float(text.replace(",", ".") if decimal == "," else text)
    except ValueError:
        return np.nan


def read_columns(data: LogBytes, layout: Layout, time: TimeColumn, wanted: Mapping[int, Words]) -> Columns:
    """The wanted columns of a log.

    Parameters
    ----------
    data, layout
        The log.
    time
        Its time.
    wanted
        By the numbers of the columns, from 1: letters that may stand in them.

    Returns
    -------
    Columns
        With a fault, placed by line and column, for each cell that is no number (``SHOWN`` of a column, then how many more)
        and where the time runs backwards.
    """
    frame = _frame(data, layout, time, list(wanted))
    file = str(data.path)
    count = len(frame)
    line = np.arange(count, dtype=np.int64) + layout.first
    blank = np.asarray(frame.isna().all(axis=1)) if time.column == 0 else np.zeros(count, bool)
    columns = Columns(np.empty(0), np.empty(0, np.int64), line, {})
    frame = _leave_titles(frame, layout, columns, file)
    values = {}
    for column, words in wanted.items():
        values[column] = _numbers(frame[column - 1], column, words, layout, columns, file)
    _complain_of_long_rows(frame, layout, columns, file)
    if time.column:
        seconds = _seconds(frame[time.column - 1], time, layout, columns, file)
    else:
        seconds = np.where(blank, np.nan, (np.cumsum(~blank) - 1) / time.rate)
    del frame
    every = list(values.values())
    dense = ~np.isnan(max(every, key=lambda array: int(np.isfinite(array).sum())))
    times = rising(seconds, time.clock, _repeats(every, count), dense)
    columns.t, columns.row = times.t, times.row
    again: set[int] = set()
    for column, array in values.items():
        columns.values[column], which = without_repeats(times.t, array[times.row])
        again.update(which.tolist())
    _complain_of_time(times.back, time, columns, file)
    lost = np.isnan(seconds) & ~np.all([np.isnan(array) for array in values.values()], axis=0)
    if lost.any():
        first = int(line[np.flatnonzero(lost)[0]])
        message = f"{int(lost.sum())} rows without a time are left out"
        columns.notices.append(Fault(message, (), file, first, max(time.column, 1)))
    columns.notices += [Fault(text, (), file) for text in times.words]
    if again and not columns.faults:
        message = f"{len(again)} rows repeat channels at the time of a row above; the first values are kept"
        columns.notices.append(
            Fault(message, (), file, int(line[times.row[min(again)]]), max(time.column, 1))
        )
    return columns


class _Behind(io.RawIOBase):
    """A stream with some bytes put before it."""

    def __init__(self, before: bytes, stream: BinaryIO) -> None:
        self.before, self.stream = before, stream

    def readable(self) -> bool:
        """It can be read."""
        return True

    def readinto(self, buffer: Any) -> int:
        """The next bytes."""
        data = self.before or self.stream.read(len(buffer))
        self.before = b""
        buffer[: len(data)] = data
        return len(data)


def _frame(data: LogBytes, layout: Layout, time: TimeColumn, wanted: Sequence[int]) -> Any:
    """Cells of the wanted columns, and of the one behind the last, where nothing should stand."""
    import pandas as pd

    width = len(layout.titles)
    use = sorted({*(column - 1 for column in wanted), *([time.column - 1] if time.column else []), width})
    text: dict[Any, Any] = {time.column - 1: str} if time.clock else {}
    with data.open() as handle:
        handle.seek(layout.start, 1)
        try:
            # A first row of blanks tells the parser how many cells a row may have.
            blank = (layout.separator * width + "\n").encode()
            frame = pd.read_csv(
                io.BufferedReader(_Behind(blank, handle), 1 << 18),
                sep=layout.separator,
                header=None,
                names=list(range(width + 1)),
                usecols=use,
                dtype=text,
                decimal=layout.decimal,
                skip_blank_lines=False,
                skipinitialspace=True,
                keep_default_na=False,
                na_values=[""],
                quoting=csv.QUOTE_MINIMAL if layout.quoted else csv.QUOTE_NONE,
                encoding="utf-8",
                encoding_errors="replace",
                index_col=False,
            )
            return frame.iloc[1:]
        except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeError, ValueError) as error:
            raise InputError(
                Fault(f"the table cannot be read: {error}", (), str(data.path), layout.first)
            ) from error


def _texts(cells: Any) -> Any:
    return cells.astype(str).where(cells.notna(), "").str.strip().str.strip('"')


def _leave_titles(frame: Any, layout: Layout, columns: Columns, file: str) -> Any:
    """Rows that are the titles once more, made blank."""
    again = np.ones(len(frame), dtype=bool)
    for key in frame.columns[:-1]:
        if frame[key].dtype.kind in "fiub":
            return frame
        again &= np.asarray(_texts(frame[key]) == layout.titles[key].text)
        if not again.any():
            return frame
    message = f"the titles of line {layout.header} stand here again ({int(again.sum())} times in the table); left out"
    first = int(columns.line[np.flatnonzero(again)[0]])
    columns.notices.append(Fault(message, (), file, first, 1))
    frame = frame.copy()
    frame.loc[again] = np.nan
    return frame


def _numbers(cells: Any, column: int, known: Words, layout: Layout, columns: Columns, file: str) -> Array:
    """A column as floats, NaN in gaps; words for gaps are told, other words are faults."""
    import pandas as pd

    if cells.dtype.kind in "fiub":
        values = np.asarray(cells, dtype=float)
    else:
        texts = _texts(cells)
        for letter, sign in known.signs.items():
            # 122.5 W is -122.5.
            found = texts.str.fullmatch(rf"[0-9.,]+\s*°?\s*{letter}", case=False)
            moved = ("-" if sign < 0.0 else "") + texts[found].str[:-1].str.rstrip(" °")
            texts = texts.mask(found, moved)
        plain = texts.str.replace(",", ".", regex=False) if layout.decimal == "," else texts
        values = np.array(pd.to_numeric(plain, errors="coerce"), dtype=float)
        odd = np.flatnonzero(np.isnan(values) & np.asarray(texts != ""))
        words = texts.iloc[odd].str.lower()
        for word in words.unique():
            if word in known.numbers:
                values[odd[np.asarray(words == word)]] = known.numbers[word]
        bad = odd[~np.asarray(words.isin([*GAP_WORDS, *known.numbers]))]
        gaps = int(np.asarray(words.isin(list(GAP_WORDS))).sum())
        _complain_of_cells(bad, texts, column, layout, columns, file)
        if gaps:
            shown = ", ".join(
                sorted({str(word) for word in texts.iloc[odd] if str(word).lower() in GAP_WORDS})[:4]
            )
            title = layout.titles[column - 1].text
            columns.notices.append(
                Fault(
                    f"{title}: {gaps} cells hold {shown}; taken as gaps",
                    (),
                    file,
                    layout.header,
                    layout.titles[column - 1].place,
                )
            )
    return np.where(np.isfinite(values), values, np.nan)


def _complain_of_cells(
    bad: NDArray[np.int64], texts: Any, column: int, layout: Layout, columns: Columns, file: str
) -> None:
    title = layout.titles[column - 1].text
    for k in bad[:SHOWN]:
        message = (
            f"{title}: {str(texts.iloc[k])[:40]} is not a number (a gap is an empty cell, NaN, - or n/a)"
        )
        columns.faults.append(Fault(message, (), file, int(columns.line[k]), column))
    if bad.size > SHOWN:
        columns.faults.append(
            Fault(f"{title}: and {bad.size - SHOWN} more cells that are not numbers", (), file)
        )


def _complain_of_long_rows(frame: Any, layout: Layout, columns: Columns, file: str) -> None:
    width = len(layout.titles)
    cells = frame[width]
    if not cells.notna().any():
        return
    filled = np.flatnonzero(np.asarray(cells.notna() & (cells.astype(str).str.strip() != "")))
    for k in filled[:SHOWN]:
        message = f"this row has more cells than the {width} titles of line {layout.header}"
        if layout.separator == ",":
            message += "; with decimal commas the columns must be parted by semicolons or tabs"
        columns.faults.append(Fault(message, (), file, int(columns.line[k]), width + 1))
    if len(filled) > SHOWN:
        columns.faults.append(Fault(f"and {len(filled) - SHOWN} more rows with too many cells", (), file))


def _seconds(cells: Any, time: TimeColumn, layout: Layout, columns: Columns, file: str) -> Array:
    if not time.clock:
        return _numbers(cells, time.column, PLAIN, layout, columns, file) * time.si
    texts = cells.fillna("")
    values = clock_seconds(texts)
    odd = np.flatnonzero(np.isnan(values))
    bad = odd[~np.asarray(texts.iloc[odd].str.strip().str.lower().isin(list(GAP_WORDS)), dtype=bool)]
    title = layout.titles[time.column - 1].text
    for k in bad[:SHOWN]:
        message = f"{title}: {str(texts.iloc[k])[:40]} is not a time (1:02:03.45, 2:03.45, or a date with such a time)"
        columns.faults.append(Fault(message, (), file, int(columns.line[k]), time.column))
    if bad.size > SHOWN:
        columns.faults.append(
            Fault(f"{title}: and {bad.size - SHOWN} more cells that are not times", (), file)
        )
    return values


def _repeats(values: list[Array], count: int) -> NDArray[np.bool_]:
    """Rows that are the same as the one above in every wanted column."""
    same = np.ones(count, dtype=bool)
    for array in values:
        same[1:] &= (array[1:] == array[:-1]) | (np.isnan(array[1:]) & np.isnan(array[:-1]))
    same[:1] = False
    return same


def _complain_of_time(
    back: Sequence[tuple[int, float, float]], time: TimeColumn, columns: Columns, file: str
) -> None:
    for row, before, after in back[:SHOWN]:
        message = f"time runs backwards: {after:.3f} s after {before:.3f} s"
        message += "; a new log begins here: cut the file in two" if after < 0.5 * before or before - after > 10.0 else (
            "; sort the rows, or take another column for the time"
        )  # fmt: skip
        columns.faults.append(Fault(message, (), file, int(columns.line[row]), time.column))
    if len(back) > SHOWN:
        columns.faults.append(Fault(f"time runs backwards in {len(back) - SHOWN} more places", (), file))
