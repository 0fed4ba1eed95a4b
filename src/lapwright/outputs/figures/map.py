"""The circuit from above: the line by its speed, braking zones, corners and landmarks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import Bbox, BboxBase

from lapwright.lap.corners import CornerReport, slowest_inside
from lapwright.lap.lap import Array, Lap
from lapwright.lap.phases import BrakingZone, braking_zones
from lapwright.outputs.figures.labels import Label, place_labels
from lapwright.outputs.figures.style import (
    A3,
    EDGE,
    INK,
    REFERENCE,
    ROAD,
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

STEP = 2.0
"""Distance between the points that the road is drawn with [m]."""

LOOK_AHEAD = 40.0
"""A landmark stands on the outside of the road as it bends so far ahead [m]."""


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
    edges = _edges(track, s)
    wide = bool(np.ptp(edges[:, :, 0]) >= 0.9 * np.ptp(edges[:, :, 1]))
    size = A3 if wide else (A3[1], A3[0])
    figure = page(size, lap, lap_heading(lap), taken=5.3)
    axes = figure.add_axes((0.02, 0.09, 0.96, 0.82))
    axes.set_axis_off()
    _frame(axes, edges, size)
    _draw_road(axes, edges, lap.closed)
    drawn = [_surface(edges)]
    drawn += [_draw_zone(axes, track, zone) for zone in braking_zones(lap)]
    _draw_line(figure, axes, lap)
    drawn.append(_draw_slowest(axes, lap, reports))
    drawn.append(_arrow(figure, axes, track, float(lap.s[0])))
    landmarks, signs = _landmarks(axes, track, lap)
    labels = [
        *_ends(axes, track, lap),
        *(_corner_label(track, report) for report in reports),
        *(label for report in reports if (label := _brake_label(track, report))),
        *landmarks,
    ]
    taken = [_scale_bar(figure, axes), _legend(figure, axes)]
    place_labels(figure, axes, labels, np.vstack([*drawn, *signs]), taken)
    return figure


def _stations(lap: Lap) -> Array:
    count = max(int((lap.s[-1] - lap.s[0]) / STEP), 8) + 1
    return np.linspace(lap.s[0], lap.s[-1], count)


def _edges(track: Track, s: Array) -> Array:
    """Left and right edge, (2, M, 2), in plan."""
    road = track.road(s)
    left = track.to_world(s, road.width_left)
    right = track.to_world(s, -road.width_right)
    return np.stack([np.column_stack(left[:2]), np.column_stack(right[:2])])


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


def _surface(edges: Array) -> Array:
    """Points all over the road, close together, (K, 2)."""
    middle = 0.5 * (edges[:, 1:] + edges[:, :-1])
    dense = np.concatenate([edges, middle], axis=1)
    shares = np.linspace(0.0, 1.0, 9)[:, None, None]
    points: Array = ((1 - shares) * dense[0] + shares * dense[1]).reshape(-1, 2)
    return points


def _draw_road(axes: Axes, edges: Array, closed: bool) -> None:
    outline = np.vstack([edges[0], edges[1][::-1]])
    axes.add_patch(Polygon(outline, closed=True, facecolor=ROAD, edgecolor="none", zorder=1))
    for edge in edges:
        axes.plot(edge[:, 0], edge[:, 1], color=EDGE, linewidth=1.0, zorder=2)


def _draw_zone(axes: Axes, track: Track, zone: BrakingZone) -> Array:
    """A braking zone hatched between thick dark edges, a bar across at brake-on; points of the bar."""
    s = np.linspace(zone.start, zone.start + zone.length, max(int(zone.length / STEP), 2) + 1)
    edges = _edges(track, s)
    outline = np.vstack([edges[0], edges[1][::-1]])
    axes.add_patch(
        Polygon(
            outline, closed=True, facecolor="#B5B5B5", edgecolor=INK, hatch="////", linewidth=0, zorder=2.2
        )
    )
    for edge in edges:
        axes.plot(edge[:, 0], edge[:, 1], color=INK, linewidth=3.0, solid_capstyle="butt", zorder=2.4)
    across = _across(edges[:, 0], 1.9)
    axes.plot(across[:, 0], across[:, 1], color=INK, linewidth=4.5, solid_capstyle="butt", zorder=4)
    return _between(across)


def _across(ends: Array, stretch: float) -> Array:
    """The line between two points, made longer about its middle."""
    middle = ends.mean(axis=0)
    longer: Array = middle + stretch * (ends - middle)
    return longer


def _between(ends: Array) -> Array:
    """Points from one end of a stroke to the other."""
    points: Array = ends[0] + np.linspace(0.0, 1.0, 60)[:, None] * (ends[1] - ends[0])
    return points


def _draw_slowest(axes: Axes, lap: Lap, reports: Sequence[CornerReport]) -> Array:
    """A dot on the driven line where each corner is slowest; the points."""
    at = np.array([report.slowest_at for report in reports if slowest_inside(report)])
    points = np.column_stack([np.interp(at, lap.s, lap.x), np.interp(at, lap.s, lap.y)])
    axes.plot(points[:, 0], points[:, 1], zorder=5, **_SLOWEST)
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


def _scale_bar(figure: Figure, axes: Axes) -> BboxBase:
    low, high = axes.get_xlim()
    wanted = 0.14 * (high - low)
    length = max(v for v in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000) if v <= max(wanted, 1))
    x = low + 0.012 * (high - low)
    y = axes.get_ylim()[0] + 0.02 * np.ptp(axes.get_ylim())
    axes.plot([x, x + length], [y, y], color=INK, linewidth=4, solid_capstyle="butt", zorder=6)
    text = axes.text(x, y + 0.012 * np.ptp(axes.get_ylim()), f"{length} m", va="bottom", zorder=6)
    box = text.get_window_extent(renderer(figure))
    ends = axes.transData.transform([[x, y], [x + length, y]])
    return Bbox.from_extents(ends[0, 0], ends[0, 1] - 6, max(ends[1, 0], box.x1), box.y1)


def _legend(figure: Figure, axes: Axes) -> BboxBase:
    handles = [
        Patch(facecolor="#B5B5B5", edgecolor=INK, hatch="////", label="braking"),
        Line2D([], [], color=INK, linewidth=0, marker="|", markersize=16, markeredgewidth=4.5,
               label="brake on: m before (in: after) the corner's start, km/h"),
        Line2D([], [], **_SLOWEST, label="slowest point"),
        Line2D([], [], color=INK, linewidth=0, marker="v", markersize=9, label="landmark"),
    ]  # fmt: skip
    legend = axes.legend(handles=handles, loc="lower right", frameon=False, ncols=4, borderaxespad=0.2)
    return legend.get_window_extent(renderer(figure))


def _normal(track: Track, station: float) -> tuple[float, float, float]:
    """Centreline point in plan and the heading of the road there."""
    road = track.road(np.array([station]))
    return float(road.x[0]), float(road.y[0]), float(road.heading[0])


def _edge_point(track: Track, station: float, left: bool) -> tuple[float, float]:
    at = np.array([station])
    road = track.road(at)
    x, y, _ = track.to_world(at, road.width_left if left else -road.width_right)
    return float(x[0]), float(y[0])


def _corner_label(track: Track, report: CornerReport) -> Label:
    """Name, slowest speed and gear, wanted on the outside of the corner."""
    left_turn = report.direction.startswith("left")
    where = report.slowest_at if slowest_inside(report) else _half_way(report, track)
    x, y = _edge_point(track, where, not left_turn)
    heading = _normal(track, where)[2]
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
    x, y = _edge_point(track, report.brake_on, not left_turn)
    heading = _normal(track, report.brake_on)[2]
    before = round(report.brake_on_before_start)
    metres = f"{before} m" if before >= 0 else f"{-before} m in"
    text = f"{metres}, {report.brake_on_speed * KMH:.0f} km/h"
    away = heading + (-np.pi / 2 if left_turn else np.pi / 2)
    style = {"fontsize": 12.5, "color": "white", "zorder": 7, "bbox": _PLATE}
    return Label(text, x, y, away, "brake-on", style)


_SLOWEST: dict[str, Any] = {
    "linestyle": "none",
    "marker": "o",
    "markersize": 8,
    "markerfacecolor": "white",
    "markeredgecolor": INK,
    "markeredgewidth": 2.0,
}
_PLATE = {"facecolor": INK, "edgecolor": INK, "boxstyle": "square,pad=0.22"}


def _landmarks(axes: Axes, track: Track, lap: Lap) -> tuple[list[Label], list[Array]]:
    """A triangle beside the road at each landmark, on the outside of the bend ahead; labels and places."""
    labels, signs = [], []
    for mark in track.landmarks:
        if not lap.closed and not lap.s[0] <= mark.at <= lap.s[-1]:
            continue
        left = float(track.road(np.array([mark.at + LOOK_AHEAD])).curvature[0]) < 0
        edge = _edge_point(track, mark.at, left)
        x, y, heading = _normal(track, mark.at)
        out = 1.6 * np.hypot(edge[0] - x, edge[1] - y)
        away = heading + (np.pi / 2 if left else -np.pi / 2)
        x, y = x + out * np.cos(away), y + out * np.sin(away)
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
        ends = np.array([_edge_point(track, station, True), _edge_point(track, station, False)])
        across = _across(ends, 1.9)
        axes.plot(across[:, 0], across[:, 1], color=INK, linewidth=6, solid_capstyle="butt", zorder=4)
        axes.plot(across[:, 0], across[:, 1], color="white", linewidth=3.2, linestyle=(0, (1, 1)), zorder=4.1)
        heading = _normal(track, station)[2]
        x, y = float(across[0, 0]), float(across[0, 1])
        labels.append(Label(word, x, y, heading + np.pi / 2, "line", {"fontsize": 13, "zorder": 7}))
    return labels


def _arrow(figure: Figure, axes: Axes, track: Track, station: float) -> Array:
    """An arrow beside the road in driving direction; points along it."""
    x, y, heading = _normal(track, station)
    side = np.array([np.sin(heading), -np.cos(heading)])
    ahead = np.array([np.cos(heading), np.sin(heading)])
    inch = np.ptp(axes.get_xlim()) / (axes.get_window_extent(renderer(figure)).width / figure.dpi)
    road = track.road(np.array([station]))
    tail = np.array([x, y]) + side * (float(road.width_right[0]) + 0.24 * inch)
    tip = tail + ahead * 0.85 * inch
    style = "-|>,head_width=0.5,head_length=0.9"
    axes.annotate(
        "",
        xy=(tip[0], tip[1]),
        xytext=(tail[0], tail[1]),
        zorder=6,
        arrowprops={"arrowstyle": style, "color": REFERENCE, "linewidth": 3.5},
    )
    head = 0.09 * inch * side
    return np.vstack([_between(np.array([tail + shift, tip + shift])) for shift in (-head, 0.0 * head, head)])
