"""One entry on a page: which axle and wheel hold the car, what the other has left, how it steers, how stable it is."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from lapwright.lap.lap import Array
from lapwright.outputs.balance_words import entry_words, limit_stretches
from lapwright.outputs.figures.balance_frame import (
    ALARM,
    FRONT_LINE,
    LIMITS,
    NERVOUS_LINE,
    NEUTRAL_LINE,
    PLATE,
    axles_key,
    column,
    distance_label,
    foot_key,
    headed,
    limits_key,
    mark_points,
    named,
    written,
    zero_of,
)
from lapwright.outputs.figures.strips import strip, write_row
from lapwright.outputs.figures.style import INK, REFERENCE, styled
from lapwright.outputs.figures.traces import REAR_LINE
from lapwright.quantities import DEG
from lapwright.study.balance import Balance
from lapwright.study.entry import Entry

LEFT, RIGHT = (0.062, 0.148, 0.485, 0.82), (0.555, 0.148, 0.94, 0.82)
"""The two columns of panels: left, bottom, right, top in shares of the page."""

WHEELS = ("front left", "front right", "rear left", "rear right")

TIMES = (0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 1.0, 2.0)
"""Doubling times that are written beside the growth, as far as there is room [s]."""

APART = 0.11
"""Least distance between two of them [share of the panel's height]."""

BRAKE_LINE: dict[str, Any] = {"color": ALARM, "linestyle": "-", "linewidth": 2.0, "zorder": 4}
THROTTLE_LINE: dict[str, Any] = {"color": "#009E73", "linestyle": (0, (5, 2)), "linewidth": 2.0, "zorder": 4}

NERVOUS_MARK: dict[str, Any] = {
    "marker": "v", "markersize": 13, "markerfacecolor": ALARM, "markeredgecolor": "white",
    "markeredgewidth": 1.2, "linestyle": "none", "zorder": 8,
}  # fmt: skip

CHANGE_MARK: dict[str, Any] = {
    "marker": "D", "markersize": 7, "markerfacecolor": "white", "markeredgecolor": INK,
    "markeredgewidth": 1.6, "linestyle": "none", "zorder": 7, "clip_on": False,
}  # fmt: skip


@styled
def draw_entry(balance: Balance, k: int) -> Figure:
    """A page for entry number ``k`` of the balance, over distance from its first row to the slowest point."""
    entry = balance.entries[k]
    zero, _ = zero_of(entry)
    figure = headed(balance, f"Entry of {entry.corner}", entry_words(entry))
    span = (float(entry.s[0]) - zero, max(float(entry.s[-1]), entry.slowest) - zero)
    left = column(figure, (1.0, 1.75, 0.95, 1.3), span, LEFT, 0.03)
    right = column(figure, (1.35, 1.75, 1.0, 1.2), span, RIGHT, 0.03)
    x = entry.s - zero
    _pedals(left[0], x, entry)
    _grip(figure, left[1], x, entry, zero)
    _wheel(left[2], x, entry)
    _spare(left[3], x, entry, zero)
    _steer(right[0], x, entry)
    _growth(figure, right[1], x, entry, zero)
    _margin(right[2], x, entry)
    _moments(right[3], x, entry)
    for panels in (left, right):
        panels[-1].set_xlabel(distance_label(balance, entry))
        mark_points(figure, panels, entry)
        if entry.nervous is not None:
            for axes in panels:
                axes.axvline(entry.nervous.station - zero, **NERVOUS_LINE)
    foot_key(figure, _key(entry), 6)
    return figure


def _key(entry: Entry) -> list[Any]:
    found: list[Any] = [*axles_key(), *limits_key(), Line2D([], [], **CHANGE_MARK, label="the limit changes")]
    found += [
        Line2D([], [], **BRAKE_LINE, label="brake"),
        Line2D([], [], **THROTTLE_LINE, label="throttle"),
        Line2D([], [], **NEUTRAL_LINE, label="neutral car"),
        Patch(facecolor="#CFE3F2", label="understeer"),
        Patch(facecolor="white", edgecolor=ALARM, hatch="..", linewidth=0, label="oversteer, growth"),
    ]
    if entry.nervous is not None:
        found.append(Line2D([], [], **NERVOUS_LINE, marker="v", label="least stable"))
    return found


def _pedals(axes: Axes, x: Array, entry: Entry) -> None:
    axes.plot(x, 100.0 * entry.brake, **BRAKE_LINE)
    axes.plot(x, 100.0 * entry.throttle, **THROTTLE_LINE)
    axes.set_ylim(-5.0, 106.0)
    axes.set_yticks([0, 50, 100])
    named(axes, "Pedals\n[%]")


def _grip(figure: Figure, axes: Axes, x: Array, entry: Entry, zero: float) -> None:
    """Grip in use of both axles; hatched where one is at its limit, a diamond where that changes."""
    axes.plot(x, 100.0 * entry.use_front, **FRONT_LINE)
    axes.plot(x, 100.0 * entry.use_rear, **REAR_LINE)
    low = min(60.0, 100.0 * float(np.percentile(np.fmin(entry.use_front, entry.use_rear), 20)))
    axes.set_ylim(max(low, 0.0), 104.0)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    named(axes, "Grip in use\n[%]")
    _hatch(axes, entry, zero)
    labels = []
    for change in entry.changes:
        at = change.station - zero
        axes.plot([at], [axes.get_ylim()[1]], **CHANGE_MARK, gid="change")
        labels.append((at, f"{at:+.0f}"))
    above = strip(figure, axes, axes.get_position().y1 + 0.006, 0.022)
    write_row(figure, above, labels, (0.05,), fontsize=11, gid="change")


def _hatch(axes: Axes, entry: Entry, zero: float) -> None:
    for axle, a, b in limit_stretches(entry):
        if axle in LIMITS:
            axes.axvspan(a - zero, b - zero, **LIMITS[axle], zorder=0)


def _wheel(axes: Axes, x: Array, entry: Entry) -> None:
    """Which wheel is nearest to its limit while an axle is at it: a bar in that wheel's row."""
    edges = np.concatenate([[x[0]], 0.5 * (x[1:] + x[:-1]), [x[-1]]])
    for wheel in range(4):
        look = LIMITS["front" if wheel < 2 else "rear"]
        runs = _runs(entry.limiting_wheel == wheel)
        bars = [(float(edges[a]), float(edges[b] - edges[a])) for a, b in runs]
        if bars:
            axes.broken_barh(bars, (3 - wheel - 0.4, 0.8), **(look | {"linewidth": 0.8}), zorder=3)
    axes.set_ylim(-0.6, 3.6)
    axes.set_yticks([3, 2, 1, 0], ["FL", "FR", "RL", "RR"])
    axes.tick_params(axis="y", labelsize=11)
    named(axes, "Wheel at\nits limit")


def _runs(rows: Any) -> list[tuple[int, int]]:
    """First row and one past the last of every stretch of rows."""
    steps = np.diff(np.concatenate([[0], np.asarray(rows, dtype=int), [0]]))
    return list(zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True))


