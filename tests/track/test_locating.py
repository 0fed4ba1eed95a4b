"""From the world to the road and back."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from invented_roads import DEG, STADIUM, hilly_stadium, road, stations

from lapwright.track.build import build_track
from lapwright.track.definition import Arc, Straight


def spread(track, count, seed=3):
    rng = np.random.default_rng(seed)
    s = rng.uniform(0.0, track.length, count)
    return s, rng.uniform(-track.right.at(s), track.left.at(s))


@pytest.mark.parametrize(
    "definition",
    [
        hilly_stadium(),
        road([Arc(50.0, 2 * math.pi)], closed=True, half_width=45.0),
        road([Straight(60), Arc(9, 178 * DEG, 6, 6), Straight(60)], half_width=3.9),
    ],
)
def test_round_trip(definition):
    track = build_track(definition)
    s, n = spread(track, 3000)
    x, y, _ = track.to_world(s, n)
    found_s, found_n = track.project(x, y)
    apart = np.abs(found_s - s)
    if track.closed:
        apart = np.minimum(apart, track.length - apart)
    np.testing.assert_allclose(apart, 0.0, atol=1e-8)
    np.testing.assert_allclose(found_n, n, atol=1e-8)


def test_nearest_point_of_the_curve_by_brute_force():
    track = build_track(road(STADIUM, closed=True))
    rng = np.random.default_rng(11)
    x, y = rng.uniform(-60, 220, 200), rng.uniform(-20, 130, 200)
    dense = track.road(np.linspace(0, track.length, 60001))
    gap = np.min(np.hypot(dense.x[None, :] - x[:, None], dense.y[None, :] - y[:, None]), axis=1)
    s, n = track.project(x, y)
    on_road = np.abs(n) <= 4.0
    np.testing.assert_allclose(np.abs(n)[on_road], gap[on_road], atol=1e-3)
    np.testing.assert_allclose(np.abs(n), gap, atol=1e-3)
    back_x, back_y, _ = track.to_world(s, n)
    np.testing.assert_allclose(np.hypot(back_x - x, back_y - y), 0.0, atol=1e-7)


def test_side_is_positive_to_the_left():
    track = build_track(road([Straight(100.0)]))
    s, n = track.project(np.array([30.0, 40.0]), np.array([2.0, -1.5]))
    np.testing.assert_allclose(s, [30, 40], atol=1e-10)
    np.testing.assert_allclose(n, [2.0, -1.5], atol=1e-12)


def test_beyond_the_ends_of_an_open_road():
    track = build_track(road([Straight(100.0)]))
    s, _ = track.project(np.array([-7.0, 112.0]), np.array([1.0, 1.0]))
    np.testing.assert_allclose(s, [-7, 112], atol=1e-9)


def test_a_point_belongs_to_the_road_it_lies_on():
    # The first straight is wide to the inside of the hairpin: the point is nearer to the centreline of the
    # second straight, but off that road.
    hairpin = [Straight(100), Arc(12, 180 * DEG, 2, 2), Straight(100)]
    wide = stations((0, 16), (60, 16), (90, 4), (200, 4))
    track = build_track(road(hairpin, width_left=wide))
    x, y, _ = track.to_world(np.array([40.0]), np.array([15.0]))
    s, n = track.project(x, y)
    assert (s[0], n[0]) == pytest.approx((40.0, 15.0), abs=1e-8)


def test_expected_stations_choose_between_roads():
    # The same point seen from the other straight, where it is off the road.
    hairpin = [Straight(100), Arc(12, 180 * DEG, 2, 2), Straight(100)]
    track = build_track(road(hairpin))
    x, y, _ = track.to_world(np.array([40.0, 40.0]), np.array([3.0, 3.0]))
    s, n = track.project(x, y, near=np.array([45.0, track.length - 45.0]))
    assert s == pytest.approx([40.0, track.length - 40.0], abs=1e-8)
    apart = track.to_world(np.array([track.length - 40.0]), np.array([0.0]))[1][0]
    assert n == pytest.approx([3.0, apart - 3.0], abs=1e-8)


def test_offsets_lie_in_the_banked_surface():
    track = build_track(road([Straight(100.0)], bank=stations((0, 15 * DEG))))
    _, n = track.project(np.array([50.0]), np.array([3.0 * math.cos(15 * DEG)]))
    assert n[0] == pytest.approx(3.0, abs=1e-10)


def test_a_hundred_thousand_positions_in_seconds():
    track = build_track(hilly_stadium())
    s, n = spread(track, 100_000)
    x, y, _ = track.to_world(s, n)
    start = time.perf_counter()
    track.project(x, y)
    assert time.perf_counter() - start < 5.0


def test_edges_stand_at_the_widths():
    track = build_track(hilly_stadium())
    left, right = track.edges()
    s, n = track.project(left[:, 0], left[:, 1])
    np.testing.assert_allclose(n, track.left.at(s), atol=1e-7)
    s, n = track.project(right[:, 0], right[:, 1])
    np.testing.assert_allclose(n, -track.right.at(s), atol=1e-7)
    assert np.max(np.hypot(*np.diff(left[:, :2], axis=0).T)) < 2.5
