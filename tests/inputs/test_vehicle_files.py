"""Vehicle files: conversion to SI and every fault with its place."""

import math
import warnings
from dataclasses import fields, is_dataclass

import pytest
from sample_files import CIRCLE, VEHICLE, place_of

import lapwright
from lapwright.errors import InputError, InputNotice
from lapwright.inputs.files import read_vehicle
from lapwright.inputs.kinds import Group
from lapwright.inputs.vehicle_keys import FRICTION_CIRCLE
from lapwright.inputs.vehicle_keys import VEHICLE as TABLE
from lapwright.inputs.vehicle_rules import peak_power, top_speed
from lapwright.vehicle.parameters import FrictionCircle, Vehicle


def spoil(old, new, text=VEHICLE):
    assert text.count(old) == 1, old
    return text.replace(old, new)


def faults_of(text):
    with pytest.raises(InputError) as caught:
        read_vehicle(text, "car.yaml")
    return list(caught.value.faults)


def only_fault(text):
    faults = faults_of(text)
    assert len(faults) == 1, [str(fault) for fault in faults]
    assert faults[0].file == "car.yaml"
    return faults[0]


def test_conversion_to_si():
    car = read_vehicle(VEHICLE).value
    assert isinstance(car, Vehicle)
    assert car.name == "Sample car"
    assert car.chassis.mass == 1300.0 and car.chassis.width == 1.8
    assert car.tyres.front.load_sensitivity == pytest.approx(5e-5)
    assert car.tyres.front.peak_slip_angle == pytest.approx(math.pi / 30)
    assert car.tyres.front.grip_scale == 1.0 and car.tyres.rear.grip_scale == 0.9
    assert car.brakes.peak_pressure == pytest.approx(8e6)
    assert car.brakes.peak_force == pytest.approx(80 * 300)
    assert car.driveline.engine_speed[2] == pytest.approx(2 * math.pi * 100)
    assert car.driveline.shift_speed == pytest.approx(6800 / 60 * 2 * math.pi)
    assert car.driveline.power is None
    assert car.driveline.differential.type == "preload"
    assert car.steering.max_wheel == pytest.approx(2.5 * math.pi)
    assert car.driver.grip_margin == 0.0


def test_the_circle():
    car = read_vehicle(CIRCLE).value
    assert car == FrictionCircle("Sample circle", 1.2, power=150e3)


def test_power_alone_is_an_engine():
    text = VEHICLE
    for line in VEHICLE.splitlines(keepends=True):
        if any(key in line for key in ("engine_rpm", "engine_torque", "gear_ratios", "final_drive")):
            text = text.replace(line, "")
    text = spoil("shift_rpm: 6800", "power_kW: 250", text)
    driveline = read_vehicle(text).value.driveline
    assert driveline.power == 250e3 and driveline.gear_ratios == ()
    assert peak_power(driveline) == (250e3, None)


def test_defaults_of_the_table_are_those_of_the_objects():
    circle = {field.name: field.default for field in fields(FrictionCircle)}
    for key in FRICTION_CIRCLE.keys:
        if key.field in circle and not key.required:
            assert key.kind.from_default(key.default) == circle[key.field]


def _groups(group, values):
    yield group, values
    for key in group.keys:
        if isinstance(key.kind, Group):
            yield from _groups(key.kind, getattr(values, key.field))


def test_the_table_covers_every_field_of_the_car():
    for group, part in _groups(TABLE, read_vehicle(VEHICLE).value):
        assert is_dataclass(part)
        assert {key.field for key in group.keys} - {"model"} == {field.name for field in fields(part)}


def test_load_vehicle_from_a_file(tmp_path):
    path = tmp_path / "car.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + VEHICLE.replace("\n", "\r\n").encode())
    assert lapwright.load_vehicle(path) == read_vehicle(VEHICLE).value
    path.write_text(spoil("mass_kg: 1300", "mass_kg: -5"))
    with pytest.raises(InputError) as caught:
        lapwright.load_vehicle(str(path))
    assert str(caught.value).startswith(f"{path}:3:12: mass_kg is -5")


