"""Elevation, bank and width between their stations."""

from __future__ import annotations

import numpy as np
import pytest
from invented_roads import STADIUM, STADIUM_LENGTH, hilly_stadium, road, stations
from scipy.interpolate import CubicSpline, PchipInterpolator

from lapwright.track.build import build_track
from lapwright.track.definition import Straight


def test_values_are_met_at_the_stations():
    definition = hilly_stadium()
    track = build_track(definition)
    for given, field in (
        (definition.elevation, "z"),
        (definition.bank, "bank"),
        (definition.width_left, "width_left"),
        (definition.width_right, "width_right"),
    ):
        found = getattr(track.road(np.array([s.at for s in given])), field)
        np.testing.assert_allclose(found, [s.value for s in given], atol=1e-9)


def test_elevation_is_the_periodic_cubic_spline():
    # scipy's periodic cubic spline through the same stations, closed by repeating the first.
    definition = hilly_stadium()
    at = np.array([s.at for s in definition.elevation] + [STADIUM_LENGTH])
    value = np.array([s.value for s in definition.elevation] + [definition.elevation[0].value])
    expected = CubicSpline(at, value, bc_type="periodic")
    s = np.linspace(0.0, STADIUM_LENGTH, 333)
    np.testing.assert_allclose(build_track(definition).road(s).z, expected(s), atol=1e-8)


def test_second_derivatives_are_continuous_over_the_line():
    track = build_track(hilly_stadium())
    points = track.road(np.array([track.length - 1e-6, track.length + 1e-6]))
    for name in ("z", "slope", "bank", "omega_x", "omega_y", "omega_z", "width_left"):
        before, after = getattr(points, name)
        assert before == pytest.approx(after, abs=1e-5), name
    seam = np.array([0.0, track.length])
    for profile in (track.height, track.banking):
        assert np.ptp(profile.bend(seam)) < 1e-12


def test_stations_need_not_begin_at_the_line():
    late = hilly_stadium(elevation=stations((50, 3), (200, 9), (480, 5)))
    track = build_track(late)
    s = np.array([50.0, 200.0, 480.0, 50.0 + track.length])
    np.testing.assert_allclose(track.road(s).z, [3, 9, 5, 3], atol=1e-9)
    ends = track.road(np.array([0.0, track.length]))
    assert ends.z[0] == pytest.approx(ends.z[1], abs=1e-9)


def test_first_and_last_station_may_both_be_the_line():
    whole = stations((0, 3), (200, 9), (round(STADIUM_LENGTH), 3))
    track = build_track(hilly_stadium(elevation=whole))
    ends = track.road(np.array([0.0, 1e-9, track.length - 1e-9]))
    np.testing.assert_allclose(ends.z, 3.0, atol=1e-8)
    np.testing.assert_allclose(np.diff(ends.slope), 0.0, atol=1e-9)


def test_one_station_is_a_constant():
    track = build_track(road(STADIUM, closed=True, elevation=stations((0, 7)), bank=stations((0, 0.1))))
    points = track.road(np.linspace(0, track.length, 100))
    np.testing.assert_array_equal(points.z, 7.0)
    np.testing.assert_allclose(points.bank, 0.1, atol=1e-15)
    np.testing.assert_array_equal(points.width_left, 4.0)


def test_widths_are_monotone_between_stations():
    # Fritsch and Carlson (SIAM J. Numer. Anal. 17 (1980) 238-246): no value beyond its two neighbours'.
    at, value = [0.0, 60.0, 65.0, 200.0, 330.0, 480.0], [4.0, 4.0, 7.0, 7.0, 3.0, 5.0]
    track = build_track(road(STADIUM, closed=True, width_left=stations(*zip(at, value, strict=True))))
    s = np.linspace(0.0, track.length, 3001)
    width = track.road(s).width_left
    edges, levels = [*at, track.length], [*value, value[0]]
    for a, b, low, high in zip(edges[:-1], edges[1:], levels[:-1], levels[1:], strict=True):
        inside = width[(s >= a) & (s <= b)]
        assert np.min(inside) >= min(low, high) - 1e-9 and np.max(inside) <= max(low, high) + 1e-9
    seam = track.left.slope(np.array([0.0, track.length]))
    assert seam[0] == pytest.approx(seam[1], abs=1e-12)


def test_open_widths_are_scipys_monotone_cubic():
    at, value = np.array([0.0, 40.0, 90.0, 150.0]), np.array([3.0, 4.5, 4.0, 6.0])
    track = build_track(road([Straight(150.0)], width_right=stations(*zip(at, value, strict=True))))
    s = np.linspace(0, 150, 77)
    np.testing.assert_allclose(track.road(s).width_right, PchipInterpolator(at, value)(s), atol=1e-12)


def test_open_elevation_goes_on_straight_and_bank_holds():
    track = build_track(
        road([Straight(300.0)], elevation=stations((100, 0), (200, 6)), bank=stations((100, 0.1), (200, 0.1)))
    )
    points = track.road(np.array([0.0, 50.0, 250.0, 300.0]))
    np.testing.assert_allclose(points.z, [-6, -3, 9, 12], atol=1e-12)
    np.testing.assert_allclose(points.bank, 0.1, atol=1e-14)
    assert track.report.height_range == pytest.approx(18.0)
    assert track.report.gradient_max == pytest.approx(0.06)
