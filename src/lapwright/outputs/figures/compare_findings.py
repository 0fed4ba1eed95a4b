"""What each difference is worth, the dearest first."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from lapwright.lap.lap import Lap
from lapwright.outputs.figures.compare_frame import headed
from lapwright.outputs.figures.compare_people import Look, looks
from lapwright.outputs.figures.style import A3, INK, shown, styled

MOST = 12
"""Findings on the page at most: as many as large type has room for."""

LINE = 72
"""Letters in a line of words."""


@styled
def draw_findings(record: Mapping[str, Any], target: Lap, number: int = 0) -> Figure:
    """A bar for the worth of each finding of one driver, with its words at the left.

    Parameters
    ----------
    record
        See ``outputs.compare_record``.
    target
        The reference: names circuit and car.
    number
        Which driver, from 0.
    """
    driver, who = record["drivers"][number], looks(record)[number + 1]
    one = {**record, "drivers": [driver]}
    figure = headed(A3, one, target, "What it costs")
    shown_of = driver["findings"][:MOST]
    axes = figure.add_axes((0.585, 0.135, 0.335, 0.765))
    if not shown_of:
        axes.set_axis_off()
        figure.text(0.5, 0.5, "No difference costs more than the threshold.", ha="center", fontsize=16)
        return figure
    for row, finding in enumerate(shown_of):
        _bar(axes, row, finding, who)
        _said(axes, row, finding)
    axes.set_ylim(max(len(shown_of), 8) - 0.4, -0.6)
    most = max((finding["loss_s"] or 0.0 for finding in shown_of), default=0.0)
    axes.set_xlim(0.0, 1.18 * max(most, 0.01))
    axes.set_yticks([])
    axes.grid(True, axis="x")
    axes.set_xlabel(
        "Worth [s]: what the reference loses when it is made to do this alone; worths do not add up"
    )
    axes.xaxis.label.set_horizontalalignment("right")
    axes.xaxis.set_label_coords(1.18, -0.055)
    rest = len(driver["findings"]) - len(shown_of)
    note = "filled: imposed and solved; hatched: estimated" + (
        f"; {rest} more in compare.json" if rest else ""
    )
    figure.text(0.985, 0.905, note, ha="right", va="bottom", fontsize=12)
    return figure


def _bar(axes: Axes, row: int, finding: Mapping[str, Any], who: Look) -> None:
    """Filled when it was solved, hatched when it was estimated; the number at its end."""
    loss, solved = finding["loss_s"], finding["priced"] == "solved"
    face, edge = (who.colour, INK) if solved else ("white", who.colour)
    hatch = "" if solved else "///"
    axes.barh(row, loss or 0.0, height=0.62, color=face, edgecolor=edge, hatch=hatch, linewidth=1.2, zorder=3)
    words = "off the road" if finding["off_road"] else "" if loss is None else f"{loss:.2f} s"
    end = (max(loss or 0.0, 0.0), row)
    style: Any = {"fontsize": 14, "fontweight": "bold", "va": "center"}
    axes.annotate(words, end, xytext=(6, 0), textcoords="offset points", **style)


def _said(axes: Axes, row: int, finding: Mapping[str, Any]) -> None:
    """Number, corner and words at the left of the bar."""
    said = textwrap.wrap(str(finding["words"]), LINE)
    text = "\n".join(shown(line) for line in said[:2]) + ("..." if len(said) > 2 else "")
    name = textwrap.shorten(str(finding["corner"]), 40, placeholder="...")
    where: Any = {"xycoords": axes.get_yaxis_transform(), "textcoords": "offset points", "gid": "finding"}
    head = shown(f"{finding['rank']}   {name}")
    axes.annotate(head, (0, row), xytext=(-645, 3), va="bottom", fontsize=13, fontweight="bold", **where)
    axes.annotate(text, (0, row), xytext=(-620, 1), va="top", fontsize=11, linespacing=1.0, **where)