@pytest.mark.parametrize(
    ("old", "new", "value", "words"),
    [
        ("wheelbase_m: 2.5", "wheelbase_m: 2500", "2500", ["looks like mm", "did you mean 2.5?"]),
        ("cg_height_m: 0.45", "cg_height_m: 45", "45", ["looks like cm", "did you mean 0.45?"]),
        ("cg_height_m: 0.45", "cg_height_m: 450", "450", ["looks like mm", "did you mean 0.45?"]),
        ("track_front_m: 1.5", "track_front_m: 1500", "1500", ["looks like mm", "1.5"]),
        ("width_m: 1.8", "width_m: 180", "180", ["looks like cm", "1.8"]),
        ("mass_kg: 1300", "mass_kg: 1.3", "1.3", ["looks like tonnes", "1300"]),
        ("mass_kg: 1300", "mass_kg: 1300000", "1300000", ["looks like grams", "1300"]),
        (
            "{front_share: 0.62",
            "{front_share: 62",
            "62",
            ["a share is a fraction between 0 and 1; did you mean 0.62?"],
        ),
        ("front_mass_share: 0.45", "front_mass_share: 45", "45", ["fraction", "did you mean 0.45?"]),
        ("efficiency: 0.92", "efficiency: 92", "92", ["fraction", "did you mean 0.92?"]),
        ("downforce_front_share: 0.4", "downforce_front_share: 40", "40", ["did you mean 0.4?"]),
        ("grip_scale: 0.9", "grip_scale: 90", "90", ["did you mean 0.9?"]),
        ("peak_pressure_bar: 80", "peak_pressure_bar: 8000000", "8000000", ["looks like Pa", "80"]),
        ("peak_pressure_bar: 80", "peak_pressure_bar: 1160", "1160", ["looks like psi", "did you mean 79.9"]),
        ("wheel_radius_m: 0.33", "wheel_radius_m: 330", "330", ["looks like mm", "0.33"]),
        ("brake_rise_s: 0.2", "brake_rise_s: 200", "200", ["looks like ms", "0.2"]),
        ("load_transfer_time_s: 0.1", "load_transfer_time_s: 100", "100", ["looks like ms", "0.1"]),
        ("shift_rpm: 6800", "shift_rpm: 6.8", "6.8", ["thousands of rpm", "6800"]),
        ("max_wheel_rate_dps: 500", "max_wheel_rate_dps: 8.7", "8.7", ["looks like rad/s", "498"]),
        ("drag_area_m2: 0.9", "drag_area_m2: 9000", "9000", ["looks like cm2", "0.9"]),
        ("air_density_kgm3: 1.2", "air_density_kgm3: 1200", "1200", ["looks like g/m3", "1.2"]),
        ("mass_kg: 1300", "mass_kg: 0", "0", ["20 to 40000 kg"]),
        ("mass_kg: 1300", "mass_kg: -1300", "-1300", ["did you mean 1300?"]),
        ("overrun_torque_Nm: 50", "overrun_torque_Nm: -50", "-50", ["given as positive"]),
        ("front_mass_share: 0.45", "front_mass_share: 1", "1", ["between 0 and 1"]),
        ("wheel_inertia_kgm2: 1.2", "wheel_inertia_kgm2: 0", "0", ["above 0"]),
        ("brake_rise_s: 0.2", "brake_rise_s: 0", "0", ["0.01 to 10 s"]),
        ("mass_kg: 1300", "mass_kg: .nan", ".nan", ["finite"]),
        ("mass_kg: 1300", "mass_kg: -.inf", "-.inf", ["finite"]),
        ("mass_kg: 1300", "mass_kg: 1_300", "1_300", ["1300"]),
        ("mass_kg: 1300", "mass_kg: 01300", "01300", ["base eight"]),
        ("mass_kg: 1300", "mass_kg: '1300'", "'1300'", ["quotes"]),
        ("mass_kg: 1300", "mass_kg: 1300 kg", "1300 kg", ["number alone"]),
        ("mass_kg: 1300", "mass_kg: [1300]", "[1300]", ["a list of 1", "must be a number"]),
        ("mass_kg: 1300", "mass_kg: {kg: 1300}", "{kg", ["a group of keys (kg)", "must be a number"]),
        ("driven: rear", "driven: raer", "raer", ["front, rear or all", "did you mean rear?"]),
        ("driven: rear", "driven: no", "no", ["front, rear or all"]),
        ("type: preload", "type: limited", "limited", ["open, locked, viscous or preload"]),
        ("shift_rpm: 6800", "shift_rpm: 7200", "7200", ["outside the torque table", "2000 to 7000 rpm"]),
        ("shift_rpm: 6800", "shift_rpm: 1900", "1900", ["outside the torque table"]),
    ],
)
def test_a_bad_value_is_told_with_its_place(old, new, value, words):
    text = spoil(old, new)
    line, column = place_of(text, new)
    fault = only_fault(text)
    assert (fault.line, fault.column) == (line, column + new.rindex(value))
    key = new.split(":")[0].strip("{ ")
    assert fault.message.startswith(key)
    assert fault.key[-1] == key
    for word in words:
        assert word in fault.message


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        ("mass_kg:", "mas_kg:", "mas_kg", ["not a key of chassis", "did you mean mass_kg?"]),
        (
            "brakes: {",
            "brakes: {pedal: 1, ",
            "pedal",
            ["not a key of brakes", "front_share, peak_pressure_bar"],
        ),
        ("driver:\n", "drive:\n", "drive:\n", ["not a key of a vehicle file", "did you mean driver"]),
    ],
)
def test_unknown_keys_name_the_nearest(old, new, where, words):
    text = spoil(old, new)
    fault = next(fault for fault in faults_of(text) if "not a key" in fault.message)
    assert (fault.line, fault.column) == place_of(text, where)
    for word in words:
        assert word in fault.message


