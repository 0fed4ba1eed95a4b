"""One corner with hot tyres and with cold ones: how it is driven, and what changes."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from lapwright.lap.lap import Array
from lapwright.outputs.balance_setup import tyre_record
from lapwright.outputs.figures.balance_frame import (
    column,
    distance_label,
    headed,
    mark_points,
    named,
    zero_of,
)
from lapwright.outputs.figures.style import INK, REFERENCE, shown, styled
from lapwright.outputs.words import lap_time
from lapwright.quantities import KMH
from lapwright.study.balance import Balance, TyreState
from lapwright.study.entry import Entry

LOOKS: tuple[dict[str, Any], ...] = (
    {"color": REFERENCE, "linestyle": "-", "linewidth": 2.6},
    {"color": "#E69F00", "linestyle": (0, (6, 2)), "linewidth": 2.2},
    {"color": "#009E73", "linestyle": (0, (7, 2, 1.5, 2)), "linewidth": 2.2},
    {"color": INK, "linestyle": (0, (2, 1.6)), "linewidth": 2.2},
)
"""Strokes of the tyres, the hot ones first (Okabe & Ito, 2008), told apart by their dashes too."""

PANELS: tuple[tuple[str, float, Callable[[Entry], Array], tuple[float, float] | None], ...] = (
    ("Speed\n[km/h]", 2.4, lambda entry: KMH * entry.speed, None),
    ("Brake\n[%]", 1.3, lambda entry: 100.0 * entry.brake, (-5.0, 106.0)),
    ("Throttle\n[%]", 1.1, lambda entry: 100.0 * entry.throttle, (-5.0, 106.0)),
)

LETTERS = 74
"""Letters in a line of the sentences."""

COLUMNS = (
    "Tyres", "Lap", "to hot\n[s]", "Brake on\nearlier [m]", "First\nlimit", "Slowest\n[km/h]", "Doubles\nin [s]",
    "Share\nthat suits",
)  # fmt: skip
PLACES = (0.0, 0.275, 0.385, 0.53, 0.62, 0.74, 0.86, 0.995)
"""Columns of the table, and where they end in it, but for the first."""


@styled
def draw_tyres(balance: Balance, k: int) -> Figure:
    """A page for entry number ``k`` of the balance, from the first foot that moves to the slowest point.

    Raises
    ------
    ValueError
        When there are no laps with other tyres, or none of them has this corner.
    """
    entry = balance.entries[k]
    drawn = [
        (state, own, look)
        for state, look in zip(balance.tyres, _looks(len(balance.tyres)), strict=True)
        for own in state.entries
        if own.corner == entry.corner
    ]
    if not drawn:
        raise ValueError(f"no lap with other tyres goes through {entry.corner}")
    note = "Each lap is the quickest with its tyres; brake-on and the other points above are those of the hot ones."
    figure = headed(balance, f"Hot and cold tyres in {entry.corner}", note)
    zero, _ = zero_of(entry)
    low = min(float(own.s[0]) for _, own, _ in drawn) - zero
    high = max(max(float(own.s[-1]), own.slowest) for _, own, _ in drawn) - zero
    panels = column(
        figure, [height for _, height, _, _ in PANELS], (low, high), (0.07, 0.125, 0.5, 0.825), 0.03
    )
    for axes, (label, _, values, limits) in zip(panels, PANELS, strict=True):
        for _, own, look in drawn:
            axes.plot(own.s - zero, values(own), **look, zorder=4)
        if limits:
            axes.set_ylim(*limits)
            axes.set_yticks([0, 50, 100])
        else:
            axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
        named(axes, label)
    panels[-1].set_xlabel(distance_label(balance, entry))
    mark_points(figure, panels, entry)
    _table(figure.add_axes((0.53, 0.125, 0.45, 0.74)), balance, entry, [state for state, _, _ in drawn])
    return figure


def _looks(count: int) -> list[dict[str, Any]]:
    return [LOOKS[k % len(LOOKS)] for k in range(count)]


def _table(axes: Axes, balance: Balance, entry: Entry, states: Sequence[TyreState]) -> None:
    """A row for each tyre, with its stroke, and its sentence below the table."""
    axes.set_axis_off()
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    records = {one["name"]: one for one in tyre_record(balance)}
    top = 0.94
    for name, place in zip(COLUMNS, PLACES, strict=True):
        _cell(axes, place, top, name, size=11.5, weight="bold", gid="head")
    axes.plot([0.0, 1.0], [top - 0.055] * 2, color=INK, linewidth=1.2)
    names = [state.name for state in balance.tyres]
    looks = _looks(len(names))
    for row, state in enumerate(states):
        y = top - 0.115 - 0.105 * row
        look = looks[names.index(state.name)]
        axes.add_line(Line2D([0.0, 0.13], [y - 0.038] * 2, **look))
        for cell, place in zip(_cells(records[state.name], entry), PLACES, strict=True):
            _cell(axes, place, y, cell, size=13, weight="normal", gid="cell")
    y = top - 0.115 - 0.105 * len(states) - 0.02
    for text in _sentences(records, entry, states):
        axes.text(0.0, y, text, fontsize=12.5, va="top", gid="said", linespacing=1.3)
        y -= 0.038 * (text.count("\n") + 1) + 0.022


def _cell(axes: Axes, place: float, y: float, text: str, size: float, weight: str, gid: str) -> None:
    axes.text(
        place, y, text, ha="right" if place else "left", va="center", fontsize=size, fontweight=weight, gid=gid,
        multialignment="right" if place else "left",
    )  # fmt: skip


def _cells(record: Mapping[str, Any], entry: Entry) -> tuple[str, ...]:
    corner = next(one for one in record["corners"] if one["corner"] == entry.corner)
    first = record["best_share_moves"] is None
    earlier, doubling = corner["brake_on_earlier_m"], corner["doubling_s"]
    grows = "-" if corner["growth_1ps"] is None else ("dies out" if doubling is None else f"{doubling:.2f}")
    share = record["best_share"]
    return (
        record["name"],
        lap_time(record["lap_time_s"]),
        "" if first else f"{record['difference_s']:+.3f}",
        "" if first or earlier is None else f"{earlier:+.0f}",
        corner["first_limit"],
        f"{corner['slowest_kmh']:.1f}",
        grows,
        "-" if share is None else f"{share:.3f}{' *' if record['best_share_at_end'] else ''}",
    )


def _sentences(records: Mapping[str, Any], entry: Entry, states: Sequence[TyreState]) -> list[str]:
    """What each of the cold tyres does to the lap and to this corner, wrapped."""
    said = []
    for state in states:
        record = records[state.name]
        if record["best_share_moves"] is None:
            continue
        corner = next(one for one in record["corners"] if one["corner"] == entry.corner)
        words = corner["said"].removeprefix(f"{entry.corner}: ")
        said.append("\n".join(textwrap.wrap(shown(f"{record['said']} Here: {words}."), LETTERS)))
    if any(records[state.name]["best_share_at_end"] for state in states):
        said.append("* the end of the shares that were tried")
    return said
