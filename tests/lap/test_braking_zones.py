"""Braking zones and phases, on laps whose answers are known by construction."""

from dataclasses import replace

import numpy as np
import pytest
from handmade_lap import bend_road, handmade_lap
from invented_lap import invented_lap, invented_track

from lapwright.lap.phases import BRAKE_GAP, BRAKE_ON, BRAKE_ZONE_PEAK, braking_zones, phases

TRACK = bend_road()
S = np.arange(0.0, 1001.0, 2.0)


def trapezoid(start, up, top, down, height=1.0, s=S):
    """Brake that rises over ``up`` metres from ``start``, stays for ``top`` and falls over ``down``."""
    knots = [start, start + up, start + up + top, start + up + top + down]
    return np.interp(s, knots, [0.0, height, height, 0.0])


def test_zone_of_uniform_braking():
    """60 to 20 m/s at 10 m/s2 takes (60^2 - 20^2) / 20 = 160 m and 4 s (uniform acceleration)."""
    s = np.arange(0.0, 600.0, 1.0)
    speed = np.sqrt(np.clip(60.0**2 - 20.0 * (s - 100.0), 20.0**2, 60.0**2))
    brake = ((s >= 100.0) & (s < 260.0)).astype(float)
    (zone,) = braking_zones(handmade_lap(TRACK, s, speed=speed, brake=brake))
    assert zone.length == pytest.approx(160.0, abs=1.0)
    assert zone.duration == pytest.approx(4.0, abs=0.05)
    assert zone.start_speed == pytest.approx(60.0, abs=0.2)
    assert zone.end_speed == pytest.approx(20.0, abs=0.2)


def test_brake_on_and_off_are_found_between_the_rows():
    lap = handmade_lap(TRACK, S, brake=trapezoid(201.0, 20.0, 60.0, 40.0))
    (zone,) = braking_zones(lap)
    assert zone.start == pytest.approx(201.0 + 20.0 * BRAKE_ON, abs=0.1)
    assert zone.end == pytest.approx(321.0 - 40.0 * BRAKE_ON, abs=0.1)
    assert zone.peak == 1.0
    assert 221.0 <= zone.peak_at <= 223.0


def test_a_brush_of_the_pedal_is_no_zone():
    lap = handmade_lap(TRACK, S, brake=trapezoid(200.0, 10.0, 30.0, 10.0, height=0.9 * BRAKE_ZONE_PEAK))
    assert braking_zones(lap) == ()


@pytest.mark.parametrize("gap, zones", [(0.8 * BRAKE_GAP, 1), (1.3 * BRAKE_GAP, 2)])
def test_two_brakings_close_in_time_are_one(gap, zones):
    speed = 40.0
    s = np.arange(0.0, 1001.0, 0.5)
    brake = np.where((s >= 200) & (s < 240), 0.8, 0.0)
    brake[(s >= 240 + gap * speed) & (s < 300)] = 0.6
    lap = handmade_lap(TRACK, s, speed=speed * np.ones(s.size), brake=brake)
    assert len(braking_zones(lap)) == zones


def test_open_section_that_begins_and_ends_on_the_brake():
    s = np.arange(0.0, 101.0, 1.0)
    (zone,) = braking_zones(handmade_lap(TRACK, s, brake=0.5 * np.ones(s.size)))
    assert (zone.start, zone.end) == (0.0, 100.0)


def test_zone_across_the_line_is_one_zone_and_counted_once():
    track = invented_track()
    zones = braking_zones(invented_lap(track))
    across = [zone for zone in zones if zone.start > zone.end]
    assert len(zones) == 6 and len(across) == 1
    assert across[0].length == pytest.approx(across[0].end + track.length - across[0].start)
    assert sum(zone.duration for zone in zones) < invented_lap(track).time


def test_zones_do_not_depend_on_where_the_line_is():
    here, there = (invented_lap(invented_track(start)) for start in (240.0, 60.0))
    lengths = sorted(zone.length for zone in braking_zones(here))
    # another line puts the rows of the lap elsewhere: the invented speed differs by its step of 5 m
    np.testing.assert_allclose(sorted(zone.length for zone in braking_zones(there)), lengths, atol=2.0)


def test_phases():
    s = np.arange(0.0, 60.0, 10.0)
    lap = handmade_lap(
        TRACK,
        s,
        brake=np.array([0.0, 0.8, 0.8, 0.04, 0.0, 0.0]),
        throttle=np.array([1.0, 0.0, 0.0, 0.0, 0.04, 0.06]),
        force_lat=np.array([0.0, 0.1, 0.3, 0.5, 0.5, 0.5])[:, None] * 4500.0 * np.ones((6, 4)),
    )
    assert list(phases(lap)) == ["throttle", "braking", "trail braking", "coast", "coast", "throttle"]


def test_trail_braking_counts_either_axle_and_either_side():
    s = np.arange(0.0, 20.0, 10.0)
    force = np.zeros((2, 4))
    force[:, 2:] = -0.5 * 4500.0
    lap = handmade_lap(TRACK, s, brake=np.ones(2), force_lat=force)
    assert list(phases(lap)) == ["trail braking"] * 2
    assert list(phases(replace(lap, force_lat=-force))) == ["trail braking"] * 2
