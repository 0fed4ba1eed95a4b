"""Speed, brake, throttle and hand wheel of a corner over the distance, with its phases."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from lapwright.corner.card import CornerCard
from lapwright.corner.why import Span
from lapwright.outputs.figures.card_marks import MARKERS, marks_of, panel, view_of, zero_of
from lapwright.outputs.figures.strips import strip, write_row
from lapwright.outputs.figures.style import A4, BAND, INK, SMALLEST_IN_HAND, line_of, renderer
from lapwright.outputs.figures.traces import BRAKE, PANELS, SPEED, TracePanel
from lapwright.quantities import KMH
from lapwright.track.track import Track

SHOWN = 0.1
"""Shortest phase that is drawn [s]: a shorter one is no more than a change of the foot."""

GAP = 0.11
"""Between two panels [inch]."""

KINDS = PANELS[:4]
HEIGHTS = (2.3, 2.0, 1.2, 1.5)
"""The panels, and their heights over one another: it is the brake that a card is about."""

ROW = 0.16
"""Height of a row with names of phases [inch]."""

SLANT = 0.07
"""Between the two rows of names: here the lines from the upper one find their bands [inch]."""

STRIP = 0.03 + 2 * ROW + SLANT
"""Height of the names of the phases [inch]."""

ROUND = (5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 100.0, 150.0, 200.0, 300.0, 400.0, 600.0)
"""Angles that the scale of the hand wheel names [deg]."""

LEAST = 20.0
"""Shortest span of a scale without limits of its own [km/h or deg], so that small changes look small."""


def draw_drive(
    figure: Figure, card: CornerCard, track: Track, left: float, bottom: float, width: float, height: float
) -> None:
    """Draw the traces into a place of an A4 page [inch]; the names of the phases are at its top.

    A car without a hand wheel has no panel for it.
    """
    kinds = KINDS if card.reading.steering is not None else KINDS[:-1]
    zero, words = zero_of(card.reading)
    free = height - STRIP - GAP * (len(kinds) - 1)
    total, top = sum(HEIGHTS[: len(kinds)]), bottom + height - STRIP
    made: list[Axes] = []
    for kind, share in zip(kinds, HEIGHTS, strict=False):
        high = free * share / total
        axes = panel(figure, left, top - high, width, high)
        _draw(axes, card, kind, zero)
        top -= high + GAP
        made.append(axes)
    for axes in made[:-1]:
        axes.tick_params(labelbottom=False)
    made[-1].set_xlabel(
        f"Distance from {words} [m], at {float(track.wrap(np.array(zero))):.0f} m along the centreline",
        labelpad=1,
    )
    _phases(figure, made, card, zero)
    _marks(made, card, zero)


def _draw(axes: Axes, card: CornerCard, kind: TracePanel, zero: float) -> None:
    lap, (first, last) = card.drive.lap, view_of(card)
    rows = (lap.s >= first) & (lap.s <= last)
    values = kind.values(lap)
    axes.plot(lap.s - zero, values, **line_of(lap))
    axes.set_xlim(first - zero, last - zero)
    low, high = float(values[rows].min()), float(values[rows].max())
    middle, reach = 0.5 * (high + low), 0.64 * max(high - low, LEAST)
    axes.set_ylim(*(kind.limits or (middle - reach, middle + reach)))
    axes.set_ylabel(kind.label, rotation=0, ha="right", va="center", multialignment="right", fontsize=8.5)
    axes.yaxis.set_label_coords(-0.085, 0.5)
    if kind is KINDS[-1]:
        axes.set_yticks(_angles(*axes.get_ylim()))
    else:
        axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    if kind.limits:
        axes.set_yticks([0, 50, 100])
    elif low < 0 < high:
        axes.axhline(0.0, color="#888888", linewidth=0.8, zorder=1)
    axes.grid(True)


def _angles(low: float, high: float) -> list[float]:
    """Nought and a round angle to either side of it, as far as they lie between two angles."""
    most = max(abs(low), abs(high))
    angle = max(v for v in ROUND if v <= max(most, ROUND[0]))
    return [v for v in (-angle, 0.0, angle) if low <= v <= high]


def spans_shown(card: CornerCard) -> list[Span]:
    """The phases that are drawn: those in view that last ``SHOWN`` at least."""
    first, last = view_of(card)
    spans = [phase.span for phase in card.phases]
    return [span for span in spans if span.time >= SHOWN and span.start < last and span.end > first]


def _phases(figure: Figure, panels: list[Axes], card: CornerCard, zero: float) -> None:
    """Alternating bands through all panels, the names along the top: inside their bands, or above with a line to them."""
    first, last = view_of(card)
    top = panels[0].get_position().y1
    low = strip(figure, panels[0], top + 0.03 / A4[1], ROW / A4[1])
    high = strip(figure, panels[0], top + (0.03 + ROW + SLANT) / A4[1], ROW / A4[1])
    above: list[tuple[float, str]] = []
    for i, span in enumerate(spans_shown(card)):
        a, b = max(span.start, first) - zero, min(span.end, last) - zero
        for axes in [*panels, low]:
            if i % 2 == 0:
                axes.axvspan(a, b, color=BAND, linewidth=0, zorder=0)
            for edge in (a, b):
                axes.axvline(edge, color="#9A9A9A", linewidth=0.7, zorder=0.5)
        middle = 0.5 * (a + b)
        text = low.text(
            middle, 0.5, span.name, ha="center", va="center", gid="phase", fontsize=SMALLEST_IN_HAND
        )
        ends = low.transData.transform([[a, 0.0], [b, 0.0]])[:, 0]
        if text.get_window_extent(renderer(figure)).width > ends[1] - ends[0] - 2.0:
            text.remove()
            above.append((middle, span.name))
    texts = write_row(figure, high, above, (0.1,), fontsize=SMALLEST_IN_HAND, gid="phase")
    for (middle, _), text in zip(sorted(above), texts, strict=True):
        box = text.get_window_extent(renderer(figure)).transformed(high.transData.inverted())
        from_x = min(max(middle, box.x0), box.x1)
        high.plot(
            [from_x, middle, middle],
            [0.0, -SLANT / ROW, -1.0 - SLANT / ROW],
            color="#555555",
            linewidth=0.8,
            clip_on=False,
        )


def _marks(panels: list[Axes], card: CornerCard, zero: float) -> None:
    """The signs of the map on the trace of the speed, with the speeds to remember."""
    lap = card.drive.lap
    axes = panels[SPEED]
    for mark in marks_of(card.reading):
        if mark.name == "clip":
            continue
        speed = float(np.interp(mark.place.at, lap.s, lap.speed)) * KMH
        axes.plot([mark.place.at - zero], [speed], **MARKERS[mark.name])
    if card.reading.braking is not None:
        panels[BRAKE].axvline(card.reading.braking.on.at - zero, color=INK, linewidth=1.4, zorder=2)
