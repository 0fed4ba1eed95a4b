"""Study files: what they make of cars and circuits, plans, keys, and every fault with its place."""

import json
import warnings
from dataclasses import replace
from operator import attrgetter
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest
import yaml
from sample_files import CIRCLE, TRACK, VEHICLE, place_of

from lapwright.cli.main import main
from lapwright.errors import InputError, InputNotice
from lapwright.inputs.files import load_any, load_track, load_vehicle, read_track, read_vehicle
from lapwright.inputs.overrides import vehicle_numbers, with_values
from lapwright.inputs.schema import study_schema
from lapwright.inputs.study_file import load_study
from lapwright.inputs.tree import Mapping, Scalar, parse
from lapwright.quantities import DEG
from lapwright.vehicle.parameters import FrictionCircle

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "examples" / "studies").glob("*.yaml"))
HEAD = "name: Sample\ncircuits: [ring.yaml]\ncars: [sample.yaml]\n"
OPEN = TRACK.replace("closed: true", "closed: false").replace("Sample ring", "Sample road")


@pytest.fixture
def folder(tmp_path):
    """A folder with two cars, two closed circuits, an open road, and a way to load a study in it."""
    files = {
        "sample": VEHICLE,
        "heavy": VEHICLE.replace("mass_kg: 1300", "mass_kg: 1400").replace("Sample car", "Heavy car"),
        "circle": CIRCLE,
        "ring": TRACK,
        "wide": TRACK.replace("width_m: 11", "width_m: 14").replace("Sample ring", "Wide ring"),
        "road": OPEN,
    }
    for name, text in files.items():
        (tmp_path / f"{name}.yaml").write_text(text)

    def study(text, head=HEAD, name="study.yaml"):
        (tmp_path / name).write_text(head + text)
        return load_study(tmp_path / name)

    def faults(text, head=HEAD):
        with pytest.raises(InputError) as error:
            study(text, head)
        return error.value.faults

    return SimpleNamespace(path=tmp_path, study=study, faults=faults)


# What a good file makes.


def test_a_grid_has_every_combination_after_the_car_as_it_is(folder):
    text = """vary:
  vehicle.brakes.front_share: {from: 0.58, to: 0.72, count: 3}
  vehicle.chassis.mass_kg: {change: [-20, 30]}
"""
    study = folder.study(text)
    assert study.plan == "grid"
    assert [case.number for case in study.cases] == list(range(7))
    assert [case.values for case in study.cases] == [
        (0.62, 1300.0),
        *[(share, mass) for share in (0.58, 0.65, 0.72) for mass in (1280.0, 1330.0)],
    ]
    assert [(axis.label, axis.low, axis.high, axis.words) for axis in study.axes] == [
        ("brakes.front_share", 0.58, 0.72, False),
        ("chassis.mass_kg", 1280.0, 1330.0, False),
    ]
    car = load_vehicle(folder.path / "sample.yaml")
    assert study.cases[0].vehicle == car
    for case in study.cases:
        share, mass = case.values
        expected = replace(
            car, brakes=replace(car.brakes, front_share=share), chassis=replace(car.chassis, mass=mass)
        )
        assert case.vehicle == expected
        assert not case.fault
    assert len(study.tracks) == 1
    assert {case.track for case in study.cases} == {0}


