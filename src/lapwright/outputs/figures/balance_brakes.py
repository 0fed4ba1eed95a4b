"""The brake share in one corner: adhesion used straight on, the ideal share in the turn, which share suits."""

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
from lapwright.outputs.balance_setup import brake_words, entry_worth, own_share, trace_rows
from lapwright.outputs.figures.balance_frame import ALARM, BOLD, FRONT_LINE, PLATE, headed
from lapwright.outputs.figures.style import INK, REFERENCE, styled
from lapwright.outputs.figures.traces import REAR_LINE
from lapwright.quantities import KMH, G
from lapwright.study.adhesion import limit_lines
from lapwright.study.balance import Balance, BrakeCorner, ShareScan

OWN_LINE: dict[str, Any] = {"color": INK, "linestyle": "-", "linewidth": 2.6, "zorder": 5}
LIMIT_LINE: dict[str, Any] = {"color": "#7F7F7F", "linestyle": ":", "linewidth": 2.4, "zorder": 3}
TRACE_MARK: dict[str, Any] = {
    "marker": "o", "markersize": 5.5, "markerfacecolor": "white", "markeredgecolor": ALARM,
    "markeredgewidth": 1.3, "linestyle": "none", "zorder": 6,
}  # fmt: skip

CURVES: tuple[dict[str, Any], ...] = (
    {"color": "#0072B2", "linestyle": "-"},
    {"color": "#009E73", "linestyle": (0, (7, 2))},
    {"color": "#CC79A7", "linestyle": (0, (3, 1.5))},
    {"color": "#A66A00", "linestyle": (0, (7, 2, 1.5, 2))},
    {"color": "#56B4E9", "linestyle": (0, (1.5, 1.5))},
)
"""Strokes of the ideal share at several lateral accelerations (Okabe & Ito, 2008), told apart by their dashes too."""

MARKS: dict[str, dict[str, Any]] = {
    "car": {"marker": "D", "markerfacecolor": INK},
    "both lock together, straight": {"marker": "s", "markerfacecolor": REFERENCE},
    "both lock together, in the turn": {"marker": "P", "markerfacecolor": "#009E73"},
    "best for the lap": {"marker": "*", "markerfacecolor": ALARM, "markersize": 20},
    "best for this entry": {"marker": "^", "markerfacecolor": "#CC79A7"},
}
"""Marks of the shares on their scale, by their words."""


@styled
def draw_brakes(balance: Balance, k: int) -> Figure:
    """A page for corner number ``k`` of ``Balance.brakes``."""
    one = balance.brakes[k]
    share = own_share(balance)
    assert share is not None
    best = math.nan if balance.scan is None else balance.scan.best_entries.get(one.corner, math.nan)
    words = brake_words(one, share, best, entry_worth(balance, one.corner, share, best))
    figure = headed(balance, f"Brake share in {one.corner}", words)
    adhesion = figure.add_axes((0.065, 0.545, 0.4, 0.285))
    ideal = figure.add_axes((0.065, 0.168, 0.4, 0.282))
    _adhesion(adhesion, one)
    _ideal(ideal, balance, one, share)
    _shares(figure.add_axes((0.705, 0.545, 0.27, 0.285)), balance, one, share, best)
    _scan(figure.add_axes((0.575, 0.168, 0.4, 0.282)), balance, share)
    return figure


def _titled(axes: Axes, text: str) -> None:
    axes.set_title(text, fontsize=14, fontweight="bold", loc="left", pad=8)


# -- straight on -------------------------------------------------------------------------------------------------------------


def rear_ahead(one: BrakeCorner) -> Any:
    """Rows of ``one.z`` where the rear axle uses at least as much adhesion as the front."""
    with np.errstate(invalid="ignore"):
        return np.asarray(one.used_rear >= one.used_front)


