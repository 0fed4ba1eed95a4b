"""The road frame: rotation, gravity and stretch against scipy's rotations and plain differences."""

from __future__ import annotations

import math

import numpy as np
import pytest
from invented_roads import DEG, hilly_stadium, road, stations
from scipy.spatial.transform import Rotation

from lapwright.track.build import build_track
from lapwright.track.definition import Arc, Straight


@pytest.fixture(scope="module")
def hills():
    return build_track(hilly_stadium())


def frames(track, s):
    """R = Rz(heading) Ry(-slope) Rx(bank), from scipy's intrinsic Euler angles."""
    points = track.road(s)
    return Rotation.from_euler("ZYX", np.column_stack([points.heading, -points.slope, points.bank]))


def quiet_stations(track, count=400):
    s = np.linspace(0.5, track.length - 0.5, count)
    return s[np.min(np.abs(s[:, None] - track.breaks), axis=1) > 0.05]


def test_rotation_rate_is_the_difference_of_rotations(hills):
    s, step = quiet_stations(hills), 1e-4
    turned = frames(hills, s - step).inv() * frames(hills, s + step)
    rate = turned.as_rotvec() / (2 * step)
    points = hills.road(s)
    np.testing.assert_allclose(
        np.column_stack([points.omega_x, points.omega_y, points.omega_z]), rate, atol=2e-9
    )


def test_rate_of_roll_rate(hills):
    s, step = quiet_stations(hills), 1e-4
    difference = (hills.road(s + step).omega_x - hills.road(s - step).omega_x) / (2 * step)
    np.testing.assert_allclose(hills.road(s).omega_x_rate, difference, atol=1e-8)


def test_up_is_the_world_vertical_in_road_axes(hills):
    s = quiet_stations(hills)
    points = hills.road(s)
    up = frames(hills, s).inv().apply([0.0, 0.0, 1.0])
    np.testing.assert_allclose(np.column_stack([points.up_x, points.up_y, points.up_z]), up, atol=1e-14)
    np.testing.assert_allclose(points.up_x**2 + points.up_y**2 + points.up_z**2, 1.0, atol=1e-14)


def test_forward_axis_is_the_tangent_and_stretch_its_length(hills):
    s, step = quiet_stations(hills), 1e-4
    before, after = hills.road(s - step), hills.road(s + step)
    tangent = np.column_stack([after.x - before.x, after.y - before.y, after.z - before.z]) / (2 * step)
    points = hills.road(s)
    np.testing.assert_allclose(np.linalg.norm(tangent, axis=1), points.stretch, atol=1e-8)
    forward = frames(hills, s).apply([1.0, 0.0, 0.0])
    np.testing.assert_allclose(tangent / points.stretch[:, None], forward, atol=1e-8)


def test_gravity_does_the_work_of_the_height(hills):
    # Energy: along the centreline, the part of gravity along the road times the path is the climb.
    s = np.linspace(0.0, hills.length, 20001)
    points = hills.road(s)
    climb = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(s) * (points.up_x * points.stretch)[1:])])
    climb += np.concatenate([[0.0], np.cumsum(0.5 * np.diff(s) * (points.up_x * points.stretch)[:-1])])
    np.testing.assert_allclose(points.z - points.z[0], climb, atol=2e-6)
    assert np.ptp(points.z) > 15.0


def test_an_edge_moves_as_the_rotation_says(hills):
    # A point at fixed n moves stretch - n omega_z along the road and n omega_x out of it, per plan metre.
    s, step = quiet_stations(hills), 1e-4
    for n in (-3.0, 3.5):
        before = np.column_stack(hills.to_world(s - step, np.full(len(s), n)))
        after = np.column_stack(hills.to_world(s + step, np.full(len(s), n)))
        moved = frames(hills, s).inv().apply((after - before) / (2 * step))
        points = hills.road(s)
        np.testing.assert_allclose(moved[:, 0], points.stretch - n * points.omega_z, atol=2e-8)
        np.testing.assert_allclose(moved[:, 1], 0.0, atol=2e-8)
        np.testing.assert_allclose(moved[:, 2], n * points.omega_x, atol=2e-8)


def test_flat_road_has_yaw_only():
    track = build_track(road([Straight(50), Arc(25, 100 * DEG, 10, 10), Straight(50)]))
    points = track.road(np.linspace(0, track.length, 200))
    for name in ("omega_x", "omega_y", "omega_x_rate", "up_x", "up_y", "slope", "bank", "z"):
        assert np.all(getattr(points, name) == 0.0), name
    np.testing.assert_array_equal(points.omega_z, points.curvature)


def test_helix_has_the_curvature_and_torsion_of_frenet():
    # A circle of radius R climbing by c per radian: curvature R / (R^2 + c^2), torsion c / (R^2 + c^2) per
    # metre of the helix (do Carmo, Differential Geometry of Curves and Surfaces, 1-5, from memory). With no
    # bank, the road's yaw rate is the curvature and its roll rate the torsion.
    radius, gradient = 60.0, 0.08
    c = radius * gradient
    length = radius * 1.5 * math.pi
    track = build_track(
        road([Arc(radius, 1.5 * math.pi)], elevation=stations((0, 0), (length, gradient * length)))
    )
    points = track.road(np.linspace(1.0, length - 1.0, 50))
    np.testing.assert_allclose(points.omega_z / points.stretch, radius / (radius**2 + c**2), rtol=1e-12)
    np.testing.assert_allclose(points.omega_x / points.stretch, c / (radius**2 + c**2), rtol=1e-12)
    np.testing.assert_allclose(points.omega_y, 0.0, atol=1e-14)


def test_crest_is_positive_vertical_curvature():
    # A parabola z = -s^2 / (2 R) has radius R at its top.
    at = np.linspace(-200.0, 200.0, 41)
    hill = stations(*((s + 200.0, -(s**2) / (2 * 500.0)) for s in at))
    track = build_track(road([Straight(400.0)], elevation=hill))
    top = track.road(np.array([200.0]))
    assert top.omega_y[0] == pytest.approx(1 / 500.0, rel=1e-3)


def test_bank_is_positive_with_the_left_edge_higher():
    track = build_track(road([Straight(100.0)], bank=stations((0, 10 * DEG))))
    _, left_y, left_z = track.to_world(np.array([50.0]), np.array([4.0]))
    assert left_z[0] == pytest.approx(4.0 * math.sin(10 * DEG))
    assert left_y[0] == pytest.approx(4.0 * math.cos(10 * DEG))


def test_thousands_of_stations_take_milliseconds(hills):
    import time

    s = np.linspace(0.0, hills.length, 5000)
    hills.road(s)
    start = time.perf_counter()
    hills.road(s)
    assert time.perf_counter() - start < 0.1
