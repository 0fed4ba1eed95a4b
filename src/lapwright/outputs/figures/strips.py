"""Texts in a strip above or below a panel: near their places, none over another."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from lapwright.outputs.figures.style import renderer

GAP = 12.0
"""Least space between two texts of a row [pixels at 100 dpi]."""


def strip(figure: Figure, below: Axes, bottom: float, height: float) -> Axes:
    """An empty strip as wide as a panel, with its scale of distance; ``bottom`` and ``height`` in shares of
    the page.
    """
    position = below.get_position()
    axes = figure.add_axes((position.x0, bottom, position.width, height))
    axes.set_xlim(*below.get_xlim())
    axes.set_ylim(0, 1)
    axes.set_axis_off()
    return axes


def write_row(
    figure: Figure, axes: Axes, labels: Sequence[tuple[float, str]], rows: Sequence[float], **style: Any
) -> list[Text]:
    """Write texts centred on their stations as far as there is room, in the first of ``rows`` that has some.

    Texts that would touch are moved apart sideways, all of them inside the strip.

    Parameters
    ----------
    labels
        Station and text of each.
    rows
        Heights of the rows in the strip [0 to 1], the wanted one first.
    """
    window = axes.get_window_extent(renderer(figure))
    gap = GAP * figure.dpi / 100.0
    made: list[list[tuple[Text, float, float]]] = [[] for _ in rows]
    for station, name in sorted(labels):
        text = axes.text(station, rows[0], name, ha="left", va="bottom", **style)
        width = text.get_window_extent(renderer(figure)).width
        wanted = float(axes.transData.transform((station, 0))[0]) - width / 2
        ends = [row[-1][1] + row[-1][2] + gap if row else -np.inf for row in made]
        best = next((k for k, end in enumerate(ends) if end <= wanted), int(np.argmin(ends)))
        made[best].append((text, max(wanted, ends[best]), width))
    for height, row in zip(rows, made, strict=True):
        _settle(axes, row, height, float(window.x0), float(window.x1), gap)
    return [text for row in made for text, _, _ in row]


def _settle(
    axes: Axes, row: list[tuple[Text, float, float]], height: float, low: float, high: float, gap: float
) -> None:
    """Push the texts of a row back from the right end, then from the left one, keeping their order."""
    places = [place for _, place, _ in row]
    for i in range(len(row) - 1, -1, -1):
        limit = high if i == len(row) - 1 else places[i + 1] - gap
        places[i] = min(places[i], limit - row[i][2])
    for i in range(len(row)):
        limit = low if i == 0 else places[i - 1] + row[i - 1][2] + gap
        places[i] = max(places[i], limit)
    for (text, _, _), place in zip(row, places, strict=True):
        text.set_position((float(axes.transData.inverted().transform((place, 0))[0]), height))