def _adhesion(axes: Axes, one: BrakeCorner) -> None:
    """Adhesion used by both axles over deceleration, with the limit line of UN R13-H."""
    _titled(axes, f"Braking straight at {KMH * one.speed:.0f} km/h")
    z = one.z
    known = np.concatenate([one.used_front, one.used_rear])
    high = 1.05 * float(np.nanmax(known)) if np.isfinite(known).any() else 1.0
    axes.set_xlim(float(z[0]), float(z[-1]))
    axes.set_ylim(0.0, high)
    axes.plot(z, one.used_front, **FRONT_LINE)
    axes.plot(z, one.used_rear, **REAR_LINE)
    # Ends of the line besides, so that it is drawn as far as it goes.
    line = np.unique(np.concatenate([z, [0.1, 0.52]]))
    axes.plot(line, limit_lines(line), **LIMIT_LINE)
    ahead = rear_ahead(one)
    handles: list[Any] = [
        Line2D([], [], **FRONT_LINE, label="front axle"),
        Line2D([], [], **REAR_LINE, label="rear axle"),
        Line2D([], [], **LIMIT_LINE, label="most, by UN R13-H"),
    ]
    if ahead.any():
        axes.fill_between(
            z,
            0.0,
            high,
            where=ahead.tolist(),
            facecolor="#F3E1D6",
            edgecolor=ALARM,
            hatch="..",
            linewidth=0,
            zorder=0,
        )
        handles.append(
            Patch(
                facecolor="#F3E1D6",
                edgecolor=ALARM,
                hatch="..",
                linewidth=0,
                label="rear uses more than front",
            )
        )
    axes.grid(True)
    axes.set_xlabel("Deceleration [g]", labelpad=2)
    axes.set_ylabel("Adhesion used [-]")
    axes.legend(
        handles=handles, loc="upper left", fontsize=11, facecolor="white", framealpha=0.92, edgecolor="none"
    )


# -- in the turn -------------------------------------------------------------------------------------------------------------


def trace_points(balance: Balance, one: BrakeCorner) -> tuple[Array, Array, Array]:
    """Deceleration [g], ideal share and lateral acceleration [g] of the rows on the way into the corner with the brake on."""
    lap, rows = balance.known.lap, trace_rows(one, balance)
    s = one.trace.s[rows]
    z, lateral = (np.interp(s, lap.s, values) / G for values in (-lap.accel_long, np.abs(lap.accel_lat)))
    ideal = one.trace.ideal[rows]
    known = np.isfinite(ideal)
    return z[known], ideal[known], lateral[known]


def _ideal(axes: Axes, balance: Balance, one: BrakeCorner, share: float) -> None:
    """Share at which both axles work alike, over deceleration, at several lateral accelerations."""
    _titled(axes, "Share at which both axles work alike")
    for accel, shares, look in zip(
        one.accel_lat.tolist(), one.ideal, _looks(len(one.accel_lat)), strict=True
    ):
        inside = np.where((shares > 1e-3) & (shares < 0.999), shares, np.nan)
        if not np.isfinite(inside).any():
            continue
        axes.plot(one.z, inside, linewidth=2.0, zorder=4, label=f"{accel / G:.1f} g lateral", **look)
    axes.axhline(share, **OWN_LINE, label=f"car {share:.3f}")
    z, ideal, _ = trace_points(balance, one)
    axes.plot(z, ideal, **TRACE_MARK, label="rows of the lap", gid="trace")
    axes.set_xlim(float(one.z[0]), float(one.z[-1]))
    near = np.concatenate([one.ideal[np.isfinite(one.ideal)], ideal, [share]])
    low, high = (float(v) for v in np.percentile(near, (3.0, 97.0)))
    low, high = min(low, share - 0.08), max(high, share + 0.08)
    axes.set_ylim(max(low - 0.03, 0.0), min(high + 0.05, 1.02))
    axes.grid(True)
    axes.set_xlabel("Deceleration [g]", labelpad=2)
    axes.set_ylabel("Share to the front [-]")
    axes.legend(
        loc="upper center", bbox_to_anchor=(0.48, -0.195), fontsize=11, ncols=4, frameon=False, columnspacing=1.2,
        borderpad=0.0, borderaxespad=0.0,
    )  # fmt: skip


def _looks(count: int) -> list[dict[str, Any]]:
    return [CURVES[k % len(CURVES)] for k in range(count)]


# -- which share suits -------------------------------------------------------------------------------------------------------