def test_a_case_is_the_car_that_its_edited_file_describes(folder):
    """Every kind of name against a file in which the number itself was written anew."""
    text = """plan: side_by_side
vary:
  vehicle.tyres.rear.grip_scale: {factor: [0.9]}
  vehicle.tyres.front.peak_slip_angle_deg: [7]
  vehicle.driveline.gear_ratios.2: [2.2]
  vehicle.driveline.engine_torque_Nm.3: {change: [5]}
  vehicle.driveline.differential.type: [open]
  vehicle.driver.grip_margin: [0.05]
  conditions.air_density_kgm3: [1.1]
"""
    edited = VEHICLE
    for old, new in (
        ("grip_scale: 0.9", "grip_scale: 0.81"),
        ("peak_slip_angle_deg: 6,", "peak_slip_angle_deg: 7,"),
        ("[3.2, 2.1,", "[3.2, 2.2,"),
        ("400, 420,", "400, 425,"),
        ("type: preload", "type: open"),
        ("  throttle_release_s: 0.15\n", "  throttle_release_s: 0.15\n  grip_margin: 0.05\n"),
        ("air_density_kgm3: 1.2", "air_density_kgm3: 1.1"),
    ):
        assert old in edited
        edited = edited.replace(old, new, 1)
    study = folder.study(text)
    assert study.cases[1].vehicle == read_vehicle(edited).value
    # A key that the file leaves out has its default: grip_margin 0 (docs/files.md).
    assert study.cases[0].values == (0.9, 6.0, 2.1, 420.0, "preload", 0.0, 1.2)
    assert study.axes[4].words


def test_roads_with_other_numbers_are_built_once_each(folder):
    text = """vary:
  track.width_m: [10, 11, 12]
  track.grip.1.scale: [0.8, 0.9]
  vehicle.brakes.front_share: [0.6, 0.64]
"""
    study = folder.study(text)
    assert len(study.cases) == 13
    assert len(study.tracks) == 6
    for case in study.cases:
        width, scale, _ = case.values
        edited = TRACK.replace("width_m: 11", f"width_m: {width}").replace("scale: 0.9", f"scale: {scale}")
        made, wanted = study.tracks[case.track], read_track(edited).value
        s = np.linspace(0.0, wanted.length, 301)
        assert np.array_equal(made.road(s).width_left, wanted.road(s).width_left)
        assert np.array_equal(made.grip(s, 0.0 * s - 1.0), wanted.grip(s, 0.0 * s - 1.0))


@pytest.mark.parametrize("name", ["ring", "road"])
def test_grip_of_the_whole_road_multiplies_patches_and_all(folder, name):
    head = HEAD.replace("ring", name) + ("start_speed_mps: 20\n" if name == "road" else "")
    study = folder.study("vary: {conditions.grip_scale: [0.7, 1]}\n", head)
    track = load_track(folder.path / f"{name}.yaml")
    s = np.linspace(0.0, track.length, 2001)
    for n in (-4.0, -1.0, 0.0, 3.0):
        grip = track.grip(s, np.full_like(s, n))
        assert np.allclose(
            study.tracks[study.cases[1].track].grip(s, np.full_like(s, n)), 0.7 * grip, rtol=1e-12
        )
    # The sample's patch lies between 3 m right and 1 m left of the centreline.
    assert track.grip(np.array([45.0]), np.array([-1.0]))[0] < 0.91
    assert study.cases[2].track == study.cases[0].track
    assert [case.values for case in study.cases] == [(1.0,), (0.7,), (1.0,)]


def test_stations_give_way_to_one_number(folder):
    """The file's own widths are no single number, so number 0 has none to tell."""
    stations = "width_m:\n  - {at_m: 0, left: 5, right: 5}\n  - {at_m: 100, left: 6, right: 6}\n"
    (folder.path / "ring.yaml").write_text(TRACK.replace("width_m: 11\n", stations))
    study = folder.study("vary: {track.width_m: [10], track.elevation_m.2.value: [14.5]}\n")
    assert [case.values for case in study.cases] == [(None, 14.0), (10.0, 14.5)]
    road = study.tracks[study.cases[1].track].road(np.array([0.0, 100.0]))
    assert list(road.width_left) == [5.0, 5.0]
    (fault,) = folder.faults("vary: {track.width_m: {change: [1]}}\n")
    assert "width_m is not a single number in ring.yaml" in fault.message


