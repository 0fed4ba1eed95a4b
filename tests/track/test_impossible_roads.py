"""Roads that cannot be: each fault is named, with its key and its place, and all come at once."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from invented_roads import DEG, STADIUM, STADIUM_LENGTH, road, stations, surveyed

from lapwright.errors import InputError
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, CornerSpec, GripPatch, Landmark, Straight


def faults_of(definition):
    with pytest.raises(InputError) as caught:
        build_track(definition)
    return caught.value.faults


def the_fault(definition):
    (fault,) = faults_of(definition)
    return fault


EIGHT = [Straight(100), Arc(50, 270 * DEG), Straight(100), Arc(50, -270 * DEG)]
"""A figure of eight that crosses itself half way along its straights."""
LOOP = 50 * 270 * DEG
CROSSING = (50.0, 100.0 + LOOP + 50.0)


def test_eight_crosses_where_shapely_says():
    fault = the_fault(road(EIGHT, closed=True))
    centre = shapely.LineString([(0, 0), (100, 0)])
    crossing = centre.intersection(shapely.LineString([(50, -80), (50, 80)]))
    assert (crossing.x, crossing.y) == (50.0, 0.0)
    assert fault.key[:2] == ("centreline", "elements") and fault.key[2] in (0, 2)
    assert "runs into itself" in fault.message and "a bridge needs 4 m" in fault.message
    at = float(fault.message.split("at ")[1].split(" m")[0])
    assert min(abs(at - s) for s in CROSSING) < 10.0


def test_eight_with_a_bridge_is_a_road():
    length = 200.0 + 2 * LOOP
    hill = stations((0, 0), (CROSSING[0], 0), (0.4 * length, 3), (CROSSING[1], 6), (0.9 * length, 2))
    track = build_track(road(EIGHT, closed=True, elevation=hill))
    here = track.road(np.array(CROSSING))
    assert abs(here.z[1] - here.z[0]) == pytest.approx(6.0, abs=0.01)
    assert math.hypot(here.x[1] - here.x[0], here.y[1] - here.y[0]) < 1e-6
    # The place under the bridge belongs to either road: an expected station says to which.
    x, y = np.repeat(here.x[:1], 2), np.repeat(here.y[:1], 2)
    s, n = track.project(x, y, near=np.array(CROSSING) + 20.0)
    assert s == pytest.approx(CROSSING, abs=1e-6) and n == pytest.approx([0.0, 0.0], abs=1e-6)


def test_low_bridge_is_refused():
    length = 200.0 + 2 * LOOP
    hill = stations((0, 0), (CROSSING[0], 0), (0.4 * length, 1.5), (CROSSING[1], 3), (0.9 * length, 1))
    assert "3.0 m between their heights" in the_fault(road(EIGHT, closed=True, elevation=hill)).message


def test_roads_side_by_side_that_touch():
    hairpin = [Straight(100), Arc(12, 180 * DEG, 2, 2), Straight(100)]
    build_track(road(hairpin, half_width=11.0))
    wide = stations((0, 14), (70, 14), (95, 5), (155, 5), (180, 14), (240, 14))
    assert "runs into itself" in faults_of(road(hairpin, width_left=wide))[0].message


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_inner_edge_that_folds_over(side):
    elements = [Straight(60), Arc(9, side * 170 * DEG, 5, 5), Straight(60)]
    build_track(road(elements, half_width=8.5))
    fault = the_fault(road(elements, half_width=9.5))
    inner = "left" if side > 0 else "right"
    assert fault.key == ("centreline", "elements", 1, "radius_m")
    assert f"the {inner} edge folds over at" in fault.message
    assert "9.50 m" in fault.message and "radius of 9.00 m" in fault.message


def test_fold_of_surveyed_points_names_the_point():
    angle = np.arange(60) * 2 * math.pi / 60
    points = np.column_stack([12 * np.cos(angle), 12 * np.sin(angle)])
    fault = faults_of(surveyed(points, half_width=12.5))[0]
    assert fault.key[:2] == ("centreline", "points_m") and "folds over" in fault.message


@pytest.mark.parametrize(
    ("element", "key", "words"),
    [
        (Straight(0.0), "straight_m", "straight_m is 0"),
        (Straight(math.nan), "straight_m", "straight_m is nan"),
        (Arc(-35.0, 1.0), "radius_m", "radius_m is -35"),
        (Arc(35.0, 0.0), "angle_deg", "angle_deg is 0"),
        (Arc(35.0, 1.0, -1.0, 0.0), "ramp_m", "-1 and 0 m"),
        (Arc(30.0, 40 * DEG, 25.0, 25.0), "ramp_m", "angle_deg 40"),
    ],
)
def test_elements_that_cannot_be(element, key, words):
    fault = the_fault(road([Straight(50.0), element]))
    assert fault.key == ("centreline", "elements", 1, key)
    assert words in fault.message


def test_ramps_that_turn_too_far_are_told_with_numbers():
    # By hand: ramps of 25 + 25 m at 30 m turn 50 / 60 rad = 47.75 deg; 40 deg leaves 60 * 0.698 = 41.89 m.
    text = the_fault(road([Arc(30.0, 40 * DEG, 25.0, 25.0)])).message
    assert "47.75 deg" in text and "41.89 m" in text
    build_track(road([Arc(30.0, 40 * DEG, 20.94, 20.94)]))


def test_no_elements():
    assert the_fault(road([])).key == ("centreline", "elements")


def test_widths():
    bad = road(STADIUM, closed=True, width_left=stations((0, 4), (200, 0), (100, 4), (900, -3)))
    found = {(fault.key, fault.message.split(" ")[0]) for fault in faults_of(bad)}
    assert {key for key, _ in found} == {
        ("width_m", 1, "left"),
        ("width_m", 2, "at_m"),
        ("width_m", 3, "at_m"),
        ("width_m", 3, "left"),
    }
    assert "no width" in the_fault(road(STADIUM, closed=True, width_right=())).message


def test_elevation_that_does_not_close():
    fault = the_fault(road(STADIUM, closed=True, elevation=stations((0, 3), (200, 5), (STADIUM_LENGTH, 4))))
    assert fault.key == ("elevation_m", 2, "value")
    assert "3 m at 0 m" in fault.message and "4 m at" in fault.message


def test_bank_that_does_not_close_and_one_that_is_a_wall():
    faults = faults_of(road(STADIUM, closed=True, bank=stations((0, 0.0), (200, 1.2), (STADIUM_LENGTH, 0.1))))
    assert [fault.key for fault in faults] == [("bank_deg", 2, "value"), ("bank_deg", 1, "value")]
    assert "5.72958 deg" in faults[0].message and "68.7549 deg" in faults[1].message


@pytest.mark.parametrize(
    ("patch", "key"),
    [
        (GripPatch(100, 700, 0.9), ("grip", 0, "to_m")),
        (GripPatch(-20, 50, 0.9), ("grip", 0, "from_m")),
        (GripPatch(100, 100, 0.9), ("grip", 0, "to_m")),
        (GripPatch(100, 150, 0.0), ("grip", 0, "scale")),
        (GripPatch(100, 150, 80.0), ("grip", 0, "scale")),
        (GripPatch(100, 150, 0.9, 2.0, -2.0), ("grip", 0)),
    ],
)
def test_patches(patch, key):
    assert the_fault(road(STADIUM, closed=True, grip=(patch,))).key == key


def test_open_roads_have_no_line_to_run_across():
    fault = the_fault(road([Straight(200)], grip=(GripPatch(150, 20, 0.9),)))
    assert "from_m must be less than to_m" in fault.message


def test_corners_must_not_overlap_or_share_a_name():
    twice = (CornerSpec("A", 10, 60), CornerSpec("A", 100, 160))
    fault = the_fault(road(STADIUM, closed=True, corners=twice))
    assert fault.key == ("corners", 1, "name") and "'A'" in fault.message
    over = (CornerSpec("A", 10, 120), CornerSpec("B", 100, 160))
    fault = the_fault(road(STADIUM, closed=True, corners=over))
    assert fault.key == ("corners", 1, "from_m") and "inside 'A'" in fault.message
    wrapped = (CornerSpec("A", 10, 60), CornerSpec("Z", 500, 30))
    assert "overlap" in the_fault(road(STADIUM, closed=True, corners=wrapped)).message
    touching = (CornerSpec("A", 30, 60), CornerSpec("B", 60, 90), CornerSpec("Z", 500, 30))
    assert len(build_track(road(STADIUM, closed=True, corners=touching)).corners) == 3


def test_two_corners_over_the_line():
    both = (CornerSpec("Y", 450, 20), CornerSpec("Z", 500, 10))
    assert "overlap" in faults_of(road(STADIUM, closed=True, corners=both))[0].message


def test_things_off_the_road():
    definition = road(
        [Straight(100)], landmarks=(Landmark("far", 140.0),), corners=(CornerSpec("C", 50, 130),)
    )
    keys = {fault.key for fault in faults_of(definition)}
    assert keys == {("landmarks", 0, "at_m"), ("corners", 0, "to_m")}
    assert "100.0 m long" in faults_of(definition)[0].message


def test_every_fault_comes_at_once():
    definition = road(
        STADIUM,
        closed=True,
        width_left=stations((0, -1)),
        elevation=stations((0, 0), (0, 1)),
        bank=stations((0, math.nan)),
        grip=(GripPatch(0, 50, -1.0),),
        corners=(CornerSpec("A", 0, 5000),),
        landmarks=(Landmark("post", -99.0),),
    )
    roots = {fault.key[0] for fault in faults_of(definition)}
    assert roots == {"width_m", "elevation_m", "bank_deg", "grip", "corners", "landmarks"}


def test_a_wall_is_no_hill():
    faults = faults_of(road([Straight(200)], elevation=stations((0, 0), (90, 0), (110, 30), (200, 30))))
    assert {fault.key for fault in faults} == {("elevation_m",)}
    assert any("at 100.0 m" in fault.message and "more than 60 %" in fault.message for fault in faults)


@pytest.mark.parametrize("length", [5.0, 250_000.0])
def test_lengths_that_no_road_has(length):
    assert "is the unit right" in the_fault(road([Straight(length)])).message
