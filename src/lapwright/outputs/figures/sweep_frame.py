"""What the figures of a sweep share: heading, key, the marks of the current setup, the fastest case and of no answer."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.transforms import BboxBase

from lapwright.lap.lap import Array
from lapwright.outputs.figures.labels import Label, place_labels
from lapwright.outputs.figures.style import (
    INK,
    MARGIN,
    SMALLEST,
    blank,
    fitted,
    renderer,
    shown,
    write_caution,
)
from lapwright.outputs.sweep_groups import Group, figure_of
from lapwright.outputs.words import lap_time
from lapwright.study.cases import Study

FASTEST = "#D55E00"
"""Of the fastest case: vermilion (Okabe & Ito, Color Universal Design, 2008), always a star or the thickest line."""

STAR: dict[str, Any] = {
    "marker": "*", "markersize": 20, "markerfacecolor": FASTEST, "markeredgecolor": "white",
    "markeredgewidth": 1.2, "linestyle": "none", "zorder": 8,
}  # fmt: skip
DIAMOND: dict[str, Any] = {
    "marker": "D", "markersize": 11, "markerfacecolor": "white", "markeredgecolor": INK,
    "markeredgewidth": 2.2, "linestyle": "none", "zorder": 7,
}  # fmt: skip
CROSS: dict[str, Any] = {
    "marker": "x", "markersize": 9, "markeredgecolor": INK, "markeredgewidth": 1.8, "linestyle": "none",
    "zorder": 6,
}  # fmt: skip

PLATE: dict[str, Any] = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5}
"""Behind a label that lies on lines or colours."""

MARK = 14.0
"""Half the size of a mark, with some room [pixels]."""

REACH = 1.2
"""The setup as it is widens a scale by at most so many ranges of the cases; farther away it is told in words."""

MANY = 150
"""More points than this are drawn small."""

LETTERS = 22
"""Letters in a line of the key at the right of a page."""

EDGE = 0.04
"""Free share of a range at both ends of a scale."""


def headed(size: tuple[float, float], study: Study, group: Group, what: str, note: str = "") -> Figure:
    """A page with circuit and car, the study, what the page shows and a note on how."""
    figure = blank(size)
    room = size[0] - 2 * MARGIN
    fitted(
        figure,
        shown(f"{group.circuit}   {group.car}"),
        0.26,
        room,
        fontsize=20,
        fontweight="bold",
        gid="title",
    )
    fitted(figure, shown(f"{what}   ({study.name})"), 0.66, room, fontsize=14, gid="subtitle")
    lines = textwrap.wrap(note, int(room * 11.5))
    if lines:
        figure.text(
            MARGIN / size[0], 1 - 0.98 / size[1], "\n".join(shown(line) for line in lines), va="top",
            fontsize=SMALLEST, color="#444444", gid="note",
        )  # fmt: skip
    write_caution(figure)
    return figure


def below_heading(figure: Figure) -> float:
    """How high a panel may reach under the heading of a page [share of its height]."""
    heading = [text for text in figure.texts if text.get_gid() in ("subtitle", "note")]
    foot = min(float(text.get_window_extent(renderer(figure)).y0) for text in heading)
    return foot / float(figure.bbox.height) - 0.25 / float(figure.get_size_inches()[1])


def scale(values: Array, current: float | None) -> tuple[float, float]:
    """From where to where a scale runs: the cases, and the current setup when it is not too far off."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    span = high - low or max(abs(low), 1.0) * 0.1
    if current is not None and low - REACH * span <= current <= high + REACH * span:
        low, high = min(low, current), max(high, current)
    span = high - low or span
    return low - EDGE * span, high + EDGE * span


def current_value(group: Group, axis: int) -> float | None:
    """Value of a number in the setup as it is; None when the file does not say, or there is no such case."""
    place = group.current
    value = None if place is None else group.cases[place].values[axis]
    return value if isinstance(value, (int, float)) else None


def best_words(group: Group) -> str:
    """The fastest case with its time, for a key."""
    place = group.best
    assert place is not None
    number = group.cases[place].number
    return f"fastest: {f'case {number}' if number else 'the current setup'}, {lap_time(float(group.times[place]))}"


def current_words(group: Group) -> str:
    """The current setup with its time, for a key."""
    place = group.current
    if place is None:
        return "no current setup"
    solved = bool(group.solved[place])
    return f"current setup, {lap_time(float(group.times[place])) if solved else 'not solved'}"


def mark_setups(
    figure: Figure,
    axes: Axes,
    group: Group,
    at: Sequence[tuple[float, float] | None],
    road: Array,
    boxes: Sequence[BboxBase] = (),
) -> list[Line2D]:
    """Mark the fastest case and the current setup with star and diamond, each with its name beside it.

    Parameters
    ----------
    figure, axes
        The limits of the axes must be final.
    group
        Whose setups.
    at
        Place of the fastest case and of the current setup in the axes' data; None for what is not drawn.
    road
        (K, 2) points that no name should cover.
    boxes
        Words that no name should cover [pixels].

    Returns
    -------
    list of Line2D
        For the key.
    """
    same = group.best == group.current
    handles: list[Line2D] = []
    labels: list[Label] = []
    style: dict[str, Any] = {"fontsize": 13, "fontweight": "bold", "bbox": PLATE, "zorder": 9}
    for place, look, name, said, away in (
        (at[0], STAR, "current and fastest" if same else "fastest", best_words(group), -0.5 * np.pi),
        (None if same else at[1], DIAMOND, "current", current_words(group), 0.5 * np.pi),
    ):
        if place is None:
            continue
        handles += axes.plot(*place, **look, label="\n".join(textwrap.wrap(shown(said), LETTERS)))
        labels.append(Label(name, *place, away=away, gid="setup", style=style))
    marked = np.array([(label.x, label.y) for label in labels]).reshape(-1, 2)
    place_labels(figure, axes, labels, np.vstack([road, _around(axes, marked)]), boxes)
    return handles


def _around(axes: Axes, marks: Array, reach: float = MARK) -> Array:
    """Points over the marks themselves, so that no name covers one: ``reach`` pixels to each side."""
    if not len(marks):
        return np.empty((0, 2))
    side = np.arange(-reach, reach + 1.0, 2.0)
    cells = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    pixels = axes.transData.transform(marks)[:, None, :] + cells[None, :, :]
    return np.asarray(axes.transData.inverted().transform(pixels.reshape(-1, 2)))


def dense(axes: Axes, x: Array, y: Array, step: float = 2.0) -> Array:
    """Points along a line of the axes, at most ``step`` pixels apart, (K, 2) in its data."""
    known = np.isfinite(x) & np.isfinite(y)
    pixels = axes.transData.transform(np.stack([x[known], y[known]], axis=1))
    if len(pixels) < 2:
        return np.stack([x[known], y[known]], axis=1)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(pixels, axis=0).T))])
    at = np.linspace(0.0, along[-1], int(along[-1] / step) + 2)
    points = np.stack([np.interp(at, along, pixels[:, k]) for k in (0, 1)], axis=1)
    return np.asarray(axes.transData.inverted().transform(points))


def absent_words(group: Group, axis: int) -> str:
    """Where the current setup is when its value cannot be drawn."""
    value = current_value(group, axis)
    label = group.axes[axis].label
    if value is None:
        return f"The file of the current setup does not give {label}."
    return f"The current setup has {label} {figure_of(value)}, outside this scale."
