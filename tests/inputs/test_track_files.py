"""Track files: conversion, every fault with its place, faults of the geometry brought back to the file."""

import math
import time

import pytest
from sample_files import TRACK, VEHICLE, place_of

import lapwright
from lapwright.errors import InputError
from lapwright.inputs.files import load_any, read_definition, read_track
from lapwright.track.definition import (
    Arc,
    CornerSpec,
    ElementLine,
    GripPatch,
    Landmark,
    PointLine,
    Station,
    Straight,
)

POINTS = """\
name: Square
closed: true
centreline:
  points_m:
    - [0, 0]
    - [100, 0]
    - [100, 100]
    - [0, 100]
  tolerance_m: 0.5
width_m: {left: 5, right: 6}
"""


def spoil(old, new, text=TRACK):
    assert text.count(old) == 1, old
    return text.replace(old, new)


def define(text, file="f.yaml"):
    return read_definition(text, file)[0].value


def faults_of(text, read=read_definition):
    with pytest.raises(InputError) as caught:
        read(text, "f.yaml")
    return list(caught.value.faults)


def only_fault(text, read=read_definition):
    faults = faults_of(text, read)
    assert len(faults) == 1, [str(fault) for fault in faults]
    return faults[0]


def test_conversion_of_elements():
    track = define(TRACK)
    half = math.pi
    assert track.centreline == ElementLine(
        (Straight(100.0), Arc(30.0, half, 10.0, 10.0), Straight(100.0), Arc(30.0, half, 10.0, 10.0))
    )
    assert track.name == "Sample ring" and track.closed is True
    assert track.width_left == track.width_right == (Station(0.0, 5.5),)
    assert track.elevation == (Station(0.0, 12.0), Station(150.0, 14.0))
    assert track.bank[1].value == pytest.approx(math.pi / 60)
    assert track.grip == (GripPatch(30.0, 60.0, 0.9, -3.0, 1.0),)
    assert track.corners == (CornerSpec("First", 90.0, 210.0), CornerSpec("Second", 300.0, 400.0))
    assert track.landmarks == (Landmark("board", 50.0),)


def test_a_right_turn_is_negative_and_ramps_may_be_left_out():
    text = spoil("angle_deg: 180, turn: left, ramp_m: 10", "angle_deg: 90, turn: right")
    assert define(text).centreline.elements[1] == Arc(30.0, -math.pi / 2, 0.0, 0.0)
    text = spoil("ramp_in_m: 10, ramp_out_m: 10", "ramp_out_m: 4")
    assert define(text).centreline.elements[3] == Arc(30.0, math.pi, 0.0, 4.0)


def test_conversion_of_points_and_sides():
    track = define(POINTS)
    assert track.centreline == PointLine(((0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0)), 0.5)
    assert (track.width_left, track.width_right) == ((Station(0.0, 5.0),), (Station(0.0, 6.0),))
    assert track.corners is None and track.grip == () and track.landmarks == () and track.elevation == ()


def test_widths_at_stations_and_single_numbers():
    text = spoil("width_m: 11", "width_m: [{at_m: 0, left: 5, right: 6}, {at_m: 50, left: 4, right: 7}]")
    text = spoil("elevation_m: [{at_m: 0, value: 12}, {at_m: 150, value: 14}]", "elevation_m: 3", text)
    track = define(text)
    assert track.width_left == (Station(0.0, 5.0), Station(50.0, 4.0))
    assert track.width_right == (Station(0.0, 6.0), Station(50.0, 7.0))
    assert track.elevation == (Station(0.0, 3.0),)


def test_half_open_bands_and_empty_lists():
    text = spoil(", band_left_m: 1", "")
    assert define(text).grip[0].band_left is None
    assert define(POINTS + "corners: []\ngrip: []\n").corners == ()


