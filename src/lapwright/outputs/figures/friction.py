"""The friction diagram of each axle: how the lap is driven round the edge of the grip."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.transforms import Bbox
from numpy.typing import NDArray

from lapwright.lap.lap import Array, Lap
from lapwright.lap.phases import PHASES, phases
from lapwright.outputs.figures.style import A3, INK, page, styled
from lapwright.outputs.words import lap_heading

NEAR_LIMIT = 0.95
"""Share of the allowed grip from which an axle counts as at its limit in the table."""

MARKS: dict[str, dict[str, Any]] = {
    "braking": {"marker": "s", "color": "#000000", "markersize": 6.5, "fillstyle": "full"},
    "trail braking": {"marker": "^", "color": "#D55E00", "markersize": 8, "fillstyle": "full"},
    "coast": {"marker": "o", "color": "#555555", "markersize": 7, "fillstyle": "none"},
    "throttle": {"marker": "+", "color": "#0072B2", "markersize": 7.5, "markeredgewidth": 1.3},
}
"""Markers of the phases: shape tells them apart, colour (Okabe & Ito, 2008) helps."""

NAMES = {
    "braking": "braking, straight",
    "trail braking": "trail braking",
    "coast": "coasting",
    "throttle": "throttle",
}


@styled
def draw_friction(lap: Lap, grip_margin: float = 0.0) -> Figure:
    """Longitudinal over lateral force of each axle, both over the axle's peak, with the limit as a circle.

    Left is a left turn; up is drive, down is brake.

    Parameters
    ----------
    lap
        The target lap.
    grip_margin
        Share of peak grip that the target leaves unused: the dashed circle has the radius 1 - margin.
    """
    figure = page(A3, lap, f"{lap_heading(lap)}   grip in use, axle by axle")
    kinds = phases(lap)
    for k, axle in enumerate(("front", "rear")):
        axes = figure.add_axes((0.05 + 0.475 * k, 0.335, 0.46, 0.545))
        _draw_axle(axes, lap, axle, kinds, grip_margin)
    _key(figure, grip_margin)
    _table(figure, lap, kinds, grip_margin)
    return figure


def _draw_axle(axes: Axes, lap: Lap, axle: str, kinds: NDArray[np.str_], margin: float) -> None:
    along, across = lap.axle_force_use(axle)
    angle = np.linspace(0.0, 2.0 * np.pi, 361)
    axes.plot(np.cos(angle), np.sin(angle), color=INK, linewidth=2.2, zorder=2)
    if margin > 0:
        allowed = 1.0 - margin
        axes.plot(
            allowed * np.cos(angle),
            allowed * np.sin(angle),
            color=INK,
            linewidth=1.4,
            linestyle="--",
            zorder=2,
        )
    axes.axhline(0.0, color="#AAAAAA", linewidth=0.9, zorder=0)
    axes.axvline(0.0, color="#AAAAAA", linewidth=0.9, zorder=0)
    axes.plot(across, along, color="#9A9A9A", linewidth=0.9, zorder=1)
    for kind in PHASES:
        rows = kinds == kind
        axes.plot(across[rows], along[rows], linestyle="none", zorder=3, **MARKS[kind])
    reach = max(1.12, 1.06 * float(np.nanmax(np.hypot(along, across))))
    axes.set_aspect("equal", adjustable="box")
    axes.set_xlim(reach, -reach)
    axes.set_ylim(-reach, reach)
    ticks = [-1.0, -0.5, 0.0, 0.5, 1.0]
    axes.set_xticks(ticks, [f"{abs(v):g}" for v in ticks])
    axes.set_yticks(ticks, [f"{abs(v):g}" for v in ticks])
    axes.set_title(f"{axle.capitalize()} axle", fontweight="bold")
    axes.set_xlabel("left turn   <   lateral force / peak [-]   >   right turn")
    axes.set_ylabel("brake   <   longitudinal force / peak [-]   >   drive")


def _key(figure: Figure, margin: float) -> None:
    handles = [Line2D([], [], linestyle="none", label=NAMES[kind], **MARKS[kind]) for kind in PHASES]
    handles.append(Line2D([], [], color=INK, linewidth=2.2, label="peak grip"))
    if margin > 0:
        handles.append(
            Line2D(
                [],
                [],
                color=INK,
                linewidth=1.4,
                linestyle="--",
                label=f"allowed, {100 * margin:g} % below",
            )
        )
    figure.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.03, 0.262), frameon=False, fontsize=13)


def shares(lap: Lap, kinds: NDArray[np.str_], grip_margin: float) -> dict[str, tuple[float, float, float]]:
    """Share of the time [0 to 1] of each phase, and of the whole lap: altogether, front near limit, rear near
    limit.

    "Near the limit" is a use of more than ``NEAR_LIMIT`` of the allowed grip, 1 - ``grip_margin`` of the
    peak. A row counts for half the time to either neighbour.
    """
    weight = _row_times(lap.t)
    edge = NEAR_LIMIT * (1.0 - grip_margin)
    front, rear = lap.grip_use_front > edge, lap.grip_use_rear > edge
    total = float(weight.sum())
    table = {}
    for name in (*PHASES, "whole"):
        rows = np.ones(kinds.size, dtype=bool) if name == "whole" else kinds == name
        table[name] = tuple(float(weight[rows & near].sum()) / total for near in (rows, front, rear))
    return table  # type: ignore[return-value]


def _row_times(t: Array) -> Array:
    step = np.diff(t)
    return np.concatenate([[0.0], step]) / 2 + np.concatenate([step, [0.0]]) / 2


def _table(figure: Figure, lap: Lap, kinds: NDArray[np.str_], margin: float) -> None:
    axes = figure.add_axes((0.36, 0.06, 0.61, 0.205))
    axes.set_axis_off()
    table = shares(lap, kinds, margin)
    rows = [*PHASES, "whole"]
    words = NAMES | {"whole": "whole lap" if lap.closed else "whole section"}
    near = f"{100 * NEAR_LIMIT:.0f} %"
    made = axes.table(
        cellText=[[words[row], *(f"{100 * value:.1f} %" for value in table[row])] for row in rows],
        colLabels=["share of the time", "altogether", f"front above {near}", f"rear above {near}"],
        colWidths=[0.31, 0.19, 0.25, 0.25],
        loc="center",
        cellLoc="center",
        bbox=Bbox.from_bounds(0.0, 0.12, 1.0, 0.88),
    )
    made.auto_set_font_size(False)
    made.set_fontsize(13)
    for (row, column), cell in made.get_celld().items():
        cell.set_edgecolor("#BBBBBB")
        if column == 0:
            cell.set_text_props(ha="left")
            cell.PAD = 0.04
        if row in (0, len(rows)):
            cell.set_text_props(fontweight="bold")
    note = f"above {near}: the axle has more than {near} of the allowed grip in use"
    axes.text(1.0, 0.0, note, ha="right", va="bottom", fontsize=12, transform=axes.transAxes)
