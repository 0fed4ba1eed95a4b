"""The same road mirrored, started elsewhere, or placed elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from invented_roads import DEG, STADIUM, hilly_stadium, road, surveyed

from lapwright.track.build import build_track
from lapwright.track.definition import Arc, CornerSpec, GripPatch, Landmark, Straight
from lapwright.track.transform import mirrored, placed, with_start

ODD = (
    "heading", "y", "curvature", "bank", "omega_x", "omega_z", "omega_x_rate", "up_y",
)  # fmt: skip
EVEN = ("x", "z", "slope", "stretch", "omega_y", "up_x", "up_z", "grip_base")
FRAME_FREE = (
    "z", "slope", "bank", "curvature", "omega_x", "omega_y", "omega_z", "omega_x_rate",
    "up_x", "up_y", "up_z", "width_left", "width_right", "grip_base",
)  # fmt: skip


def full():
    return hilly_stadium(
        grip=(GripPatch(500, 40, 0.9), GripPatch(100, 200, 0.8, -3.0, 1.0)),
        corners=(CornerSpec("A", 150, 295), CornerSpec("B", 445, 590)),
        landmarks=(Landmark("post", 70.0),),
    )


def test_mirror():
    one, other = build_track(full()), build_track(mirrored(full()))
    s = np.linspace(0, one.length, 500)
    here, there = one.road(s), other.road(s)
    for name in ODD:
        np.testing.assert_allclose(getattr(there, name), -getattr(here, name), atol=1e-11, err_msg=name)
    for name in EVEN:
        np.testing.assert_allclose(getattr(there, name), getattr(here, name), atol=1e-11, err_msg=name)
    np.testing.assert_array_equal(there.width_left, here.width_right)
    n = np.linspace(-3, 3, 500)
    np.testing.assert_allclose(other.grip(s, -n), one.grip(s, n), atol=1e-12)
    assert build_track(mirrored(mirrored(full()))).corners == one.corners


@pytest.mark.parametrize("at", [60.0, 150.0, 230.0, 400.0])
def test_start_moved(at):
    one, other = build_track(full()), build_track(with_start(full(), at))
    assert other.length == pytest.approx(one.length, abs=1e-9)
    s = np.linspace(0.3, one.length - 0.3, 400)
    here, there = one.road(s), other.road(s - at)
    for name in FRAME_FREE:
        np.testing.assert_allclose(getattr(there, name), getattr(here, name), atol=1e-8, err_msg=name)
    assert other.landmarks[0].at == pytest.approx((70.0 - at) % one.length)
    n = np.linspace(-3, 3, 400)
    np.testing.assert_allclose(other.grip(s - at, n), one.grip(s, n), atol=1e-9)


def test_start_of_points_moved():
    true = build_track(hilly_stadium())
    s = np.linspace(0, true.length, 300, endpoint=False)
    points = true.road(s)
    definition = surveyed(
        np.column_stack([points.x, points.y, points.z]), landmarks=(Landmark("post", 70.0),)
    )
    one, other = build_track(definition), build_track(with_start(definition, 200.0))
    first = other.road(np.array([0.0]))
    at, _ = one.project(first.x, first.y)
    along = np.linspace(0, one.length, 200)
    np.testing.assert_allclose(other.road(along).curvature, one.road(along + at[0]).curvature, atol=5e-4)
    post = other.road(np.array([other.landmarks[0].at]))
    assert one.project(post.x, post.y)[0][0] == pytest.approx(70.0, abs=0.3)


def test_a_cut_in_a_ramp_or_an_open_road_is_refused():
    with pytest.raises(ValueError, match="ramp"):
        with_start(road(STADIUM, closed=True), 155.0)
    with pytest.raises(ValueError, match="open"):
        with_start(road([Straight(100)]), 50.0)


def test_placed_elsewhere():
    one = build_track(full())
    other = placed(one, 70 * DEG, 500.0, -300.0)
    s, n = np.linspace(0, one.length, 300), np.linspace(-3, 3, 300)
    here, there = one.road(s), other.road(s)
    for name in FRAME_FREE:
        np.testing.assert_array_equal(getattr(there, name), getattr(here, name), err_msg=name)
    turn = np.exp(70j * DEG)
    np.testing.assert_allclose(
        there.x + 1j * there.y, (here.x + 1j * here.y) * turn + (500.0 - 300.0j), atol=1e-9
    )
    np.testing.assert_allclose(there.heading, here.heading + 70 * DEG, atol=1e-12)
    x, y, _ = other.to_world(s, n)
    np.testing.assert_allclose(other.project(x, y)[1], n, atol=1e-8)


def test_elements_may_be_cut_in_two():
    whole = build_track(road([Straight(40), Arc(30, 80 * DEG, 10, 10), Straight(40)]))
    parts = build_track(
        road([Straight(15), Straight(25), Arc(30, 30 * DEG, 10, 0), Arc(30, 50 * DEG, 0, 10), Straight(40)])
    )
    s = np.linspace(0, whole.length, 200)
    np.testing.assert_allclose(parts.road(s).x, whole.road(s).x, atol=1e-10)
    np.testing.assert_allclose(parts.breaks, whole.breaks, atol=1e-10)
