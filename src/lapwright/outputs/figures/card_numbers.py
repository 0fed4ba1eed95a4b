"""The key numbers of a corner card, in large type along the top."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from lapwright.corner.reading import Braking, Place, Reading
from lapwright.lap.landmarks import landmark_fixes, nearest_fix
from lapwright.outputs.figures.card_marks import own_slowest, wrapped
from lapwright.outputs.figures.style import A4, MARGIN, SMALLEST_IN_HAND, renderer, shown
from lapwright.outputs.words import fix_phrase
from lapwright.quantities import KMH, G
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

BAR = 1e5

ENTRY_SHARE = 1.65
"""Width of the first column over that of the others: it holds the name of a landmark."""

LARGE = 18.5
"""Type of the numbers [pt]."""

LINES = 4
"""Lines of small type under a number at the most."""


@dataclass(frozen=True)
class Number:
    """``title`` above, ``value`` in large type, ``notes`` below, each on a line of its own."""

    title: str
    value: str
    notes: tuple[str, ...]


def key_numbers(reading: Reading, track: Track, vehicle: AnyVehicle) -> list[Number]:
    """What a driver takes along from a corner, in driving order; what did not happen says so.

    Parameters
    ----------
    reading
        The corner as it is driven.
    track
        For its landmarks.
    vehicle
        A friction-circle car has no brake pressure.
    """
    braking = reading.braking
    if braking is None:
        numbers = [_no_brake(reading, track), _turn_in(reading, None)]
    else:
        numbers = [
            _brake_on(braking, track),
            _peak(braking, vehicle),
            _turn_in(reading, braking),
            _brake_off(reading, braking),
        ]
    numbers.append(_slowest(reading))
    if reading.entry == "flat":
        return [*numbers, Number("Throttle", "full", ("all the way through",))]
    return [*numbers, _pick_up(reading), _full(reading)]


def _speed(place: Place) -> str:
    gear = f", gear {place.gear}" if place.gear else ""
    return f"{place.speed * KMH:.0f} km/h{gear}"


def _landmark(place: Place, track: Track) -> tuple[str, ...]:
    phrase = fix_phrase(nearest_fix(*landmark_fixes(place.at, track)))
    return (shown(phrase),) if phrase else ()


def _to_turn_in(title: str, place: Place, before: float | None, track: Track) -> Number:
    """A place told by its distance to the turn-in and by the nearest landmark."""
    if before is None:
        gear = (f"gear {place.gear}",) if place.gear else ()
        return Number(title, f"{place.speed * KMH:.0f} km/h", (*_landmark(place, track), *gear))
    metres = round(before)
    side = "before turn-in" if metres > 0 else "after turn-in" if metres < 0 else "at turn-in"
    return Number(title, f"{abs(metres)} m", (side, *_landmark(place, track), _speed(place)))


def _brake_on(braking: Braking, track: Track) -> Number:
    title = f"Brake on, for {shown(braking.owner)}" if braking.owner else "Brake on"
    return _to_turn_in(title, braking.on, braking.before_turn_in, track)


def _no_brake(reading: Reading, track: Track) -> Number:
    if reading.entry == "flat":
        return Number("Brake", "no brake", ("flat: the foot stays down",))
    if reading.lift is None:
        return Number("Brake", "no brake", ("a lift",))
    before = None if reading.turn_in is None else reading.turn_in.at - reading.lift.at
    found = _to_turn_in("Lift", reading.lift, before, track)
    light = reading.light_brake
    how = "no brake: a lift" if light is None else f"a lift, with {100 * light.peak:.0f} % of brake held"
    return Number(found.title, found.value, (*found.notes, how))


def _peak(braking: Braking, vehicle: AnyVehicle) -> Number:
    reached = f"{braking.build_time:.2f} s after brake on"
    presses = (f"pressed {braking.applications} times",) if braking.applications > 1 else ()
    if isinstance(vehicle, FrictionCircle):
        notes: tuple[str, ...] = ("of full braking", reached)
    else:
        notes = (f"{braking.pressure / BAR:.0f} bar", reached)
    return Number("Peak brake", f"{100 * braking.peak:.0f} %", notes + presses)


def _turn_in(reading: Reading, braking: Braking | None) -> Number:
    place = reading.turn_in
    if place is None:
        return Number("At turn-in", "none", ("already turning from the corner before",))
    if braking is not None and braking.left_at_turn_in is not None:
        left = f"{100 * braking.left_at_turn_in:.0f} %"
        return Number("Brake at turn-in", left, ("of the peak is left", _speed(place)))
    gear = (f"gear {place.gear}",) if place.gear else ()
    why: tuple[str, ...] = ()
    if braking is not None:
        why = ("brake not on yet" if place.at < braking.on.at else "brake off already",)
    return Number("At turn-in", f"{place.speed * KMH:.0f} km/h", gear + why)


def _past(metres: float) -> tuple[str, str]:
    """A distance from the slowest point, large and small."""
    whole = round(metres)
    side = "before" if whole < 0 else "past" if whole > 0 else "at"
    return f"{abs(whole)} m", f"{side} the slowest"


def _brake_off(reading: Reading, braking: Braking) -> Number:
    value, side = _past(braking.off_past_slowest)
    return Number("Brake off", value, (side, _speed(braking.off)))


def _slowest(reading: Reading) -> Number:
    place = reading.slowest
    notes = [f"gear {place.gear}"] if place.gear else []
    notes.append(f"{reading.lateral / G:.2f} g to the side")
    if not own_slowest(reading):
        ends = "start" if abs(place.at - reading.start.at) < 1e-6 else "end"
        notes.append(f"at the {ends} of the corner")
    return Number("Slowest", f"{place.speed * KMH:.0f} km/h", tuple(notes))


def _pick_up(reading: Reading) -> Number:
    if reading.pick_up is None:
        return Number("Throttle pick-up", "none", ("before the next corner",))
    value, side = _past(reading.pick_up.at - reading.slowest.at)
    coast = (f"{reading.coast[1]:.2f} s of coasting",) if reading.coast[1] > 0.0 else ()
    return Number("Throttle pick-up", value, (side, *coast))


def _full(reading: Reading) -> Number:
    if reading.full is None:
        return Number("Full throttle", "none", ("before the next corner",))
    value, side = _past(reading.full.at - reading.slowest.at)
    return Number("Full throttle", value, (side, _speed(reading.full)))


def draw_numbers(figure: Figure, numbers: list[Number], top: float) -> None:
    """Write the numbers side by side across an A4 page, from ``top`` [inch] down."""
    unit = (A4[0] - 2 * MARGIN) / (len(numbers) - 1 + ENTRY_SHARE)
    left = MARGIN
    for i, number in enumerate(numbers):
        width = unit * (ENTRY_SHARE if i == 0 else 1.0)
        _write(figure, number, left, top, width - 0.14)
        left += width
        if i < len(numbers) - 1:
            figure.add_artist(_rule(left - 0.09, top - 1.05, top))


def _write(figure: Figure, number: Number, left: float, top: float, room: float) -> None:
    x = left / A4[0]
    small: dict[str, Any] = {"fontsize": SMALLEST_IN_HAND, "va": "baseline"}
    title = wrapped(figure, number.title, room, 1, fontweight="bold", **small)[0]
    figure.text(x, (top - 0.12) / A4[1], title, fontweight="bold", gid="number", **small)
    size = LARGE
    style: dict[str, Any] = {"fontweight": "bold", "va": "baseline", "gid": "number"}
    value = figure.text(x, (top - 0.42) / A4[1], number.value, fontsize=size, **style)
    while value.get_window_extent(renderer(figure)).width > room * figure.dpi and size > SMALLEST_IN_HAND:
        size -= 1.0
        value.set_fontsize(size)
    lines = [line for note in number.notes for line in wrapped(figure, note, room, 2, **small)]
    for k, line in enumerate(lines[:LINES]):
        figure.text(x, (top - 0.62 - 0.145 * k) / A4[1], line, gid="number", **small)


def _rule(x: float, bottom: float, top: float) -> Line2D:
    return Line2D([x / A4[0]] * 2, [bottom / A4[1], top / A4[1]], color="#BBBBBB", linewidth=0.8)
