"""All varied numbers and the lap time side by side, a line for each case."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from lapwright.lap.lap import Array
from lapwright.outputs.figures.style import A3, INK, REFERENCE, shown, styled
from lapwright.outputs.figures.sweep_frame import (
    FASTEST,
    PLATE,
    absent_words,
    below_heading,
    best_words,
    current_value,
    current_words,
    headed,
    scale,
)
from lapwright.outputs.sweep_fit import importance
from lapwright.outputs.sweep_groups import Group, figure_of, the_group
from lapwright.study.cases import CaseResult, Study

MOST_AXES = 10
"""Varied numbers on a page at most; of more, those that matter most."""

CROWD = 40
"""More strong lines than this are drawn thinner."""

FAST_SHARE = 0.1
"""Share of the solved cases that is drawn strong."""

WIDE = 0.925
"""Width of the panel [share of the page]."""

LETTERS_PER_INCH = 10.0
"""Of the bold type of the names."""

LINE_HEIGHT = 0.21
"""Of a line of the names [inch]."""

FAINT: dict[str, Any] = {"color": "#9A9A9A", "linewidth": 0.8, "alpha": 0.35, "linestyle": "-", "zorder": 1}
STRONG: dict[str, Any] = {"color": REFERENCE, "linewidth": 1.7, "alpha": 0.9, "linestyle": "-", "zorder": 2}
CURRENT: dict[str, Any] = {"color": INK, "linewidth": 2.6, "linestyle": (0, (4.0, 1.6)), "zorder": 4}
BEST: dict[str, Any] = {"color": FASTEST, "linewidth": 4.6, "linestyle": "-", "zorder": 3}


@dataclass(frozen=True)
class Pole:
    """One upright scale.

    Attributes
    ----------
    label : with its unit
    heights : of the cases, 0 at its foot and 1 at its head, (M,); NaN where a case has no place on it
    ticks : height and words of each tick
    """

    label: str
    heights: Array
    ticks: tuple[tuple[float, str], ...]


@styled
def draw_parallel(study: Study, results: Sequence[CaseResult]) -> Figure:
    """Upright scales for every varied number and the lap time, a line through them for each solved case, on an A3 page.

    The fastest tenth is strong, the others faint; the current setup is dashed, the fastest case thick.

    Parameters
    ----------
    study, results
        Of one circuit and one car (``outputs.sweep_groups.only``).

    Raises
    ------
    ValueError
        For several circuits or cars, or when no case of the plan was solved.
    """
    group = the_group(study, results)
    if group.best is None or not (group.solved & group.planned).any():
        raise ValueError("no case of the plan was solved")
    chosen = chosen_axes(group)
    poles = [_pole(group, k) for k in chosen] + [_time_pole(group)]
    figure = headed(A3, study, group, "All cases at once", _note(group, chosen))
    room = WIDE * A3[0] / (len(poles) - 0.4)
    names = [broken(shown(pole.label), max(int(room * LETTERS_PER_INCH), 8)) for pole in poles]
    top = below_heading(figure) - (1 + max(name.count("\n") for name in names)) * LINE_HEIGHT / A3[1]
    axes = figure.add_axes((0.055, 0.135, WIDE, top - 0.135))
    axes.set_xlim(-0.35, len(poles) - 0.75)
    axes.set_ylim(-0.03, 1.03)
    axes.set_axis_off()
    handles = _draw_cases(axes, group, np.stack([pole.heights for pole in poles], axis=1))
    for place, (pole, name) in enumerate(zip(poles, names, strict=True)):
        _draw_pole(axes, place, pole, name, max(int(room * LETTERS_PER_INCH) - 2, 6))
    figure.legend(handles=handles, loc="lower center", bbox_to_anchor=(0.5, 0.072), frameon=False, ncols=len(handles),
                  borderpad=0.0, handlelength=3.2, columnspacing=2.0)  # fmt: skip
    return figure


def chosen_axes(group: Group) -> list[int]:
    """The axes that are drawn, in the order of the study."""
    every = list(range(len(group.axes)))
    if len(every) <= MOST_AXES:
        return every
    matter = importance(group)
    return sorted(sorted(every, key=lambda k: -matter[k])[:MOST_AXES])


def fastest_tenth(times: Array) -> list[int]:
    """Places of the fastest tenth of the solved cases, one at least, the fastest first."""
    order = [int(k) for k in np.argsort(times, kind="stable") if np.isfinite(times[k])]
    return order[: max(1, int(np.ceil(FAST_SHARE * len(order))))]


def _note(group: Group, chosen: Sequence[int]) -> str:
    missing = int((~group.solved).sum())
    parts = [f"Not drawn: {missing} case{'s' if missing > 1 else ''} without an answer."] if missing else []
    if len(chosen) < len(group.axes):
        left = [axis.label for k, axis in enumerate(group.axes) if k not in chosen]
        parts.append(f"Left out, because the lap time hangs on them least: {', '.join(left)}.")
    if group.current is not None and group.solved[group.current]:
        for k in chosen:
            value = current_value(group, k)
            span = scale(group.column(k)[group.planned], value) if not group.axes[k].words else (0.0, 0.0)
            if not group.axes[k].words and (value is None or not span[0] <= value <= span[1]):
                parts.append(absent_words(group, k))
    return " ".join(parts)


def _pole(group: Group, axis: int) -> Pole:
    label, column = group.axes[axis].label, group.column(axis)
    if group.axes[axis].words:
        words = [word for word in dict.fromkeys(column.tolist()) if word is not None]
        at = {
            word: 0.5 if len(words) == 1 else 0.04 + 0.92 * k / (len(words) - 1)
            for k, word in enumerate(words)
        }
        heights = np.array([np.nan if word is None else at[word] for word in column.tolist()])
        return Pole(label, heights, tuple((height, str(word)) for word, height in at.items()))
    planned = column[group.planned] if group.planned.any() else column
    return _numbers(label, column, *scale(planned, current_value(group, axis)))


def _time_pole(group: Group) -> Pole:
    """The current setup stays on this scale when it is the fastest, however far ahead."""
    times, current = group.times, group.current
    planned = times[group.planned] if current != group.best else times
    here = None if current is None or not group.solved[current] else float(times[current])
    return _numbers("Lap time [s]", times, *scale(planned, here))


def _numbers(label: str, column: Array, low: float, high: float) -> Pole:
    ticks = [t for t in MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high) if low <= t <= high]
    heights = (column - low) / (high - low)
    heights = np.where((heights >= 0.0) & (heights <= 1.0), heights, np.nan)
    return Pole(
        label, heights, tuple((float((t - low) / (high - low)), figure_of(float(t), 6)) for t in ticks)
    )


def _draw_cases(axes: Axes, group: Group, heights: Array) -> list[Line2D]:
    across = np.arange(heights.shape[1])
    fast, best, current = fastest_tenth(group.times), group.best, group.current
    strong = {**STRONG, "linewidth": 1.1} if len(fast) > CROWD else STRONG
    for k in np.flatnonzero(group.solved):
        if k not in (best, current):
            axes.plot(
                across, heights[k], gid="fast" if k in fast else "case", **(strong if k in fast else FAINT)
            )
    handles = [
        Line2D([], [], **{**FAINT, "alpha": 0.9}, label=f"solved case ({int(group.solved.sum())} in all)")
    ]
    if len(fast) > 1:
        handles.append(Line2D([], [], **strong, label=f"fastest tenth ({len(fast)})"))
    assert best is not None
    handles += axes.plot(across, heights[best], gid="best", label=shown(best_words(group)), **BEST)
    if current is not None and current != best and group.solved[current]:
        if np.isfinite(heights[current][:-1] + heights[current][1:]).any():
            line = axes.plot(
                across, heights[current], gid="current", label=shown(current_words(group)), **CURRENT
            )
            handles += line
        else:
            handles.append(
                Line2D([], [], linestyle="none", label=shown(f"not drawn: {current_words(group)}"))
            )
    return handles


def _draw_pole(axes: Axes, place: int, pole: Pole, name: str, letters: int) -> None:
    """A scale with its ticks at its left, of at most so many letters in a line, and its name above."""
    axes.plot([place, place], [0.0, 1.0], color=INK, linewidth=1.6, zorder=5, gid="pole")
    bold: Any = {"fontsize": 12, "fontweight": "bold", "ha": "center", "va": "bottom", "linespacing": 1.05}
    axes.text(place, 1.015, name, gid="pole name", **bold)
    for height, words in pole.ticks:
        axes.plot([place - 0.02, place], [height, height], color=INK, linewidth=1.4, zorder=5)
        text = broken(shown(words), letters)
        style: Any = {
            "fontsize": 11.5,
            "ha": "right",
            "va": "center",
            "bbox": PLATE,
            "zorder": 6,
            "linespacing": 1.0,
        }
        axes.text(place - 0.035, height, text, gid="tick", **style)


def broken(label: str, letters: int) -> str:
    """A label in lines of at most ``letters``, broken after spaces, dots and underscores, or where a word is too long."""
    pieces = [piece[k : k + letters] for piece in re.findall(r"[^\s._]*[\s._]?", label)
              for k in range(0, len(piece), letters)]  # fmt: skip
    lines = [""]
    for piece in pieces:
        if len((lines[-1] + piece).rstrip()) > letters and lines[-1]:
            lines.append("")
        lines[-1] += piece
    return "\n".join(line.strip() for line in lines)