def _spare(axes: Axes, x: Array, entry: Entry, zero: float) -> None:
    """Side force that each axle could still add at its braking."""
    axes.plot(x, entry.spare_front / 1e3, **FRONT_LINE)
    axes.plot(x, entry.spare_rear / 1e3, **REAR_LINE)
    _from_zero(axes)
    named(axes, "Spare side\nforce [kN]")
    _hatch(axes, entry, zero)


def _from_zero(axes: Axes) -> None:
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -0.04 * high), high)
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))


def _steer(axes: Axes, x: Array, entry: Entry) -> None:
    """Road-wheel angle against that of a neutral car; the difference is filled."""
    steer, neutral = entry.steer / DEG, entry.neutral_steer / DEG
    axes.plot(x, steer, **FRONT_LINE)
    axes.plot(x, neutral, **NEUTRAL_LINE)
    axes.fill_between(
        x, neutral, steer, where=(steer >= neutral).tolist(), interpolate=True, color="#CFE3F2", linewidth=0
    )
    axes.fill_between(
        x, neutral, steer, where=(steer < neutral).tolist(), interpolate=True, facecolor="white", edgecolor=ALARM,
        hatch="..", linewidth=0,
    )  # fmt: skip
    axes.axhline(0.0, color="#888888", linewidth=0.9, zorder=1)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.22 * (high - low))
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    named(axes, "Road wheels\ninto corner [deg]")
    means = [
        f"{words} {value / DEG:+.1f} deg"
        for words, value in (("entry", entry.understeer_entry), ("exit", entry.understeer_exit))
        if math.isfinite(value)
    ]
    axes.text(
        0.015, 0.95, f"understeer: {', '.join(means)}", transform=axes.transAxes, va="top", fontsize=12,
        bbox=PLATE, zorder=6, gid="mean",
    )  # fmt: skip


