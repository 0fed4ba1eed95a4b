"""The friction diagram of a corner: how each axle goes round the edge of its grip, with the time."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from lapwright.corner.card import CornerCard
from lapwright.lap.lap import Array
from lapwright.outputs.figures.card_marks import view_of
from lapwright.outputs.figures.labels import Label, place_labels
from lapwright.outputs.figures.style import INK, REFERENCE_LINE, SMALLEST_IN_HAND
from lapwright.outputs.figures.traces import REAR_LINE
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

TICK = 0.5
"""Time between two dots [s]."""

FRONT_DOT: dict[str, Any] = {
    "marker": "o",
    "markersize": 4.2,
    "markeredgecolor": "white",
    "markeredgewidth": 0.6,
}
REAR_DOT: dict[str, Any] = {"marker": "s", "markersize": 4.2, "markerfacecolor": "white"}


def draw_axles(figure: Figure, axes: Axes, card: CornerCard, vehicle: AnyVehicle) -> None:
    """Longitudinal over lateral force of each axle over its peak, from the entry to full throttle; farther where that is
    no way at all.

    Left is a left turn; up is drive, down is brake. Dots each ``TICK`` from the entry; whole seconds are written beside the
    front axle's. A friction-circle car has one line.
    """
    lap, stretch, reading = card.drive.lap, card.stretch, card.reading
    last = view_of(card)[1]
    if reading.full is not None and reading.full.time > np.interp(stretch.entry, lap.s, lap.t) + TICK:
        last = reading.full.at
    rows = (lap.s >= stretch.entry) & (lap.s <= last)
    t = lap.t[rows] - np.interp(stretch.entry, lap.s, lap.t)
    one = isinstance(vehicle, FrictionCircle)
    lines = [("front", "car" if one else "front", REFERENCE_LINE, FRONT_DOT)]
    if not one:
        lines.append(("rear", "rear", REAR_LINE, REAR_DOT))
    paths: dict[str, Array] = {}
    for axle, name, line, dot in lines:
        along, across = (force[rows] for force in lap.axle_force_use(axle))
        paths[name] = np.column_stack([across, along])
        ticks = np.arange(0.0, t[-1] + 1e-9, TICK)
        axes.plot(across, along, **(line | {"linewidth": 1.5}))
        places = np.column_stack([np.interp(ticks, t, across), np.interp(ticks, t, along)])
        axes.plot(
            places[:, 0],
            places[:, 1],
            linestyle="none",
            color=line["color"],
            zorder=line["zorder"] + 1,
            **dot,
        )
    _circle(axes)
    _frame(figure, axes, np.vstack(list(paths.values())))
    _labels(figure, axes, t, paths, {name: line for _, name, line, _ in lines})


def _circle(axes: Axes) -> None:
    angle = np.linspace(0.0, 2.0 * np.pi, 361)
    axes.plot(np.cos(angle), np.sin(angle), color="#777777", linewidth=1.0, zorder=1)
    axes.axhline(0.0, color="#AAAAAA", linewidth=0.8, zorder=0)
    axes.axvline(0.0, color="#AAAAAA", linewidth=0.8, zorder=0)


def _frame(figure: Figure, axes: Axes, points: Array) -> None:
    """The part of the circle that is used, one unit the same both ways."""
    box = axes.get_position()
    size = np.array([box.width, box.height]) * figure.get_size_inches()
    low = np.minimum(points.min(axis=0), -0.15) - 0.13
    high = np.maximum(points.max(axis=0), 0.15) + 0.13
    unit = float(np.max((high - low) / size))
    centre, reach = 0.5 * (low + high), unit * size / 2
    axes.set_xlim(centre[0] + reach[0], centre[0] - reach[0])
    axes.set_ylim(centre[1] - reach[1], centre[1] + reach[1])
    ticks = np.arange(-1.0, 1.01, 0.5)
    for set_ticks, k in ((axes.set_xticks, 0), (axes.set_yticks, 1)):
        inside = ticks[np.abs(ticks - centre[k]) < reach[k]]
        set_ticks(inside, [f"{abs(v):g}" for v in inside])
    axes.set_xlabel("left  <  lateral / peak  >  right", labelpad=1)
    axes.set_ylabel("brake  <  along / peak  >  drive", labelpad=1)


def _labels(
    figure: Figure, axes: Axes, t: Array, paths: dict[str, Array], styles: dict[str, dict[str, Any]]
) -> None:
    """The names of the lines where they are farthest apart, and the seconds beside the first of them."""
    lines = list(paths.values())
    labels = []
    if len(lines) > 1:
        row = int(np.argmax(np.hypot(*(lines[0] - lines[1]).T)))
        for name, (mine, other) in zip(paths, (lines, lines[::-1]), strict=True):
            away = mine[row] - other[row]
            # The axis across points to the left on the page.
            labels.append(
                _label(name, mine[row], np.arctan2(away[1], -away[0]), "axle", styles[name]["color"])
            )
    for second in range(int(t[-1]) + 1):
        x, y = (float(np.interp(second, t, lines[0][:, k])) for k in (0, 1))
        labels.append(_label(f"{second} s", np.array([x, y]), np.arctan2(y, -x), "second", INK))
    dense = np.linspace(0.0, 1.0, 20)
    filled = [line[:-1, None] + dense[None, :, None] * np.diff(line, axis=0)[:, None] for line in lines]
    angle = np.linspace(0.0, 2.0 * np.pi, 721)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    reach = np.linspace(-1.5, 1.5, 400)
    cross = [np.column_stack([reach, 0.0 * reach]), np.column_stack([0.0 * reach, reach])]
    place_labels(
        figure, axes, labels, np.vstack([circle, *cross, *(points.reshape(-1, 2) for points in filled)])
    )


def _label(text: str, point: Array, away: float, gid: str, color: str) -> Label:
    style: dict[str, Any] = {"fontsize": SMALLEST_IN_HAND, "color": color, "zorder": 6}
    if gid == "axle":
        style["fontweight"] = "bold"
    return Label(text, float(point[0]), float(point[1]), float(away), gid, style)