@pytest.mark.parametrize(
    ("old", "new", "value", "words"),
    [
        (
            "{radius_m: 30, angle_deg: 180, turn: left, ramp_m",
            "{radius_m: -35, angle_deg: 180, turn: left, ramp_m",
            "-35",
            ["radius_m is -35", "for a right turn write turn: right"],
        ),
        (
            "turn: left, ramp_m: 10",
            "turn: rigth, ramp_m: 10",
            "rigth",
            ["left or right", "did you mean right?"],
        ),
        ("turn: left, ramp_m: 10", "turn: left, ramp_m: -10", "-10", ["ramp_m is -10"]),
        ("turn: left, ramp_m: 10", "turn: left, ramp_m: 100", "100", ["ramps alone", "at most"]),
        ("closed: true", "closed: yes", "yes", ["true or false", "here: true"]),
        ("closed: true", "closed: no", "no", ["true or false", "here: false"]),
        ("closed: true", "closed: on", "on", ["true or false"]),
        ("closed: true", 'closed: "true"', '"true"', ["without quotes"]),
        ("closed: true", "closed: 1", "1", ["here: true"]),
        ("width_m: 11", "width_m: 1100", "1100", ["looks like cm", "did you mean 11?"]),
        ("width_m: 11", "width_m: 11000", "11000", ["looks like mm", "did you mean 11?"]),
        ("width_m: 11", "width_m: -11", "-11", ["did you mean 11?"]),
        ("width_m: 11", "width_m: 0", "0", ["0.4 to 200 m"]),
        ("width_m: 11", "width_m: .inf", ".inf", ["finite"]),
        ("width_m: 11", "width_m: 11m", "11m", ["number alone"]),
        ("width_m: 11", "width_m: []", "[]", ["at least 1"]),
        ("scale: 0.9", "scale: 90", "90", ["did you mean 0.9?"]),
        ("scale: 0.9", "scale: 0", "0", ["0.05"]),
        ("value: 3", "value: 95", "95", ["-60 to 60 deg"]),
        ("to_m: 60", "to_m: 30", "30", ["has no length"]),
        ("band_right_m: -3", "band_right_m: 3", "3", ["left is positive"]),
        ("{at_m: 150, value: 14}", "{at_m: 0, value: 14}", "0,", ["again after 0", "ascend"]),
        ("name: Second", "name: first", "first", ["two corners named first", "line 14"]),
        (
            "- straight_m: 100\n    - {radius_m: 30, angle_deg: 180, turn: left, ramp_m",
            "- straight_m: 0\n    - {radius_m: 30, angle_deg: 180, turn: left, ramp_m",
            "0\n",
            ["above 0"],
        ),
        ("name: Sample ring", "name: ''", "''", ["is empty"]),
        ("name: Sample ring", "name: [x]", "[x]", ["a line of text"]),
    ],
)
def test_a_bad_value_is_told_with_its_place(old, new, value, words):
    text = spoil(old, new)
    line, column = place_of(text, new)
    shift = new.rindex(value)
    line += new.count("\n", 0, shift)
    column = shift - new.rfind("\n", 0, shift) if "\n" in new[:shift] else column + shift
    fault = only_fault(text)
    assert (fault.file, fault.line, fault.column) == ("f.yaml", line, column)
    for word in words:
        assert word in fault.message


def test_all_faults_at_once():
    text = spoil("closed: true", "closed: yes")
    text = spoil("width_m: 11", "with_m: 11", text)
    text = spoil("scale: 0.9", "scale: 90", text)
    text = spoil("{at_m: 150, value: 14}", "{at_m: -1, value: .nan}", text)
    text = spoil("turn: left, ramp_m: 10", "turn: left, ramp_m: 100", text)
    told = [(fault.line, fault.message) for fault in faults_of(text)]
    assert [line for line, _ in told] == [1, 2, 6, 9, 10, 10, 10, 12]
    for (_, message), word in zip(
        told,
        [
            "width_m is missing",
            "closed is yes",
            "ramps alone",
            "with_m is not a key",
            "at_m is -1: it must",
            "at_m is -1 after 0",
            "value is .nan",
            "scale",
        ],
        strict=True,
    ):
        assert word in message


