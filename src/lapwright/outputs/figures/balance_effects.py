"""What one step of each number is worth, the largest first, and where on the lap."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import MaxNLocator

from lapwright.lap.lap import Array
from lapwright.lap.spans import leaves
from lapwright.outputs.balance_words import is_nothing, with_unit
from lapwright.outputs.figures.balance_frame import ALARM, foot_key, headed
from lapwright.outputs.figures.style import INK, REFERENCE, shown, styled
from lapwright.outputs.sweep_groups import figure_of
from lapwright.study.balance import Balance
from lapwright.study.effects import Effect

LARGEST, MOST = 14, 18
"""Numbers that are drawn for their size, and numbers on the page at most: as many as large type has room for."""

COLUMNS = 13
"""Columns of the table at most; what is left is one column more."""

FEW = 4
"""Of so many corners or fewer each phase has a column of its own."""

UP: dict[str, Any] = {"facecolor": REFERENCE, "edgecolor": REFERENCE, "linewidth": 1.0}
DOWN: dict[str, Any] = {"facecolor": "white", "edgecolor": "#A66A00", "hatch": "////", "linewidth": 1.0}
ESTIMATED: dict[str, Any] = {"linestyle": (0, (2, 1.5)), "alpha": 0.55}

QUICKER, SLOWER = np.array([0.0, 0.447, 0.698]), np.array([0.902, 0.624, 0.0])
"""Colours of the table: blue and orange (Okabe & Ito, 2008); the sign stands in the cell."""

FLAG: dict[str, Any] = {
    "marker": "^", "markersize": 15, "markerfacecolor": ALARM, "markeredgecolor": "white",
    "linestyle": "none", "zorder": 6, "clip_on": False,
}  # fmt: skip


@styled
def draw_effects(balance: Balance) -> Figure:
    """A bar to each side for the largest effects, a step up and a step down, and a table of where on the lap they act."""
    told = [effect for effect in balance.effects if not is_nothing(effect)]
    effects = drawn(told)
    note = (
        "Seconds a lap for one step up and one step down, minus is quicker: solved where the number was checked, else to "
        "first order. At the right thousandths of a second of a step up, to first order, where they are made."
    )
    figure = headed(balance, "What one step of each number is worth", note)
    if not effects:
        figure.text(0.5, 0.5, "No number makes 1 ms of a step.", ha="center", fontsize=16)
        return figure
    rows = max(len(effects), 8)
    axes = figure.add_axes((0.262, 0.135, 0.275, 0.71))
    axes.set_ylim(rows - 0.5, -0.5)
    _bars(axes, effects)
    _names(axes, effects)
    table = figure.add_axes((0.575, 0.135, 0.415, 0.71))
    table.set_ylim(rows - 0.5, -0.5)
    _table(table, effects, *_columns(balance, effects))
    _key(figure, effects, len(balance.effects) - len(effects), len(balance.effects) - len(told))
    return figure


def drawn(told: Sequence[Effect]) -> list[Effect]:
    """The largest effects, and of the others first those that were checked, as many as there is room for; in their order."""
    rest = sorted(range(LARGEST, len(told)), key=lambda k: (told[k].check is None, k))
    return [told[k] for k in sorted([*range(min(LARGEST, len(told))), *rest[: MOST - LARGEST]])]


def both_ways(effect: Effect) -> tuple[float | None, float | None]:
    """Change of the lap time for a step up and a step down [s]: solved when it was checked, else to first order."""
    if effect.check is None:
        return effect.per_step, -effect.per_step
    return effect.check.up, effect.check.down


def _bars(axes: Axes, effects: Sequence[Effect]) -> None:
    values = [value for effect in effects for value in both_ways(effect) if value is not None]
    most = max((abs(value) for value in values), default=1e-3)
    axes.set_xlim(-1.42 * most, 1.42 * most)
    for row, effect in enumerate(effects):
        for value, look, place in zip(both_ways(effect), (UP, DOWN), (-0.2, 0.2), strict=True):
            if value is None:
                _value(axes, 0.0, row + place, "not solved", 1)
                continue
            style = look | (ESTIMATED if effect.check is None else {})
            axes.barh(row + place, value, height=0.36, **style, zorder=3)
            _value(axes, value, row + place, f"{value:+.3f}", 1 if value >= 0.0 else -1)
        if effect.check is not None and not effect.check.agrees:
            axes.plot([1.0], [row], transform=axes.get_yaxis_transform(), gid="flag", **FLAG)
    axes.axvline(0.0, color=INK, linewidth=1.2, zorder=4)
    axes.grid(True, axis="x")
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10], symmetric=True))
    axes.set_xlabel("Change of the lap time for one step [s]")


def _value(axes: Axes, x: float, y: float, text: str, side: int) -> None:
    axes.annotate(
        text, (x, y), xytext=(4 * side, 0), textcoords="offset points", ha="left" if side > 0 else "right", va="center",
        fontsize=11, gid="value", zorder=5,
    )  # fmt: skip


def _names(axes: Axes, effects: Sequence[Effect]) -> None:
    """The number's words, its value and step, at the left of the bars."""
    where: Any = {"xycoords": axes.get_yaxis_transform(), "textcoords": "offset points", "ha": "right"}
    for row, effect in enumerate(effects):
        number = effect.number
        size = f"{with_unit(effect.value, number.unit)}, step {figure_of(number.step)}"
        axes.annotate(
            shown(number.words), (0.0, row), xytext=(-8, 1), va="bottom", fontsize=13, fontweight="bold", gid="name",
            **where,
        )  # fmt: skip
        axes.annotate(
            shown(size),
            (0.0, row),
            xytext=(-8, -1),
            va="top",
            fontsize=11,
            color="#444444",
            gid="name",
            **where,
        )


