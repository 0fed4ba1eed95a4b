"""The traces over distance: speed, brake, throttle, steering, grip use and elevation, baseline behind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator, MultipleLocator

from lapwright.lap.corners import CornerReport, slowest_inside
from lapwright.lap.lap import Array, Lap
from lapwright.outputs.figures.strips import strip, write_row
from lapwright.outputs.figures.style import (
    A3,
    BAND,
    BASELINE_LINE,
    INK,
    line_of,
    page,
    shown,
    styled,
)
from lapwright.outputs.words import brake_on_phrase, lap_heading, lap_time
from lapwright.quantities import DEG, KMH
from lapwright.track.track import Track

PAGE_LENGTH = 2400.0
"""Most road on one page [m]: 100 m are then at least 15 mm on A3, enough to see where the brake comes on."""

REAR_LINE: dict[str, Any] = {"color": INK, "linestyle": (0, (5, 1.5)), "linewidth": 1.7, "zorder": 4}

SLOWEST_LINE: dict[str, Any] = {"color": "#6B6B6B", "linewidth": 0.9, "linestyle": (0, (6, 3))}
BRAKE_ON_LINE: dict[str, Any] = {"color": INK, "linewidth": 1.6}


@dataclass(frozen=True)
class TracePanel:
    """What one panel shows: label, relative height, values of a lap, limits, whether a baseline is drawn."""

    label: str
    height: float
    values: Callable[[Lap], Array]
    limits: tuple[float, float] | None
    baseline: bool = True


PANELS = (
    TracePanel("Speed\n[km/h]", 3.0, lambda lap: lap.speed * KMH, None),
    TracePanel("Brake\n[% of peak]", 1.5, lambda lap: 100 * lap.brake, (0, 105)),
    TracePanel("Throttle\n[%]", 1.2, lambda lap: 100 * lap.throttle, (0, 105)),
    TracePanel("Hand wheel\n[deg, + left]", 1.5, lambda lap: lap.steering_wheel / DEG, None),
    TracePanel("Grip use\n[%]", 1.5, lambda lap: 100 * lap.grip_use_front, (0, 105), baseline=False),
    TracePanel("Elevation\n[m]", 0.8, lambda lap: lap.z, None, baseline=False),
)
SPEED, BRAKE, GRIP = 0, 1, 4


@styled
def draw_traces(
    lap: Lap, track: Track, reports: Sequence[CornerReport], baseline: Lap | None = None
) -> tuple[Figure, ...]:
    """The traces on A3 pages on their side, no more than ``PAGE_LENGTH`` of road on each.

    Pages are cut where no corner and no braking zone is cut, as far as there is such a place, and share their
    scales.

    Parameters
    ----------
    lap
        The target: solid blue.
    track
        The road, for its landmarks.
    reports
        From ``corner_reports(lap, track)``; each corner becomes a light band with its name, a line at its
        slowest point.
    baseline
        The quasi-steady lap of the same road: dotted grey.
    """
    cuts = page_cuts(lap, reports)
    span = float(np.max(np.diff(cuts)))
    limits = [_limits(panel, lap, baseline) for panel in PANELS]
    pages = []
    for number in range(len(cuts) - 1):
        start = cuts[number]
        pages.append(
            _page(
                lap,
                track,
                reports,
                baseline,
                limits,
                (start, cuts[number + 1], span),
                (number + 1, len(cuts) - 1),
            )
        )
    return tuple(pages)


def page_cuts(lap: Lap, reports: Sequence[CornerReport]) -> list[float]:
    """Stations where the pages begin and end [m]: even parts, moved to the middle of the nearest straight."""
    first, last = float(lap.s[0]), float(lap.s[-1])
    count = int(np.ceil((last - first) / PAGE_LENGTH - 1e-9))
    cuts = [first]
    for i in range(1, count):
        wanted = first + (last - first) * i / count
        reach = 0.3 * (last - first) / count
        tries = np.linspace(wanted - reach, wanted + reach, 121)
        free = np.array([_clearance(station, reports, lap) for station in tries])
        cuts.append(float(tries[int(np.argmax(np.minimum(free, 60.0) - 0.05 * np.abs(tries - wanted)))]))
    return [*cuts, last]


def _clearance(station: float, reports: Sequence[CornerReport], lap: Lap) -> float:
    """Distance to the nearest corner with its braking; negative inside one."""
    return min((_distance(station, a, b) for r in reports for a, b in _stretches(r, lap)), default=np.inf)


def _distance(station: float, start: float, end: float) -> float:
    return (
        max(start - station, station - end)
        if not start < station < end
        else -min(station - start, end - station)
    )


def _stretches(report: CornerReport, lap: Lap, braking: bool = True) -> list[tuple[float, float]]:
    """A corner's stretch of road, with its braking, in the stations of the lap: two pieces when it passes the
    line.
    """
    before = max(report.brake_on_before_start or 0.0, 0.0) if braking else 0.0
    start, end = report.start - before, report.end
    if not lap.closed:
        return [(start, end)]
    around = float(lap.s[-1] - lap.s[0])
    if end < report.start:
        end += around
    return [(start + shift, end + shift) for shift in (-around, 0.0, around)]


def _limits(panel: TracePanel, lap: Lap, baseline: Lap | None) -> tuple[float, float]:
    if panel.limits:
        return panel.limits
    values = [panel.values(lap)] + (
        [panel.values(baseline)] if baseline is not None and panel.baseline else []
    )
    low, high = min(np.nanmin(v) for v in values), max(np.nanmax(v) for v in values)
    room = 0.06 * max(high - low, 1.0)
    if panel is PANELS[SPEED]:
        return 10.0 * float(np.floor(max(low - 0.25 * (high - low), 0.0) / 10.0)), float(high + room)
    return float(low - room), float(high + room)


def _page(
    lap: Lap,
    track: Track,
    reports: Sequence[CornerReport],
    baseline: Lap | None,
    limits: list[tuple[float, float]],
    road: tuple[float, float, float],
    number: tuple[int, int],
) -> Figure:
    of = f"   page {number[0]} of {number[1]}" if number[1] > 1 else ""
    against = f"   baseline {lap_time(baseline.time)}" if baseline is not None else ""
    figure = page(A3, lap, f"{lap_heading(lap)}{against}{of}", taken=9.0)
    panels = _axes(figure, limits, road)
    for panel, axes in zip(PANELS, panels, strict=True):
        _draw_panel(axes, panel, lap, baseline)
    _draw_grip(panels[GRIP], lap)
    _mark_corners(figure, panels, lap, reports, road)
    _mark_landmarks(figure, panels[-1], track, road)
    _numbers(figure, panels, reports, road)
    _key(figure, lap, baseline is not None)
    panels[-1].set_xlabel("Distance along the centreline [m]; triangles are landmarks", labelpad=52)
    return figure


def _axes(figure: Figure, limits: list[tuple[float, float]], road: tuple[float, float, float]) -> list[Axes]:
    left, right, top, bottom = 0.106, 0.985, 0.852, 0.158
    gaps = np.array([0.026 if panel is PANELS[BRAKE - 1] else 0.011 for panel in PANELS[:-1]] + [0.0])
    heights = np.array([panel.height for panel in PANELS])
    heights = heights / heights.sum() * (top - bottom - gaps.sum())
    panels: list[Axes] = []
    edge = top
    for height, gap, limit in zip(heights, gaps, limits, strict=True):
        axes = figure.add_axes((left, edge - height, right - left, height))
        axes.set_xlim(road[0], road[0] + road[2])
        axes.set_ylim(*limit)
        axes.grid(True, axis="both")
        axes.xaxis.set_major_locator(MultipleLocator(200 if road[2] > 1200 else 100 if road[2] > 500 else 50))
        axes.tick_params(labelbottom=len(panels) == len(PANELS) - 1)
        panels.append(axes)
        edge -= height + gap
    return panels


def _draw_panel(axes: Axes, panel: TracePanel, lap: Lap, baseline: Lap | None) -> None:
    if baseline is not None and panel.baseline:
        axes.plot(baseline.s, panel.values(baseline), **BASELINE_LINE)
    axes.plot(lap.s, panel.values(lap), **line_of(lap))
    axes.set_ylabel(panel.label, rotation=0, ha="right", va="center", multialignment="right")
    axes.yaxis.set_label_coords(-0.034, 0.5)
    axes.yaxis.set_major_locator(MaxNLocator(5 if panel.height > 2 else 3, steps=[1, 2, 5, 10]))
    if panel.limits:
        axes.set_yticks([0, 50, 100])
    elif axes.get_ylim()[0] < 0 < axes.get_ylim()[1]:
        axes.axhline(0.0, color="#888888", linewidth=0.9, zorder=1)


def _draw_grip(axes: Axes, lap: Lap) -> None:
    axes.plot(lap.s, 100 * lap.grip_use_rear, **REAR_LINE)


def _mark_corners(
    figure: Figure,
    panels: list[Axes],
    lap: Lap,
    reports: Sequence[CornerReport],
    road: tuple[float, float, float],
) -> None:
    names = strip(figure, panels[0], panels[0].get_position().y1 + 0.002, 0.068)
    labels: list[tuple[float, str]] = []
    for report in reports:
        for start, end in _stretches(report, lap, braking=False):
            a, b = max(start, road[0]), min(end, road[1])
            if b <= a:
                continue
            for axes in panels:
                axes.axvspan(a, b, color=BAND, linewidth=0, zorder=0)
            names.axvspan(a, b, ymin=0, ymax=0.12, color="#C9BF9A", linewidth=0)
            labels.append((0.5 * (a + b), shown(report.name)))
        if road[0] <= report.slowest_at <= road[1] and slowest_inside(report):
            for axes in panels:
                axes.axvline(
                    report.slowest_at, color="#6B6B6B", linewidth=0.9, linestyle=(0, (6, 3)), zorder=1
                )
    write_row(figure, names, labels, (0.2, 0.6), fontweight="bold", fontsize=14, gid="corner")


def _mark_landmarks(figure: Figure, axes: Axes, track: Track, road: tuple[float, float, float]) -> None:
    here = [mark for mark in track.landmarks if road[0] <= mark.at <= road[1]]
    for mark in here:
        axes.plot(
            [mark.at], [axes.get_ylim()[0]], marker="^", color=INK, markersize=9, clip_on=False, zorder=9
        )
    below = strip(figure, axes, axes.get_position().y0 - 0.072, 0.05)
    labels = [(mark.at, shown(mark.name)) for mark in here]
    write_row(figure, below, labels, (0.5, 0.0), style="italic", fontsize=12, gid="landmark")


def _numbers(
    figure: Figure, panels: list[Axes], reports: Sequence[CornerReport], road: tuple[float, float, float]
) -> None:
    """Slowest speeds on the speed panel, brake-on above the brake panel: what a driver reads first."""
    outline = {"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.8}
    brakes = []
    for report in reports:
        if road[0] <= report.slowest_at <= road[1] and slowest_inside(report):
            speed = report.slowest_speed * KMH
            panels[SPEED].annotate(
                f"{speed:.0f}",
                (report.slowest_at, speed),
                xytext=(0, -7),
                textcoords="offset points",
                ha="center",
                va="top",
                fontsize=14,
                fontweight="bold",
                zorder=2.5,
                bbox=outline,
            )
        if report.brake_on is not None and road[0] <= report.brake_on <= road[1]:
            panels[BRAKE].axvline(report.brake_on, zorder=5, **BRAKE_ON_LINE)
            brakes.append((report.brake_on, brake_on_phrase(report)))
    above = strip(figure, panels[BRAKE], panels[BRAKE].get_position().y1 + 0.001, 0.02)
    write_row(figure, above, brakes, (0.0,), fontsize=13, fontweight="bold", gid="brake-on")


def _key(figure: Figure, lap: Lap, with_baseline: bool) -> None:
    whose = "quasi-steady" if lap.kind == "baseline" else "target"
    handles = [
        Line2D([], [], **line_of(lap), label=f"{whose}; grip use: front axle"),
        Line2D([], [], **REAR_LINE, label="grip use: rear axle"),
        Line2D([], [], **SLOWEST_LINE, label="slowest point, km/h"),
        Line2D([], [], **BRAKE_ON_LINE, label="brake on, m before the corner"),
    ]
    if with_baseline:
        handles.append(Line2D([], [], **BASELINE_LINE, label="baseline, quasi-steady"))
    figure.legend(handles=handles, loc="upper right", bbox_to_anchor=(0.99, 0.995), ncols=3, frameon=False)
