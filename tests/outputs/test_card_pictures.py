"""The pictures of a corner card one by one: what is marked, what did not happen, sections that run across the line."""

from dataclasses import fields, is_dataclass, replace
from itertools import combinations

import numpy as np
import pytest
from corner_cards import card, lap
from matplotlib.text import Text

from lapwright.corner.trail import TrailPoint
from lapwright.lap.lap import Lap
from lapwright.outputs.figures.card import draw_card
from lapwright.outputs.figures.card_costs import moved, seconds
from lapwright.outputs.figures.card_marks import MARKERS, marks_of, view_of
from lapwright.outputs.figures.card_numbers import key_numbers
from lapwright.outputs.figures.style import renderer
from lapwright.quantities import KMH

CAR = "cup-coupe"


def drawn(made):
    track, vehicle, _, _ = lap(CAR)
    figure = draw_card(made, track, vehicle)
    figure.canvas.draw()
    return figure


def numbers(reading):
    track, vehicle, _, _ = lap(CAR)
    return {number.title: number for number in key_numbers(reading, track, vehicle)}


def axes_with(figure, label):
    return next(axes for axes in figure.axes if label in axes.get_xlabel())


def later(value, by):
    """The same card driven laps later: every station in it counts on by ``by`` metres."""
    if isinstance(value, tuple):
        return tuple(later(v, by) for v in value)
    if isinstance(value, Lap):
        return replace(value, s=value.s + by)
    if not is_dataclass(value):
        return value
    stations = {
        "Stretch": ("start", "entry", "corner_start", "corner_end", "fine_end", "end"),
        "Place": ("at",),
        "Span": ("start", "end"),
        "TrailPoint": ("station",),
        "TrailWorth": ("best", "turn_in"),
    }.get(type(value).__name__, ())
    changes = {name: getattr(value, name) + by for name in stations}
    for field in fields(value):
        if field.name not in (*stations, "solution"):
            changes[field.name] = later(getattr(value, field.name), by)
    return replace(value, **changes)


@pytest.mark.parametrize("turns", [-1, 1])
def test_a_section_across_the_line_is_drawn_like_any_other(turns):
    made, track = card(CAR, "Gate"), lap(CAR)[0]
    where = [
        sorted(
            (text.get_text(), *np.round(text.get_window_extent(renderer(figure)).p0, 0))
            for text in figure.findobj(Text)
            if text.get_text().strip()
        )
        for figure in (drawn(made), drawn(later(made, turns * track.length)))
    ]
    assert len(where[0]) > 100
    assert where[0] == where[1]


def test_the_signs_differ_in_shape_or_filling():
    looks = {name: (style["marker"], style["markerfacecolor"]) for name, style in MARKERS.items()}
    for (one, a), (other, b) in combinations(looks.items(), 2):
        assert a != b, (one, other)


def test_each_moment_has_a_sign_on_the_driven_line():
    made = card(CAR, "Gate")
    figure = drawn(made)
    labels = {
        text.get_text().rstrip("0123456789 ") for text in figure.findobj(Text) if text.get_gid() == "mark"
    }
    names = {mark.name for mark in marks_of(made.reading)}
    assert labels == names == set(MARKERS) - {"lift"}
    for mark in marks_of(made.reading):
        assert view_of(made)[0] < mark.place.at < view_of(made)[1]


@pytest.mark.parametrize("name", ["Gate", "Kiln", "Long Acre"])
def test_labels_of_the_map_cover_no_sign_and_no_road(name):
    figure = drawn(card(CAR, name))
    axes = next(a for a in figure.axes if any(text.get_gid() == "mark" for text in a.texts))
    frame = axes.get_window_extent(renderer(figure)).padded(1.0)
    signs = [line.get_xydata()[0] for line in axes.lines if len(line.get_xdata()) == 1]
    driven = max((line.get_xydata() for line in axes.lines), key=len)
    taken = axes.transData.transform(np.vstack([signs, driven]))
    for text in axes.texts:
        if text.get_gid() in ("mark", "landmark"):
            box = text.get_window_extent(renderer(figure))
            assert frame.contains(*box.p0) and frame.contains(*box.p1), text.get_text()
            assert not any(box.contains(*point) for point in taken), text.get_text()