def test_friction_circle_cars(folder):
    head = HEAD.replace("sample.yaml", "circle.yaml")
    study = folder.study(
        "vary: {vehicle.grip_g: [1.1, 1.3], conditions.air_density_kgm3: [1.0]}\ngrip_margin: 0.1\n", head
    )
    assert [case.values for case in study.cases] == [(1.2, 1.2), (1.1, 1.0), (1.3, 1.0)]
    assert all(isinstance(case.vehicle, FrictionCircle) for case in study.cases)
    assert [case.vehicle.grip for case in study.cases] == pytest.approx([1.08, 0.99, 1.17])
    assert [case.vehicle.air_density for case in study.cases] == [1.2, 1.0, 1.0]


def test_two_cars_on_two_circuits(folder):
    head = "name: Four pairs\ncircuits: [ring.yaml, wide.yaml]\ncars: [sample.yaml, heavy.yaml]\n"
    study = folder.study(
        "vary: {vehicle.chassis.mass_kg: {factor: [0.99]}, track.width_m: {change: [1]}}\n", head
    )
    told = [(case.circuit, case.car, case.number) for case in study.cases]
    pairs = [(circuit, car) for circuit in ("ring", "wide") for car in ("sample", "heavy")]
    assert told == [(*pair, 0) for pair in pairs] + [(*pair, 1) for pair in pairs]
    assert [case.values for case in study.cases[4:]] == [
        (1287.0, 12.0),
        (1386.0, 12.0),
        (1287.0, 15.0),
        (1386.0, 15.0),
    ]
    assert (study.axes[0].low, study.axes[0].high) == (1287.0, 1400.0)
    assert len(study.tracks) == 4
    assert [study.tracks[case.track].name for case in study.cases[:4]] == ["Sample ring"] * 2 + [
        "Wide ring"
    ] * 2
    assert len({case.key for case in study.cases}) == 8


def test_open_road_and_options(folder):
    head = "name: Up and round\ncircuits: [road.yaml, ring.yaml]\ncars: [sample.yaml]\n"
    text = "vary: {vehicle.brakes.front_share: [0.6]}\nstart_speed_mps: 20\nend_offset_m: -1\nstart_heading_deg: 3\n"
    text += "mesh_m: 4\ndegree: 3\ntolerance_s: 0.02\ncorners: [second]\n"
    study = folder.study(text, head)
    road, ring = study.cases[0], study.cases[1]
    assert (road.circuit, road.start.speed, road.start.offset) == ("road", 20.0, None)
    assert road.start.heading == pytest.approx(3 * DEG)
    assert (road.end.speed, road.end.offset) == (None, -1.0)
    assert (ring.start.speed, ring.end.offset) == (None, None)
    assert (study.options.mesh, study.options.degree, study.options.tolerance) == (4.0, 3, 0.02)
    assert study.corners == ("Second",)


def test_plans(folder):
    lists = "vary: {vehicle.brakes.front_share: [0.6, 0.64], vehicle.chassis.mass_kg: [1200, 1250]}\n"
    rows = {
        plan: [case.values for case in folder.study(f"plan: {plan}\n" + lists).cases[1:]]
        for plan in ("grid", "one_at_a_time", "side_by_side")
    }
    assert rows["grid"] == [(0.6, 1200.0), (0.6, 1250.0), (0.64, 1200.0), (0.64, 1250.0)]
    assert rows["one_at_a_time"] == [(0.6, 1300.0), (0.64, 1300.0), (0.62, 1200.0), (0.62, 1250.0)]
    assert rows["side_by_side"] == [(0.6, 1200.0), (0.64, 1250.0)]


