"""The traces as a still picture, for paper and for a reader without scripts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lapwright.lap.lap import Array
from lapwright.outputs.figures.compare_people import Look
from lapwright.outputs.figures.style import BAND, EDGE, INK
from lapwright.outputs.report.columns import Traces
from lapwright.outputs.report.markup import Markup, tag
from lapwright.outputs.report.panels import Panel

WIDTH, LEFT, TOP = 1000.0, 46.0, 44.0
POINTS = 900
"""Points of a line: about one for each dot of the width."""


def still_picture(
    found: Traces, panels: Sequence[Panel], people: Sequence[Look], corners: Mapping[str, Any]
) -> Markup:
    """All panels one below another, with the corners' names along the top.

    Parameters
    ----------
    found, panels, people
        What is drawn, of whom.
    corners
        Bands ("start", "end") and names ("at", "name") [m], see ``panels.corner_columns``.
    """
    rows = np.unique(np.round(np.linspace(0, found.rows - 1, min(POINTS, found.rows))).astype(int))
    s = np.asarray(found.values["s"], dtype=float)[rows]
    across = _Scale(s[0], s[-1], LEFT, WIDTH)
    drawn, y = [], TOP
    for panel in panels:
        drawn.append(_panel(panel, found, people, rows, across, corners, y))
        y += 0.62 * panel.height + 26.0
    names = _names(corners, across)
    label = "Traces of all laps over distance"
    return tag(
        "svg", *names, *drawn, viewBox=f"0 0 {WIDTH:g} {y:g}", role="img", aria_label=label, class_="still", font_size="13",
        font_family="sans-serif", fill=INK,
    )  # fmt: skip


class _Scale:
    """From values to dots."""

    def __init__(self, low: float, high: float, first: float, last: float) -> None:
        self.low, self.high, self.first = low, high, first
        self.step = (last - first) / max(high - low, 1e-9)

    def __call__(self, value: Array | float) -> Any:
        return self.first + (np.asarray(value, dtype=float) - self.low) * self.step


def _names(corners: Mapping[str, Any], across: _Scale) -> list[Markup]:
    made = []
    for k, (at, name) in enumerate(zip(corners["at"], corners["name"], strict=True)):
        if across.low <= at <= across.high:
            made.append(
                tag(
                    "text",
                    name,
                    x=f"{across(at):.0f}",
                    y=16 + 18 * (k % 2),
                    text_anchor="middle",
                    font_weight="bold",
                )
            )
    return made


def _panel(
    panel: Panel,
    found: Traces,
    people: Sequence[Look],
    rows: Any,
    across: _Scale,
    corners: Mapping[str, Any],
    top: float,
) -> Markup:
    height = 0.62 * panel.height
    shown = {
        who: found.values[f"{who.key}_{panel.column}"][rows]
        for who in people
        if found.has(f"{who.key}_{panel.column}")
    }
    low, high = panel.limits or _range(list(shown.values()))
    up = _Scale(low, high, top + 20.0 + height, top + 20.0)
    made = [tag("text", panel.heading, x="0", y=f"{top + 13:.0f}", font_weight="bold")]
    for start, end in zip(corners["start"], corners["end"], strict=True):
        a, b = max(start, across.low), min(end, across.high)
        if b > a:
            made.append(tag("rect", x=f"{across(a):.1f}", y=f"{top + 20:.1f}", width=f"{across(b) - across(a):.1f}",
                            height=f"{height:.1f}", fill=BAND))  # fmt: skip
    for tick in _ticks(low, high):
        made.append(
            tag("line", x1=LEFT, x2=WIDTH, y1=f"{up(tick):.1f}", y2=f"{up(tick):.1f}", stroke="#D5D5D5")
        )
        made.append(tag("text", f"{tick:g}", x=LEFT - 5, y=f"{up(tick) + 4:.1f}", text_anchor="end"))
    s = np.asarray(found.values["s"], dtype=float)[rows]
    if panel.column == "n":
        made += [_line(across(s), up(found.values[side][rows]), EDGE, None) for side in ("left", "right")]
    for who, values in shown.items():
        dash = ",".join(f"{2 * part:g}" for part in who.dash) or None
        made.append(_line(across(s), up(values), who.colour, dash))
    return tag("g", *made)


def _range(columns: list[Array]) -> tuple[float, float]:
    finite = [column[np.isfinite(column)] for column in columns]
    low = min((float(c.min()) for c in finite if c.size), default=0.0)
    high = max((float(c.max()) for c in finite if c.size), default=1.0)
    room = 0.06 * max(high - low, 0.1)
    return low - room, high + room


def _ticks(low: float, high: float) -> list[float]:
    """Round numbers inside the limits, about four."""
    raw = (high - low) / 4.0
    unit = 10.0 ** np.floor(np.log10(raw))
    step = next(float(k * unit) for k in (1.0, 2.0, 5.0, 10.0) if k * unit >= raw)
    return [round(k * step, 6) + 0.0 for k in range(int(np.ceil(low / step)), int(np.floor(high / step)) + 1)]


def _line(x: Array, y: Array, colour: str, dash: str | None) -> Markup:
    """A line that stops where a value is not known."""
    steps, down = [], False
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if not (np.isfinite(a) and np.isfinite(b)):
            down = False
            continue
        steps.append(f"{'L' if down else 'M'}{a:.1f} {b:.1f}")
        down = True
    return tag(
        "path", d="".join(steps), fill="none", stroke=colour, stroke_width="1.6", stroke_dasharray=dash
    )
