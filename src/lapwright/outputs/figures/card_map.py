"""The corner of a card from above: the driven line, how hard it is braked, where what is done, landmarks."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.transforms import BboxBase

from lapwright.corner.card import CornerCard
from lapwright.lap.lap import Array, Lap
from lapwright.outputs.figures.card_marks import MARKERS, Mark, marks_of, view_of
from lapwright.outputs.figures.labels import Label, place_labels
from lapwright.outputs.figures.road import STEP, Plan, draw_road, scale_bar, surface
from lapwright.outputs.figures.style import (
    EDGE,
    INK,
    REFERENCE,
    REFERENCE_LINE,
    SMALLEST_IN_HAND,
    renderer,
    shown,
)
from lapwright.quantities import KMH
from lapwright.track.track import Track

TURNS = np.deg2rad(np.arange(0.0, 180.0, 7.5))
"""Ways tried to turn the corner so that it fills its place."""

ROOM = (1.3, 0.75)
"""Free width and height for labels [inch]."""

FINEST = 120
"""Pieces that the road is drawn in at the least, so that a tight bend stays round."""

FOOT = 0.24
"""Height at the bottom for the scale bar and the key [inch]."""

WIDEST = 0.15
"""Width of the band under the line where the brake is full [inch]."""

BRAKE_SEEN = 0.01
"""Share of the brake from which the band is drawn."""

SIGN = 0.06
"""Radius of a sign on the map [inch]."""

TOLD = ("brake on", "lift", "turn-in", "slowest")
"""Marks whose label tells the speed."""


def draw_corner(figure: Figure, axes: Axes, card: CornerCard, track: Track) -> None:
    """Draw the corner into axes whose place on the page is final."""
    lap, (first, last) = card.drive.lap, view_of(card)
    plan = Plan(track, _best_turn(figure, axes, track, first, last))
    edges = plan.edges(_stations(first, last))
    axes.set_axis_off()
    _frame(figure, axes, edges.reshape(-1, 2))
    draw_road(axes, edges)
    line = _draw_line(figure, axes, plan, lap, first, last)
    marks = sorted(marks_of(card.reading), key=lambda mark: mark.name != "clip")
    spots = {mark.name: _spot(plan, lap, mark.place.at) for mark in marks}
    for mark in marks:
        axes.plot(*spots[mark.name], **MARKERS[mark.name])
    landmarks, signs = _landmarks(axes, plan, first, last)
    rings = [_ring(figure, axes, spot) for spot in (*spots.values(), *(sign[0] for sign in signs))]
    labels = [_label(plan, mark, spots[mark.name], card.reading.direction) for mark in marks_of(card.reading)]
    taken = [
        scale_bar(figure, axes),
        _key(figure, axes, bool(lap.brake[(lap.s >= first) & (lap.s <= last)].max() > BRAKE_SEEN)),
    ]
    place_labels(
        figure, axes, [*labels, *landmarks], np.vstack([surface(edges), line, *signs, *rings]), taken
    )


def _stations(first: float, last: float) -> Array:
    return np.linspace(first, last, max(int((last - first) / STEP), FINEST) + 1)


def _size(figure: Figure, axes: Axes) -> Array:
    """Width and height of the part of the axes that the corner may fill [inch]."""
    box = axes.get_position()
    return np.array([box.width, box.height]) * figure.get_size_inches() - (0.0, FOOT)


def _metres(points: Array, size: Array) -> float:
    """Metres an inch with which points fit, labels round them."""
    return float(np.max(np.ptp(points, axis=0) / (size - ROOM)))


def _best_turn(figure: Figure, axes: Axes, track: Track, first: float, last: float) -> float:
    """The turn with the largest scale; of its two directions the one that is entered from the left."""
    size, points = _size(figure, axes), Plan(track).edges(_stations(first, last)).reshape(-1, 2)
    tries = [_metres(Plan(track, turn).turned(*points.T), size) for turn in TURNS]
    turn = float(TURNS[int(np.argmin(tries))])
    return turn if np.cos(Plan(track, turn).pose(first)[2]) >= 0 else turn + np.pi


def _frame(figure: Figure, axes: Axes, points: Array) -> None:
    size = _size(figure, axes)
    metres = _metres(points, size)
    reach = metres * size / 2
    centre = 0.5 * (points.min(axis=0) + points.max(axis=0))
    axes.set_xlim(centre[0] - reach[0], centre[0] + reach[0])
    axes.set_ylim(centre[1] - reach[1] - metres * FOOT, centre[1] + reach[1])


def _draw_line(figure: Figure, axes: Axes, plan: Plan, lap: Lap, first: float, last: float) -> Array:
    """The driven line with a head at its end, under it a band as wide as the brake is pressed; points along it."""
    rows = (lap.s >= first) & (lap.s <= last)
    points = plan.turned(lap.x[rows], lap.y[rows])
    along = np.gradient(points, axis=0)
    across = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    inch = float(np.ptp(axes.get_xlim()) / _size(figure, axes)[0])
    half = 0.5 * WIDEST * inch * np.where(lap.brake[rows] > BRAKE_SEEN, lap.brake[rows], 0.0)[:, None]
    outline = np.vstack([points + half * across, (points - half * across)[::-1]])
    axes.add_patch(Polygon(outline, closed=True, facecolor="#8C8C8C", edgecolor="none", zorder=2.5))
    axes.plot(points[:, 0], points[:, 1], **REFERENCE_LINE)
    heading = across[-1] @ np.array([[0.0, -1.0], [1.0, 0.0]])
    side, tip = 0.075 * inch * across[-1], 0.2 * inch * heading
    head = np.vstack([points[-1] + side, points[-1] + tip, points[-1] - side])
    axes.add_patch(Polygon(head, closed=True, facecolor=REFERENCE, edgecolor="none", zorder=3))
    return np.vstack([points, points[-1] + np.linspace(0.0, 1.0, 20)[:, None] * tip])


def _spot(plan: Plan, lap: Lap, station: float) -> Array:
    x, y = np.interp(station, lap.s, lap.x), np.interp(station, lap.s, lap.y)
    return plan.turned(np.array([x]), np.array([y]))[0]


def _ring(figure: Figure, axes: Axes, spot: Array) -> Array:
    """Points round a sign, which no label may cover."""
    angle = np.linspace(0.0, 2.0 * np.pi, 24)
    radius = SIGN * np.ptp(axes.get_xlim()) / _size(figure, axes)[0]
    return np.asarray(spot + radius * np.column_stack([np.cos(angle), np.sin(angle)]))


def _label(plan: Plan, mark: Mark, spot: Array, direction: str) -> Label:
    """Wanted on the outside of the corner; the clipping point on its inside."""
    heading = plan.pose(mark.place.at)[2]
    left = direction.startswith("left")
    outside = heading + (-np.pi / 2 if left else np.pi / 2)
    away = outside + np.pi if mark.name in ("clip", "slowest") else outside
    speed = f" {mark.place.speed * KMH:.0f}" if mark.name in TOLD else ""
    style = {"fontsize": SMALLEST_IN_HAND, "fontweight": "bold", "zorder": 7}
    return Label(mark.name + speed, float(spot[0]), float(spot[1]), away, "mark", style)


def _landmarks(axes: Axes, plan: Plan, first: float, last: float) -> tuple[list[Label], list[Array]]:
    """Signs of the landmarks in view; labels and places."""
    track, labels, signs = plan.track, [], []
    around = track.length if track.closed else 0.0
    for landmark in track.landmarks:
        at = first + (landmark.at - first) % around if around else landmark.at
        if not first <= at <= last:
            continue
        x, y, away = plan.landmark_sign(at)
        axes.plot([x], [y], marker="v", color=EDGE, markersize=6, zorder=5)
        style = {"fontsize": SMALLEST_IN_HAND, "style": "italic", "zorder": 7}
        labels.append(Label(shown(landmark.name), x, y, away, "landmark", style))
        signs.append(np.array([[x, y]]))
    return labels, signs


def _key(figure: Figure, axes: Axes, braked: bool) -> BboxBase:
    band = ";  grey band: brake, wider is harder" if braked else ""
    text = axes.text(
        1.0,
        0.0,
        f"numbers: km/h{band}",
        transform=axes.transAxes,
        ha="right",
        va="bottom",
        fontsize=SMALLEST_IN_HAND,
        color=INK,
    )
    return text.get_window_extent(renderer(figure))