def test_a_missing_key_is_placed_at_its_group():
    fault = only_fault(spoil("  mass_kg: 1300\n", ""))
    assert (fault.line, fault.column) == (2, 1)
    assert fault.key == ("chassis", "mass_kg")
    assert "mass_kg is missing in chassis" in fault.message and "20 to 40000 kg" in fault.message


def test_a_missing_group_is_placed_at_the_start():
    fault = only_fault(spoil("steering: {ratio: 14, max_wheel_deg: 450}\n", ""))
    assert (fault.line, fault.column, fault.key) == (1, 1, ("steering",))


def test_a_key_without_value():
    fault = only_fault(spoil("mass_kg: 1300", "mass_kg:"))
    assert fault.line == 3 and "has no value" in fault.message
    text = spoil(", grip_scale: 0.9", ", grip_scale: null")
    assert "leave the key out" in only_fault(text).message


def test_a_group_that_is_no_group():
    text = spoil("steering: {ratio: 14, max_wheel_deg: 450}", "steering: 14")
    fault = only_fault(text)
    line, column = place_of(text, "steering: 14")
    assert (fault.line, fault.column) == (line, column + len("steering: "))
    assert "must hold keys: ratio, max_wheel_deg" in fault.message


def test_all_faults_at_once_in_file_order():
    text = spoil("mass_kg: 1300", "mass_kg: -1")
    text = spoil("wheelbase_m: 2.5", "wheelbase_m: 2500", text)
    text = spoil("{front_share: 0.62", "{front_share: 62, front_share: 0.6", text)
    text = spoil("driven: rear", "driven: both", text)
    text = spoil("steering:", "sterring:", text)
    faults = faults_of(text)
    assert [fault.line for fault in faults] == sorted(fault.line for fault in faults)
    told = "\n".join(fault.message for fault in faults)
    for word in ("mass_kg is -1", "wheelbase_m is 2500", "front_share is 62", "front_share is given twice"):
        assert word in told
    for word in ("driven is both", "sterring is not a key", "steering is missing"):
        assert word in told
    assert len(faults) == 7


def test_duplicate_key():
    fault = only_fault(spoil("  mass_kg: 1300\n", "  mass_kg: 1300\n  mass_kg: 1400\n"))
    assert (fault.line, fault.column) == (4, 3)
    assert "given twice" in fault.message and "line 3" in fault.message


