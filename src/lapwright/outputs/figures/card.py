"""One corner on one page: what to do, where, and what it is worth."""

from __future__ import annotations

from typing import Any

from matplotlib.figure import Figure

from lapwright.corner.card import CornerCard
from lapwright.outputs.figures.card_axles import TICK, draw_axles
from lapwright.outputs.figures.card_costs import draw_mistakes, draw_worth
from lapwright.outputs.figures.card_map import draw_corner
from lapwright.outputs.figures.card_marks import heading, panel
from lapwright.outputs.figures.card_numbers import draw_numbers, key_numbers
from lapwright.outputs.figures.card_traces import draw_drive
from lapwright.outputs.figures.style import (
    A4,
    IN_HAND,
    MARGIN,
    SMALLEST_IN_HAND,
    blank,
    fitted,
    shown,
    styled_as,
    write_caution,
)
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

NUMBERS = A4[1] - 0.95
"""Top of the key numbers [inch]."""

LOWER, HIGH = 0.95, 1.78
"""Bottom and height of the lower pictures [inch]."""


@styled_as(IN_HAND)
def draw_card(card: CornerCard, track: Track, vehicle: AnyVehicle) -> Figure:
    """The card of a corner as an A4 page on its side.

    Parameters
    ----------
    card
        From ``make_card``.
    track
        The road that the corner belongs to.
    vehicle
        The car that drives it; a friction-circle car has no hand wheel, no brake pressure and one axle.
    """
    figure = blank(A4)
    _head(figure, card)
    draw_numbers(figure, key_numbers(card.reading, track, vehicle), NUMBERS)
    right = A4[0] - MARGIN
    draw_corner(figure, panel(figure, MARGIN, 3.06, 4.38, 3.12), card, track)
    draw_drive(figure, card, track, 6.0, 3.42, right - 6.0, 2.8)
    what = "Grip" if isinstance(vehicle, FrictionCircle) else "Grip of the axles"
    draw_axles(
        figure, panel(figure, 0.85, LOWER, 2.45, HIGH, f"{what}: a mark each {TICK:g} s"), card, vehicle
    )
    draw_worth(figure, panel(figure, 3.95, LOWER, 3.15, HIGH, "Worth of trail braking"), card)
    heading(figure, 7.55, LOWER + HIGH + 0.07, "What a mistake costs")
    draw_mistakes(figure, card.mistakes, 7.55, 0.52, right - 7.55, LOWER + HIGH - 0.52)
    write_caution(figure, SMALLEST_IN_HAND)
    return figure


def _head(figure: Figure, card: CornerCard) -> None:
    """The corner, track and car at the left, direction and time at the right."""
    reading, lap = card.reading, card.drive.lap
    right, top = 1 - MARGIN / A4[0], A4[1]
    room = A4[0] - 2 * MARGIN - 3.4
    fitted(figure, shown(card.name), 0.2, room, SMALLEST_IN_HAND, fontsize=22, fontweight="bold", gid="title")
    names = f"{shown(lap.track_name)}   {shown(lap.vehicle_name)}"
    fitted(figure, names, 0.6, room, SMALLEST_IN_HAND, fontsize=11, gid="subtitle")
    text = f"{reading.direction}   {reading.time:.3f} s"
    style: dict[str, Any] = {"ha": "right", "va": "top"}
    figure.text(right, 1 - 0.2 / top, text, fontsize=20, fontweight="bold", gid="time", **style)
    figure.text(right, 1 - 0.6 / top, "from the start to the end of the corner", fontsize=9, **style)