def test_hypercube_has_one_sample_in_each_stratum(folder):
    """McKay, Beckman and Conover, Technometrics 21 (1979), from memory: the range of each number is cut into as many
    equal strata as there are samples, and each stratum is sampled once. So a choice among k is drawn n / k times."""
    text = """plan: hypercube
samples: 60
seed: 5
vary:
  vehicle.brakes.front_share: {from: 0.5, to: 0.7}
  vehicle.chassis.cg_height_m: {change: {from: -0.05, to: 0.05}}
  vehicle.aero.drag_area_m2: {factor: {from: 0.5, to: 1.5}}
  vehicle.driveline.differential.type: [open, locked, preload]
"""
    study = folder.study(text)
    columns = list(zip(*(case.values for case in study.cases[1:]), strict=True))
    for values, low, high in zip(columns, (0.5, 0.4, 0.45), (0.7, 0.5, 1.35), strict=False):
        strata = np.floor((np.array(values) - low) / (high - low) * 60).astype(int)
        assert sorted(strata) == list(range(60))
    assert [columns[3].count(word) for word in ("open", "locked", "preload")] == [20, 20, 20]
    assert np.abs(np.corrcoef(np.array(columns[:3], dtype=float)) - np.eye(3)).max() < 0.5
    again = folder.study(text)
    assert [case.values for case in again.cases] == [case.values for case in study.cases]
    other = folder.study(text.replace("seed: 5", "seed: 6"))
    assert other.cases[1].values != study.cases[1].values


# Keys.


def keys_of(study):
    return {case.values: case.key for case in study.cases}


def test_a_longer_study_finds_its_old_cases(folder):
    short = folder.study("vary: {vehicle.brakes.front_share: {from: 0.58, to: 0.62, count: 3}}\n")
    longer = folder.study(
        "vary:\n  vehicle.brakes.front_share: {from: 0.58, to: 0.66, count: 5}\n"
        "  vehicle.chassis.mass_kg: {change: [0, 20]}\ncorners: [First]\n",
        HEAD.replace("Sample", "Another name"),
        "another.yaml",
    )
    old, new = keys_of(short), keys_of(longer)
    assert all(new[(*values, 1300.0)] == key for values, key in old.items())
    assert len(set(new.values())) == 10
    assert all(len(key) == 64 and int(key, 16) >= 0 for key in new.values())


def test_the_file_s_own_setup_shares_its_key_and_keeps_its_row(folder):
    study = folder.study("vary: {vehicle.brakes.front_share: [0.6, 0.62]}\n")
    assert [case.number for case in study.cases] == [0, 1, 2]
    assert study.cases[2].key == study.cases[0].key != study.cases[1].key


def test_a_number_has_one_key_under_all_its_names(folder):
    one = folder.study("vary: {conditions.air_density_kgm3: [1.1]}\n")
    other = folder.study("vary: {vehicle.aero.air_density_kgm3: {change: [-0.1]}}\n")
    assert one.cases[1].key == other.cases[1].key


@pytest.mark.parametrize(
    "change",
    ["car", "circuit", "degree: 3", "tolerance_s: 0.02", "mesh_m: 3", "grip_margin: 0.02", "version"],
)
def test_whatever_decides_the_answer_changes_every_key(folder, monkeypatch, change):
    text = "vary: {vehicle.brakes.front_share: [0.6]}\n"
    before = {case.key for case in folder.study(text).cases}
    if change in ("car", "circuit"):
        path = folder.path / {"car": "sample.yaml", "circuit": "ring.yaml"}[change]
        path.write_text(path.read_text() + "# a remark\n")
    elif change == "version":
        monkeypatch.setattr("lapwright.inputs.study_file._version", lambda: "0.0.0")
    else:
        text += change + "\n"
    assert not before & {case.key for case in folder.study(text).cases}


def test_the_table_beside_a_track_and_the_end_states_are_in_the_key(folder):
    points = "x_m,y_m\n" + "".join(
        f"{60 * np.cos(a):.3f},{60 * np.sin(a):.3f}\n" for a in np.linspace(0, 2 * np.pi, 41)[:-1]
    )
    (folder.path / "points.csv").write_text(points)
    (folder.path / "ring.yaml").write_text(
        "name: Round\nclosed: true\ncentreline: {csv: points.csv}\nwidth_m: 10\n"
    )
    text = "vary: {vehicle.brakes.front_share: [0.6]}\n"
    before = folder.study(text).cases[1].key
    (folder.path / "points.csv").write_text(points + "# a remark\n")
    assert folder.study(text).cases[1].key != before
    head = HEAD.replace("ring", "road")
    keys = {
        folder.study(text + ends, head).cases[1].key
        for ends in (
            "start_speed_mps: 20",
            "start_speed_mps: 21",
            "start_speed_mps: 20\nend_speed_mps: 9",
        )
    }
    assert len(keys) == 3


