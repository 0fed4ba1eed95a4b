"""What the pictures of a corner card share: which part of the road they show, the moments marked in them, room for text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from lapwright.corner.card import CornerCard
from lapwright.corner.reading import Place, Reading
from lapwright.outputs.figures.style import A4, INK, renderer

BEFORE, AFTER = 12.0, 18.0
"""Road shown before the entry and after full throttle, at the least [m]."""

MORE = 0.06
"""The same as a share of what lies between."""

_MARKER: dict[str, Any] = {"linestyle": "none", "markeredgecolor": INK, "clip_on": False, "zorder": 6}
_HOLLOW: dict[str, Any] = _MARKER | {"markerfacecolor": "white", "markeredgewidth": 1.4}
_FULL: dict[str, Any] = _MARKER | {"markerfacecolor": INK, "markeredgewidth": 1.0}

MARKERS: dict[str, dict[str, Any]] = {
    "lift": _HOLLOW | {"marker": "v", "markersize": 7},
    "brake on": _FULL | {"marker": "s", "markersize": 6.5},
    "turn-in": _HOLLOW | {"marker": "D", "markersize": 6},
    "brake off": _HOLLOW | {"marker": "s", "markersize": 6.5},
    "slowest": _HOLLOW | {"marker": "o", "markersize": 7.5, "markeredgewidth": 1.9},
    "clip": _FULL | {"marker": "X", "markersize": 7},
    "pick-up": _HOLLOW | {"marker": "^", "markersize": 7},
    "full throttle": _FULL | {"marker": "^", "markersize": 7},
}
"""A full sign for what is on, a hollow one for what is off or only begins; the shapes alone tell them apart."""


@dataclass(frozen=True)
class Mark:
    """A moment of the corner: its name, a key of ``MARKERS``, and where."""

    name: str
    place: Place


def marks_of(reading: Reading) -> list[Mark]:
    """The moments that happen, the most important first; the lift only where it is in place of braking."""
    braking = reading.braking
    wanted = [
        ("brake on", braking.on if braking else None),
        ("lift", None if braking else reading.lift),
        ("slowest", reading.slowest if own_slowest(reading) else None),
        ("turn-in", reading.turn_in),
        ("brake off", braking.off if braking else None),
        ("pick-up", reading.pick_up),
        ("full throttle", reading.full),
        ("clip", reading.clip),
    ]
    return [Mark(name, place) for name, place in wanted if place is not None]


def own_slowest(reading: Reading) -> bool:
    """Whether the corner has a slowest point of its own: False when the car only gathers or loses speed through it."""
    at = reading.slowest.at
    return min(abs(at - reading.start.at), abs(at - reading.end.at)) > 1e-6


def zero_of(reading: Reading) -> tuple[float, str]:
    """Where distances on a card are counted from [m], and what that is."""
    if own_slowest(reading):
        return reading.slowest.at, "the slowest point"
    return reading.start.at, "the start of the corner"


def view_of(card: CornerCard) -> tuple[float, float]:
    """The road that the pictures show [m]: from the entry to a little past full throttle."""
    reading, stretch = card.reading, card.stretch
    firsts = [stretch.entry] + ([reading.turn_in.at] if reading.turn_in else [])
    lasts = [reading.full.at if reading.full else stretch.fine_end]
    lasts += [mark.place.at for mark in marks_of(reading)]
    first, last = min(firsts), max(lasts)
    more = MORE * (last - first)
    return max(first - max(BEFORE, more), stretch.start), min(last + max(AFTER, more), stretch.end)


def panel(figure: Figure, left: float, bottom: float, width: float, height: float, title: str = "") -> Axes:
    """Axes at a place of an A4 page [inch], with a title above at the left."""
    axes = figure.add_axes((left / A4[0], bottom / A4[1], width / A4[0], height / A4[1]))
    axes.tick_params(labelsize=8.5)
    if title:
        heading(figure, left, bottom + height + 0.07, title)
    return axes


def heading(figure: Figure, left: float, bottom: float, title: str) -> None:
    """The title of a panel at a place of an A4 page [inch]."""
    figure.text(left / A4[0], bottom / A4[1], title, fontsize=10, fontweight="bold", va="bottom", gid="panel")


def wrapped(figure: Figure, text: str, room: float, lines: int, **style: Any) -> list[str]:
    """A text in lines no wider than ``room`` [inch]; what does not fit in ``lines`` of them is cut short with dots.

    ``style`` is what the text will be written with.
    """

    def fits(line: str) -> bool:
        made = figure.text(0, 0, line, **style)
        width = made.get_window_extent(renderer(figure)).width
        made.remove()
        return bool(width <= room * figure.dpi)

    if fits(text):
        return [text]
    found, words = [""], text.split()
    for i, word in enumerate(words):
        longer = f"{found[-1]} {word}".strip()
        if fits(longer) or not found[-1]:
            found[-1] = longer
        elif len(found) < lines:
            found.append(word)
        else:
            found[-1] = " ".join([found[-1], *words[i:]])
            break
    return [line if fits(line) else _cut(line, fits) for line in found]


def _cut(line: str, fits: Any) -> str:
    low, high = 0, len(line)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fits(line[:middle].rstrip("\\ ") + "...") else (low, middle)
    return line[:low].rstrip("\\ ") + "..."
