"""Lap time over one varied number."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from lapwright.lap.lap import Array
from lapwright.outputs.figures.style import A4, BASELINE, INK, REFERENCE, shown, styled
from lapwright.outputs.figures.sweep_frame import (
    CROSS,
    LETTERS,
    absent_words,
    below_heading,
    current_value,
    dense,
    headed,
    mark_setups,
    scale,
)
from lapwright.outputs.sweep_fit import parabola
from lapwright.outputs.sweep_groups import Group, figure_of, the_group
from lapwright.study.cases import CaseResult, Study

MOST_LINES = 6
"""More lines than this are drawn as points with their lower edge."""

BINS = 12
"""Slices of a range in which the fastest case makes the lower edge."""

SERIES: tuple[tuple[str, tuple[float, ...], str], ...] = (
    (REFERENCE, (), "o"),
    ("#E69F00", (4.0, 1.6), "s"),
    ("#009E73", (5.0, 1.4, 1.2, 1.4), "^"),
    ("#CC79A7", (1.3, 1.3), "v"),
    ("#56B4E9", (8.0, 1.6), "P"),
    (INK, (5.0, 1.3, 1.2, 1.3, 1.2, 1.3), "X"),
)
"""Colour, stroke and marker of the lines (Okabe & Ito, Color Universal Design, 2008)."""


@dataclass(frozen=True)
class Series:
    """Cases that differ in the drawn number alone: what holds for all of them in words, their places by that number."""

    words: str
    places: tuple[int, ...]


@styled
def draw_lines(study: Study, results: Sequence[CaseResult], axis_index: int) -> Figure:
    """Lap time over one number, on an A4 page.

    A line for each combination of the other numbers when there are few of them; else a point for each case, the lower
    edge of the cloud and the least-squares parabola through it. Cases without an answer are crosses on the bottom edge.

    Parameters
    ----------
    study, results
        Of one circuit and one car (``outputs.sweep_groups.only``).
    axis_index
        Which number.

    Raises
    ------
    ValueError
        For an axis of words, several circuits or cars, or when no case of the plan was solved.
    """
    group = the_group(study, results)
    axis = group.axes[axis_index]
    if axis.words:
        raise ValueError(f"{axis.name} is words: there is no line over it")
    if group.best is None or not (group.solved & group.planned).any():
        raise ValueError("no case of the plan was solved")
    series = series_of(group, axis_index, study.plan)
    drawn = [k for one in series for k in one.places] or list(range(len(group.cases)))
    x, times = group.column(axis_index), group.times
    current = current_value(group, axis_index)
    planned = [k for k in drawn if group.planned[k]]
    low, high = scale(x[planned], current)
    outside = current is None or not low <= current <= high
    note = _note(study, series, len(set(planned)), int(group.planned.sum()))
    note += f" {absent_words(group, axis_index)}" if outside and group.current is not None else ""
    figure = headed(A4, study, group, f"Lap time over {axis.label}", note)
    axes = figure.add_axes((0.095, 0.17, 0.585, below_heading(figure) - 0.17))
    axes.set_xlim(low, high)
    at = [_place(group, place, x, (low, high)) for place in (group.best, group.current)]
    seen = [float(times[k]) for k in drawn if low <= x[k] <= high] + [place[1] for place in at if place]
    _set_times(axes, np.array(seen), float(times[group.best]))
    axes.set_xlabel(shown(axis.label))
    handles, road = (
        _draw_series(axes, group, axis_index, series) if series else _draw_cloud(axes, group, axis_index)
    )
    missing = [k for k in planned if not group.solved[k]]
    if missing:
        label = f"no answer ({len(missing)})"
        where = axes.get_xaxis_transform()
        handles += axes.plot(x[missing], np.full(len(missing), 0.025), transform=where, label=label, **CROSS)
    handles += mark_setups(figure, axes, group, at, road)
    key: Any = {"loc": "upper left", "bbox_to_anchor": (0.765, axes.get_position().y1), "frameon": False}
    figure.legend(handles=handles, borderaxespad=0.0, handlelength=2.8, labelspacing=0.75, **key)
    return figure


def _place(
    group: Group, place: int | None, x: Array, span: tuple[float, float]
) -> tuple[float, float] | None:
    if place is None or not group.solved[place] or not span[0] <= x[place] <= span[1]:
        return None
    return float(x[place]), float(group.times[place])


def series_of(group: Group, axis: int, plan: str) -> list[Series]:
    """The lines to be drawn over an axis; empty when there would be too many or they would be points.

    The setup as it is belongs to the line whose other numbers it has.
    """
    x = group.column(axis)
    if plan == "side by side":
        places = [k for k in range(len(group.cases)) if group.planned[k]]
        return (
            [Series("all numbers together", tuple(sorted(places, key=lambda k: x[k])))]
            if _apart(x[places])
            else []
        )
    others = [k for k in range(len(group.axes)) if k != axis]
    found: dict[tuple[Any, ...], list[int]] = {}
    for place, case in enumerate(group.cases):
        found.setdefault(tuple(_rounded(case.values[k]) for k in others), []).append(place)
    lines = {key: places for key, places in found.items()
             if np.unique(x[[k for k in places if group.planned[k]]]).size > 1}  # fmt: skip
    covered = {k for places in lines.values() for k in places}
    rest = [k for k in range(len(group.cases)) if k not in covered and group.planned[k]]
    if not lines or len(lines) > MOST_LINES or (rest and plan != "one at a time"):
        return []
    told = [n for n in range(len(others)) if len({key[n] for key in lines}) > 1]
    made = []
    for key, places in lines.items():
        words = ", ".join(f"{group.axes[others[n]].label} {figure_of(key[n])}" for n in told)
        known = [k for k in places if np.isfinite(x[k])]
        made.append(Series(words, tuple(sorted(known, key=lambda k: (x[k], group.cases[k].number)))))
    return made


def _apart(x: Array) -> bool:
    return bool(x.size > 1 and np.isfinite(x).all() and np.unique(x).size == x.size)


def _rounded(value: float | str | None) -> float | str | None:
    """Numbers that differ by the dust of binary numbers are one."""
    return float(f"{value:.12g}") if isinstance(value, (int, float)) else value


def _note(study: Study, series: Sequence[Series], drawn: int, planned: int) -> str:
    if not series:
        return (
            "Every point is a case; the others differ too. The lower edge is the fastest case of each slice."
        )
    if study.plan == "side by side" and len(study.axes) > 1:
        return "The other numbers of the study change together with this one."
    if drawn < planned:
        return "The other numbers are as they are; cases that vary another number are left out."
    return ""


def _set_times(axes: Axes, times: Array, best: float) -> None:
    """Scale of the lap time at the left, seconds from the fastest at the right; room for the crosses below."""
    known = times[np.isfinite(times)]
    low, high = float(known.min()), float(known.max())
    span = max(high - low, 0.01)
    axes.set_ylim(low - 0.16 * span, high + 0.1 * span)
    axes.set_ylabel("Lap time [s]")
    axes.ticklabel_format(axis="y", useOffset=False, style="plain")
    axes.ticklabel_format(axis="x", useOffset=False, style="plain")
    axes.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]))
    axes.grid(True)
    ways: Any = (lambda t: t - best, lambda d: d + best)
    behind = axes.secondary_yaxis("right", functions=ways)
    behind.set_ylabel("Behind the fastest [s]")
    behind.yaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]))
    behind.spines["right"].set_visible(True)


def _draw_series(axes: Axes, group: Group, axis: int, series: Sequence[Series]) -> tuple[list[Line2D], Array]:
    x, times = group.column(axis), group.times
    handles: list[Line2D] = []
    road = [np.empty((0, 2))]
    for one, (colour, dash, marker) in zip(series, SERIES, strict=False):
        places = list(one.places)
        style: Any = (0, dash) if dash else "-"
        words = "\n".join(textwrap.wrap(shown(one.words or "lap time"), LETTERS))
        # A case without an answer is NaN and breaks the line there: nothing is drawn across it.
        handles += axes.plot(x[places], times[places], color=colour, linestyle=style, linewidth=2.2, marker=marker,
                             markersize=7, label=words, zorder=3)  # fmt: skip
        road.append(dense(axes, x[places], times[places]))
    return handles, np.vstack(road)


def _draw_cloud(axes: Axes, group: Group, axis: int) -> tuple[list[Line2D], Array]:
    use = group.solved & group.planned & np.isfinite(group.column(axis))
    x, times = group.column(axis)[use], group.times[use]
    style: Any = {"color": "#56B4E9", "marker": "o", "markersize": 6, "linestyle": "none", "alpha": 0.75}
    handles = axes.plot(x, times, label=f"solved case ({x.size})", zorder=2, **style)
    edge_x, edge = lower_edge(x, times)
    handles += axes.plot(edge_x, edge, color=REFERENCE, linewidth=2.4, label="lower edge", zorder=4)
    road = [np.stack([x, times], axis=1), dense(axes, edge_x, edge)]
    if edge_x.size > 3:
        a, b, c = parabola(edge_x, edge)
        at = np.linspace(edge_x[0], edge_x[-1], 101)
        curve = a * at**2 + b * at + c
        words = "parabola through it"
        if a > 0.0 and edge_x[0] < -0.5 * b / a < edge_x[-1]:
            words += f", least at {figure_of(-0.5 * b / a, 3)}"
        words = "\n".join(textwrap.wrap(words, LETTERS))
        look: Any = {"color": BASELINE, "linestyle": (0, (4.0, 1.6)), "linewidth": 2.4}
        handles += axes.plot(at, curve, label=words, zorder=3, **look)
        road.append(dense(axes, at, curve))
    return handles, np.vstack(road)


def lower_edge(x: Array, times: Array) -> tuple[Array, Array]:
    """The fastest case at each value when these are few, else of each of ``BINS`` equal slices of the range, by ``x``."""
    values = np.unique(x)
    slices = np.searchsorted(values, x)
    if values.size > BINS:
        slices = np.minimum((BINS * (x - values[0]) / (values[-1] - values[0])).astype(int), BINS - 1)
    chosen = [int(np.flatnonzero(slices == k)[np.argmin(times[slices == k])]) for k in np.unique(slices)]
    order = sorted(chosen, key=lambda k: float(x[k]))
    return x[order], times[order]