def test_unsorted_stations_are_told_beside_other_faults():
    text = spoil(
        "{at_m: 0, value: 0}, {at_m: 150, value: 3}",
        "{at_m: 9, value: x}, {at_m: 5, value: 3}, {at_m: 5, value: 1}",
    )
    messages = [fault.message for fault in faults_of(text)]
    assert "value is x" in messages[0]
    assert "at_m is 5 after 9" in messages[1]
    assert "at_m is 5 again after 5" in messages[2]


@pytest.mark.parametrize(
    ("element", "words"),
    [
        ("{straight_m: 10, radius_m: 5}", "two elements"),
        ("{radius_m: 5, angle_deg: 90}", "turn is missing"),
        ("{radius_m: 5, turn: left}", "angle_deg is missing"),
        ("{ramp_m: 5}", "radius_m is missing"),
        ("{}", "neither a straight"),
        ("{radius_m: 5, angle_deg: 90, turn: left, ramp_m: 1, ramp_in_m: 1}", "keep one"),
        ("straight_m", "must hold keys"),
        ("[1, 2]", "must hold keys"),
        ("{straight: 5}", "did you mean straight_m?"),
    ],
)
def test_bad_elements(element, words):
    faults = faults_of(
        spoil(
            "- straight_m: 100\n    - {radius_m: 30, angle_deg: 180, turn: left, ramp_in",
            f"- {element}\n    - {{radius_m: 30, angle_deg: 180, turn: left, ramp_in",
        )
    )
    assert any(words in fault.message for fault in faults)
    assert all(fault.line == 7 for fault in faults)


@pytest.mark.parametrize(
    ("centreline", "words"),
    [
        ("{}", "exactly one of elements, points_m and csv"),
        ("{elements: [{straight_m: 5}], points_m: [[0, 0], [9, 0], [9, 9], [0, 9]]}", "one way only"),
        ("{elements: [{straight_m: 5}], tolerance_m: 1}", "elements are not smoothed"),
        ("{elements: []}", "at least 1"),
        ("{elements: 3}", "must be a list"),
        ("{element: []}", "did you mean elements?"),
        ("3", "must hold keys"),
    ],
)
def test_bad_centrelines(centreline, words):
    text = f"name: x\nclosed: true\nwidth_m: 5\ncentreline: {centreline}\n"
    faults = faults_of(text)
    assert any(words in fault.message for fault in faults)
    assert all(fault.line == 4 for fault in faults)


@pytest.mark.parametrize(
    ("old", "new", "place", "words"),
    [
        ("[100, 0]", "[100, x]", (6, 13), ["y of item 2 of points_m is x", "must be a number"]),
        ("[100, 0]", "[100, .nan]", (6, 13), ["finite"]),
        ("[100, 0]", "[1:40, 0]", (6, 8), ["base sixty"]),
        ("[100, 0]", "[1e12, 0]", (6, 8), ["between"]),
        ("[100, 0]", "[100]", (6, 7), ["a list of 1", "[x, y]"]),
        ("[100, 0]", "[100, 0, 5]", (6, 7), ["3 coordinates", "first point has 2"]),
        ("[100, 0]", "[100, [0]]", (6, 13), ["must be a number"]),
        ("[100, 0]", "100 0", (6, 7), ["a point is [x, y]"]),
        ("    - [0, 0]\n    - [100, 0]\n", "    - [0, 0]\n", (5, 5), ["3 points; at least 4"]),
    ],
)
def test_bad_points(old, new, place, words):
    fault = only_fault(spoil(old, new, POINTS))
    assert (fault.line, fault.column) == place
    for word in words:
        assert word in fault.message


def test_a_flood_of_bad_points_is_cut_with_the_number_left_out():
    points = "\n".join(f"    - [{i}, x]" for i in range(1000))
    text = f"name: x\nclosed: true\nwidth_m: 5\ncentreline:\n  points_m:\n{points}\n"
    faults = faults_of(text)
    assert len(faults) == 21
    assert "and 980 more faults" in " ".join(fault.message for fault in faults)