# Cases that cannot be, and faults.


def test_a_setup_that_does_not_fit_keeps_its_row(folder):
    study = folder.study(
        "vary:\n  vehicle.brakes.front_share: {change: [0.1, 0.5]}\n  vehicle.driveline.differential.type: [viscous, open]\n"
    )
    assert len(study.cases) == 5
    faults = [case.fault for case in study.cases]
    assert faults[0] == faults[2] == ""
    assert "viscous differential needs viscosity_Nms_per_rad" in faults[1]
    assert "front_share is 1.12: a share is a fraction between 0 and 1" in faults[4]
    assert "front_share" in faults[3] and "viscous" in faults[3]
    assert [case.vehicle is None for case in study.cases] == [False, True, False, True, True]
    assert len({case.key for case in study.cases}) == 5


def test_a_road_too_narrow_in_some_cases(folder):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", InputNotice)
        study = folder.study("vary: {track.width_m: [1.5, 9], track.grip.1.to_m: [50, 9000]}\n")
    told = {case.values: case.fault for case in study.cases}
    assert "too narrow for this car" in told[1.5, 50.0]
    assert told[9.0, 50.0] == ""
    assert "9000" in told[9.0, 9000.0]


def test_no_possible_case_is_a_fault_of_the_study(folder):
    text = "vary:\n  vehicle.driveline.differential.type: [viscous]\n"
    (fault,) = folder.faults(text)
    assert (fault.line, fault.column) == place_of(HEAD + text, "vehicle.driveline")
    assert "no case of sample on ring" in fault.message
    assert "viscosity_Nms_per_rad" in fault.message


BAD = """\
nam: Slips
circuits: [ring.yaml, nowhere.yaml]
cars: [sample.yaml]
plan: grids
samples: 2.5
vary:
  vehicle.brakes.front_shar: [0.6]
  front_share: [0.6]
  vehicle.chassis.mas_kg: {from: 1300, to: 1200, count: 7000000}
  vehicle.tyres.grip_scale: [0.9]
  track.grip.1.scal: [0.9]
  vehicle.model: [friction_circle]
  vehicle.brakes.front_share: {from: 58, to: 0.72, count: 1}
  vehicle.chassis.mass_kg: {change: [-20, a], factor: [2]}
  vehicle.driveline.power_kW: [200]
  vehicle.driveline.differential.type: [open, preloaded]
  vehicle.driveline.driven: {from: 1, to: 2}
  vehicle.chassis.cg_height_m: [450]
  vehicle.chassis.wheelbase_m: 2.6
  vehicle.chassis.track_rear_m: {from: 1.6, to: 1.5}
  vehicle.aero.drag_area_m2: {}
  track.grip.7.scale: [0.9]
corners: [Frist]
grip_margin: 3
"""


