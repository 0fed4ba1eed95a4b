"""The circuit from above: the line by its speed, braking zones, corners and landmarks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import BboxBase

from lapwright.lap.corners import CornerReport, slowest_inside
from lapwright.lap.lap import Array, Lap
from lapwright.lap.phases import BrakingZone, braking_zones
from lapwright.outputs.figures.labels import Label, place_labels
from lapwright.outputs.figures.road import (
    PLATE,
    SLOWEST_MARK,
    STEP,
    Plan,
    draw_road,
    longer,
    scale_bar,
    stroke_points,
    surface,
)
from lapwright.outputs.figures.style import (
    A3,
    INK,
    page,
    renderer,
    shown,
    styled,
)
from lapwright.outputs.words import lap_heading
from lapwright.quantities import KMH
from lapwright.track.track import Track

SPEED_COLOURS = "viridis"
"""Even steps to the eye, also in grey and for colour-blind readers (Smith & van der Walt, SciPy 2015)."""


@styled
def draw_map(lap: Lap, track: Track, reports: Sequence[CornerReport]) -> Figure:
    """The circuit from above as an A3 page, on its side when the circuit is wider than high.

    Parameters
    ----------
    lap
        The target lap; its line is coloured by its speed.
    track
        The road; its edges and landmarks are drawn.
    reports
        From ``corner_reports(lap, track)``.
    """
    s = _stations(lap)
    edges = Plan(track).edges(s)
    wide = bool(np.ptp(edges[:, :, 0]) >= 0.9 * np.ptp(edges[:, :, 1]))
    size = A3 if wide else (A3[1], A3[0])
    figure = page(size, lap, lap_heading(lap), taken=5.3)
    axes = figure.add_axes((0.02, 0.09, 0.96, 0.82))
    axes.set_axis_off()
    _frame(axes, edges, size)
    draw_road(axes, edges)
    drawn = [surface(edges)]
    drawn += [_draw_zone(axes, track, zone) for zone in braking_zones(lap)]
    _draw_line(figure, axes, lap)
    drawn.append(_draw_slowest(axes, lap, reports))
    drawn.append(Plan(track).arrow(figure, axes, float(lap.s[0])))
    landmarks, signs = _landmarks(axes, track, lap)
    labels = [
        *_ends(axes, track, lap),
        *(_corner_label(track, report) for report in reports),
        *(label for report in reports if (label := _brake_label(track, report))),
        *landmarks,
    ]
    taken = [scale_bar(figure, axes), _legend(figure, axes)]
    place_labels(figure, axes, labels, np.vstack([*drawn, *signs]), taken)
    return figure


def _stations(lap: Lap) -> Array:
    count = max(int((lap.s[-1] - lap.s[0]) / STEP), 8) + 1
    return np.linspace(lap.s[0], lap.s[-1], count)


def _frame(axes: Axes, edges: Array, size: tuple[float, float]) -> None:
    """Limits with room for labels all round; one metre is the same in both directions."""
    low, high = edges.reshape(-1, 2).min(axis=0), edges.reshape(-1, 2).max(axis=0)
    box = axes.get_position()
    width, height = size[0] * box.width, size[1] * box.height
    centre, span = 0.5 * (low + high), np.maximum(high - low, 1.0)
    room = np.array([3.4, 2.6]) if width > height else np.array([3.0, 3.2])
    metres = max(span[0] / (width - room[0]), span[1] / (height - room[1]))
    axes.set_xlim(centre[0] - metres * width / 2, centre[0] + metres * width / 2)
    axes.set_ylim(centre[1] - metres * height / 2, centre[1] + metres * height / 2)
    axes.set_aspect("equal", adjustable="datalim")


def _draw_zone(axes: Axes, track: Track, zone: BrakingZone) -> Array:
    """A braking zone hatched between thick dark edges, a bar across at brake-on; points of the bar."""
    s = np.linspace(zone.start, zone.start + zone.length, max(int(zone.length / STEP), 2) + 1)
    edges = Plan(track).edges(s)
    outline = np.vstack([edges[0], edges[1][::-1]])
    axes.add_patch(
        Polygon(
            outline, closed=True, facecolor="#B5B5B5", edgecolor=INK, hatch="////", linewidth=0, zorder=2.2
        )
    )
    for edge in edges:
        axes.plot(edge[:, 0], edge[:, 1], color=INK, linewidth=3.0, solid_capstyle="butt", zorder=2.4)
    across = longer(edges[:, 0], 1.9)
    axes.plot(across[:, 0], across[:, 1], color=INK, linewidth=4.5, solid_capstyle="butt", zorder=4)
    return stroke_points(across)


def _draw_slowest(axes: Axes, lap: Lap, reports: Sequence[CornerReport]) -> Array:
    """A dot on the driven line where each corner is slowest; the points."""
    at = np.array([report.slowest_at for report in reports if slowest_inside(report)])
    points = np.column_stack([np.interp(at, lap.s, lap.x), np.interp(at, lap.s, lap.y)])
    axes.plot(points[:, 0], points[:, 1], zorder=5, **SLOWEST_MARK)
    return points


def _draw_line(figure: Figure, axes: Axes, lap: Lap) -> None:
    points = np.column_stack([lap.x, lap.y])
    axes.plot(points[:, 0], points[:, 1], color="white", linewidth=6.0, solid_capstyle="round", zorder=2.8)
    axes.plot(points[:, 0], points[:, 1], color=INK, linewidth=4.6, solid_capstyle="round", zorder=2.9)
    pieces = np.stack([points[:-1], points[1:]], axis=1)
    speed = KMH * 0.5 * (lap.speed[1:] + lap.speed[:-1])
    line = LineCollection(list(pieces), cmap=SPEED_COLOURS, linewidths=3.2, capstyle="round", zorder=3)
    line.set_array(speed)
    axes.add_collection(line, autolim=False)
    width, height = figure.get_size_inches()
    bar = figure.add_axes((1 - 5.4 / width, 1 - 0.62 / height, 5.0 / width, 0.2 / height))
    scale = figure.colorbar(line, cax=bar, orientation="horizontal", ticks=MaxNLocator(6, integer=True))
    scale.set_label("Speed [km/h]", fontsize=13)


def _legend(figure: Figure, axes: Axes) -> BboxBase:
    handles = [
        Patch(facecolor="#B5B5B5", edgecolor=INK, hatch="////", label="braking"),
        Line2D([], [], color=INK, linewidth=0, marker="|", markersize=16, markeredgewidth=4.5,
               label="brake on: m before (in: after) the corner's start, km/h"),
        Line2D([], [], **SLOWEST_MARK, label="slowest point"),
        Line2D([], [], color=INK, linewidth=0, marker="v", markersize=9, label="landmark"),
    ]  # fmt: skip
    legend = axes.legend(handles=handles, loc="lower right", frameon=False, ncols=4, borderaxespad=0.2)
    return legend.get_window_extent(renderer(figure))


def _corner_label(track: Track, report: CornerReport) -> Label:
    """Name, slowest speed and gear, wanted on the outside of the corner."""
    left_turn = report.direction.startswith("left")
    where = report.slowest_at if slowest_inside(report) else _half_way(report, track)
    x, y = Plan(track).edge_point(where, not left_turn)
    heading = Plan(track).pose(where)[2]
    away = heading + (-np.pi / 2 if left_turn else np.pi / 2)
    gear = f", gear {report.slowest_gear}" if report.slowest_gear else ""
    text = f"{shown(report.name)}\n{report.slowest_speed * KMH:.0f} km/h{gear}"
    style = {"fontweight": "bold", "fontsize": 14, "linespacing": 1.05, "zorder": 7}
    return Label(text, x, y, away, "corner", style)


def _half_way(report: CornerReport, track: Track) -> float:
    span = report.end - report.start
    if track.closed:
        span %= track.length
    return report.start + 0.5 * span


def _brake_label(track: Track, report: CornerReport) -> Label | None:
    if report.brake_on is None or report.brake_on_speed is None or report.brake_on_before_start is None:
        return None
    left_turn = report.direction.startswith("left")
    x, y = Plan(track).edge_point(report.brake_on, not left_turn)
    heading = Plan(track).pose(report.brake_on)[2]
    before = round(report.brake_on_before_start)
    metres = f"{before} m" if before >= 0 else f"{-before} m in"
    text = f"{metres}, {report.brake_on_speed * KMH:.0f} km/h"
    away = heading + (-np.pi / 2 if left_turn else np.pi / 2)
    style = {"fontsize": 12.5, "color": "white", "zorder": 7, "bbox": PLATE}
    return Label(text, x, y, away, "brake-on", style)


def _landmarks(axes: Axes, track: Track, lap: Lap) -> tuple[list[Label], list[Array]]:
    """A triangle beside the road at each landmark, on the outside of the bend ahead; labels and places."""
    labels, signs = [], []
    for mark in track.landmarks:
        if not lap.closed and not lap.s[0] <= mark.at <= lap.s[-1]:
            continue
        x, y, away = Plan(track).landmark_sign(mark.at)
        axes.plot([x], [y], marker="v", color=INK, markersize=7, zorder=5)
        style = {"fontsize": 12, "style": "italic", "zorder": 7}
        labels.append(Label(shown(mark.name), x, y, away, "landmark", style))
        signs.append(np.array([[x, y]]))
    return labels, signs


def _ends(axes: Axes, track: Track, lap: Lap) -> list[Label]:
    """The line across the road with an arrow in driving direction; both ends of an open section."""
    places = [(float(lap.s[0]), "Start / finish")] if lap.closed else [
        (float(lap.s[0]), "Start"), (float(lap.s[-1]), "Finish")
    ]  # fmt: skip
    labels = []
    for station, word in places:
        ends = np.array([Plan(track).edge_point(station, True), Plan(track).edge_point(station, False)])
        across = longer(ends, 1.9)
        axes.plot(across[:, 0], across[:, 1], color=INK, linewidth=6, solid_capstyle="butt", zorder=4)
        axes.plot(across[:, 0], across[:, 1], color="white", linewidth=3.2, linestyle=(0, (1, 1)), zorder=4.1)
        heading = Plan(track).pose(station)[2]
        x, y = float(across[0, 0]), float(across[0, 1])
        labels.append(Label(word, x, y, heading + np.pi / 2, "line", {"fontsize": 13, "zorder": 7}))
    return labels
