"""What the figures of a comparison share: heading, key, panels over distance with the corners' names along the top."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from lapwright.driver.session import DriverLap
from lapwright.lap.lap import Array, Lap
from lapwright.outputs.figures.compare_people import Look, corner_columns
from lapwright.outputs.figures.strips import strip, write_row
from lapwright.outputs.figures.style import BAND, page, renderer, shown
from lapwright.outputs.words import lap_time
from lapwright.quantities import DEG, KMH
from lapwright.track.track import Track

KEY_FOOT, KEY_ROW, IN_ROW = 0.032, 0.027, 4
"""Foot of the key and height of one of its rows [share of the page's height]; names in a row."""

SEVERAL = 3
"""More laps than this are named by their drivers alone in the heading."""


@dataclass(frozen=True)
class Strip:
    """One panel over distance: its label, relative height, values of a lap, what a log must have, limits."""

    label: str
    height: float
    values: Callable[[Lap], Array]
    needs: str
    limits: tuple[float, float] | None


SPEED = Strip("Speed\n[km/h]", 3.0, lambda lap: KMH * lap.speed, "", None)
BRAKE = Strip("Brake\n[%]", 1.5, lambda lap: 100.0 * lap.brake, "brake", (-4.0, 106.0))
THROTTLE = Strip("Throttle\n[%]", 1.3, lambda lap: 100.0 * lap.throttle, "throttle", (-4.0, 106.0))
WHEEL = Strip("Hand wheel\n[deg, + left]", 1.6, lambda lap: lap.steering_wheel / DEG, "steering", None)
OFFSET = Strip("Across road\n[m, + left]", 1.7, lambda lap: lap.n, "line", None)
STRIPS = (SPEED, BRAKE, THROTTLE, WHEEL, OFFSET)


def headed(
    size: tuple[float, float], record: Mapping[str, Any], target: Lap, what: str, taken: float = 0.0
) -> Figure:
    """A page with circuit, car and everybody's lap time."""
    laps = [
        f"{driver['name']} lap {driver['lap']} {lap_time(driver['lap_time_s'])}"
        for driver in record["drivers"]
    ]
    if len(laps) > SEVERAL:
        laps = [str(driver["name"]) for driver in record["drivers"]]
    reference = f"reference {lap_time(record['reference']['lap_time_s'])}"
    return page(size, target, shown(f"{what}:   {',   '.join(laps)},   {reference}"), taken)


def people_key(figure: Figure, people: Sequence[Look], place: float = KEY_FOOT) -> None:
    """Whose line is which, in rows whose lowest has its foot at ``place`` [share of the page's height]."""
    for letters in (26, 14, 9):
        handles = [Line2D([], [], **who.line(2.6), label=short(who.name, letters)) for who in people]
        made = figure.legend(
            handles=handles,
            loc="lower center",
            bbox_to_anchor=(0.5, place),
            ncols=min(len(people), IN_ROW),
            frameon=False,
            handlelength=3.2,
            borderpad=0.0,
        )
        if made.get_window_extent(renderer(figure)).width < 0.97 * figure.bbox.width:
            return
        made.remove()


def above_key(people: Sequence[Look]) -> float:
    """Where the lowest panel ends so that the key has room under its scale [share of the page's height]."""
    return 0.13 + KEY_ROW * ((len(people) - 1) // IN_ROW)


def signed(value: float) -> str:
    """Seconds with their sign; nothing has none."""
    words = f"{value:+.2f}"
    return words if words.strip("+-0.") else words[1:]


def short(name: str, letters: int = 14) -> str:
    """A name cut to what there is room for, as it may be drawn."""
    return shown(name if len(name) <= letters else f"{name[: letters - 1].rstrip()}...")


def stack(
    figure: Figure,
    heights: Sequence[float],
    span: tuple[float, float],
    box: tuple[float, float, float, float],
) -> list[Axes]:
    """Panels one below another with one scale of distance; ``box`` is left, bottom, right, top in shares of the page."""
    left, bottom, right, top = box
    gap = 0.03
    shares = np.asarray(heights) / sum(heights) * (top - bottom - gap * (len(heights) - 1))
    made: list[Axes] = []
    edge = top
    for height in shares:
        axes = figure.add_axes((left, edge - height, right - left, height))
        axes.set_xlim(*span)
        axes.grid(True, axis="both")
        axes.xaxis.set_major_locator(MaxNLocator(12, steps=[1, 2, 5, 10]))
        axes.tick_params(labelbottom=False)
        made.append(axes)
        edge -= height + gap
    made[-1].tick_params(labelbottom=True)
    made[-1].set_xlabel("Distance along the centreline [m]")
    return made


def named(axes: Axes, label: str, away: float = 0.0365) -> None:
    """The label of a panel at its left, upright, ``away`` from it [share of the page's width]."""
    axes.set_ylabel(label, rotation=0, ha="right", va="center", multialignment="right")
    axes.yaxis.set_label_coords(-away / axes.get_position().width, 0.5)


def draw_strip(
    axes: Axes, what: Strip, target: Lap, drives: Sequence[DriverLap], people: Sequence[Look], track: Track
) -> None:
    """Everybody's trace in one panel; what a log does not have is said, not drawn."""
    named(axes, what.label)
    low, high = axes.get_xlim()
    seen: list[Array] = []
    laps = [target, *(drive.lap for drive in drives)]
    has = [frozenset({"brake", "throttle", "steering", "line"}), *(drive.has for drive in drives)]
    absent: list[str] = []
    for who, lap, have in zip(people, laps, has, strict=True):
        if lap is None or (what.needs and what.needs not in have):
            absent.append(short(who.name))
            continue
        s, values = _around(lap, what.values(lap), track)
        axes.plot(s, values, **who.line())
        seen.append(values[(s >= low) & (s <= high)])
    if what is OFFSET:
        s = np.linspace(low, high, 600)
        road = track.road(np.asarray(track.wrap(s)) if track.closed else s)
        for edge in (road.width_left, -road.width_right):
            axes.plot(s, edge, color="#8A8A8A", linewidth=2.2, zorder=1)
            seen.append(edge)
    axes.set_ylim(*(what.limits or _limits(seen)))
    axes.yaxis.set_major_locator(MaxNLocator(5 if what is SPEED else 3, steps=[1, 2, 5, 10]))
    if what in (WHEEL, OFFSET):
        axes.axhline(0.0, color="#888888", linewidth=0.9, zorder=1)
    switched = [
        short(who.name) for who, d in zip(people[1:], drives, strict=True) if d.brake_switch and what is BRAKE
    ]
    if absent or switched:
        words = f"not in the log of {', '.join(absent)}: nothing drawn" if absent else ""
        words += "; " if absent and switched else ""
        words += f"only on or off: {', '.join(switched)}" if switched else ""
        axes.text(
            1.0,
            1.015,
            words,
            transform=axes.transAxes,
            ha="right",
            va="bottom",
            fontsize=11,
            style="italic",
            gid="absent",
        )


def _around(lap: Lap, values: Array, track: Track) -> tuple[Array, Array]:
    """A trace with the laps before and after it on a closed road, for a page that looks across the line."""
    if not track.closed:
        return lap.s, values
    around = lap.s[-1] - lap.s[0]
    return np.concatenate([lap.s - around, lap.s, lap.s + around]), np.tile(values, 3)


def _limits(seen: Sequence[Array]) -> tuple[float, float]:
    finite = np.concatenate([values[np.isfinite(values)] for values in seen]) if seen else np.zeros(0)
    if finite.size == 0:
        return 0.0, 1.0
    low, high = float(finite.min()), float(finite.max())
    room = 0.07 * max(high - low, 1e-3)
    return low - room, high + room


def mark_corners(
    figure: Figure, panels: Sequence[Axes], record: Mapping[str, Any], height: float = 0.062
) -> None:
    """Light bands in all panels, the corners' names in a strip above the first."""
    low, high = panels[0].get_xlim()
    bands, names = corner_columns(record, float(record["track"]["length_m"]))
    above = strip(figure, panels[0], panels[0].get_position().y1 + 0.002, height)
    labels = []
    shifts = (-1.0, 0.0, 1.0) if record["track"]["closed"] else (0.0,)
    length = float(record["track"]["length_m"])
    for start, end, at, name in zip(bands["start"], bands["end"], names["at"], names["name"], strict=True):
        for shift in (turn * length for turn in shifts):
            a, b = max(start + shift, low), min(end + shift, high)
            if b <= a or (shift and start + shift < 0.0 < end + shift):
                continue
            for axes in panels:
                axes.axvspan(a, b, color=BAND, linewidth=0, zorder=0)
            above.axvspan(a, b, ymin=0, ymax=0.12, color="#C9BF9A", linewidth=0)
            if low <= at + shift <= high:
                labels.append((at + shift, shown(name)))
    write_row(figure, above, labels, (0.2, 0.6), fontweight="bold", fontsize=14, gid="corner")
