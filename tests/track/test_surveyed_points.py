"""Centreline through surveyed points: noise, closure, repeats, size, and the faults of a survey."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from invented_roads import STADIUM, STADIUM_LENGTH, hilly_stadium, road, stations, surveyed

from lapwright.errors import InputError
from lapwright.track.build import build_track
from lapwright.track.definition import PointLine, Station
from lapwright.track.transform import mirrored


def circle(count, radius=50.0, side=1.0, noise=0.0, turns=1.0, seed=1):
    angle = side * np.arange(count) * 2.0 * math.pi * turns / count
    jitter = noise * np.random.default_rng(seed).normal(size=(count, 2))
    return np.column_stack([radius * np.sin(angle), radius * (1.0 - np.cos(angle))]) + jitter


def along(definition, spacing, noise=0.0, seed=7):
    """Points on the centreline of a road of elements, with its true track."""
    true = build_track(definition)
    count = round(true.length / spacing)
    s = np.arange(count) * true.length / count
    points = true.road(s)
    xyz = np.column_stack([points.x, points.y, points.z])
    return true, xyz + noise * np.random.default_rng(seed).normal(size=xyz.shape)


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("count", [40, 314, 1000])
def test_exact_points_of_a_circle(count, side):
    track = build_track(surveyed(circle(count, side=side)))
    points = track.road(np.linspace(0, track.length, 500))
    assert track.length == pytest.approx(100 * math.pi, rel=2e-4)
    np.testing.assert_allclose(points.curvature, side / 50.0, rtol=5e-3)
    assert points.heading[-1] - points.heading[0] == pytest.approx(side * 2 * math.pi, abs=1e-9)
    assert track.report.smoothing_max < 0.02
    assert track.report.radius_min == pytest.approx(50.0, rel=5e-3)


def test_ends_meet_to_rounding_in_place_heading_and_curvature():
    track = build_track(surveyed(along(road(STADIUM, closed=True), 3.0, 0.05)[1][:, :2]))
    ends = track.road(np.array([0.0, track.length]))
    assert abs(ends.x[1] - ends.x[0]) < 1e-8 and abs(ends.y[1] - ends.y[0]) < 1e-8
    assert ends.heading[1] - ends.heading[0] == pytest.approx(2 * math.pi, abs=1e-10)
    assert ends.curvature[1] == pytest.approx(ends.curvature[0], abs=1e-10)


@pytest.mark.parametrize(("spacing", "noise"), [(1.0, 0.03), (2.0, 0.05), (0.2, 0.1)])
def test_noise_is_smoothed_away(spacing, noise):
    true, points = along(road(STADIUM, closed=True), spacing, noise)
    track = build_track(surveyed(points[:, :2], tolerance=6 * noise))
    s = np.linspace(0, true.length, 800, endpoint=False)
    there = true.road(s)
    at, offset = track.project(there.x, there.y)
    # The line found is closer to the truth than any one point, and the residual is the noise put in.
    assert math.sqrt(np.mean(offset**2)) < noise / math.sqrt(max(1.0, 4.0 / spacing))
    # Distances from the line hold the noise across it, less what the degrees of freedom of the line take up.
    assert 0.75 * noise < track.report.smoothing_rms < 1.05 * noise
    error = track.road(at).curvature - there.curvature
    assert math.sqrt(np.mean(error**2)) < 0.06 / 40.0
    assert track.length == pytest.approx(true.length, abs=0.5)


def test_without_smoothing_the_curvature_would_be_useless():
    # What is being avoided: second differences of the same points are wrong by many times the tightest bend.
    _, points = along(road(STADIUM, closed=True), 1.0, 0.03)
    raw = np.hypot(*np.diff(points[:, :2], 2, axis=0).T)
    assert np.sqrt(np.mean(raw**2)) > 2.0 / 40.0


def test_stray_never_exceeds_the_tolerance_and_is_reported():
    _, points = along(road(STADIUM, closed=True), 2.0, 0.06)
    track = build_track(surveyed(points[:, :2], tolerance=0.3))
    _, offset = track.project(points[:, 0], points[:, 1])
    assert track.report.smoothing_max == pytest.approx(np.max(np.abs(offset)), rel=1e-3)
    assert track.report.smoothing_rms == pytest.approx(math.sqrt(np.mean(offset**2)), rel=1e-3)
    assert track.report.smoothing_max <= 0.3


def test_curvature_has_no_breaks():
    track = build_track(surveyed(along(road(STADIUM, closed=True), 2.0)[1][:, :2]))
    assert len(track.breaks) == 0
    s = np.linspace(0, track.length, 20001)
    rate = np.gradient(track.road(s).curvature, s)
    assert np.max(np.abs(np.diff(rate))) < 0.02 * np.max(np.abs(rate))


def test_height_comes_from_the_third_column():
    true, points = along(hilly_stadium(bank=()), 1.5, 0.03)
    track = build_track(surveyed(points))
    s = np.linspace(0, true.length, 300, endpoint=False)
    there = true.road(s)
    at, _ = track.project(there.x, there.y)
    here = track.road(at)
    np.testing.assert_allclose(here.z, there.z, atol=0.06)
    np.testing.assert_allclose(here.slope, there.slope, atol=0.006)
    np.testing.assert_allclose(here.omega_y, there.omega_y, atol=6e-4)


def test_stations_of_elevation_win_over_the_third_column():
    _, points = along(hilly_stadium(), 3.0)
    track = build_track(surveyed(points, elevation=stations((0, 100), (300, 104))))
    assert track.road(np.array([300.0])).z[0] == pytest.approx(104.0, abs=1e-9)


def test_repeats_and_a_repeated_first_point_change_nothing():
    points = circle(200)
    plain = build_track(surveyed(points))
    doubled = np.repeat(points, 2, axis=0)
    closed = np.vstack([doubled, points[:1]])
    again = build_track(surveyed(closed))
    s = np.linspace(0, plain.length, 50)
    np.testing.assert_allclose(again.road(s).x, plain.road(s).x, atol=1e-9)


def test_open_survey():
    s = np.arange(0.0, 200.0, 4.0)
    points = np.column_stack([s, 10.0 * np.sin(s / 30.0)])
    track = build_track(surveyed(points, closed=False))
    # Arc length by scipy-free quadrature of the sine itself.
    t = np.linspace(0.0, 196.0, 100001)
    speed = np.hypot(1.0, np.cos(t / 30.0) / 3.0)
    assert track.length == pytest.approx(np.sum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t)), abs=0.02)
    middle = track.road(np.array([0.0, track.length]))
    assert middle.x[0] == pytest.approx(0.0, abs=0.02) and middle.x[1] == pytest.approx(196.0, abs=0.02)


def test_mirrored_survey_gives_the_mirrored_line():
    _, points = along(hilly_stadium(), 2.0, 0.05)
    definition = surveyed(points, tolerance=0.4)
    one, other = build_track(definition), build_track(mirrored(definition))
    s = np.linspace(0, one.length, 200)
    np.testing.assert_allclose(other.road(s).curvature, -one.road(s).curvature, atol=1e-9)
    np.testing.assert_allclose(other.road(s).z, one.road(s).z, atol=1e-9)


def test_two_hundred_thousand_points_in_seconds():
    _, points = along(road(STADIUM, closed=True), STADIUM_LENGTH / 200_000, 0.05)
    start = time.perf_counter()
    track = build_track(surveyed(points[:, :2], tolerance=0.4))
    assert time.perf_counter() - start < 20.0
    assert track.report.radius_min == pytest.approx(40.0, rel=0.05)


def test_values_at_the_points_belong_to_the_points():
    # Widths and banks of a table come at chord stations, which noise makes longer than the road.
    true, points = along(road(STADIUM, closed=True), 1.0, 0.2)
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points[:, :2], axis=0).T))])
    share = np.arange(len(points)) / len(points)
    assert chord[-1] > 1.03 * true.length
    width = 4.0 + np.sin(2 * math.pi * share)
    bank = 0.1 * np.cos(2 * math.pi * share) + 0.01 * np.random.default_rng(5).normal(size=len(points))
    definition = surveyed(
        points[:, :2],
        tolerance=1.2,
        width_left=tuple(map(Station, chord.tolist(), width.tolist())),
        bank=tuple(map(Station, chord.tolist(), bank.tolist())),
    )
    track = build_track(definition)
    s = np.linspace(0, track.length, 100)
    here = track.road(s)
    np.testing.assert_allclose(here.width_left, 4 + np.sin(2 * math.pi * s / track.length), atol=0.05)
    np.testing.assert_allclose(here.bank, 0.1 * np.cos(2 * math.pi * s / track.length), atol=0.01)


def faults_of(definition):
    with pytest.raises(InputError) as caught:
        build_track(definition)
    return caught.value.faults


def test_a_drift_is_spread_over_the_lap():
    _, points = along(road(STADIUM, closed=True), 2.0)
    drift = np.linspace(0.0, 1.2, len(points))
    points[:, 1] += drift
    track = build_track(surveyed(points[:, :2]))
    assert track.report.closure_gap == pytest.approx(1.2, abs=0.05)
    assert "spread over the lap" in track.report.notices[0]
    s = np.linspace(15, 135, 300)
    assert np.max(np.abs(track.road(s).curvature)) < 0.001


def test_a_lap_that_arrives_beside_itself():
    _, points = along(road(STADIUM, closed=True), 2.0)
    points[:, 1] += np.linspace(0.0, 9.0, len(points))
    (fault,) = faults_of(surveyed(points[:, :2]))
    assert fault.key == ("centreline", "points_m", len(points) - 1)
    assert "does not close" in fault.message and "beside the first point" in fault.message


def test_a_lap_with_its_end_missing():
    _, points = along(road(STADIUM, closed=True), 2.0)
    (fault,) = faults_of(surveyed(points[:-40, :2]))
    missing = math.hypot(*points[-41, :2])
    assert f"{missing:.1f} m from the first" in fault.message and "2.00 m apart" in fault.message


def test_a_lap_that_runs_past_its_start():
    _, points = along(road(STADIUM, closed=True), 2.0)
    (fault,) = faults_of(surveyed(np.vstack([points, points[:8]])[:, :2]))
    assert "run on past the first" in fault.message


def test_a_point_off_the_road_is_named():
    _, points = along(road(STADIUM, closed=True), 2.0, 0.02)
    points[77, 1] += 2.0
    faults = faults_of(surveyed(points[:, :2]))
    assert faults[0].key == ("centreline", "points_m", 77)
    assert "point 78" in faults[0].message and "tolerance_m 0.25" in faults[0].message


def test_points_of_a_file_are_named_by_line():
    _, points = along(road(STADIUM, closed=True), 2.0, 0.02)
    points[77, 1] += 2.0
    line = PointLine(
        tuple(map(tuple, points[:, :2].tolist())), 0.25, "lap.csv", tuple(range(2, len(points) + 2))
    )
    half = stations((0, 4))
    definition = surveyed(points[:, :2])
    definition = type(definition)("invented", True, line, half, half)
    fault = faults_of(definition)[0]
    assert (fault.file, fault.line) == ("lap.csv", 79)
    assert str(fault).startswith("lap.csv:79: point 78")


def test_useless_points():
    assert "needs at least 4" in faults_of(surveyed([(0, 0), (1, 1), (1, 1), (0, 0)]))[0].message
    broken = circle(50)
    broken[3, 0], broken[9, 1] = math.nan, math.inf
    keys = [fault.key for fault in faults_of(surveyed(broken))]
    assert keys == [("centreline", "points_m", 3), ("centreline", "points_m", 9)]
    assert faults_of(surveyed(circle(50), tolerance=0.0))[0].key == ("centreline", "tolerance_m")


@pytest.mark.parametrize("closed", [True, False])
def test_points_that_turn_back(closed):
    points = circle(200)
    spike = np.vstack([points[:50], [[500.0, 500.0]], points[50:]])
    back = np.vstack([points[:80], points[70:]])
    for survey, near in ((spike, 51), (back, 80)):
        (fault,) = faults_of(surveyed(survey, closed=closed))
        assert "turn back on themselves" in fault.message
        assert abs(fault.key[2] + 1 - near) <= 6


def test_four_points_are_a_round_track():
    track = build_track(surveyed([(0, 0), (50, 0), (50, 50), (0, 50)]))
    # Between the circle through the corners (222.1 m, radius 35.36 m) and the square.
    assert 215.0 < track.length < 223.0
    assert track.report.radius_min > 30.0


def test_map_coordinates_lose_nothing():
    # Eastings and northings of a map grid are hundreds of kilometres to thousands of kilometres.
    points = circle(300, noise=0.02)
    grid = np.array([512_345.0, 5_678_901.0])
    here, there = build_track(surveyed(points)), build_track(surveyed(points + grid))
    s = np.linspace(0, here.length, 100)
    np.testing.assert_allclose(there.road(s).curvature, here.road(s).curvature, atol=1e-6)
    np.testing.assert_allclose(there.road(s).y - 5_678_901.0, here.road(s).y, atol=1e-4)


@pytest.mark.parametrize("scale", [1e-3, 1e5])
def test_wrong_units_of_length(scale):
    assert "is the unit right" in faults_of(surveyed(circle(100) * scale))[0].message


def test_many_readings_at_each_stop():
    # A receiver that stands still piles up readings: 50 at each of 200 places, in any order.
    points = np.repeat(circle(200, radius=60.0), 50, axis=0)
    points += 0.08 * np.random.default_rng(4).normal(size=points.shape)
    track = build_track(surveyed(points, tolerance=0.5))
    assert track.length == pytest.approx(2 * math.pi * 60.0, abs=0.5)
    assert track.report.radius_min == pytest.approx(60.0, rel=0.02)
    assert track.report.notices == ()


def test_heights_that_jump():
    points = circle(200)
    heights = np.where(np.arange(200) > 120, 40.0, 0.0)
    fault = faults_of(surveyed(np.column_stack([points, heights])))[0]
    assert "gradient" in fault.message and fault.key[:2] == ("centreline", "points_m")


def test_wide_spaces_get_a_notice():
    points = np.delete(circle(400, radius=200.0), slice(100, 125), axis=0)
    track = build_track(surveyed(points))
    chord = 400.0 * math.sin(26 / 400 * math.pi)
    assert track.report.notices == (
        f"points 100 and 101 are {chord:.1f} m apart: the road between them is a guess",
    )