# -- where on the lap --------------------------------------------------------------------------------------------------------


def _columns(balance: Balance, effects: Sequence[Effect]) -> tuple[list[str], Array]:
    """Names of the columns and the effects' seconds in them, (rows, columns): corners, all straights, what is left.

    Few corners are told phase by phase. Every row adds up to its effect.
    """
    pieces = leaves(balance.spans)
    parts = np.array([effect.parts for effect in effects])
    corners = list(dict.fromkeys(span.name for span, _ in pieces if span.kind == "corner"))
    by_phase = len(corners) <= FEW
    groups: dict[str, list[int]] = {}
    for k, (span, leaf) in enumerate(pieces):
        phase = f"\n{leaf.name}" if by_phase and leaf is not span else ""
        groups.setdefault("straights" if span.kind == "straight" else f"{span.name}{phase}", []).append(k)
    straights = groups.pop("straights", [])
    sums = {name: parts[:, rows].sum(axis=1) for name, rows in groups.items()}
    if len(sums) > COLUMNS - 1:
        weight = {name: float(np.abs(values).sum()) for name, values in sums.items()}
        kept = sorted(weight, key=lambda name: -weight[name])[: COLUMNS - 1]
        rest = np.sum([values for name, values in sums.items() if name not in kept], axis=0)
        sums = {name: values for name, values in sums.items() if name in kept} | {"other corners": rest}
    if straights:
        sums["straights"] = parts[:, straights].sum(axis=1)
    return list(sums), np.column_stack(list(sums.values()))


def _table(axes: Axes, effects: Sequence[Effect], names: Sequence[str], values: Array) -> None:
    """A cell for each number and column: thousandths of a second, the stronger the colour the larger in its row."""
    axes.set_xlim(-0.5, len(names) - 0.5)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_yticks([])
    axes.set_xticks(
        range(len(names)),
        ["\n".join(shown(one) for one in _cut(name)) for name in names],
        rotation=90,
        fontsize=12,
        linespacing=0.95,
    )
    axes.tick_params(axis="x", length=0)
    axes.xaxis.tick_bottom()
    for row in range(len(effects)):
        most = float(np.abs(values[row]).max()) or 1.0
        for column, value in enumerate(values[row].tolist()):
            share = abs(value) / most
            colour = 1.0 - 0.62 * share * (1.0 - (QUICKER if value < 0.0 else SLOWER))
            axes.add_patch(
                Rectangle((column - 0.48, row - 0.42), 0.96, 0.84, facecolor=tuple(colour), linewidth=0)
            )
            text = _thousandths(value)
            weight = "bold" if share > 0.6 else "normal"
            axes.text(
                column,
                row,
                text,
                ha="center",
                va="center",
                fontsize=11,
                fontweight=weight,
                color=INK,
                gid="cell",
            )


def _thousandths(value: float) -> str:
    """Seconds in thousandths, one decimal below ten; nothing has no sign."""
    text = f"{1e3 * value:+.1f}" if abs(value) < 9.95e-3 else f"{1e3 * value:+.0f}"
    return text if text.strip("+-0.") else "0"


def _cut(name: str, letters: int = 16) -> list[str]:
    """The lines of a name, each cut to what there is room for below the table."""
    return [one if len(one) <= letters else f"{one[: letters - 2].rstrip()}.." for one in name.split("\n")]


def _key(figure: Figure, effects: Sequence[Effect], more: int, small: int) -> None:
    handles: list[Any] = [Patch(**UP, label="a step up"), Patch(**DOWN, label="a step down")]
    if any(effect.check is None for effect in effects):
        handles.append(Patch(**(UP | ESTIMATED), label="pale: first order, not solved"))
    if any(effect.check is not None and not effect.check.agrees for effect in effects):
        handles.append(
            Line2D([], [], **(FLAG | {"markersize": 12}), label="solves and first order do not agree")
        )
    if more:
        label = f"{more} more in effects.csv"
        label += f", {small} of them below 1 ms" if small else ""
        handles.append(Line2D([], [], linestyle="none", label=label))
    foot_key(figure, handles, len(handles))
