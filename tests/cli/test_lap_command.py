"""The command ``lap`` from two files to a folder of results."""

import csv
import hashlib
import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from lapwright.cli import main as cli

ROOT = Path(__file__).parents[2]
YARD = ROOT / "tracks" / "cinder-yard.yaml"
RISE = ROOT / "tracks" / "gannet-rise.yaml"
COUPE = ROOT / "vehicles" / "cup-coupe.yaml"
TEACHING = ROOT / "vehicles" / "teaching-car.yaml"

COLUMNS = [
    "distance_m",
    "time_s",
    "x_m",
    "y_m",
    "z_m",
    "lateral_offset_m",
    "curvature_1pm",
    "speed_mps",
    "speed_kmh",
    "brake",
    "brake_pressure_bar",
    "throttle",
    "steering_wheel_deg",
    "gear",
    "engine_rpm",
    "accel_long_g",
    "accel_lat_g",
    "yaw_rate_dps",
    "sideslip_deg",
    "slip_angle_front_deg",
    "slip_angle_rear_deg",
    "load_fl_N",
    "load_fr_N",
    "load_rl_N",
    "load_rr_N",
    "grip_use_fl",
    "grip_use_fr",
    "grip_use_rl",
    "grip_use_rr",
    "grip_use_front",
    "grip_use_rear",
    "limiting_axle",
]

HEAD = [
    "status",
    "lap_time_s",
    "baseline_lap_time_s",
    "mesh_error_s",
    "intervals",
    "iterations",
    "solve_time_s",
    "wall_time_s",
]


def command(*words):
    """``lapwright`` in a process of its own, both streams in pipes."""
    line = [sys.executable, "-m", "lapwright", *map(str, words)]
    return subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)


@pytest.fixture(scope="module")
def coupe(tmp_path_factory):
    """Cinder Yard with the cup coupe, once for all tests."""
    out = tmp_path_factory.mktemp("lap") / "made" / "on the way"
    process = command("lap", YARD, COUPE, "--out", out, "--no-figures", "--json")
    text, errors = process.communicate(timeout=240)
    return SimpleNamespace(out=out, status=process.returncode, text=text, errors=errors)


def rows(path):
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="ascii"))))


def test_it_ends_well_and_says_nothing_on_the_side(coupe):
    assert coupe.status == 0
    assert coupe.errors == ""


def test_standard_output_is_one_json_object(coupe):
    found = json.loads(coupe.text)
    kept = json.loads((coupe.out / "summary.json").read_text())
    # Written a moment earlier than printed.
    assert {k: v for k, v in found.items() if k != "wall_time_s"} == {
        k: v for k, v in kept.items() if k != "wall_time_s"
    }


def test_the_files_and_nothing_else(coupe):
    assert {path.name for path in coupe.out.iterdir()} == {
        "target.csv",
        "baseline.csv",
        "corners.csv",
        "solver.txt",
        "solution.npz",
        "summary.json",
        "checksums.sha256",
    }
    assert [path.name for path in coupe.out.parent.iterdir()] == [coupe.out.name]


def test_the_checksums_hold(coupe):
    lines = (coupe.out / "checksums.sha256").read_text().splitlines()
    assert len(lines) == 6
    for line in lines:
        total, name = line.split("  ")
        assert hashlib.sha256((coupe.out / name).read_bytes()).hexdigest() == total


@pytest.mark.parametrize("name", ["target.csv", "baseline.csv"])
def test_columns(coupe, name):
    header = (coupe.out / name).read_text(encoding="ascii").splitlines()[0]
    assert header.split(",") == COLUMNS


