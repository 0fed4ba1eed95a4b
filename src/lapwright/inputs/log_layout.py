"""Where the titles, the units and the numbers of a table stand: found out, not asked for."""

from __future__ import annotations

import csv
import itertools
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field

from lapwright.errors import Fault, InputError
from lapwright.inputs.log_bytes import LogBytes, lines_of
from lapwright.inputs.log_names import guesses, split_title
from lapwright.inputs.log_units import is_unit

SEPARATORS: Mapping[str, str] = {"semicolon": ";", "tab": "\t", "comma": ","}
DEEPEST = 100
"""Lines in which the titles must come."""

GAP_WORDS = frozenset(
    (
        "",
        "nan",
        "-",
        "--",
        "n/a",
        "na",
        "n.a.",
        "#",
        "#n/a",
        "#na",
        "null",
        "none",
        "?",
        "*",
        "inf",
        "-inf",
        "+inf",
        "#####",
        "nul",
    )
)
"""Words in a column of numbers that mean: nothing measured (lower case)."""

SWITCH_WORDS = {"on": 1.0, "true": 1.0, "yes": 1.0, "off": 0.0, "false": 0.0, "no": 0.0}
GEAR_WORDS = {"n": 0.0, "r": -1.0}
"""Words in the columns of a switch and of a gear (lower case)."""


@dataclass(frozen=True)
class Words:
    """Letters in a column of numbers (lower case): words that are numbers, and letters behind one that give its sign."""

    numbers: Mapping[str, float] = field(default_factory=dict)
    signs: Mapping[str, float] = field(default_factory=dict)


PLAIN = Words()
WORDS_OF = {
    "brake": Words(SWITCH_WORDS),
    "gear": Words(GEAR_WORDS),
    "latitude": Words(signs={"n": 1.0, "s": -1.0}),
    "longitude": Words(signs={"e": 1.0, "w": -1.0}),
}
"""By channel; ``PLAIN`` for all others."""