def _growth(figure: Figure, axes: Axes, x: Array, entry: Entry, zero: float) -> None:
    """Growth rate with doubling times at the right; the least stable point with its own."""
    axes.plot(x, entry.growth, color=REFERENCE, linewidth=2.2, zorder=4)
    axes.fill_between(
        x, 0.0, entry.growth, where=(entry.growth > 0.0).tolist(), interpolate=True, facecolor="white", edgecolor=ALARM,
        hatch="..", linewidth=0,
    )  # fmt: skip
    axes.axhline(0.0, color=INK, linewidth=1.2, zorder=3)
    known = entry.growth[np.isfinite(entry.growth)]
    low, high = (float(known.min()), float(known.max())) if known.size else (-1.0, 1.0)
    low, high = min(low, -1.0), max(high, 1.0)
    axes.set_ylim(low - 0.06 * (high - low), high + 0.24 * (high - low))
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    named(axes, "Growth of a\ndisturbance [1/s]")
    _doubling(axes)
    spot = entry.nervous
    if spot is None:
        return
    axes.plot([spot.station - zero], [spot.growth], **NERVOUS_MARK, gid="nervous")
    words = "dies out" if spot.doubling is None else f"doubles in {round(spot.doubling, 3):.2f} s"
    written(
        figure, axes, spot.station - zero, axes.get_ylim()[1], f"{words}, {100 * spot.brake:.0f} % brake", ha="center",
        va="top", fontsize=12.5, fontweight="bold", bbox=PLATE, zorder=9, gid="nervous",
    )  # fmt: skip


def _doubling(axes: Axes) -> None:
    """Doubling times at the right of the growth, halving times below zero."""
    low, high = axes.get_ylim()
    places: list[tuple[float, str]] = [(0.0, "never")]
    wanted = [(sign * math.log(2.0) / t, t) for t in reversed(TIMES) for sign in (1.0, -1.0)]
    for at, t in wanted:
        near = min(abs(at - other) for other, _ in places)
        if low < at < high and near >= APART * (high - low):
            places.append((at, f"{t:g}"))
    other = axes.twinx()
    other.set_ylim(low, high)
    other.set_yticks([at for at, _ in places], [text for _, text in places])
    other.spines["right"].set_visible(True)
    other.tick_params(axis="y", labelsize=11)
    other.set_ylabel("halves (below) or\ndoubles in [s]", fontsize=11)


def _margin(axes: Axes, x: Array, entry: Entry) -> None:
    """Static margin, the neutral line, what is unstable below it."""
    values = 100.0 * entry.static_margin
    axes.plot(x, values, color=REFERENCE, linewidth=2.2, zorder=4)
    axes.axhline(0.0, color=INK, linewidth=1.2, zorder=3)
    known = values[np.isfinite(values)]
    if known.size:
        low, high = (float(v) for v in np.percentile(known, (4.0, 96.0)))
        low, high = min(low, -2.0), max(high, 2.0)
        axes.set_ylim(low - 0.15 * (high - low), high + 0.15 * (high - low))
    else:
        axes.set_yticks([])
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    named(axes, "Static margin\n[% wheelbase]")


def _moments(axes: Axes, x: Array, entry: Entry) -> None:
    """Yaw moment in hand: of the front axle into the corner, of the rear against it."""
    axes.plot(x, entry.turn_moment / 1e3, **FRONT_LINE)
    axes.plot(x, entry.hold_moment / 1e3, **REAR_LINE)
    _from_zero(axes)
    named(axes, "Yaw moment\nin hand [kN m]")