def test_every_fault_at_once_with_its_place(folder):
    wanted = [
        ("nam:", "nam is not a key of a study file; did you mean name?"),
        ("nowhere", "there is no such file"),
        ("grids", "it must be grid, one_at_a_time, side_by_side or hypercube; did you mean grid?"),
        ("2.5", "it must be a whole number"),
        ("vehicle.brakes.front_shar:", "did you mean vehicle.brakes.front_share?"),
        ("front_share: [0.6]", "did you mean vehicle.brakes.front_share?"),
        ("vehicle.chassis.mas_kg", "did you mean vehicle.chassis.mass_kg?"),
        ("from: 1300", "a range ascends"),
        ("7000000", "it must be 2 to 100000"),
        ("vehicle.tyres.grip", "vehicle.tyres.rear.grip_scale"),
        ("track.grip.1.scal:", "did you mean track.grip.1.scale?"),
        ("vehicle.model", "not a number or word that can be varied"),
        ("58", "a share is a fraction between 0 and 1; did you mean 0.58?"),
        ("1}\n  vehicle.chassis.mass", "count is 1: it must be 2 to 100000"),
        ("a], factor", "item 2 of change is a; it must be a number"),
        ("factor: [2]", "factor stands beside change"),
        ("vehicle.driveline.power", "sample.yaml has no driveline.power_kW"),
        ("preloaded", "it must be open, locked, viscous or preload; did you mean preload?"),
        ("{from: 1, to", "it must be a list of front, rear or all"),
        ("450", "this looks like mm: did you mean 0.45?"),
        (
            "2.6",
            "vehicle.chassis.wheelbase_m is 2.6; it must be {from, to, count, change, factor}, or list of",
        ),
        ("from: 1.6", "a range ascends"),
        ("vehicle.aero.drag", "from is missing"),
        ("track.grip.7", "ring.yaml has no grip.7.scale"),
        ("Frist", "there is no corner Frist on ring.yaml; did you mean First?"),
        ("3\n", "a share is a fraction between 0 and 0.5; did you mean 0.03?"),
    ]
    faults = folder.faults(BAD, "")
    told = {(fault.line, fault.column): "" for fault in faults}
    for fault in faults:
        told[fault.line, fault.column] += fault.message + "\n"
    for piece, message in wanted:
        nth = {"3\n": BAD.count("3\n") - 1, "58": 0}.get(piece, 0)
        place = place_of(BAD, piece, nth)
        place = (place[0], place[1] + 6) if piece.startswith("from: ") else place
        assert message in told.get(place, ""), (piece, place, told)
    assert all(fault.file == str(folder.path / "study.yaml") for fault in faults)
    assert [(fault.line, fault.column) for fault in faults] == sorted((f.line, f.column) for f in faults)


def test_faults_of_the_files_that_it_names_come_along(folder):
    spoiled = VEHICLE.replace("front_share: 0.62", "front_share: 62").replace(
        "wheelbase_m: 2.5", "wheelbase_m: x"
    )
    (folder.path / "sample.yaml").write_text(spoiled)
    (folder.path / "ring.yaml").write_text(TRACK.replace("width_m: 11", "width_m: 1100"))
    faults = folder.faults("vary: {vehicle.brakes.front_shar: [0.6]}\n")
    places = {(Path(fault.file).name, fault.line, fault.column) for fault in faults}
    assert places == {
        ("study.yaml", *place_of(HEAD + "vary: {vehicle.", "vehicle.")),
        ("sample.yaml", *place_of(spoiled, "62,")),
        ("sample.yaml", *place_of(spoiled, "x\n")),
        ("ring.yaml", *place_of(TRACK, "11\n")),
    }