def test_the_target_agrees_with_itself(coupe):
    """Distance, time, speed and position of the same car, each worked out from the others."""
    table = rows(coupe.out / "target.csv")
    summary = json.loads(coupe.text)
    column = {name: np.array([float(row[name]) for row in table]) for name in COLUMNS[:-1]}
    assert np.all(np.diff(column["distance_m"]) > 0.0)
    assert np.all(np.diff(column["time_s"]) > 0.0)
    assert column["time_s"][0] == 0.0
    assert column["time_s"][-1] == pytest.approx(summary["lap_time_s"], abs=1e-3)
    assert column["distance_m"][-1] == pytest.approx(summary["track"]["length_m"], abs=1e-3)
    np.testing.assert_allclose(column["speed_kmh"], 3.6 * column["speed_mps"], atol=7e-3)  # two roundings
    way = np.sqrt(sum(np.diff(column[axis]) ** 2 for axis in ("x_m", "y_m", "z_m")))
    driven = 0.5 * (column["speed_mps"][1:] + column["speed_mps"][:-1]) * np.diff(column["time_s"])
    # Chords against arcs of a few metres.
    assert driven.sum() == pytest.approx(way.sum(), rel=2e-3)
    for name in ("brake", "throttle"):
        assert column[name].min() >= 0.0
        # The two pedals pass into each other smoothly, which lifts the ends by some 1e-5.
        assert column[name].max() <= 1.0
    assert column["brake"].max() > 0.2
    assert column["throttle"].max() > 0.9
    assert {row["limiting_axle"] for row in table} <= {"front", "rear", "both", "none"}
    for name in ("x_m", "y_m", "speed_mps"):
        assert column[name][0] == pytest.approx(column[name][-1], abs=2e-3)


def test_the_head_of_the_summary(coupe):
    summary = json.loads((coupe.out / "summary.json").read_text())
    assert list(summary)[: len(HEAD)] == HEAD
    assert summary["status"] == "solved"
    assert summary["lap_time_s"] < summary["baseline_lap_time_s"]
    assert 0.0 < summary["mesh_error_s"] <= 0.015
    assert summary["intervals"] > 100
    assert summary["iterations"] >= sum(1 for _ in summary["solver"]["stages"])
    assert 0.0 < summary["solve_time_s"] < summary["wall_time_s"]
    assert summary["solver"]["last_barrier"] < 1e-6


def test_the_inputs_can_be_told_again(coupe):
    inputs = json.loads((coupe.out / "summary.json").read_text())["inputs"]
    assert inputs == {
        word: {"file": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
        for word, path in (("track", YARD), ("vehicle", COUPE))
    }


def test_corners(coupe):
    table = rows(coupe.out / "corners.csv")
    assert len(table) >= 8
    assert len(json.loads(coupe.text)["corners"]) == len(table)


def test_an_older_folder_stays_without_force(coupe, capsys):
    before = {path.name: path.read_bytes() for path in coupe.out.iterdir()}
    assert cli.main(["lap", str(YARD), str(TEACHING), "--out", str(coupe.out), "--no-figures"]) == 2
    assert "--force" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in coupe.out.iterdir()} == before