def test_an_alias_is_complained_about_once():
    text = spoil("wheelbase_m: 2.5", "wheelbase_m: *x")
    fault = only_fault(spoil("mass_kg: 1300", "mass_kg: &x 1300", text))
    assert fault.line == 5 and "write the value out" in fault.message


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("  final_drive: 3.7\n", "  final_drive: 3.7\n  power_kW: 250\n", ["stands beside power_kW"]),
        ("  final_drive: 3.7\n", "", ["final_drive is missing", "engine table needs"]),
        ("[300, 400, 420, 380]", "[300, 400, 420]", ["3 values, engine_rpm has 4"]),
        ("[2000, 4000, 6000, 7000]", "[2000, 6000, 4000, 7000]", ["ascending", "4000 follows 6000"]),
        ("[2000, 4000, 6000, 7000]", "[2000, 4000, 4000, 7000]", ["ascending"]),
        ("[3.2, 2.1, 1.5, 1.1]", "[3.2, 1.5, 2.1, 1.1]", ["descending", "2.1 follows 1.5"]),
        ("[3.2, 2.1, 1.5, 1.1]", "[3.2, 2.1, 1.5, 0]", ["item 4 of gear_ratios is 0"]),
        ("[3.2, 2.1, 1.5, 1.1]", "[3.2, 2.1, -1.5, 1.1]", ["item 3 of gear_ratios is -1.5"]),
        ("[3.2, 2.1, 1.5, 1.1]", "3.2", ["must be a list"]),
        ("[3.2, 2.1, 1.5, 1.1]", "[]", ["at least 1"]),
        ("[300, 400, 420, 380]", "[0, 0, 0, 0]", ["zero everywhere"]),
        ("driven: rear", "driven: all", ["needs front_torque_share"]),
        (
            "{type: preload, preload_Nm: 60, ramp_drive: 0.3, ramp_overrun: 0.4}",
            "{type: viscous}",
            ["viscosity_Nms"],
        ),
        ("preload_Nm: 60, ", "", ["needs preload_Nm"]),
        ("yaw_inertia_kgm2: 1800", "yaw_inertia_kgm2: 1.8", ["about", "check the unit"]),
        ("force_per_bar_N: 300", "force_per_bar_N: 3", ["times the weight", "check the unit"]),
    ],
)
def test_what_does_not_fit_together(old, new, words):
    told = "\n".join(fault.message for fault in faults_of(spoil(old, new)))
    for word in words:
        assert word in told


def test_no_engine_at_all():
    text = VEHICLE
    for line in VEHICLE.splitlines(keepends=True):
        if any(key in line for key in ("engine_", "gear_ratios", "final_drive", "shift_rpm")):
            text = text.replace(line, "")
    fault = only_fault(text)
    assert (fault.line, fault.column) == place_of(text, "driveline")
    assert "no engine" in fault.message


def test_friction_must_stay_positive_at_the_greatest_load():
    text = spoil(
        "{peak_mu_long: 1.5, peak_mu_lat: 1.4, reference_load_N: 3200, load_sensitivity_per_kN: 0.05,\n"
        "          peak",
        "{peak_mu_long: 1.5, peak_mu_lat: 1.4, reference_load_N: 3200,\n"
        "          load_sensitivity_per_kN: 0.5, peak",
    )
    fault = only_fault(text)
    assert (fault.line, fault.column) == place_of(text, "0.5, peak")
    # All of the front axle on one wheel at rest: 1300 kg * 9.80665 m/s2 * 0.45 = 5736.9 N, which leaves
    # mu = 1.4 - 0.5 (5.7369 - 3.2) = 0.1316; downforce at speed takes it below zero.
    assert "friction coefficient falls from peak_mu_l" in fault.message


def test_odd_values_are_told_as_notices(tmp_path):
    text = spoil("roll_centre_front_m: 0.05", "roll_centre_front_m: 0.5")
    text = spoil("width_m: 1.8", "width_m: 1.4", text)
    text = spoil("ratio: 14", "ratio: 50", text)
    loaded = read_vehicle(text, "car.yaml")
    told = {notice.key: notice for notice in loaded.notices}
    assert "above the centre of gravity" in told["chassis", "roll_centre_front_m"].message
    assert "less than the track" in told["chassis", "width_m"].message
    assert "unusual" in told["steering", "ratio"].message
    assert (told["steering", "ratio"].line, told["steering", "ratio"].column) == place_of(text, "50, max")
    path = tmp_path / "car.yaml"
    path.write_text(text)
    with pytest.warns(InputNotice) as caught:
        lapwright.load_vehicle(path)
    assert {warning.message.fault.key for warning in caught} == set(told)


