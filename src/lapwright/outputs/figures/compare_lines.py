"""The circuit from above with everybody's line, and where the time is lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from lapwright.driver.session import DriverLap
from lapwright.lap.lap import Array, Lap
from lapwright.outputs.figures.compare_frame import headed, short, signed
from lapwright.outputs.figures.compare_people import Look, looks
from lapwright.outputs.figures.labels import Label, place_labels
from lapwright.outputs.figures.road import Plan, draw_road, scale_bar, surface
from lapwright.outputs.figures.style import A3, renderer, shown, styled
from lapwright.track.track import Track

STEP = 3.0
WIDEST = 30.0
"""Width of the band where most time is lost for each metre [pt]."""
LOST = "#C9BF9A"


@styled
def draw_lines(
    record: Mapping[str, Any], target: Lap, track: Track, drives: Sequence[DriverLap], number: int = 0
) -> Figure:
    """Map with all lines; the wider the band under the road, the more time one driver loses there.

    Parameters
    ----------
    record
        See ``outputs.compare_record``.
    target, track, drives
        The reference, the road and the drivers' laps, in the order of the record.
    number
        Whose losses are shown, from 0.
    """
    people = looks(record)
    s = np.linspace(0.0, track.length, max(int(track.length / STEP), 8) + 1)
    edges = Plan(track).edges(s)
    wide = bool(np.ptp(edges[:, :, 0]) >= 0.9 * np.ptp(edges[:, :, 1]))
    size = A3 if wide else (A3[1], A3[0])
    figure = headed(size, record, target, "Lines")
    axes = figure.add_axes((0.02, 0.11, 0.96, 0.79))
    axes.set_axis_off()
    _frame(axes, edges, size)
    drawn = [_lost(axes, record["drivers"][number], track)]
    draw_road(axes, edges)
    laps = [target, *(drive.lap for drive in drives)]
    has = [True, *("line" in drive.has for drive in drives)]
    for who, lap, known in zip(people, laps, has, strict=True):
        if known and lap is not None:
            axes.plot(lap.x, lap.y, **who.line(1.8))
    drawn += [surface(edges), Plan(track).arrow(figure, axes, float(target.s[0]))]
    legend = _legend(axes, people, has, str(record["drivers"][number]["name"]))
    taken = [scale_bar(figure, axes), legend.get_window_extent(renderer(figure))]
    place_labels(figure, axes, _names(record["drivers"][number], track), np.vstack(drawn), taken)
    return figure


def _frame(axes: Axes, edges: Array, size: tuple[float, float]) -> None:
    low, high = edges.reshape(-1, 2).min(axis=0), edges.reshape(-1, 2).max(axis=0)
    box = axes.get_position()
    width, height = size[0] * box.width, size[1] * box.height
    centre, span = 0.5 * (low + high), np.maximum(high - low, 1.0)
    metres = max(span[0] / (width - 3.4), span[1] / (height - 2.8))
    axes.set_xlim(centre[0] - metres * width / 2, centre[0] + metres * width / 2)
    axes.set_ylim(centre[1] - metres * height / 2, centre[1] + metres * height / 2)
    axes.set_aspect("equal", adjustable="datalim")


def _span(part: Mapping[str, Any], track: Track) -> tuple[float, float]:
    start, end = float(part["start_m"]), float(part["end_m"])
    return (start, end + track.length) if end < start else (start, end)


def _lost(axes: Axes, driver: Mapping[str, Any], track: Track) -> Array:
    """Bands along the parts in which time is lost; points at their edges, for labels to keep clear of."""
    spans = [(part, *_span(part, track)) for part in driver["parts"]]
    rates = [max(part["difference_s"] or 0.0, 0.0) / max(end - start, 1.0) for part, start, end in spans]
    most = max(rates, default=0.0)
    points = [np.empty((0, 2))]
    for rate, (_, start, end) in zip(rates, spans, strict=True):
        if most <= 0.0 or rate < 0.02 * most:
            continue
        s = np.linspace(start, end, max(int((end - start) / STEP), 2) + 1)
        x, y, _ = track.to_world(np.asarray(track.wrap(s)) if track.closed else s, np.zeros(s.size))
        width = 6.0 + (WIDEST - 6.0) * rate / most
        axes.plot(x, y, color=LOST, linewidth=width, solid_capstyle="butt", zorder=0.5)
        line = np.column_stack([x, y])
        across = np.gradient(line, axis=0)[:, ::-1] * np.array([-1.0, 1.0])
        across /= np.hypot(*across.T)[:, None]
        half = (
            0.5 * width / 72.0 * np.ptp(axes.get_xlim()) / (axes.get_window_extent().width / axes.figure.dpi)
        )
        points += [line + half * across, line - half * across]
    return np.vstack(points)


def _names(driver: Mapping[str, Any], track: Track) -> list[Label]:
    """Corners with what is lost in them; the dearest finding of each by its number."""
    lost = {part["name"]: part["difference_s"] for part in driver["parts"] if part["kind"] == "corner"}
    labels = []
    for corner in driver["corners"]:
        start, end = _span(corner, track)
        at = float(track.wrap(np.array([0.5 * (start + end)]))[0]) if track.closed else 0.5 * (start + end)
        left = not str(corner["direction"]).startswith("left")
        x, y = Plan(track).edge_point(at, left)
        away = Plan(track).pose(at)[2] + (np.pi / 2 if left else -np.pi / 2)
        ranks = [
            str(finding["rank"]) for finding in driver["findings"] if finding["corner"] == corner["name"]
        ]
        text = shown(str(corner["name"]))
        if lost.get(corner["name"]) is not None:
            text += f"\n{signed(lost[corner['name']])} s"
        if ranks:
            more = "" if len(ranks) <= 3 else " ..."
            text += (
                f"\nfinding {', '.join(ranks[:3])}{more}"
                if len(ranks) == 1
                else f"\nfindings {', '.join(ranks[:3])}{more}"
            )
        style = {"fontweight": "bold", "fontsize": 13, "linespacing": 1.05, "zorder": 7}
        labels.append(Label(text, x, y, away, "corner", style))
    return labels


def _legend(axes: Axes, people: Sequence[Look], has: Sequence[bool], whose: str) -> Any:
    handles = [
        Line2D(
            [],
            [],
            **who.line(2.6),
            label=short(who.name, 24) if known else f"{short(who.name, 24)}: no place logged",
        )
        for who, known in zip(people, has, strict=True)
    ]
    handles.append(
        Line2D([], [], color=LOST, linewidth=10, label=f"wider: {short(whose, 24)} loses more for each metre")
    )
    return axes.legend(handles=handles, loc="lower right", frameon=False, ncols=min(len(handles), 3), handlelength=3.0,
                       borderaxespad=0.1)  # fmt: skip
