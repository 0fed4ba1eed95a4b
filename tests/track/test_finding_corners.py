"""Corners named by the user and corners found in the curvature."""

from __future__ import annotations

import math

import numpy as np
import pytest
from invented_roads import DEG, STADIUM, STADIUM_LENGTH, road, surveyed

from lapwright.track.build import build_track
from lapwright.track.definition import Arc, CornerSpec, Straight
from lapwright.track.transform import mirrored, with_start


def test_found_corners_are_the_bends_in_driving_order():
    elements = [
        Straight(100),
        Arc(30, 90 * DEG, 10, 10),
        Straight(80),
        Arc(60, -50 * DEG, 15, 15),
        Straight(60),
        Arc(12, -170 * DEG, 6, 6),
        Straight(100),
    ]
    corners = build_track(road(elements)).corners
    assert [c.name for c in corners] == ["T1", "T2", "T3"]
    assert [c.direction for c in corners] == ["left", "right", "right"]
    starts = np.cumsum([0, 100, 30 * 90 * DEG + 10, 80, 60 * 50 * DEG + 15, 60])
    for corner, start, element in zip(corners, starts[1::2], elements[1::2], strict=True):
        length = element.radius * abs(element.angle) + element.ramp_in
        assert corner.start == pytest.approx(start, abs=2.5)
        assert corner.end == pytest.approx(start + length, abs=2.5)
        assert corner.apex == pytest.approx(start + 0.5 * length, abs=0.5)
        assert corner.radius == pytest.approx(element.radius, rel=1e-6)
        assert corner.angle == pytest.approx(abs(element.angle), rel=0.02)


def test_what_hardly_bends_is_no_corner():
    elements = [Straight(100), Arc(40, 90 * DEG, 10, 10), Straight(200), Arc(900, 15 * DEG), Straight(50)]
    assert len(build_track(road(elements)).corners) == 1
    assert build_track(road([Straight(300)])).corners == ()


def test_the_measure_is_relative_to_the_road():
    # A bend of 250 m is a corner of a fast road and not of one made of hairpins.
    fast = build_track(
        road([Straight(100), Arc(250, 40 * DEG), Straight(200), Arc(180, 60 * DEG), Straight(50)])
    )
    assert len(fast.corners) == 2
    slow = build_track(
        road(
            [Arc(8, 150 * DEG), Straight(80), Arc(8, -150 * DEG), Straight(50), Arc(250, 40 * DEG)],
            half_width=3,
        )
    )
    assert len(slow.corners) == 2


def test_neighbours_to_the_same_side_are_joined():
    double = [Straight(80), Arc(40, 60 * DEG), Straight(12), Arc(30, 60 * DEG), Straight(80)]
    (corner,) = build_track(road(double)).corners
    assert corner.angle == pytest.approx(120 * DEG, rel=0.02)
    assert corner.radius == pytest.approx(30.0)
    hairpins = [Straight(40), Arc(7, 90 * DEG), Straight(20), Arc(7, 80 * DEG), Straight(40)]
    assert len(build_track(road(hairpins)).corners) == 2
    chicane = [Straight(80), Arc(40, 60 * DEG), Straight(12), Arc(30, -60 * DEG), Straight(80)]
    assert [c.direction for c in build_track(road(chicane)).corners] == ["left", "right"]


@pytest.mark.parametrize("cut", [150.0 + 60.0, 150.0 + 30.0])
def test_a_corner_over_the_line_wraps(cut):
    # The line in the middle of a bend: the corner starts before it and ends after it.
    plain = build_track(road(STADIUM, closed=True))
    moved = build_track(with_start(road(STADIUM, closed=True), cut))
    assert len(moved.corners) == 2
    (across,) = [c for c in moved.corners if c.start > c.end]
    assert across.angle == pytest.approx(plain.corners[0].angle, rel=0.02)
    assert (across.start + cut) % STADIUM_LENGTH == pytest.approx(plain.corners[0].start, abs=1.5)
    assert (across.end + cut) % STADIUM_LENGTH == pytest.approx(plain.corners[0].end, abs=1.5)
    apexes = [c.apex for c in moved.corners]
    assert apexes == sorted(apexes)
    assert [c.name for c in moved.corners] == ["T1", "T2"]


def test_named_corners_are_described():
    elements = [Straight(50), Arc(40, 45 * DEG, 10, 10), Arc(25, -70 * DEG, 10, 10), Straight(50)]
    end = 50 + 40 * 45 * DEG + 10 + 25 * 70 * DEG + 10
    track = build_track(road(elements, corners=(CornerSpec("Kink", 50.0, end),)))
    (corner,) = track.corners
    assert (corner.name, corner.start, corner.direction) == ("Kink", 50.0, "left-right")
    assert corner.radius == pytest.approx(25.0)
    assert corner.angle == pytest.approx(115 * DEG, rel=1e-4)
    assert corner.apex == pytest.approx(end - 5 - 0.5 * 25 * 70 * DEG, abs=0.5)


def test_named_corner_over_the_line():
    moved = with_start(road(STADIUM, closed=True), 150.0 + 60.0)
    specs = (CornerSpec("Turn", STADIUM_LENGTH - 60.0, 40.0 * math.pi - 40.0),)
    track = build_track(type(moved)(**{**moved.__dict__, "corners": specs}))
    (corner,) = track.corners
    assert corner.start > corner.end
    assert corner.angle == pytest.approx(math.pi, rel=1e-3)
    assert corner.direction == "left"


def test_no_corners_asked_for_is_none():
    assert build_track(road(STADIUM, closed=True, corners=())).corners == ()


def test_mirrored_corners():
    elements = [Straight(100), Arc(30, 90 * DEG, 10, 10), Arc(20, -90 * DEG, 10, 10), Straight(100)]
    one, other = build_track(road(elements)), build_track(mirrored(road(elements)))
    for here, there in zip(one.corners, other.corners, strict=True):
        assert {here.direction, there.direction} == {"left", "right"}
        assert (here.start, here.end, here.apex) == pytest.approx((there.start, there.end, there.apex))


def test_corners_of_a_noisy_survey_are_those_of_the_road():
    true = build_track(road(STADIUM, closed=True))
    s = np.linspace(0, true.length, 300, endpoint=False)
    points = true.road(s)
    jitter = 0.05 * np.random.default_rng(2).normal(size=(300, 2))
    track = build_track(surveyed(np.column_stack([points.x, points.y]) + jitter, tolerance=0.3))
    assert len(track.corners) == 2
    for here, there in zip(track.corners, true.corners, strict=True):
        assert here.start == pytest.approx(there.start, abs=8.0)
        assert here.end == pytest.approx(there.end, abs=8.0)
        assert here.angle == pytest.approx(math.pi, rel=0.05)
