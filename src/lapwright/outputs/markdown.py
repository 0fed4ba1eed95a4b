"""Markdown that reads as plain text: wrapped paragraphs, lists of labels, tables with aligned columns."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

WIDTH = 110
"""Columns of a page read as plain text, tables aside."""

TIE = "\u00a0"
"""Stands for a space at which no line is broken; the written text has a space there."""


def tied(text: str) -> str:
    """Text whose numbers stay on one line with their units, so that none of them opens a line like an item of a list."""
    text = re.sub(r"(\d) (m|s|ms|km/h|g|bar|%|N|deg|deg/s)(?![\w/])", rf"\1{TIE}\2", text)
    return re.sub(r"\b([a-z]+) (?=[+-]?\d)", rf"\1{TIE}", text)


def lines_of(text: str, width: int = WIDTH, indent: str = "") -> list[str]:
    """Text in lines of ``width`` columns; all but the first begin with ``indent``."""
    lines = textwrap.wrap(
        tied(text), width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
    return [line.replace(TIE, " ") for line in lines]


def paragraph(text: str) -> str:
    """Text as a paragraph that begins with a capital."""
    return "\n".join(lines_of(text[:1].upper() + text[1:]))


def labelled(pairs: Sequence[tuple[str, str]]) -> str:
    """A list of labels, each with what it says."""
    return "\n".join("\n".join(lines_of(f"- **{label}**: {text}", indent="  ")) for label, text in pairs)


def table(head: Sequence[str], rows: Sequence[Sequence[str]], left: Sequence[int] = (0,)) -> str:
    """A table.

    Parameters
    ----------
    head, rows
        Cells; ``|`` in them escaped already.
    left
        Columns of words, which begin at the left; the others end at the right.
    """
    widths = [max(3, *(len(row[k]) for row in (head, *rows))) for k in range(len(head))]

    def line(cells: Sequence[str]) -> str:
        padded = (
            cell.ljust(width) if k in left else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(cells, widths, strict=True))
        )
        return f"| {' | '.join(padded)} |"

    rule = (f"{'-' * (width - 1)}{'-' if k in left else ':'}" for k, width in enumerate(widths))
    return "\n".join([line(head), f"| {' | '.join(rule)} |", *(line(row) for row in rows)])
