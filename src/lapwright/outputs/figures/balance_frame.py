"""What the figures of a balance share: heading, strokes of the axles, panels over distance with the key points above."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from lapwright.outputs.balance_words import key_points
from lapwright.outputs.figures.strips import strip, write_row
from lapwright.outputs.figures.style import A3, INK, MARGIN, REFERENCE, page, renderer, shown
from lapwright.outputs.figures.traces import REAR_LINE
from lapwright.outputs.words import lap_time
from lapwright.study.balance import Balance
from lapwright.study.entry import Entry

ALARM = "#D55E00"
"""Of what wants attention: vermilion (Okabe & Ito, Color Universal Design, 2008), always a mark or a hatch as well."""

FRONT_LINE: dict[str, Any] = {"color": REFERENCE, "linestyle": "-", "linewidth": 2.2, "zorder": 4}
NEUTRAL_LINE: dict[str, Any] = {"color": "#7F7F7F", "linestyle": ":", "linewidth": 2.2, "zorder": 3}
NERVOUS_LINE: dict[str, Any] = {
    "color": ALARM, "linestyle": (0, (7, 2, 1.5, 2)), "linewidth": 1.8, "zorder": 2.5,
}  # fmt: skip
KEY_LINE: dict[str, Any] = {"color": "#6B6B6B", "linestyle": (0, (2, 2)), "linewidth": 1.0, "zorder": 1}

LIMITS: dict[str, dict[str, Any]] = {
    "front": {"facecolor": "#DCEAF5", "edgecolor": "#7FB4DA", "hatch": "//", "linewidth": 0},
    "rear": {"facecolor": "#E9E9E9", "edgecolor": "#8F8F8F", "hatch": "\\\\", "linewidth": 0},
    "both": {"facecolor": "#F7ECCD", "edgecolor": "#D2B96A", "hatch": "xx", "linewidth": 0},
}
"""How the stretches are filled where an axle is at its limit: by hatch as well as by colour."""

LIMIT_WORDS = {"front": "front at its limit", "rear": "rear at its limit", "both": "both at their limit"}

AFTER = 14.0
"""Letters of a note for each inch of the page's width, in type of 13 points."""


def headed(balance: Balance, what: str, note: str = "") -> Figure:
    """An A3 page with circuit, car, lap time, what it shows, and a note of at most two lines under that."""
    lap = balance.known.lap
    figure = page(A3, lap, shown(f"{what}   (lap {lap_time(lap.time)})"))
    lines = textwrap.wrap(note, int((A3[0] - 2 * MARGIN) * AFTER * 0.72), break_on_hyphens=False)
    if len(lines) > 2:
        lines = [lines[0], textwrap.shorten(" ".join(lines[1:]), len(lines[0]), placeholder=" ...")]
    if lines:
        figure.text(
            MARGIN / A3[0], 1 - 1.02 / A3[1], "\n".join(shown(line) for line in lines), va="top", fontsize=13,
            linespacing=1.15, gid="note",
        )  # fmt: skip
    return figure


def zero_of(entry: Entry) -> tuple[float, str]:
    """Station [m] that distances on an entry's page are counted from, and its name."""
    if entry.turn_in is not None and entry.start <= entry.turn_in <= entry.slowest:
        return entry.turn_in, "turn-in"
    return entry.slowest, "the slowest point"


def distance_label(balance: Balance, entry: Entry) -> str:
    """The scale of distance in words."""
    zero, name = zero_of(entry)
    lap = balance.known.lap
    first, length = float(lap.s[0]), float(lap.s[-1] - lap.s[0])
    at = first + (zero - first) % length if lap.closed else zero
    return f"Distance from {name} [m], at {at:.0f} m along the centreline"


def column(
    figure: Figure,
    heights: Sequence[float],
    span: tuple[float, float],
    box: tuple[float, float, float, float],
    gap: float = 0.022,
) -> list[Axes]:
    """Panels one below another with one scale; ``box`` is left, bottom, right, top in shares of the page."""
    left, bottom, right, top = box
    total = top - bottom - gap * (len(heights) - 1)
    made: list[Axes] = []
    for share in (height / sum(heights) * total for height in heights):
        axes = figure.add_axes((left, top - share, right - left, share))
        axes.set_xlim(*span)
        axes.grid(True)
        axes.xaxis.set_major_locator(MaxNLocator(9, steps=[1, 2, 5, 10]))
        axes.tick_params(labelbottom=False)
        made.append(axes)
        top -= share + gap
    made[-1].tick_params(labelbottom=True)
    return made


def named(axes: Axes, label: str, away: float = 0.034) -> None:
    """The upright label of a panel, ``away`` from it [share of the page's width]: in line with its neighbours."""
    axes.set_ylabel(label, fontsize=12.5, labelpad=0)
    axes.yaxis.set_label_coords(-away / axes.get_position().width, 0.5)


def mark_points(figure: Figure, panels: Sequence[Axes], entry: Entry, height: float = 0.05) -> None:
    """Brake-on, turn-in, brake-off and slowest point as lines through all panels, with their names above the first."""
    zero, _ = zero_of(entry)
    low, high = panels[0].get_xlim()
    above = strip(figure, panels[0], panels[0].get_position().y1 + 0.003, height)
    labels = []
    for name, station in key_points(entry):
        at = station - zero
        if not low <= at <= high:
            continue
        for axes in panels:
            axes.axvline(at, **KEY_LINE)
        labels.append((at, "slowest" if name == "the slowest point" else name))
    write_row(figure, above, labels, (0.06, 0.52), fontsize=12.5, gid="key")


def limits_key() -> list[Patch]:
    """For a key: the hatches of stretches at the limit."""
    return [Patch(**look, label=LIMIT_WORDS[axle]) for axle, look in LIMITS.items()]


def axles_key() -> list[Line2D]:
    """For a key: the strokes of the axles."""
    return [
        Line2D([], [], **FRONT_LINE, label="front axle"),
        Line2D([], [], **REAR_LINE, label="rear axle"),
    ]


def foot_key(figure: Figure, handles: Sequence[Any], columns: int, foot: float = 0.03) -> Legend:
    """The key along the foot of a page, above the caution."""
    return figure.legend(
        handles=handles, loc="lower center", bbox_to_anchor=(0.5, foot), ncols=columns, frameon=False,
        handlelength=2.8, columnspacing=1.8, borderpad=0.0, labelspacing=0.35,
    )  # fmt: skip


def written(figure: Figure, axes: Axes, x: float, y: float, text: str, **style: Any) -> Any:
    """A text in the axes' data that is moved sideways so that it stays inside them."""
    made = axes.text(x, y, text, **style)
    box, window = made.get_window_extent(renderer(figure)), axes.get_window_extent(renderer(figure))
    shift = max(window.x0 - box.x0, 0.0) - max(box.x1 - window.x1, 0.0)
    if shift:
        place = axes.transData.transform((x, y))
        made.set_position(tuple(axes.transData.inverted().transform((place[0] + shift, place[1]))))
    return made


PLATE: dict[str, Any] = {"facecolor": "white", "edgecolor": "none", "alpha": 0.88, "pad": 1.5}
"""Behind a text that lies on lines."""

BOLD: dict[str, Any] = {"fontweight": "bold", "color": INK}
