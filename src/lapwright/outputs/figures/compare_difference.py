"""Where the time is: the running difference over distance, and what each part of the lap adds to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import MaxNLocator

from lapwright.driver.session import DriverLap
from lapwright.lap.lap import Array, Lap
from lapwright.outputs.figures.compare_frame import (
    KEY_FOOT,
    KEY_ROW,
    above_key,
    headed,
    mark_corners,
    named,
    people_key,
    short,
    signed,
    stack,
)
from lapwright.outputs.figures.compare_people import Look, looks
from lapwright.outputs.figures.strips import strip, write_row
from lapwright.outputs.figures.style import A3, INK, styled
from lapwright.track.track import Track

AWAY = 0.0425
"""Of the panels' labels from the panels [share of the page's width]: thousandths have to fit between."""


@styled
def draw_difference(
    record: Mapping[str, Any],
    target: Lap,
    track: Track,
    drives: Sequence[DriverLap],
    running: Sequence[Array],
) -> Figure:
    """Running time difference, and below it for every driver a block for each part of the lap.

    Parameters
    ----------
    record
        See ``outputs.compare_record``.
    target, track, drives
        The reference, the road and the drivers' laps, in the order of the record.
    running
        Of every driver, (M,) [s] over ``target.s``: driver less reference.
    """
    people = looks(record)
    figure = headed(A3, record, target, "Where the time is")
    heights = [2.6, *[2.0] * len(drives)]
    span = (float(target.s[0]), float(target.s[-1]))
    panels = stack(figure, heights, span, (0.121, above_key(people) + KEY_ROW, 0.985, 0.835))
    for who, run in zip(people[1:], running, strict=True):
        panels[0].plot(target.s, run, **who.line(2.6))
    panels[0].axhline(0.0, **people[0].line(1.8))
    named(panels[0], "Running\ndifference\n[s, + slower]", AWAY)
    panels[0].yaxis.set_major_locator(MaxNLocator(5))
    mark_corners(figure, panels, record)
    for axes, who, driver in zip(panels[1:], people[1:], record["drivers"], strict=True):
        _blocks(figure, axes, who, driver, record)
    _key(figure, people)
    return figure


def _blocks(
    figure: Figure, axes: Axes, who: Look, driver: Mapping[str, Any], record: Mapping[str, Any]
) -> None:
    """A block for each part, split into the line's share (hatched) and that of pedals and wheel where it is known."""
    length = float(record["track"]["length_m"])
    edges, totals = [0.0], []
    for part in driver["parts"]:
        start, end = float(part["start_m"]), float(part["end_m"])
        lost = part["difference_s"]
        if lost is None:
            continue
        known = part["line_s"] is not None and part["inputs_s"] is not None
        for a, b in ((start, end),) if start <= end else ((start, length), (0.0, end)):
            if b <= a:
                continue
            middle = 0.5 * (a + b)
            if known:
                _block(axes, a, middle, part["line_s"], who.colour, True)
                _block(axes, middle, b, part["inputs_s"], who.colour, False)
            else:
                _block(axes, a, b, lost, who.colour, False)
            axes.plot([a, b], [lost, lost], color=INK, linewidth=2.4, solid_capstyle="butt", zorder=5)
        edges += [lost, *((part["line_s"], part["inputs_s"]) if known else ())]
        if part["kind"] == "corner":
            at = 0.5 * (start + (end if start <= end else end + length))
            totals.append((at if at <= length else at - length, signed(lost)))
    low, high = min(edges), max(edges)
    room = max(high - low, 0.02)
    axes.set_ylim(low - 0.06 * room, high + 0.3 * room)
    axes.axhline(0.0, color=INK, linewidth=0.9, zorder=4)
    axes.yaxis.set_major_locator(MaxNLocator(4))
    named(axes, f"{short(who.name, 10)}\nlost in each\npart [s]", AWAY)
    place = axes.get_position()
    above = strip(figure, axes, place.y1 - 0.028, 0.026)
    write_row(figure, above, totals, (0.1,), fontsize=13, fontweight="bold", gid="lost")


def _block(axes: Axes, a: float, b: float, height: float, colour: str, hatched: bool) -> None:
    face, hatch = ("white", "///") if hatched else (colour, "")
    axes.add_patch(Rectangle((a, 0.0), b - a, height, facecolor=face, edgecolor=INK if not hatched else colour, hatch=hatch,
                             linewidth=0.8, zorder=3))  # fmt: skip


def _key(figure: Figure, people: Sequence[Look]) -> None:
    people_key(figure, people, KEY_FOOT + KEY_ROW)
    handles = [
        Patch(facecolor="white", edgecolor="#555555", hatch="///", label="of it the line"),
        Patch(facecolor="#777777", edgecolor=INK, label="of it pedals and wheel"),
        Rectangle((0, 0), 1, 0.1, facecolor=INK, label="lost in the part"),
    ]
    figure.legend(
        handles=handles,
        loc="lower center",
        bbox_to_anchor=(0.5, KEY_FOOT),
        ncols=3,
        frameon=False,
        borderpad=0.0,
    )
