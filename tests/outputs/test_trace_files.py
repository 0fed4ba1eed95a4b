"""Trace files: the agreed columns, plain text, and the way back."""

import re
from dataclasses import replace

import numpy as np
import pytest

from lapwright.errors import InputError
from lapwright.outputs.channels import CHANNELS, COLUMNS
from lapwright.outputs.traces import read_trace, trace_text, write_trace

AGREED = (
    "distance_m,time_s,x_m,y_m,z_m,lateral_offset_m,curvature_1pm,speed_mps,speed_kmh,brake,brake_pressure_bar,throttle,"
    "steering_wheel_deg,gear,engine_rpm,accel_long_g,accel_lat_g,yaw_rate_dps,sideslip_deg,slip_angle_front_deg,"
    "slip_angle_rear_deg,load_fl_N,load_fr_N,load_rl_N,load_rr_N,grip_use_fl,grip_use_fr,grip_use_rl,grip_use_rr,"
    "grip_use_front,grip_use_rear,limiting_axle"
)
"""The columns that the README promises, in this order; scripts of users depend on them."""


def test_columns_and_their_order(lap):
    text = trace_text(lap)
    assert text.splitlines()[0] == AGREED == ",".join(COLUMNS)
    assert text.count("distance_m") == 1


def test_plain_text(lap, tmp_path):
    write_trace(tmp_path / "target.csv", lap)
    data = (tmp_path / "target.csv").read_bytes()
    data.decode("ascii")
    assert b"\r" not in data and b" " not in data and b"nan" not in data and data.endswith(b"\n")
    assert data.count(b"\n") == lap.s.size + 1
    assert not re.search(rb",-0(\.0*)?[,\n]", data), "minus nothing"


def test_units_of_known_values(lap):
    """90 km/h = 25 m/s, 1 bar = 1e5 Pa (SI Brochure), 1 g = 9.80665 m/s2 (CGPM 1901), 60 rpm = 2 pi rad/s."""
    two = replace(
        lap,
        **{
            name: np.full(lap.s.size, value)
            for name, value in {
                "speed": 25.0,
                "brake_pressure": 73.25e5,
                "accel_long": -9.80665,
                "accel_lat": 2 * 9.80665,
                "engine_speed": 2 * np.pi * 100,
                "steering_wheel": np.pi / 2,
                "yaw_rate": np.pi / 6,
                "slip_angle_front": np.pi / 45,
                "sideslip": -np.pi / 90,
            }.items()
        },
    )
    row = dict(zip(COLUMNS, trace_text(two).splitlines()[1].split(","), strict=True))
    assert row["speed_mps"] == "25.000" and row["speed_kmh"] == "90.00"
    assert row["brake_pressure_bar"] == "73.25"
    assert (row["accel_long_g"], row["accel_lat_g"]) == ("-1.0000", "2.0000")
    assert row["engine_rpm"] == "6000"
    assert (row["steering_wheel_deg"], row["yaw_rate_dps"]) == ("90.000", "30.000")
    assert (row["slip_angle_front_deg"], row["sideslip_deg"]) == ("4.0000", "-2.0000")


def test_the_way_back(lap, tmp_path):
    path = tmp_path / "target.csv"
    write_trace(path, lap)
    columns = read_trace(path)
    assert tuple(columns) == COLUMNS
    for channel in CHANNELS:
        written = channel.value(lap)
        if channel.decimals is None:
            assert list(columns[channel.name]) == list(written)
        else:
            half = 0.5001 * 10.0**-channel.decimals
            np.testing.assert_allclose(
                columns[channel.name], written, rtol=0, atol=half, err_msg=channel.name
            )


def test_numpy_reads_it_too(lap, tmp_path):
    """A general reader (numpy.genfromtxt) finds the same numbers."""
    path = tmp_path / "target.csv"
    write_trace(path, lap)
    table = np.genfromtxt(path, delimiter=",", names=True, dtype=None, encoding="ascii")
    np.testing.assert_allclose(table["speed_mps"], lap.speed, atol=6e-4)


def test_rounding_keeps_the_pedals_exact_enough(lap, tmp_path):
    """Half a step of the last decimal is under a thousandth of a percent of pedal and of a degree at the
    wheel."""
    decimals = {channel.name: channel.decimals for channel in CHANNELS}
    assert decimals["brake"] >= 5 and decimals["throttle"] >= 5 and decimals["steering_wheel_deg"] >= 3


def test_what_is_not_a_number_is_left_empty(lap, tmp_path):
    slip = np.full(lap.s.size, np.nan)
    path = tmp_path / "target.csv"
    write_trace(path, replace(lap, slip_angle_front=slip))
    assert np.all(np.isnan(read_trace(path)["slip_angle_front_deg"]))


def damaged(lap, tmp_path, edit):
    lines = trace_text(lap).splitlines()[:6]
    edit(lines)
    path = tmp_path / "target.csv"
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(InputError) as caught:
        read_trace(path)
    return [str(fault) for fault in caught.value.faults], str(path)


def test_every_damage_is_reported_with_its_place(lap, tmp_path):
    def edit(lines):
        row = lines[2].split(",")
        row[7] = "12,5".replace(",", "x")
        row[-1] = "middle"
        lines[2] = ",".join(row)
        lines[4] = lines[4].rsplit(",", 1)[0]

    faults, path = damaged(lap, tmp_path, edit)
    assert faults == [
        f"{path}:3: speed_mps (field 8): '12x5' is not a number",
        f"{path}:3: limiting_axle (field 32): 'middle' is not one of front, rear, both, none",
        f"{path}:5: has 31 fields where the header names 32",
    ]


def test_missing_and_double_columns(lap, tmp_path):
    def edit(lines):
        lines[0] = lines[0].replace("gear,", "brake,")

    faults, path = damaged(lap, tmp_path, edit)
    assert faults == [f"{path}:1: column gear is missing", f"{path}:1: column brake is there twice"]


@pytest.mark.parametrize("data", [b"", b"\xff\xfe\x00\x00"])
def test_files_that_are_no_text(data, tmp_path):
    path = tmp_path / "target.csv"
    path.write_bytes(data)
    with pytest.raises(InputError, match=r"target\.csv"):
        read_trace(path)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_trace(tmp_path / "none.csv")


def test_numbers_are_spelled_as_python_spells_them(lap):
    """Against the % operator of the language on numbers rounded half to even; minus nothing loses its sign."""
    x = lap.x.copy()
    words = "0 -0 -0.0004 -0.0006 0.0005 0.0015 -1 9.9995 9.9994 12345678.1235 -0.25 7e14 -3e22"
    awkward = [float(word) for word in words.split()]
    x[: len(awkward)] = awkward
    x[len(awkward)] = np.nan
    for values in (x, np.clip(x, -1e9, 1e9)):
        column = [row.split(",")[2] for row in trace_text(replace(lap, x=values)).splitlines()[1:]]
        rounded = np.round(values, 3) + 0.0
        assert column == ["%.3f" % v if np.isfinite(v) else "" for v in rounded.tolist()]  # noqa: UP031
