"""One corner on a page: traces and line of everybody, and what was found there."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from lapwright.driver.session import DriverLap
from lapwright.lap.lap import Lap
from lapwright.outputs.figures.compare_frame import (
    STRIPS,
    above_key,
    draw_strip,
    headed,
    mark_corners,
    people_key,
    signed,
    stack,
)
from lapwright.outputs.figures.compare_people import Look, looks
from lapwright.outputs.figures.road import Plan, draw_road, scale_bar
from lapwright.outputs.figures.style import A3, INK, shown, styled
from lapwright.track.track import Track

AROUND = 40.0
"""Road shown before and after the corner's part [m]."""

ROOM = 15
"""Lines of words beside the traces at most."""


@styled
def draw_corner_overlay(
    record: Mapping[str, Any], target: Lap, track: Track, drives: Sequence[DriverLap], corner: str
) -> Figure:
    """A page for one corner.

    Parameters
    ----------
    record
        See ``outputs.compare_record``.
    target, track, drives
        The reference, the road and the drivers' laps, in the order of the record.
    corner
        Its name in the record.

    Raises
    ------
    ValueError
        When the record has no such corner.
    """
    parts = [p for p in record["drivers"][0]["parts"] if p["kind"] == "corner" and p["name"] == corner]
    if not parts:
        raise ValueError(f"no corner named {corner!r} in the comparison")
    start, end = float(parts[0]["start_m"]), float(parts[0]["end_m"])
    end += track.length if end < start else 0.0
    low, high = start - AROUND, end + AROUND
    if not track.closed:
        low, high = max(low, float(target.s[0])), min(high, float(target.s[-1]))
    people = looks(record)
    figure = headed(A3, record, target, corner)
    panels = stack(
        figure, [one.height for one in STRIPS], (low, high), (0.115, above_key(people), 0.66, 0.85)
    )
    for axes, one in zip(panels, STRIPS, strict=True):
        draw_strip(axes, one, target, drives, people, track)
    mark_corners(figure, panels, record)
    people_key(figure, people)
    _map(figure, figure.add_axes((0.675, 0.475, 0.315, 0.42)), target, track, drives, people, (low, high))
    _words(figure, record, corner)
    return figure


def _map(
    figure: Figure,
    axes: Axes,
    target: Lap,
    track: Track,
    drives: Sequence[DriverLap],
    people: Sequence[Look],
    ends: tuple[float, float],
) -> None:
    """The road of the corner with everybody's line on it."""
    axes.set_axis_off()
    s = np.linspace(*ends, 200)
    at = np.asarray(track.wrap(s)) if track.closed else s
    edges = Plan(track).edges(at)
    draw_road(axes, edges)
    for who, lap, known in zip(
        people, [target, *(d.lap for d in drives)], [True, *("line" in d.has for d in drives)], strict=True
    ):
        if known and lap is not None:
            x, y, _ = track.to_world(at, np.interp(at, lap.s, lap.n))
            axes.plot(x, y, **who.line(2.2))
    points = edges.reshape(-1, 2)
    centre, half = 0.5 * (points.min(axis=0) + points.max(axis=0)), 0.58 * np.ptp(points, axis=0)
    window = axes.get_window_extent()
    metres = max(2 * half[0] / window.width, 2 * half[1] / (window.height - 40))
    axes.set_xlim(centre[0] - metres * window.width / 2, centre[0] + metres * window.width / 2)
    axes.set_ylim(centre[1] - metres * window.height / 2, centre[1] + metres * window.height / 2)
    axes.set_aspect("equal", adjustable="datalim")
    scale_bar(figure, axes)


def _words(figure: Figure, record: Mapping[str, Any], corner: str) -> None:
    """What was lost here and what was found, the dearest first."""
    lines: list[tuple[str, bool]] = []
    for driver in record["drivers"]:
        part = next(p for p in driver["parts"] if p["kind"] == "corner" and p["name"] == corner)
        lost = part["difference_s"]
        split = (
            ""
            if part["line_s"] is None
            else f": line {signed(part['line_s'])}, inputs {signed(part['inputs_s'])}"
        )
        lines += _wrapped(f"{driver['name']} {signed(lost)} s{split}", True)
        here = [f for f in driver["findings"] if f["corner"] == corner]
        for finding in here:
            worth = "off the road" if finding["off_road"] else f"{finding['loss_s']:.2f} s"
            lines += _wrapped(f"{finding['rank']}  {finding['words']} ({worth})", False)
        if not here:
            lines.append(("Nothing found that costs time.", False))
    if len(lines) > ROOM:
        lines = [*lines[: ROOM - 1], ("... more in the report", False)]
    height = figure.get_size_inches()[1]
    y = 0.455
    for text, strong in lines:
        weight = "bold" if strong else "normal"
        figure.text(0.68, y, shown(text), fontsize=12.5, fontweight=weight, color=INK, va="top", gid="found")
        y -= 0.245 / height


def _wrapped(text: str, strong: bool) -> list[tuple[str, bool]]:
    return [(line, strong) for line in textwrap.wrap(text, 48 if strong else 54)]