def test_200_000_points_are_read_in_seconds():
    count = 200_000
    angles = [2 * math.pi * i / count for i in range(count)]
    points = "".join(f"    - [{900 * math.cos(a):.3f}, {900 * math.sin(a):.3f}]\n" for a in angles)
    start = time.perf_counter()
    track = define(f"name: x\nclosed: true\nwidth_m: 5\ncentreline:\n  points_m:\n{points}")
    assert time.perf_counter() - start < 20.0
    assert len(track.centreline.points) == count


def test_degrees_and_millimetres_are_recognised():
    degrees = POINTS.replace("[0, 0]", "[11.501, 48.1]").replace("[100, 0]", "[11.502, 48.1]")
    degrees = degrees.replace("[100, 100]", "[11.502, 48.101]").replace("[0, 100]", "[11.501, 48.101]")
    assert "latitude and longitude" in only_fault(degrees).message
    assert "mm or cm" in only_fault(POINTS.replace("100", "1000000")).message


@pytest.mark.parametrize(
    ("extra", "old", "new"),
    [("elevation_m: 5\n", "[0, 0]", "[0, 0, 1]")],
)
def test_heights_given_twice(extra, old, new):
    text = POINTS.replace("[0, 0]", "[0, 0, 1]").replace("[100, 0]", "[100, 0, 1]")
    text = text.replace("[100, 100]", "[100, 100, 1]").replace("[0, 100]", "[0, 100, 1]")
    assert define(text).centreline.points[2] == (100.0, 100.0, 1.0)
    assert "given twice" in only_fault(text + extra).message


def test_a_vehicle_file_is_told_apart():
    assert "this is a vehicle file; a track file is wanted here" in only_fault(VEHICLE).message


def test_the_kind_is_told_by_the_keys(tmp_path):
    for name, text, kind in (("t", TRACK, "track"), ("v", VEHICLE, "vehicle")):
        path = tmp_path / f"{name}.yaml"
        path.write_text(text)
        assert load_any(path)[0] == kind
    path.write_text("name: x\nwibble: 3\n")
    with pytest.raises(InputError, match=r":1:1: this is neither a track"):
        load_any(path)
    path.write_text("chasis: {}\n")
    with pytest.raises(InputError, match="did you mean chassis"):
        load_any(path)


def test_the_finished_track(tmp_path):
    path = tmp_path / "ring.yaml"
    path.write_text(TRACK)
    track = lapwright.load_track(path)
    # Two straights, and two bends whose ramps add half their length: R angle + (in + out) / 2 each.
    assert track.length == pytest.approx(200 + 2 * (30 * math.pi + 10), rel=1e-3)
    assert [corner.name for corner in track.corners] == ["First", "Second"]


@pytest.mark.parametrize(
    ("old", "new", "key", "place"),
    [
        (
            "angle_deg: 180, turn: left, ramp_m",
            "angle_deg: 90, turn: left, ramp_m",
            ("centreline", "elements"),
            "- straight_m",
        ),
        ("at_m: 50}", "at_m: 5000}", ("landmarks", 0, "at_m"), "5000"),
        ("from_m: 300, to_m: 400", "from_m: 200, to_m: 400", ("corners", 1, "from_m"), "200, to_m: 400"),
        ("to_m: 60", "to_m: 6000", ("grip", 0, "to_m"), "6000"),
        ("{at_m: 150, value: 14}", "{at_m: 408.4, value: 14}", ("elevation_m", 1, "value"), "14}"),
        ("width_m: 11", "width_m: 80", None, "30"),
    ],
)
def test_faults_of_the_geometry_come_back_to_their_place(old, new, key, place):
    text = spoil(old, new)
    faults = faults_of(text, read_track)
    assert faults[0].file == "f.yaml"
    assert (faults[0].line, faults[0].column) == place_of(text, place)
    assert key is None or faults[0].key == key


def test_a_gap_says_how_large():
    text = spoil(
        "    - straight_m: 100\n    - {radius_m: 30, angle_deg: 180, turn: left, ramp_m",
        "    - straight_m: 150\n    - {radius_m: 30, angle_deg: 180, turn: left, ramp_m",
    )
    fault = only_fault(text, read_track)
    assert "50.00 m from the start" in fault.message
