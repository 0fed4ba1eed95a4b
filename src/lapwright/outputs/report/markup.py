"""HTML and JSON out of plain text: whatever a file, a driver or a corner is called, it stays text."""

from __future__ import annotations

import html
import json
import unicodedata
from collections.abc import Sequence
from typing import Any

EMPTY = frozenset({"input", "meta", "br", "img"})
"""Elements without an end."""


class Markup(str):
    """Text that is HTML already; everything else is escaped when it is put into an element."""

    __slots__ = ()


def plain(value: Any) -> str:
    """A value as text without control characters; line ends of any kind become blanks."""
    text = str(value)
    return "".join(" " if c in "\t\n\r\u2028\u2029\x85" else c for c in text if _shown(c))


def _shown(c: str) -> bool:
    turns = (
        "\u202a" <= c <= "\u202e" or "\u2066" <= c <= "\u2069"
    )  # they would turn the text that follows round
    return not turns and (c in "\t\n\r\x85" or unicodedata.category(c) not in ("Cc", "Cs"))


def escaped(value: Any) -> Markup:
    """A value as HTML: markup stays as it is, anything else is escaped, also for use inside quotes."""
    if isinstance(value, Markup):
        return value
    return Markup(html.escape(plain(value), quote=True))


def tag(element: str, *children: Any, **attributes: Any) -> Markup:
    """An element.

    Parameters
    ----------
    element
        Its name.
    children
        Text (escaped) or markup; None is left out.
    attributes
        ``_`` in a name becomes ``-``, one at its end goes (``class_``). True stands for an attribute without value, None
        and False for none.
    """
    parts = [element]
    for name, value in attributes.items():
        if value is None or value is False:
            continue
        key = name.rstrip("_").replace("_", "-")
        parts.append(key if value is True else f'{key}="{escaped(value)}"')
    head = f"<{' '.join(parts)}>"
    if element in EMPTY:
        return Markup(head)
    return Markup(f"{head}{joined(children)}</{element}>")


def joined(children: Sequence[Any]) -> Markup:
    """Children one after another."""
    return Markup("".join(escaped(child) for child in children if child is not None))


def table(heads: Sequence[Any], rows: Sequence[Sequence[Any]], words: int = 1, **attributes: Any) -> Markup:
    """A table with its heads; the first ``words`` columns are text, the rest numbers set to the right.

    It lies in a frame of its own that can be moved sideways on a narrow screen.
    """
    side = ["word" if i < words else "number" for i in range(len(heads))]
    head = tag("tr", *(tag("th", h, scope="col", class_=c) for h, c in zip(heads, side, strict=True)))
    body = [tag("tr", *(tag("td", v, class_=c) for v, c in zip(row, side, strict=True))) for row in rows]
    return tag(
        "div",
        tag("table", tag("thead", head), tag("tbody", *body), **attributes),
        class_="frame",
        tabindex="0",
    )


def json_script(name: str, value: Any) -> Markup:
    """Data for the script of a page, in an element that no text in it can end.

    ``<``, ``>``, ``&`` and the two line separators of Unicode are written as JSON escapes (HTML Living Standard, section
    4.12.1.3, "Restrictions for contents of script elements").
    """
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for c in "<>&":
        text = text.replace(c, f"\\u{ord(c):04x}")
    return Markup(f'<script type="application/json" id="{escaped(name)}">{text}</script>')