def shares_of(balance: Balance, one: BrakeCorner, share: float, best: float) -> list[tuple[str, float]]:
    """Words and value of the shares on the scale, those that are known."""
    lap_best = math.nan if balance.scan is None else balance.scan.best_share
    turn = math.nan if one.locks_turn is None else one.locks_turn
    values = (share, one.locks_straight, turn, lap_best, best)
    return [(words, value) for words, value in zip(MARKS, values, strict=True) if math.isfinite(value)]


def _shares(axes: Axes, balance: Balance, one: BrakeCorner, share: float, best: float) -> None:
    """A mark for each share in a row of its own, and the range that the way in asks for."""
    found = shares_of(balance, one, share, best)
    _, ideal, _ = trace_points(balance, one)
    labels = [words for words, _ in found]
    values = [value for _, value in found]
    axes.axvline(share, **(OWN_LINE | {"linewidth": 1.2, "zorder": 1}))
    for row, (words, value) in enumerate(found):
        look: dict[str, Any] = {
            "markersize": 13,
            "markeredgecolor": "white",
            "linestyle": "none",
            "zorder": 6,
        }
        axes.plot([value], [row], **(look | MARKS[words]), gid="share")
        axes.annotate(
            f"{value:.3f}", (value, row), xytext=(13, 0), textcoords="offset points", va="center", fontsize=12,
            bbox=PLATE, gid="value", zorder=5, **BOLD,
        )  # fmt: skip
    if ideal.size:
        # A few rows at the ends of the pedal ask for anything; the middle nine tenths are told.
        low, high = (float(v) for v in np.percentile(ideal, (5.0, 95.0)))
        row = len(found)
        axes.barh(
            row, high - low, left=low, height=0.5, facecolor="#F6D9C6", edgecolor=ALARM, hatch="///", zorder=4
        )
        labels.append("alike on the way in, 9 of 10 rows")
        values += [low, high]
    low, high = min(values), max(values)
    room = max(high - low, 0.05)
    axes.set_xlim(low - 0.12 * room, high + 0.3 * room)
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.set_yticks(range(len(labels)), labels)
    axes.tick_params(axis="y", length=0)
    axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    axes.grid(True, axis="x")
    axes.set_xlabel("Share to the front [-]", labelpad=2)
    _titled(axes, "Shares to the front")


def _scan(axes: Axes, balance: Balance, share: float) -> None:
    """Lap time over share, with the car and the best."""
    _titled(axes, "Lap time over share, the whole lap")
    scan: ShareScan | None = balance.scan
    if scan is None or not np.isfinite(scan.lap_times).any():
        axes.set_axis_off()
        axes.text(0.5, 0.5, "Other shares were not tried.", transform=axes.transAxes, ha="center")
        return
    known = np.isfinite(scan.lap_times)
    best = scan.best_time
    axes.plot(
        scan.shares[known], scan.lap_times[known] - best, color=REFERENCE, linewidth=2.0, marker="o", markersize=7,
        zorder=4, gid="scan",
    )  # fmt: skip
    axes.plot(
        [share], [balance.known.lap.time - best], linestyle="none", markersize=12, markeredgecolor="white", zorder=7,
        label=f"car {share:.3f}", gid="car", **MARKS["car"],
    )  # fmt: skip
    words = f"best {scan.best_share:.3f}" + (", the end of what was tried" if scan.at_end else "")
    axes.plot(
        [scan.best_share], [0.0], linestyle="none", markeredgecolor="white", zorder=8, label=words, gid="best",
        **MARKS["best for the lap"],
    )  # fmt: skip
    if (~known).any():
        axes.plot(
            scan.shares[~known], np.zeros((~known).sum()), linestyle="none", marker="x", markersize=9, color=INK,
            markeredgewidth=1.8, label="no solution", zorder=6,
        )  # fmt: skip
    high = float(np.max(scan.lap_times[known] - best))
    axes.set_ylim(-0.08 * max(high, 1e-3), 1.15 * max(high, 1e-3))
    axes.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    axes.grid(True)
    axes.set_xlabel("Share to the front [-]", labelpad=2)
    axes.set_ylabel("Slower than the best [s]")
    axes.legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.195), fontsize=12, ncols=3, frameon=False, borderpad=0.0,
        borderaxespad=0.0,
    )  # fmt: skip