def test_figures_and_force(tmp_path, capsys):
    out = tmp_path / "out"
    args = ["lap", str(YARD), str(TEACHING), "--out", str(out)]
    assert cli.main(args) == 0
    text = capsys.readouterr().out
    assert "Cinder Yard" in text
    assert f"Written to {out}" in text
    pictures = {path.name for path in out.iterdir() if path.suffix in (".png", ".svg", ".pdf")}
    for name in ("map", "traces", "friction", "limits"):
        assert any(picture.startswith(name) for picture in pictures)
    for picture in pictures:
        assert (out / picture).stat().st_size > 5000
    assert cli.main([*args, "--no-figures", "--force", "--quiet"]) == 0
    assert not [path for path in out.iterdir() if path.suffix == ".png"]
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_an_open_road_needs_a_speed_and_takes_one(tmp_path, capsys):
    assert cli.main(["lap", str(RISE), str(TEACHING)]) == 2
    assert "--start-speed-mps" in capsys.readouterr().err
    out = tmp_path / "out"
    args = ["lap", str(RISE), str(TEACHING), "--start-speed-mps", "12", "--out", str(out), "--no-figures"]
    assert cli.main(args) == 0
    table = rows(out / "target.csv")
    assert float(table[0]["speed_mps"]) == pytest.approx(12.0, abs=1e-3)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--start-speed-mps", "20"], "closed circuit"),
        (["--end-offset-m", "1"], "closed circuit"),
        (["--mesh-m", "0.1"], "0.25 to 50 m are allowed"),
        (["--mesh-m", "nan"], "0.25 to 50 m are allowed"),
        (["--mesh-m", "five"], "five"),
        (["--grip-margin", "0.7"], "0 to 0.5"),
        (["--grip-margin", "-0.1"], "0 to 0.5"),
        (["--degree", "9"], "1 to 5 are allowed"),
        (["--tolerance-s", "0"], "must be positive"),
        (["--mesh", "5"], "did you mean --mesh-m?"),
    ],
)
def test_what_cannot_be_meant_is_said(tmp_path, capsys, arguments, words):
    out = tmp_path / "out"
    try:
        status = cli.main(["lap", str(YARD), str(TEACHING), "--out", str(out), *arguments])
    except SystemExit as stop:  # the parser's own way out
        status = stop.code
    captured = capsys.readouterr()
    assert status == 2
    assert words in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""
    assert not out.exists()


def test_faults_of_both_files_come_together(tmp_path, capsys):
    track, car = tmp_path / "bad-track.yaml", tmp_path / "bad-car.yaml"
    track.write_text(YARD.read_text().replace("width_m: 8.0", "width_m: -8.0"))
    car.write_text(TEACHING.read_text().replace("power_kW", "powr_kW"))
    assert cli.main(["lap", str(track), str(car)]) == 2
    lines = capsys.readouterr().err.splitlines()
    for path, text in ((track, "width_m: -8.0"), (car, "powr_kW")):
        number = next(i for i, line in enumerate(path.read_text().splitlines(), 1) if text in line)
        assert any(line.startswith(f"{path}:{number}:") for line in lines)
    assert any("power_kW" in line for line in lines)


def test_missing_files(tmp_path, capsys):
    assert cli.main(["lap", str(tmp_path / "no-track.yaml"), str(tmp_path / "no-car.yaml")]) == 2
    text = capsys.readouterr().err
    assert "no-track.yaml" in text
    assert "no-car.yaml" in text


def test_control_c_in_the_middle_leaves_nothing(tmp_path):
    """Exit status 130, as a shell shows it for SIGINT (common practice of Unix shells: 128 + signal)."""
    out = tmp_path / "results" / "out"
    process = command("lap", YARD, COUPE, "--solver", "ipopt", "--mesh-m", "1.5", "--out", out)
    try:
        # Not before the solver runs: it is inside IPOPT once its library is mapped and time has been spent there.
        wait_for_solver(process.pid)
        process.send_signal(signal.SIGINT)
        began = time.perf_counter()
        text, errors = process.communicate(timeout=30)
        assert time.perf_counter() - began < 2.0
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 130
    assert errors == "interrupted\n"
    assert text == ""
    assert list(tmp_path.iterdir()) == []


def wait_for_solver(pid):
    """Until the process has loaded IPOPT and has worked for two seconds of processor time since."""
    maps, stat = Path(f"/proc/{pid}/maps"), Path(f"/proc/{pid}/stat")
    if not maps.exists():
        pytest.skip("needs /proc to see that the solver is running")
    ticks = os.sysconf("SC_CLK_TCK")

    def worked():
        fields = stat.read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / ticks

    end = time.perf_counter() + 60.0
    while "ipopt" not in maps.read_text():
        assert time.perf_counter() < end
        time.sleep(0.02)
    loaded = worked()
    while worked() < loaded + 2.0:
        assert time.perf_counter() < end
        time.sleep(0.02)