_NUMBER = re.compile(r"[-+]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?")
_CLOCK = re.compile(
    r"(?=.*[0-9][:/.\-][0-9])[-+]?[0-9][0-9:./\-]*[T ]?[0-9:.,]*(?:Z|[-+][0-9]{2}:?[0-9]{2})?"
)
_COMMA = re.compile(r"[-+]?[0-9]*,[0-9]+(?:[eE][-+]?[0-9]+)?|[0-9]+:[0-9:]+,[0-9]+")
_POINT = re.compile(r"[-+]?[0-9]*\.[0-9]+(?:[eE][-+]?[0-9]+)?")
_DRIVER = re.compile(
    r"^(driver|driver name|drivername|fahrer|fahrername|pilote|pilota|piloto|conducteur|conductor)\s*[:=]?$",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Title:
    """Title of a column.

    Attributes
    ----------
    text : as it stands in the file, with its unit
    name, unit : parted; the unit from brackets or from the row of units, '' without one
    column : from 1
    place : column of the text in which it begins, from 1
    """

    text: str
    name: str
    unit: str
    column: int
    place: int


@dataclass(frozen=True)
class Layout:
    """A table.

    Attributes
    ----------
    separator, decimal : the characters
    header : line of the titles, from 1
    first : line of the first numbers, from 1; ``start``: its first byte
    titles : of all columns
    quoted : cells stand in quotes
    driver : from the preamble; '' when it does not say
    """

    separator: str
    decimal: str
    header: int
    first: int
    start: int
    titles: tuple[Title, ...]
    quoted: bool
    driver: str


def find_layout(data: LogBytes, separator: str = "", decimal: str = "", header: int = 0) -> Layout:
    """The layout of a log.

    Parameters
    ----------
    data
        The log.
    separator, decimal, header
        As told by a channel map; found when left out.

    Raises
    ------
    InputError
        No titles or no numbers in the first ``DEEPEST`` lines.
    """
    lines = lines_of(data.head)
    best: tuple[tuple[bool, int, int], str, list[list[str]], int, int | None] | None = None
    for mark in [separator] if separator else SEPARATORS.values():
        rows = [cells_of(line.rstrip("\r\n"), mark) for line in lines[: DEEPEST + 40]]
        # A preamble may hold rows of numbers too: the table is where known words stand above them.
        for first in _first_numbers(rows, header):
            top = header - 1 if header else _titles_row(rows, first)
            score = (top is not None, _known(rows[top]) if top is not None else 0, len(rows[first]))
            if best is None or score > best[0]:
                best = score, mark, rows, first, top
    if best is None:
        raise InputError(Fault(_nothing(header, separator), (), str(data.path), header or 1, 1))
    _, mark, rows, first, top = best
    if top is None:
        message = _no_titles(rows, first, mark)
        raise InputError(Fault(message, (), str(data.path), first + 1, 1))
    if header and _is_row(rows[top]):
        message = f"line {header} holds numbers, not titles; header_line is the line of the titles"
        raise InputError(Fault(message, (), str(data.path), header, 1))
    units = _units_row(rows, top, first)
    sample = rows[first : first + 40]
    width = max(len(rows[top]), max(len(row) for row in sample))
    return Layout(
        separator=mark,
        decimal=decimal or _decimal(sample),
        header=top + 1,
        first=first + 1,
        start=data.width("".join(lines[:first])),
        titles=_titles(lines[top], rows[top], units, width),
        quoted=any('"' in line for line in lines[first : first + 40]),
        driver=_driver(rows[:first]),
    )


def _decimal(rows: list[list[str]]) -> str:
    """The decimal sign that most numbers have; a few commas among points part thousands."""
    cells = [cell for row in rows for cell in row]
    commas, points = (sum(bool(form.fullmatch(cell)) for cell in cells) for form in (_COMMA, _POINT))
    return "," if commas > points else "."


def _nothing(header: int, separator: str) -> str:
    if header:
        return f"there are no rows of numbers under header_line {header}"
    parted = f"parted by {next(name for name, mark in SEPARATORS.items() if mark == separator)}s" if separator else (
        "parted by commas, semicolons or tabs"
    )  # fmt: skip
    return f"no table is found: no rows of numbers, {parted}, begin in the first {DEEPEST} lines"


def _no_titles(rows: list[list[str]], first: int, separator: str) -> str:
    narrow = [i for i in range(first) if len(rows[i]) > 1 and not _is_row(rows[i])]
    if narrow and len(rows[narrow[-1]]) > 0.4 * len(rows[first]):
        have, need = len(rows[narrow[-1]]), len(rows[first])
        message = f"the titles (line {narrow[-1] + 1}) have {have} cells, the numbers here {need}"
        if separator == ",":
            message += "; with decimal commas the columns must be parted by semicolons or tabs"
        return message
    return (
        f"there is no line of titles above the first numbers (line {first + 1}): write one, "
        "or say header_line in a channel map"
    )


def cells_of(line: str, separator: str) -> list[str]:
    """Cells of a line without blanks and quotes."""
    texts = line.split(separator)
    if '"' in line:
        with suppress(csv.Error):
            texts = next(csv.reader([line], delimiter=separator), [])
    return [text.strip() for text in texts]


def number_like(cell: str) -> bool:
    """Whether a cell may stand in a column of numbers: a number, a time, a date."""
    return bool(_NUMBER.fullmatch(cell) or _CLOCK.fullmatch(cell))


def _is_row(cells: list[str]) -> bool:
    filled = [cell for cell in cells if cell]
    counted = [cell for cell in filled if cell.lower() not in GAP_WORDS]
    good = sum(number_like(cell) or cell.lower() in SWITCH_WORDS for cell in counted)
    if len(cells) > 2 and all(cell.isdigit() for cell in cells) and _counts(cells):
        return False
    return len(cells) > 1 and good > 0 and good >= 0.5 * len(counted)


def _counts(cells: list[str]) -> bool:
    """Whether a row numbers the columns: 1, 2, 3 ..."""
    return all(int(after) - int(before) == 1 for before, after in itertools.pairwise(cells))


def _first_numbers(rows: list[list[str]], header: int) -> list[int]:
    """Rows with which at least three rows of numbers of one width begin (or all there are); the first one under a header."""
    filled = [i for i, row in enumerate(rows) if any(row) and i >= header]
    found: list[int] = []
    alike = False
    for place, i in enumerate(filled):
        if i > DEEPEST or (found and header):
            break
        following = filled[place : place + 3]
        before, alike = (
            alike,
            all(_is_row(rows[k]) and abs(len(rows[k]) - len(rows[i])) <= 1 for k in following)
            and (len(following) == 3 or place > 0 or header > 0),
        )
        same = (
            before
            and abs(len(rows[i]) - len(rows[filled[place - 1]])) <= 1
            and _is_row(rows[filled[place - 1]])
        )
        if alike and not same:
            found.append(i)
    return found


def _known(cells: list[str]) -> int:
    """Cells that may be titles of channels."""
    return sum(bool(cell and guesses(split_title(cell)[0])) for cell in cells)


def _titles_row(rows: list[list[str]], first: int) -> int | None:
    """The row of titles above the numbers: among those as wide as they are, the one with most known words."""
    width = len(rows[first])
    near = [i for i in range(max(0, first - 8), first) if len(rows[i]) >= width - 1 and any(rows[i])]
    near = [i for i in near if not _is_row(rows[i]) and not _is_units(rows[i]) and not rows[i][0].isdigit()]
    if not near:
        return None
    known = [_known(rows[i]) for i in near]
    most = max(known)
    if most == 0:
        return near[-1]
    return near[known.index(most)]


def _is_units(cells: list[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return bool(filled) and sum(is_unit(cell) for cell in filled) >= 0.6 * len(filled)


def _units_row(rows: list[list[str]], top: int, first: int) -> list[str]:
    return next((rows[i] for i in range(top + 1, first) if _is_units(rows[i])), [])


def _titles(line: str, cells: list[str], units: list[str], width: int) -> tuple[Title, ...]:
    titles, at = [], 0
    for index in range(width):
        text = cells[index] if index < len(cells) else ""
        found = line.find(text, at) if text else -1
        place = found + 1 if found >= 0 else 1
        at = found + len(text) if found >= 0 else at
        name, unit = split_title(text.lstrip("# "))
        below = units[index].strip("[](){} ") if index < len(units) else ""
        titles.append(Title(text, name, unit or below, index + 1, place))
    while titles and not titles[-1].text:
        titles.pop()
    return tuple(titles)


def _driver(rows: list[list[str]]) -> str:
    """The name behind the word driver in the preamble."""
    for row in rows:
        cells = [cell for cell in row if cell]
        if len(cells) == 1 and ":" in cells[0]:
            cells = [part.strip() for part in cells[0].lstrip("# ").split(":", 1)]
        if len(cells) == 2 and _DRIVER.fullmatch(cells[0].lstrip("#").strip()) and not number_like(cells[1]):
            return cells[1][:120]
    return ""