def test_a_plain_file_gives_no_notice(tmp_path):
    path = tmp_path / "car.yaml"
    path.write_text(VEHICLE)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        lapwright.load_vehicle(path)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("downforce_area_m2: 1.2", "downforce_area_m2: 0"),
        ("drag_area_m2: 0.9", "drag_area_m2: 0"),
        ("overrun_torque_Nm: 50", "overrun_torque_Nm: 0"),
        ("roll_centre_front_m: 0.05", "roll_centre_front_m: 0"),
        ("cg_height_m: 0.45", "cg_height_m: 0"),
        ("load_sensitivity_per_kN: 0.05,\n          peak", "load_sensitivity_per_kN: 0,\n          peak"),
        ("ramp_drive: 0.3", "ramp_drive: 0"),
        ("preload_Nm: 60", "preload_Nm: 0"),
        ("{front_share: 0.62", "{front_share: 1"),
        ("mass_kg: 1300", "mass_kg: 1.3e3"),
        ("mass_kg: 1300", "mass_kg: +1300."),
        ("name: Sample car", "name: no"),
        ("name: Sample car", "name: 2024"),
        ("name: Sample car", 'name: "Müller, 3 Liter: α"'),
    ],
)
def test_zero_and_odd_spellings_that_are_fair(old, new):
    assert isinstance(read_vehicle(spoil(old, new)).value, Vehicle)


def test_names_stay_text():
    assert read_vehicle(spoil("name: Sample car", "name: no")).value.name == "no"
    assert read_vehicle(spoil("name: Sample car", "name: 0123")).value.name == "0123"


@pytest.mark.parametrize("model", ["friction_cirle", "friction-circle"])
def test_a_misspelt_model_does_not_flood(model):
    fault = only_fault(CIRCLE.replace("friction_circle", model))
    assert fault.line == 2 and "did you mean friction_circle?" in fault.message


def test_a_circle_without_model():
    fault = only_fault(CIRCLE.replace("model: friction_circle\n", ""))
    assert "model is missing" in fault.message


def test_keys_of_the_other_model():
    fault = only_fault(CIRCLE + "chassis: {}\n")
    assert "chassis is not a key of a vehicle file with model: friction_circle" in fault.message


def test_a_track_file_is_told_apart():
    fault = only_fault("name: x\nclosed: true\ncentreline: {}\nwidth_m: 3\n")
    assert "this is a track file" in fault.message


def test_top_speed_is_where_power_meets_drag():
    # Invented engine; at the drag limit P = 0.5 rho CdA v^3 (Gillespie 1992, ch. 4, from memory).
    text = VEHICLE.replace("gear_ratios: [3.2, 2.1, 1.5, 1.1]", "power_kW: 250")
    lines = [
        line for line in text.splitlines() if not any(k in line for k in ("engine_", "final_", "shift_"))
    ]
    car = read_vehicle("\n".join(lines)).value
    assert top_speed(car.aero, car.driveline) == pytest.approx(
        (0.92 * 250e3 / (0.5 * 1.2 * 0.9)) ** (1 / 3), rel=1e-3
    )


def test_top_speed_ends_with_the_gears():
    text = spoil("gear_ratios: [3.2, 2.1, 1.5, 1.1]", "gear_ratios: [3.2, 2.9]")
    car = read_vehicle(text).value
    geared = 6800 / 60 * 2 * math.pi * 0.33 / (2.9 * 3.7)
    assert top_speed(car.aero, car.driveline) == pytest.approx(geared, rel=2e-3)


def test_peak_power_between_the_corners_of_the_table():
    # Torque from 420 N m at 6000 rpm down to 380 N m at 7000 rpm, cut at 6800 rpm where it is 388 N m.
    power, speed = peak_power(read_vehicle(VEHICLE).value.driveline)
    assert power == pytest.approx(388 * 6800 / 60 * 2 * math.pi, rel=1e-6)
    assert speed == pytest.approx(6800 / 60 * 2 * math.pi)