@pytest.mark.parametrize(
    ("head", "text", "piece", "message"),
    [
        (HEAD, "plan: hypercube\nvary: {conditions.grip_scale: {from: 0.8, to: 1}}", "plan", "needs samples"),
        (HEAD, "seed: 3\nvary: {conditions.grip_scale: [0.8]}", "seed", "seed is for plan: hypercube"),
        (HEAD, "vary: {conditions.grip_scale: {from: 0.8, to: 1}}", "conditions", "count is missing"),
        (
            HEAD,
            "plan: side_by_side\nvary: {conditions.grip_scale: [0.8], vehicle.brakes.front_share: [0.6, 0.7]}",
            "vary",
            "conditions.grip_scale has 1, vehicle.brakes.front_share has 2",
        ),
        (
            HEAD,
            "vary: {conditions.grip_scale: {from: 0.8, to: 1, count: 400}, track.width_m: {from: 9, to: 10, count: 400}}",
            "vary",
            "this makes 160,001 cases; at most 100,000",
        ),
        (
            HEAD,
            "vary: {conditions.air_density_kgm3: [1.1], vehicle.aero.air_density_kgm3: [1]}",
            "vehicle",
            "which sets the same value",
        ),
        (HEAD, "grip_margin: 0.1\nvary: {vehicle.driver.grip_margin: [0.1]}", "grip_margin", "keep one"),
        (HEAD, "vary: {conditions.grip_scale: [0.8]}\nend_speed_mps: 9", "end_speed", "are closed"),
        (
            HEAD.replace("ring", "road"),
            "vary: {conditions.grip_scale: [0.8]}",
            "circuits",
            "road.yaml is an open road: give start_speed_mps",
        ),
        (
            HEAD.replace("ring", "road"),
            "start_speed_mps: 2\nvary: {conditions.grip_scale: [0.8]}",
            "start_speed",
            "start speed is 2 m/s: allowed are 3 to 130 m/s (road, sample)",
        ),
        (
            HEAD.replace("ring", "road"),
            "start_speed_mps: 20\nend_offset_m: 6\nvary: {conditions.grip_scale: [0.8]}",
            "end_offset",
            "the car stays on the road from -4.60 to 4.60 m",
        ),
        (
            HEAD.replace("sample.yaml]", "sample.yaml, ./sample.yaml]"),
            "vary: {conditions.grip_scale: [0.8]}",
            "./sample",
            "two files named sample",
        ),
        (
            HEAD.replace("sample.yaml]", "sample.yaml, circle.yaml]"),
            "vary: {vehicle.brakes.front_share: [0.6]}",
            "vehicle",
            "circle.yaml has no brakes.front_share",
        ),
        (
            HEAD,
            "vary: {vehicle.driveline.differential.viscosity_Nms_per_rad: [90]}",
            "vehicle",
            "sample.yaml has no driveline.differential.viscosity_Nms_per_rad",
        ),
        (HEAD, "vary: []", "[]", "it must hold what is varied"),
        (HEAD, "vary: {vehicle.chassis: [1]}", "vehicle", "such as vehicle.chassis.mass_kg"),
    ],
)
def test_what_does_not_fit_together(folder, head, text, piece, message):
    (fault,) = folder.faults(text + "\n", head)
    assert message in fault.message
    assert (fault.line, fault.column) == place_of(head + text, piece)


def test_odd_values_are_told_as_notices(folder):
    text = "plan: hypercube\nsamples: 4\nvary: {vehicle.brakes.front_share: {from: 0.2, to: 0.7, count: 3}}\n"
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        folder.study(text)
    told = [str(warning.message) for warning in caught if warning.category is InputNotice]
    assert any("from is 0.2: unusual" in line for line in told)
    assert any("does not count for plan: hypercube" in line for line in told)


def test_other_files_are_told_apart(folder):
    for name, kind in (("ring", "track"), ("sample", "vehicle")):
        with pytest.raises(InputError, match=f"this is a {kind} file; a study file is wanted here"):
            load_study(folder.path / f"{name}.yaml")
    folder.study("vary: {conditions.grip_scale: [0.8]}\n")
    assert load_any(folder.path / "study.yaml")[0] == "study"
    with pytest.raises(InputError, match="this is a study file; a vehicle file is wanted here"):
        load_vehicle(folder.path / "study.yaml")


# What ships, the schema, the command line.


def test_examples_are_sound_and_small():
    assert len(EXAMPLES) >= 4
    sizes = {path.stem: len(load_study(path).cases) for path in EXAMPLES}
    assert sizes == {
        "brake-share": 11,
        "brake-share-and-roll": 41,
        "five-numbers": 1001,
        "two-cars-two-circuits": 40,
    }
    for path in EXAMPLES:
        assert "invented" in path.read_text(encoding="utf-8").split("\n")[0]


