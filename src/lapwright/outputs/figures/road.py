"""A road from above: edges, surface, scale bar, direction of travel; the map of a lap and that of a corner share them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.transforms import Bbox, BboxBase

from lapwright.lap.lap import Array
from lapwright.outputs.figures.style import EDGE, INK, REFERENCE, ROAD, renderer
from lapwright.track.track import Track

STEP = 2.0
"""Distance between the points that the road is drawn with [m]."""

LOOK_AHEAD = 40.0
"""A landmark stands on the outside of the road as it bends so far ahead [m]."""

SLOWEST_MARK: dict[str, Any] = {
    "linestyle": "none",
    "marker": "o",
    "markersize": 8,
    "markerfacecolor": "white",
    "markeredgecolor": INK,
    "markeredgewidth": 2.0,
}
PLATE = {"facecolor": INK, "edgecolor": INK, "boxstyle": "square,pad=0.22"}


@dataclass(frozen=True)
class Plan:
    """A track from above, turned by ``turn`` [rad, against the clock]."""

    track: Track
    turn: float = 0.0

    def turned(self, x: Array, y: Array) -> Array:
        """Points of the world as they are drawn, (M, 2)."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        return np.column_stack([c * x - s * y, s * x + c * y])

    def edges(self, s: Array) -> Array:
        """Left and right edge at stations, (2, M, 2)."""
        road = self.track.road(s)
        left = self.track.to_world(s, road.width_left)
        right = self.track.to_world(s, -road.width_right)
        return np.stack([self.turned(*left[:2]), self.turned(*right[:2])])

    def edge_point(self, station: float, left: bool) -> tuple[float, float]:
        """One point of an edge."""
        point = self.edges(np.array([station]))[0 if left else 1, 0]
        return float(point[0]), float(point[1])

    def pose(self, station: float) -> tuple[float, float, float]:
        """Centreline point and the heading of the road there."""
        road = self.track.road(np.array([station]))
        point = self.turned(road.x, road.y)[0]
        return float(point[0]), float(point[1]), float(road.heading[0]) + self.turn

    def landmark_sign(self, station: float) -> tuple[float, float, float]:
        """Where the sign of a landmark stands beside the road, and the direction away from the road."""
        left = float(self.track.road(np.array([station + LOOK_AHEAD])).curvature[0]) < 0
        edge = self.edge_point(station, left)
        x, y, heading = self.pose(station)
        out = 1.6 * np.hypot(edge[0] - x, edge[1] - y)
        away = heading + (np.pi / 2 if left else -np.pi / 2)
        return x + out * np.cos(away), y + out * np.sin(away), away

    def arrow(self, figure: Figure, axes: Axes, station: float) -> Array:
        """An arrow right of the road in driving direction; points along it."""
        x, y, heading = self.pose(station)
        side = np.array([np.sin(heading), -np.cos(heading)])
        ahead = np.array([np.cos(heading), np.sin(heading)])
        inch = np.ptp(axes.get_xlim()) / (axes.get_window_extent(renderer(figure)).width / figure.dpi)
        road = self.track.road(np.array([station]))
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
        return np.vstack(
            [stroke_points(np.array([tail + shift, tip + shift])) for shift in (-head, 0.0 * head, head)]
        )


def surface(edges: Array) -> Array:
    """Points all over a road of edges (2, M, 2), close together, (K, 2)."""
    middle = 0.5 * (edges[:, 1:] + edges[:, :-1])
    dense = np.concatenate([edges, middle], axis=1)
    shares = np.linspace(0.0, 1.0, 9)[:, None, None]
    points: Array = ((1 - shares) * dense[0] + shares * dense[1]).reshape(-1, 2)
    return points


def draw_road(axes: Axes, edges: Array) -> None:
    """The road between its edges (2, M, 2)."""
    outline = np.vstack([edges[0], edges[1][::-1]])
    axes.add_patch(Polygon(outline, closed=True, facecolor=ROAD, edgecolor="none", zorder=1))
    for edge in edges:
        axes.plot(edge[:, 0], edge[:, 1], color=EDGE, linewidth=1.0, zorder=2)


def longer(ends: Array, stretch: float) -> Array:
    """The line between two points, made longer about its middle."""
    middle = ends.mean(axis=0)
    made: Array = middle + stretch * (ends - middle)
    return made


def stroke_points(ends: Array) -> Array:
    """Points from one end of a stroke to the other."""
    points: Array = ends[0] + np.linspace(0.0, 1.0, 60)[:, None] * (ends[1] - ends[0])
    return points


def scale_bar(figure: Figure, axes: Axes) -> BboxBase:
    """A bar of a round length at the lower left; the box that it takes [pixels]."""
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
