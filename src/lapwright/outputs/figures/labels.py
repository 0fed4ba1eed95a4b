"""Labels beside a road: a place for each that covers neither the road nor another label."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import BboxBase

from lapwright.lap.lap import Array
from lapwright.outputs.figures.style import renderer

Box = tuple[float, float, float, float]

PAD = 3.0
"""Free space around a label [pixels]."""

CELL = 3.0
"""Size of the squares in which the page is remembered as taken or free [pixels]."""

DISTANCES = (10.0, 18.0, 28.0, 42.0, 60.0, 85.0, 115.0, 150.0, 190.0, 240.0, 300.0, 370.0)
"""Gaps tried between anchor and label [pixels at 100 dpi]."""

ANGLES = np.deg2rad([0, 20, -20, 40, -40, 60, -60, 80, -80, 105, -105, 130, -130, 155, -155, 180])
"""Directions tried, from the wanted one."""

LEADER = 16.0
"""A label farther away than this [pixels at 100 dpi] gets a line to its anchor."""

LEADER_FREE = 12.0
"""So much of a leader [pixels at 100 dpi] may run over the road, from which it starts."""


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


class _Board:
    """What is taken already: squares of the page under the road and its marks, boxes of labels, leaders."""

    def __init__(self, points: Array, boxes: Sequence[Box], frame: BboxBase) -> None:
        self.x0, self.y0 = frame.x0, frame.y0
        self.frame = (frame.x0, frame.y0, frame.x1, frame.y1)
        self.taken = np.zeros((int(frame.width / CELL) + 2, int(frame.height / CELL) + 2))
        self.boxes = list(boxes)
        self.leaders = np.empty((0, 2))
        i, j = self._cells(points)
        self.taken[i, j] = 1.0
        self.sums = np.pad(self.taken.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))

    def _cells(self, points: Array) -> tuple[Any, Any]:
        i = np.clip((points[:, 0] - self.x0) / CELL, 0, self.taken.shape[0] - 1).astype(int)
        j = np.clip((points[:, 1] - self.y0) / CELL, 0, self.taken.shape[1] - 1).astype(int)
        return i, j

    def covered(self, box: Box) -> float:
        """Squares of road under a box."""
        (i0, i1), (j0, j1) = self._cells(np.array([[box[0], box[1]], [box[2], box[3]]]))
        s = self.sums
        return float(s[i1 + 1, j1 + 1] - s[i0, j1 + 1] - s[i1 + 1, j0] + s[i0, j0])

    def cost(self, box: Box, leader: Array, free: int) -> float:
        """How bad a place is: 0 when it is free; ``free`` points of the leader may lie on the road."""
        wide = (box[0] - PAD, box[1] - PAD, box[2] + PAD, box[3] + PAD)
        outside = max(self.frame[0] - wide[0], 0) + max(wide[2] - self.frame[2], 0)
        outside += max(self.frame[1] - wide[1], 0) + max(wide[3] - self.frame[3], 0)
        shared = sum(_overlap(wide, other) for other in self.boxes)
        crossed = sum(_inside(leader, other) for other in self.boxes) + _inside(self.leaders, wide)
        i, j = self._cells(leader[free:])
        over_road = float(self.taken[i, j].sum())
        hidden = 200.0 * (shared > 0)
        return (
            hidden
            + 50.0 * outside
            + 30.0 * self.covered(wide)
            + 0.5 * shared
            + 40.0 * crossed
            + 8.0 * over_road
        )


def _overlap(a: Box, b: Box) -> float:
    width = min(a[2], b[2]) - max(a[0], b[0])
    height = min(a[3], b[3]) - max(a[1], b[1])
    return width * height if width > 0 and height > 0 else 0.0


def _inside(points: Array, box: Box) -> float:
    x, y = points[:, 0], points[:, 1]
    return float(np.count_nonzero((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3])))


def place_labels(
    figure: Figure, axes: Axes, labels: Sequence[Label], road: Array, boxes: Sequence[BboxBase] = ()
) -> list[Text]:
    """Write labels where they cover nothing, nearest first; each gets the best place left by those before it.

    Parameters
    ----------
    figure, axes
        The axes' position and limits must be final.
    labels
        In order of importance.
    road
        (K, 2) points of the data that no label may cover, closer together than ``CELL``.
    boxes
        Further boxes in pixels that are taken.

    Returns
    -------
    list of Text
        In the order of ``labels``.
    """
    scale = figure.dpi / 100.0
    window = axes.get_window_extent(renderer(figure))
    board = _Board(axes.transData.transform(road), [(b.x0, b.y0, b.x1, b.y1) for b in boxes], window)
    texts = []
    for label in labels:
        text = axes.text(label.x, label.y, label.text, ha="center", va="center", gid=label.gid, **label.style)
        extent = _extent(figure, text)
        anchor = axes.transData.transform((label.x, label.y))
        centre, box, leader = _best(board, anchor, label.away, extent.width, extent.height, scale)
        where = axes.transData.inverted().transform(centre)
        text.set_position((float(where[0]), float(where[1])))
        board.boxes.append(box)
        if np.hypot(*(leader[-1] - leader[0])) > LEADER * scale:
            ends = axes.transData.inverted().transform(leader[[0, -1]])
            axes.plot(ends[:, 0], ends[:, 1], color="#555555", linewidth=0.9, zorder=6)
            board.leaders = np.vstack([board.leaders, leader[3:]])
        texts.append(text)
    return texts


def _extent(figure: Figure, text: Text) -> BboxBase:
    """Size of a text with the plate behind it [pixels]."""
    plate = text.get_bbox_patch()
    measure = renderer(figure)
    if plate is None:
        return text.get_window_extent(measure)
    text.update_bbox_position_size(measure)
    return plate.get_window_extent(measure)


def _best(
    board: _Board, anchor: Array, away: float, width: float, height: float, scale: float
) -> tuple[Array, Box, Array]:
    best: tuple[float, Array, Box, Array] | None = None
    for distance in DISTANCES:
        for turn in ANGLES:
            least = 0.25 * distance + 4.0 * abs(float(turn))
            if best is not None and least >= best[0]:
                continue
            direction = np.array([np.cos(away + turn), np.sin(away + turn)])
            centre = anchor + (distance * scale + _half(direction, width, height)) * direction
            box = (
                centre[0] - width / 2,
                centre[1] - height / 2,
                centre[0] + width / 2,
                centre[1] + height / 2,
            )
            edge = anchor + distance * scale * direction
            leader = anchor + np.linspace(0.0, 1.0, max(int(distance / 3), 4))[:, None] * (edge - anchor)
            free = int(np.ceil(LEADER_FREE / distance * len(leader)))
            cost = board.cost(box, leader, free) + least
            if best is None or cost < best[0]:
                best = (cost, centre, box, leader)
    assert best is not None
    return best[1], best[2], best[3]


def _half(direction: Array, width: float, height: float) -> float:
    """From the centre of a box to its edge along a direction."""
    return float(np.min(np.array([width, height]) / 2 / np.maximum(np.abs(direction), 1e-9)))