def test_what_did_not_happen_is_no_nought():
    reading = card(CAR, "Gate").reading
    never = numbers(replace(reading, turn_in=None, pick_up=None, full=None))
    assert (
        never["At turn-in"].value == never["Throttle pick-up"].value == never["Full throttle"].value == "none"
    )
    late = numbers(replace(reading, braking=replace(reading.braking, left_at_turn_in=None)))
    assert late["At turn-in"].value == f"{reading.turn_in.speed * KMH:.0f} km/h"
    lost = numbers(replace(reading, braking=replace(reading.braking, before_turn_in=None)))
    assert lost["Brake on"].value == f"{reading.braking.on.speed * KMH:.0f} km/h"


@pytest.mark.parametrize(
    ("before", "value", "side"),
    [(-7.4, "7 m", "after turn-in"), (0.3, "0 m", "at turn-in"), (52.6, "53 m", "before turn-in")],
)
def test_which_side_of_the_turn_in(before, value, side):
    reading = card(CAR, "Gate").reading
    told = numbers(replace(reading, braking=replace(reading.braking, before_turn_in=before)))["Brake on"]
    assert (told.value, told.notes[0]) == (value, side)


def test_a_braking_for_an_earlier_corner_says_whose_it_is():
    reading = card(CAR, "Gate").reading
    shared = replace(reading, braking=replace(reading.braking, owner="Weir"))
    assert "Brake on, for Weir" in numbers(shared)


def with_points(changes):
    made = card(CAR, "Gate")
    points = [replace(p, **changes.get(i, {})) for i, p in enumerate(made.trail.points)]
    return replace(made, trail=replace(made.trail, points=tuple(points)))


def test_points_that_were_not_driven_are_marked_and_not_joined():
    figure = drawn(with_points({1: {"loss": None, "status": "off the road"}}))
    axes = axes_with(figure, "Brake off")
    crosses = next(line for line in axes.lines if line.get_label() == "off the road")
    point: TrailPoint = card(CAR, "Gate").trail.points[1]
    slowest = card(CAR, "Gate").reading.slowest.at
    assert crosses.get_marker() == "x"
    np.testing.assert_allclose(crosses.get_xdata(), [point.station - slowest])
    joined = next(line for line in axes.lines if line.get_label() == "brake off by here")
    assert np.isnan(joined.get_ydata()[1])


@pytest.mark.parametrize("loss", [0.02, 0.5, 3.0])
def test_the_key_of_the_trail_curve_hides_no_point(loss):
    figure = drawn(with_points({-1 + len(card(CAR, "Gate").trail.points): {"loss": loss}}))
    axes = axes_with(figure, "Brake off")
    key = axes.get_legend().get_window_extent(renderer(figure))
    for line in axes.lines:
        if str(line.get_label()).startswith("brake"):
            for x, y in axes.transData.transform(np.column_stack([line.get_xdata(), line.get_ydata()])):
                assert not key.contains(x, y)


def test_a_brake_off_at_the_slowest_point_is_no_negative_nought():
    made = card(CAR, "Gate")
    at = made.reading.slowest.at - 0.2
    points = [replace(p, station=at) if p.station == made.trail.best else p for p in made.trail.points]
    figure = drawn(replace(made, trail=replace(made.trail, points=tuple(points), best=at)))
    assert [text.get_text() for text in figure.findobj(Text) if text.get_gid() == "best"] == ["best: 0 m"]


def test_seconds_and_metres():
    assert [seconds(v) for v in (0.0126, -0.0002, 0.0)] == ["+0.013", "+0.000", "+0.000"]
    assert [moved(v) for v in (2.96, -0.31, 0.04)] == ["3.0 m left", "0.3 m right", "0.0 m"]
