"""What trail braking is worth in a corner, and what mistakes cost."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import BboxBase

from lapwright.corner.card import CornerCard
from lapwright.corner.mistakes import Mistake
from lapwright.corner.trail import TrailPoint, TrailWorth
from lapwright.outputs.figures.card_marks import wrapped, zero_of
from lapwright.outputs.figures.labels import Label, place_labels
from lapwright.outputs.figures.style import A4, INK, REFERENCE, SMALLEST_IN_HAND, renderer, shown

BEFORE_LINE: dict[str, Any] = {
    "color": REFERENCE, "linestyle": "-", "linewidth": 2.0, "marker": "o", "markersize": 4.5, "zorder": 3,
}  # fmt: skip
PAST_LINE: dict[str, Any] = {
    "color": INK, "linestyle": (0, (4, 1.5)), "linewidth": 1.6, "marker": "s", "markersize": 4.5,
    "markerfacecolor": "white", "zorder": 3,
}  # fmt: skip
NOT_DRIVEN: dict[str, Any] = {
    "color": INK, "linestyle": "none", "marker": "x", "markersize": 6, "markeredgewidth": 1.6, "zorder": 4,
}  # fmt: skip

NO_TRAIL: dict[str, Any] = {
    "linestyle": "none", "marker": "D", "markersize": 7, "markerfacecolor": "white", "markeredgecolor": INK,
    "markeredgewidth": 1.5, "zorder": 5,
}  # fmt: skip

KEY = (0.42, 0.62)
"""Left and lower edge of the place of the key, as shares of the scales."""

SMALL: dict[str, Any] = {"fontsize": SMALLEST_IN_HAND}


def seconds(loss: float) -> str:
    """Seconds to the thousandth, with a sign; never a negative nought."""
    return f"{round(loss, 3) + 0.0:+.3f}"


def draw_worth(figure: Figure, axes: Axes, card: CornerCard) -> None:
    """Seconds lost over the point where the brake is off; a sentence where there is no trail."""
    worth = card.trail
    if worth is None:
        axes.set_axis_off()
        box = axes.get_position()
        lines = wrapped(figure, why_no_trail(card), box.width * A4[0], 6, fontsize=9.5)
        axes.text(
            0.0, 0.95, "\n".join(lines), va="top", fontsize=9.5, transform=axes.transAxes, gid="no-trail"
        )
        return
    zero, words = zero_of(card.reading)
    before = [p for p in worth.points if p.station <= worth.best]
    past = [p for p in worth.points if p.station >= worth.best]
    _branch(axes, before, zero, BEFORE_LINE | {"label": "brake off by here"})
    _branch(axes, past, zero, PAST_LINE | {"label": "brake held to here"})
    stations = [p.station - zero for p in worth.points]
    room = 0.06 * (stations[-1] - stations[0])
    axes.set_xlim(stations[0] - room, stations[-1] + room)
    top = _top(worth, zero, axes)
    missing = [p for p in worth.points if p.loss is None]
    axes.set_ylim(-(0.3 if missing else 0.2) * top, top)
    if missing:
        why = " or ".join(sorted({p.status for p in missing}))
        at = [p.station - zero for p in missing]
        axes.plot(at, [-0.25 * top] * len(at), **NOT_DRIVEN, label=why)
    axes.grid(True)
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.set_xlabel(f"Brake off: distance from {words} [m]", labelpad=1)
    axes.set_ylabel("Seconds lost", labelpad=2)
    legend = axes.legend(
        loc="upper right",
        handlelength=2.6,
        borderaxespad=0.0,
        facecolor="white",
        edgecolor="none",
        framealpha=1.0,
    )
    _values(figure, axes, worth, zero, legend.get_window_extent(renderer(figure)))


def _top(worth: TrailWorth, zero: float, axes: Axes) -> float:
    """The upper end of the scale of seconds: above all points, and so far that none lies under the key at the right."""
    at, losses = np.array([(p.station - zero, p.loss) for p in worth.points if p.loss is not None]).T
    low, high = axes.get_xlim()
    under = np.interp(np.linspace(low + KEY[0] * (high - low), high, 60), at, losses)
    return float(max(1.18 * losses.max(), under.max() / KEY[1], 0.002))


def _branch(axes: Axes, points: Sequence[TrailPoint], zero: float, style: dict[str, Any]) -> None:
    at = [p.station - zero for p in points]
    axes.plot(at, [np.nan if p.loss is None else p.loss for p in points], **style)


def _values(figure: Figure, axes: Axes, worth: TrailWorth, zero: float, legend: BboxBase) -> None:
    """The best point, the value without a trail and those at the ends of the row."""
    best = worth.best - zero
    top = axes.get_ylim()[1]
    axes.plot([best, best], [0.0, top], color="#6B6B6B", linewidth=0.9, linestyle=(0, (6, 3)), zorder=1)
    driven = [(p.station - zero, p.loss) for p in worth.points if p.loss is not None]
    labels = []
    if worth.no_trail is not None:
        at = worth.turn_in - zero
        axes.plot([at], [worth.no_trail], **NO_TRAIL)
        text = f"no trail: {seconds(worth.no_trail)} s"
        labels.append(Label(text, at, worth.no_trail, 0.5, "no-trail-value", SMALL | {"fontweight": "bold"}))
    best_text = axes.annotate(
        f"best: {round(best) + 0:d} m", (best, 0.0), xytext=(0, -6), textcoords="offset points", ha="center", va="top",
        fontweight="bold", gid="best", **SMALL,
    )  # fmt: skip
    taken = [legend, best_text.get_window_extent(renderer(figure))]
    for (at, loss), away in ((driven[-1], 1.6), (driven[0], 0.2)):
        if at not in (best, worth.turn_in - zero):
            labels.append(Label(seconds(loss), at, loss, away, "loss", SMALL))
    dense = np.linspace(0.0, 1.0, 150)[:, None]
    best_line = np.hstack([best + 0.0 * dense, top * dense])
    pairs = zip(np.array(driven[:-1]), np.array(driven[1:]), strict=True)
    place_labels(
        figure, axes, labels, np.vstack([best_line, *(a + dense * (b - a) for a, b in pairs)]), taken
    )


def why_no_trail(card: CornerCard) -> str:
    """Why there is nothing to tell about trail braking here."""
    reading = card.reading
    if reading.braking is None:
        if reading.light_brake is not None:
            return "A lift with a light brake: there is no braking here that could be trailed."
        how = "flat" if reading.entry == "flat" else "with a lift"
        return f"No braking here: the corner is taken {how}, so there is no trail to be had."
    if reading.turn_in is None:
        return "The car is turning already when it comes here: no turn-in parts the trail from the braking before it."
    return "No trail here: the brake is off by the turn-in, and holding it longer is not what is quickest."


def draw_mistakes(
    figure: Figure, made: Sequence[Mistake], left: float, bottom: float, width: float, height: float
) -> None:
    """The table of mistakes in a place of an A4 page [inch]: words, seconds with a bar, metres off the line."""
    axes = figure.add_axes((left / A4[0], bottom / A4[1], width / A4[0], height / A4[1]))
    axes.set_axis_off()
    axes.set_xlim(0.0, width)
    axes.set_ylim(0.0, height)
    if not made:
        axes.text(0.0, height, "None was worked out for this corner.", va="top", fontsize=9.5)
        return
    bars, losses = (width - 2.0, width - 1.42), width - 0.86
    for x, words in ((0.0, "mistake"), (losses, "seconds"), (width, "line moves")):
        axes.text(x, height, words, ha="right" if x else "left", va="top", color="#444444", **SMALL)
    texts = [wrapped(figure, mistake.words, bars[0] - 0.08, 2, **SMALL) for mistake in made]
    rows = sum(len(text) for text in texts) + 0.3 * len(texts)
    line = min((height - 0.2) / max(rows, 1.0), 0.17)
    y = height - 0.2
    longest = max([m.loss for m in made if m.loss is not None] + [1e-9])
    for mistake, text in zip(made, texts, strict=True):
        tall = (len(text) + 0.3) * line
        middle = y - 0.5 * tall
        axes.plot([0.0, width], [y, y], color="#CCCCCC", linewidth=0.6, zorder=0)
        axes.text(0.0, middle, "\n".join(text), va="center", linespacing=1.0, gid="mistake", **SMALL)
        _result(axes, mistake, (losses, width), middle)
        if mistake.loss is not None and mistake.loss > 0:
            share = mistake.loss / longest
            axes.barh(middle, share * (bars[1] - bars[0]), 0.5 * line, left=bars[0], color=REFERENCE)
        y -= tall


def _result(axes: Axes, mistake: Mistake, columns: tuple[float, float], y: float) -> None:
    style: dict[str, Any] = {"ha": "right", "va": "center", "gid": "mistake"} | SMALL
    if mistake.status == "off the road":
        axes.text(columns[1], y, f"off the road by {mistake.off_by:.1f} m", fontweight="bold", **style)
    elif mistake.loss is None:
        axes.text(columns[1], y, shown(mistake.status), **style)
    else:
        axes.text(columns[0], y, seconds(mistake.loss), fontweight="bold", **style)
        axes.text(columns[1], y, moved(mistake.moved), **style)


def moved(metres: float) -> str:
    """How far the line moves, and to which side."""
    far = round(abs(metres), 1)
    return f"{far:.1f} m {'left' if metres > 0 else 'right'}" if far else "0.0 m"
