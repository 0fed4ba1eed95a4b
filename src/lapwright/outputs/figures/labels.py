"""Labels beside a road: a place for each that covers neither the road nor another label."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from lapwright.lap.lap import Array
from lapwright.outputs.figures.style import renderer

PAD = 3.0
"""Free space around a label [pixels]."""

DISTANCES = (10.0, 18.0, 28.0, 42.0, 60.0, 85.0, 115.0, 150.0, 190.0, 240.0, 300.0, 370.0)
"""Gaps tried between anchor and label [pixels at 100 dpi]."""

ANGLES = np.deg2rad([0, 20, -20, 40, -40, 60, -60, 80, -80, 105, -105, 130, -130, 155, -155, 180])
"""Directions tried, from the wanted one."""

LEADER = 16.0
"""A label farther away than this [pixels at 100 dpi] gets a line to its anchor."""


@dataclass(frozen=True)
class Label:
    """A text that belongs to the point (x, y) of the axes' data.

    ``away`` is the wanted direction from the point [rad, in data axes]; ``style`` goes to ``Axes.text``.
    """

    text: str
    x: float
    y: float
    away: float
    gid: str
    style: dict[str, Any] = field(default_factory=dict)


@dataclass
class _Board:
    """What is taken already, in pixels: points that may not be covered, and boxes."""

    points: Array
    boxes: list[tuple[float, float, float, float]]
    frame: tuple[float, float, float, float]

    def cost(self, box: tuple[float, float, float, float], leader: Array) -> float:
        """How bad a place is: 0 when it is free."""
        x0, y0, x1, y1 = box[0] - PAD, box[1] - PAD, box[2] + PAD, box[3] + PAD
        outside = max(self.frame[0] - x0, 0) + max(x1 - self.frame[2], 0)
        outside += max(self.frame[1] - y0, 0) + max(y1 - self.frame[3], 0)
        px, py = self.points[:, 0], self.points[:, 1]
        covered = float(np.count_nonzero((px > x0) & (px < x1) & (py > y0) & (py < y1)))
        shared = sum(_overlap((x0, y0, x1, y1), other) for other in self.boxes)
        crossed = sum(_inside(leader, other) for other in self.boxes)
        return 50.0 * outside + 6.0 * covered + 0.5 * shared + 40.0 * crossed


def _overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> float:
    width = min(a[2], b[2]) - max(a[0], b[0])
    height = min(a[3], b[3]) - max(a[1], b[1])
    return width * height if width > 0 and height > 0 else 0.0


def _inside(points: Array, box: tuple[float, float, float, float]) -> float:
    x, y = points[:, 0], points[:, 1]
    return float(np.count_nonzero((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3])))


def place_labels(
    figure: Figure, axes: Axes, labels: Sequence[Label], road: Array, boxes: Sequence[Any] = ()
) -> list[Text]:
    """Write labels where they cover nothing, nearest first; each gets the best place left by those before it.

    Parameters
    ----------
    figure, axes
        The axes' position and limits must be final.
    labels
        In order of importance.
    road
        (K, 2) points of the data that no label may cover, close enough together.
    boxes
        Further boxes in pixels that are taken.

    Returns
    -------
    list of Text
        In the order of ``labels``.
    """
    scale = figure.dpi / 100.0
    window = axes.get_window_extent(renderer(figure))
    board = _Board(
        axes.transData.transform(road),
        [(b.x0, b.y0, b.x1, b.y1) for b in boxes],
        (window.x0, window.y0, window.x1, window.y1),
    )
    texts = []
    for label in labels:
        text = axes.text(label.x, label.y, label.text, ha="center", va="center", gid=label.gid, **label.style)
        extent = text.get_window_extent(renderer(figure))
        anchor = axes.transData.transform((label.x, label.y))
        centre, box, leader = _best(board, anchor, label.away, extent.width, extent.height, scale)
        where = axes.transData.inverted().transform(centre)
        text.set_position((float(where[0]), float(where[1])))
        board.boxes.append(box)
        if np.hypot(*(leader[-1] - leader[0])) > LEADER * scale:
            ends = axes.transData.inverted().transform(leader[[0, -1]])
            axes.plot(ends[:, 0], ends[:, 1], color="#555555", linewidth=0.9, zorder=6)
            board.points = np.vstack([board.points, leader[3:]])
        texts.append(text)
    return texts


def _best(
    board: _Board, anchor: Array, away: float, width: float, height: float, scale: float
) -> tuple[Array, tuple[float, float, float, float], Array]:
    best: tuple[float, Array, tuple[float, float, float, float], Array] | None = None
    for distance in DISTANCES:
        for turn in ANGLES:
            direction = np.array([np.cos(away + turn), np.sin(away + turn)])
            reach = distance * scale + _half(direction, width, height)
            centre = anchor + reach * direction
            box = (
                centre[0] - width / 2,
                centre[1] - height / 2,
                centre[0] + width / 2,
                centre[1] + height / 2,
            )
            edge = anchor + distance * scale * direction
            leader = anchor + np.linspace(0.0, 1.0, max(int(distance * scale / 4), 4))[:, None] * (
                edge - anchor
            )
            cost = board.cost(box, leader) + 0.12 * distance + 4.0 * abs(float(turn))
            if best is None or cost < best[0]:
                best = (cost, centre, box, leader)
    assert best is not None
    return best[1], best[2], best[3]


def _half(direction: Array, width: float, height: float) -> float:
    """From the centre of a box to its edge along a direction."""
    with np.errstate(divide="ignore"):
        return float(np.min(np.array([width, height]) / 2 / np.maximum(np.abs(direction), 1e-9)))
