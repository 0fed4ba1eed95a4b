"""A lap of elements that nearly closes, and one that does not."""

from __future__ import annotations

import math

import numpy as np
import pytest
from invented_roads import DEG, STADIUM, road

from lapwright.errors import InputError
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, Landmark, Straight


def stadium_with(**changes):
    elements = list(STADIUM)
    for name, element in changes.items():
        elements[int(name[1:])] = element
    return road(elements, closed=True, landmarks=(Landmark("post", 490.0),))


def consistent(track):
    """Largest disagreement of position, heading and curvature by central differences."""
    step = 1e-3
    s = np.linspace(1.0, track.length - 1.0, 997)
    s = s[np.min(np.abs(s[:, None] - track.breaks), axis=1) > 2 * step]
    before, here, after = track.road(s - step), track.road(s), track.road(s + step)
    direction = np.arctan2(after.y - before.y, after.x - before.x)
    turn = np.abs(np.angle(np.exp(1j * (direction - here.heading))))
    bend = np.abs((after.heading - before.heading) / (2 * step) - here.curvature)
    return max(float(np.max(turn)), float(np.max(bend)))


def assert_closed(track):
    ends = track.road(np.array([0.0, track.length - 1e-12]))
    assert math.hypot(ends.x[1] - ends.x[0], ends.y[1] - ends.y[0]) < 1e-8
    assert ends.heading[1] == pytest.approx(2.0 * math.pi, abs=1e-9)
    assert consistent(track) < 1e-6


def test_a_small_gap_is_spread_and_told():
    track = build_track(stadium_with(e0=Straight(151.5)))
    assert_closed(track)
    assert track.report.closure_gap == pytest.approx(1.5, abs=1e-9)
    assert track.report.closure_heading == pytest.approx(0.0, abs=1e-12)
    (notice,) = track.report.notices
    assert "1.500 m" in notice and "so that it closes" in notice


def test_a_small_heading_error_is_spread_and_told():
    track = build_track(stadium_with(e3=Arc(40.0, 179.0 * DEG, 20.0, 20.0)))
    assert_closed(track)
    assert track.report.closure_heading == pytest.approx(-1.0 * DEG, abs=1e-12)
    assert "-1.000 deg" in track.report.notices[0]


def test_closing_changes_the_shape_little_and_in_proportion():
    track = build_track(stadium_with(e0=Straight(151.0)))
    s = np.linspace(0.0, track.length, 4001)
    bend = track.road(s).curvature
    assert np.max(bend) == pytest.approx(1 / 40, rel=0.01)
    assert np.min(bend) == 0.0
    # Straight 151 against 150: the two meet between.
    lengths = np.diff(np.concatenate([[0.0], track.breaks]))
    assert 150.0 < lengths[0] < 151.0 and 150.0 < lengths[4] < 151.0
    assert track.landmarks[0].at == pytest.approx(490.0, abs=1.5)


def test_a_closed_design_has_no_notice():
    track = build_track(stadium_with(e0=Straight(150.03)))
    assert track.report.closure_gap == pytest.approx(0.03, abs=1e-9)
    assert track.report.notices == ()


def test_a_large_gap_is_an_error_that_says_how_large():
    with pytest.raises(InputError) as caught:
        build_track(stadium_with(e0=Straight(190.0)))
    (fault,) = caught.value.faults
    assert fault.key == ("centreline", "elements")
    assert "40.00 m from the start" in fault.message and "x 40.00" in fault.message


def test_wrong_angles_are_named_with_their_sum():
    with pytest.raises(InputError) as caught:
        build_track(stadium_with(e1=Arc(40.0, 170.0 * DEG, 20.0, 20.0)))
    text = caught.value.faults[0].message
    assert "350.00 deg" in text and "360 deg" in text and "-10.00 deg" in text


def test_a_figure_of_eight_turns_through_nothing():
    loop = [Straight(100), Arc(50, 270 * DEG), Straight(100), Arc(50, -270 * DEG)]
    with pytest.raises(InputError, match="runs into itself"):
        build_track(road(loop, closed=True))


def test_two_unequal_half_circles_still_close():
    track = build_track(road([Arc(50.0, math.pi), Arc(50.6, math.pi)], closed=True))
    assert track.report.closure_gap == pytest.approx(1.2, abs=1e-9)
    assert track.report.radius_min == pytest.approx(50.3, abs=0.05)