def test_check_and_schema_know_studies(capsys):
    assert main(["check", str(EXAMPLES[0]), "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["files"]
    assert (told["kind"], told["summary"]["cases"]) == ("study", 41)
    assert main(["check", str(EXAMPLES[0])]) == 0
    assert "41, 1 of them as the files have it" in capsys.readouterr().out
    assert main(["schema", "study"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(study_schema()))


@pytest.fixture(scope="module")
def validator():
    schema = study_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def test_the_schema_takes_the_examples(validator):
    for path in EXAMPLES:
        assert [
            e.message for e in validator.iter_errors(yaml.safe_load(path.read_text(encoding="utf-8")))
        ] == []


@pytest.mark.parametrize(
    "text",
    [
        "vary: {}",
        "vary: {vehicle.brakes.front_shar: [0.6]}",
        "vary: {vehicle.brakes.front_share: [62]}",
        "vary: {vehicle.brakes.front_share: []}",
        "vary: {vehicle.brakes.front_share: {from: 0.6, count: 3}}",
        "vary: {vehicle.chassis.mass_kg: {change: [1], factor: [1]}}",
        "vary: {track.grip.0.scale: [0.9]}",
        "vary: {track.grip.one.scale: [0.9]}",
        "vary: {vehicle.driveline.differential.type: [opened]}",
        "vary: {conditions.grip_scale: [0.9]}\nplan: hypercube",
        "vary: {conditions.grip_scale: [0.9]}\nsamples: 3",
        "vary: {conditions.grip_scale: [0.9]}\ndegree: 2.5",
        "vary: {conditions.grip_scale: [0.9]}\nmesh: 3",
    ],
)
def test_schema_and_reader_refuse_the_same_studies(folder, validator, text):
    assert not validator.is_valid(yaml.safe_load(HEAD + text))
    assert folder.faults(text)


# Numbers by their names.


def test_every_number_of_the_vehicle_file_by_name():
    """What the file says by a plain YAML reader, times the unit told, stands at the attribute told."""
    numbers = vehicle_numbers()
    assert numbers["chassis.cg_height_m"].attribute == "chassis.cg_height"
    # SI: a bar is 100,000 pascal.
    assert numbers["brakes.peak_pressure_bar"].si == 1e5
    assert numbers["steering.max_wheel_deg"].unit == "deg"
    root, _ = parse(VEHICLE)
    car, written = read_vehicle(VEHICLE).value, dict(_leaves(yaml.safe_load(VEHICLE)))
    assert set(written) <= set(numbers)
    for name, value in written.items():
        assert attrgetter(numbers[name].attribute)(car) == pytest.approx(value * numbers[name].si, rel=1e-12)
        changed = with_values(root, {tuple(name.split(".")): 0.25})
        assert dict(_leaves(_plain(changed))) == {**written, name: 0.25}
    assert parse(VEHICLE)[0] == root


def _leaves(group, start=""):
    for key, value in group.items():
        if isinstance(value, dict):
            yield from _leaves(value, f"{start}{key}.")
        elif isinstance(value, int | float):
            yield start + key, value


def _plain(node):
    """A tree as YAML reads it, lists left out."""
    if isinstance(node, Scalar):
        return yaml.safe_load(node.text)
    return {key: _plain(value) for key, value in node.values.items()} if isinstance(node, Mapping) else None


def test_values_have_no_place_without_a_group():
    root, _ = parse(CIRCLE)
    with pytest.raises(LookupError):
        with_values(root, {("chassis", "mass_kg"): 1000.0})
    with pytest.raises(LookupError):
        with_values(parse(TRACK)[0], {("grip", 4, "scale"): 0.9})
    added = with_values(root, {("air_density_kgm3",): 1.1})
    assert added.values["air_density_kgm3"].text == "1.1"
    assert "air_density_kgm3" not in root.values
    assert "air_density_kgm3" not in root.keys
