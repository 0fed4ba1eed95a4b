"""Lap time over two varied numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patheffects import AbstractPathEffect, withStroke
from matplotlib.text import Text
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import Bbox
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.spatial import ConvexHull, Delaunay, QhullError

from lapwright.lap.lap import Array
from lapwright.outputs.figures.style import A4, INK, renderer, shown, styled
from lapwright.outputs.figures.sweep_frame import (
    CROSS,
    MANY,
    MARK,
    absent_words,
    below_heading,
    current_value,
    headed,
    mark_setups,
    scale,
)
from lapwright.outputs.sweep_fit import UNCERTAIN, surface, terms_of
from lapwright.outputs.sweep_groups import Group, figure_of, the_group
from lapwright.study.cases import CaseResult, Study

COLOURS = "cividis_r"
"""Even in lightness and alike for all kinds of colour vision (Nunez, Anderton & Renslow, PLoS ONE 13 (2018) e0199239);
reversed, so that fast is light."""

SMOOTHING = 1e-4
"""Of the thin plate: weight of its bending against the squared misfit, on axes scaled to 0..1."""

FEWEST = 6
"""Solved cases for a surface, at least: so many unknowns has a quadratic in two numbers."""

FINE = 161
"""Points along each side at which a smooth surface is drawn."""

OTHERS = " The points are cases with other numbers of their own."

BANDS = 9
"""Bands of colour at most."""


@dataclass(frozen=True)
class Sheet:
    """A surface to be drawn: places along both axes, seconds behind the fastest (len(y), len(x)), how it was made."""

    x: Array
    y: Array
    behind: Array
    how: str


@styled
def draw_contour(study: Study, results: Sequence[CaseResult], i: int, j: int) -> Figure:
    """Lap time over two numbers, as seconds behind the fastest case, on an A4 page.

    A grid is drawn as it is, straight between its points, with a gap where a case has no answer; of further numbers the
    fastest at each point. Scattered cases get a smooth surface inside their hull: a thin plate when nothing else varies,
    else a least-squares quadratic with the other numbers as in the fastest case. The page says which.

    Parameters
    ----------
    study, results
        Of one circuit and one car (``outputs.sweep_groups.only``).
    i, j
        Which numbers: across and up.

    Raises
    ------
    ValueError
        For axes of words, several circuits or cars, or when the solved cases decide no surface.
    """
    group = the_group(study, results)
    sheet = sheet_of(group, i, j, study.plan)
    x, y = group.column(i), group.column(j)
    now = current_value(group, i), current_value(group, j)
    across, up = scale(x[group.planned], now[0]), scale(y[group.planned], now[1])
    note = sheet.how
    for axis, value, span in ((i, now[0], across), (j, now[1], up)):
        if group.current is not None and (value is None or not span[0] <= value <= span[1]):
            note += f" {absent_words(group, axis)}"
    what = f"Lap time over {group.axes[i].label} and {group.axes[j].label}"
    figure = headed(A4, study, group, what, note)
    high = below_heading(figure) - 0.215
    axes = figure.add_axes((0.095, 0.215, 0.735, high))
    axes.set_xlim(*across)
    axes.set_ylim(*up)
    bar = figure.add_axes((0.86, 0.215, 0.022, high))
    at = [_place(group, place, x, y, across, up) for place in (group.best, group.current)]
    words = _draw_sheet(figure, axes, bar, sheet, [place for place in at if place])
    for one, axis, label in ((axes.xaxis, i, axes.set_xlabel), (axes.yaxis, j, axes.set_ylabel)):
        label(shown(group.axes[axis].label))
        one.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
    axes.ticklabel_format(useOffset=False, style="plain")
    handles = _draw_cases(axes, group, x, y)
    boxes = [word.get_window_extent(renderer(figure)) for word in words]
    handles += mark_setups(figure, axes, group, at, np.empty((0, 2)), boxes)
    _key(figure, handles)
    return figure


def _place(
    group: Group, place: int | None, x: Array, y: Array, across: tuple[float, float], up: tuple[float, float]
) -> tuple[float, float] | None:
    """Where a setup is drawn; the current one also without an answer, for here its place is what is asked."""
    if place is None or not (across[0] <= x[place] <= across[1] and up[0] <= y[place] <= up[1]):
        return None
    return float(x[place]), float(y[place])


def sheet_of(group: Group, i: int, j: int, plan: str) -> Sheet:
    """The surface over two numbers; see ``draw_contour``.

    Raises
    ------
    ValueError
        When there is none.
    """
    for axis in (i, j):
        if group.axes[axis].words:
            raise ValueError(f"{group.axes[axis].name} is words: there is no surface over it")
    use = group.solved & group.planned
    x, y, best = group.column(i)[use], group.column(j)[use], group.best
    if best is None or x.size < 4 or not _spread(x, y):
        raise ValueError("the solved cases do not span an area")
    behind = group.times[use] - group.times[best]
    if plan == "grid":
        return _grid_sheet(group, i, j, x, y, behind)
    if plan != "hypercube":
        raise ValueError(f"a study '{plan}' has no cases between its lines: there is no surface")
    if x.size < FEWEST:
        raise ValueError(f"{x.size} solved cases are too few for a surface: {FEWEST} are wanted")
    at = np.linspace(x.min(), x.max(), FINE), np.linspace(y.min(), y.max(), FINE)
    mesh = np.stack([part.ravel() for part in np.meshgrid(*at)], axis=1)
    alone = all(
        k in (i, j) or np.unique(group.column(k)[use].astype(str)).size == 1 for k in range(len(group.axes))
    )
    values, how = _plate(x, y, behind, mesh) if alone else _quadratic(group, i, j, mesh)
    inside = Delaunay(np.stack([x, y], axis=1)).find_simplex(mesh) >= 0
    values = np.where(inside, values, np.nan)
    least = int(np.nanargmin(values))
    against = (
        f"{abs(values[least]):.3f} s {'quicker' if values[least] < 0.0 else 'slower'} than the fastest case"
    )
    how += f" Its least is {against}, at {figure_of(mesh[least, 0], 3)} and {figure_of(mesh[least, 1], 3)}."
    return Sheet(*at, values.reshape(FINE, FINE), how + ("" if alone else OTHERS))


def _spread(x: Array, y: Array) -> bool:
    """Whether points span an area."""
    if np.ptp(x) == 0.0 or np.ptp(y) == 0.0:
        return False
    unit = np.stack([(x - x.min()) / np.ptp(x), (y - y.min()) / np.ptp(y)], axis=1)
    try:
        return float(ConvexHull(unit).volume) > 1e-3
    except QhullError:
        return False


def _grid_sheet(group: Group, i: int, j: int, x: Array, y: Array, behind: Array) -> Sheet:
    across, up = np.unique(x), np.unique(y)
    least = np.full((up.size, across.size), np.inf)
    np.minimum.at(least, (np.searchsorted(up, y), np.searchsorted(across, x)), behind)
    others = [k for k in range(len(group.axes)) if k not in (i, j)]
    varied = [k for k in others if np.unique(group.column(k)[group.planned].astype(str)).size > 1]
    how = "Straight between the points of the grid; blank beside a point without an answer."
    if varied:
        how = f"At each point the fastest over {', '.join(group.axes[k].label for k in varied)}. {how}"
    return Sheet(across, up, np.where(np.isfinite(least), least, np.nan), how)


def _plate(x: Array, y: Array, behind: Array, mesh: Array) -> tuple[Array, str]:
    """A thin plate that bends a little rather than follow every point (scipy.interpolate.RBFInterpolator)."""
    points = np.stack([x, y], axis=1)
    low, span = points.min(axis=0), np.ptp(points, axis=0)
    unit = (points - low) / span
    plate = RBFInterpolator(unit, behind, kernel="thin_plate_spline", smoothing=SMOOTHING)
    misfit = float(np.sqrt(np.mean((plate(unit) - behind) ** 2)))
    how = f"Thin plate, a little smoothed, through {x.size} solved cases, misfit {misfit:.4f} s (rms)."
    return np.asarray(plate((mesh - low) / span)), how


def _quadratic(group: Group, i: int, j: int, mesh: Array) -> tuple[Array, str]:
    """The fullest least-squares quadratic that the cases decide, cut at the other numbers of the fastest case."""
    numbers = [k for k, axis in enumerate(group.axes) if not axis.words]
    every, words = list(combinations(numbers, 2)), "with the products of all numbers"
    found = surface(group, terms_of(group, 2, every))
    if isinstance(found, str):
        found, words = surface(group, terms_of(group, 2, [(i, j)])), "with the product of these two"
    if isinstance(found, str):
        raise ValueError(found)
    best = group.best
    assert best is not None
    columns: list[NDArray[Any]] = [np.full(len(mesh), group.column(k)[best]) for k in range(len(group.axes))]
    columns[i], columns[j] = mesh[:, 0], mesh[:, 1]
    how = (
        f"Least-squares quadratic {words} through {found.cases} solved cases, misfit {found.misfit:.4f} s (rms), "
        "the others as in the fastest case."
    )
    if found.r_squared < UNCERTAIN:
        how += f" It explains only {100.0 * found.r_squared:.0f} % of the differences."
    return found.at(columns) - float(group.times[best]), how


def _draw_sheet(
    figure: Figure, axes: Axes, bar: Axes, sheet: Sheet, marks: Sequence[tuple[float, float]]
) -> list[Text]:
    """Bands, lines with their seconds and the bar; the seconds keep clear of the marks."""
    shown_of = np.ma.masked_invalid(sheet.behind)
    levels = _levels(float(shown_of.min()), float(shown_of.max()))
    places = max(2, int(np.ceil(-np.log10(levels[1] - levels[0]) - 1e-9)))
    bands = axes.contourf(sheet.x, sheet.y, shown_of, levels=levels, cmap=COLOURS, zorder=1)
    lines = axes.contour(sheet.x, sheet.y, shown_of, levels=levels, colors=INK, linewidths=0.9, zorder=2)
    words = _label_lines(figure, axes, lines, places, marks)
    figure.colorbar(bands, cax=bar, format=f"%.{places}f")
    bar.set_ylabel("Behind the fastest case [s]")
    return words


def _label_lines(
    figure: Figure, axes: Axes, lines: Any, places: int, marks: Sequence[tuple[float, float]]
) -> list[Text]:
    """Seconds on the lines; none that leaves the panel or covers another or a mark."""
    halo: list[AbstractPathEffect] = [withStroke(linewidth=3, foreground="white")]
    panel = axes.get_window_extent(renderer(figure))
    taken = [Bbox([at - MARK, at + MARK]) for at in map(axes.transData.transform, marks)]
    kept: list[Text] = []
    for word in axes.clabel(lines, fmt=lambda value: f"{value + 0.0:.{places}f}", fontsize=12, inline=True):
        box = word.get_window_extent(renderer(figure))
        leaves = box.x0 < panel.x0 or box.x1 > panel.x1 or box.y0 < panel.y0 or box.y1 > panel.y1
        if leaves or any(box.overlaps(other) for other in taken):
            word.remove()
            continue
        word.set_path_effects(halo)
        word.set_gid("level")
        word.set_zorder(5)
        kept.append(word)
        taken.append(Bbox(box))
    return kept


def _levels(low: float, high: float) -> Array:
    """Round seconds from below the least to above the greatest; a flat surface gets a millisecond."""
    middle, span = 0.5 * (low + high), max(high - low, 1e-3)
    return np.asarray(
        MaxNLocator(BANDS, steps=[1, 2, 5, 10]).tick_values(middle - 0.5 * span, middle + 0.5 * span)
    )


def _draw_cases(axes: Axes, group: Group, x: Array, y: Array) -> list[Line2D]:
    good, bad = group.solved & group.planned, ~group.solved & group.planned
    dot: dict[str, Any] = {"marker": "o", "markersize": 5.5, "markerfacecolor": "white", "markeredgecolor": INK,
                           "linestyle": "none", "zorder": 4}  # fmt: skip
    if good.sum() > MANY:
        dot |= {"markersize": 2.6, "markerfacecolor": INK, "markeredgewidth": 0.0, "alpha": 0.6}
    handles = axes.plot(x[good], y[good], label=f"solved case ({int(good.sum())})", **dot)
    if bad.any():
        halo = [withStroke(linewidth=4.5, foreground="white")]
        handles += axes.plot(
            x[bad], y[bad], label=f"no answer ({int(bad.sum())})", path_effects=halo, **CROSS
        )
    return handles


def _key(figure: Figure, handles: Sequence[Line2D]) -> None:
    """In one row below the panel."""
    figure.legend(handles=handles, loc="lower center", bbox_to_anchor=(0.5, 0.072), frameon=False, ncols=len(handles),
                  borderpad=0.0, columnspacing=1.6, handletextpad=0.5)  # fmt: skip
