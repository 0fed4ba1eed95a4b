"""The command ``lap``: motion in the files, options, ends of open roads, what it refuses, interrupts."""

import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import yaml

from lapwright.cli import main as cli

ROOT = Path(__file__).parents[2]
G = 9.80665
"""ISO 80000-3."""

RING = """\
name: Ring
closed: true
centreline:
  elements:
    - straight_m: 80
    - {radius_m: 25, angle_deg: 180, turn: left}
    - straight_m: 80
    - {radius_m: 25, angle_deg: 180, turn: left}
width_m: 9
"""
LANE = """\
name: Lane
closed: false
centreline:
  elements:
    - straight_m: 60
    - {radius_m: 20, angle_deg: 90, turn: right}
    - straight_m: 60
width_m: 9
"""
POINT = "name: Point\nmodel: friction_circle\ngrip_g: 1.2\npower_kW: 150\nmass_kg: 1200\ndrag_area_m2: 0.8\n"


def read(path):
    """A trace by its header, read with nothing of the program's."""
    lines = path.read_bytes().decode("ascii").splitlines()
    header = lines[0].split(",")
    rows = [line.split(",") for line in lines[1:]]
    assert all(len(row) == len(header) for row in rows)
    table = dict(zip(header, zip(*rows, strict=True), strict=True))
    return {
        name: np.array(column) if name == "limiting_axle" else np.array(column, dtype=float)
        for name, column in table.items()
    }


def command(*arguments):
    return [sys.executable, "-m", "lapwright", *map(str, arguments)]


@pytest.fixture
def files(tmp_path):
    for name, text in (("ring", RING), ("lane", LANE), ("point", POINT)):
        (tmp_path / f"{name}.yaml").write_text(text)
    names = {name: str(tmp_path / f"{name}.yaml") for name in ("ring", "lane", "point")}
    return SimpleNamespace(folder=tmp_path, **names)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A shipped car on the ring, in a process of its own with its output in pipes."""
    folder = tmp_path_factory.mktemp("lap")
    (folder / "ring.yaml").write_text(RING)
    out = folder / "out"
    files = (folder / "ring.yaml", ROOT / "vehicles/touring-saloon.yaml")
    done = subprocess.run(
        command("lap", *files, "--out", out, "--no-figures"), capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr
    summary = json.loads((out / "summary.json").read_text())
    return SimpleNamespace(done=done, out=out, summary=summary, target=read(out / "target.csv"))


def test_a_pipe_gets_the_table_and_nothing_else(whole):
    assert whole.done.stderr == ""
    text = whole.done.stdout
    assert text.isascii()
    assert "\x1b" not in text and "\r" not in text
    assert "Ring" in text and "Lap time" in text
    assert f"Written to {whole.out}" in text
    assert max(map(len, text.splitlines()[:-1])) <= 120


def test_the_lap_joins_itself(whole):
    target, summary = whole.target, whole.summary
    assert target["distance_m"][0] == 0.0
    assert target["distance_m"][-1] == pytest.approx(summary["track"]["length_m"], abs=1e-3)
    assert np.all(np.diff(target["distance_m"]) > 0.0) and np.all(np.diff(target["time_s"]) > 0.0)
    for name in (
        "x_m",
        "y_m",
        "z_m",
        "lateral_offset_m",
        "speed_mps",
        "brake",
        "throttle",
        "steering_wheel_deg",
    ):
        assert target[name][0] == pytest.approx(target[name][-1], abs=2e-3), name


def test_the_rows_are_one_motion(whole):
    """Kinematics: way = speed times time; acceleration across the path = curvature times speed squared."""
    t = whole.target
    chord = np.sqrt(sum(np.diff(t[axis]) ** 2 for axis in ("x_m", "y_m", "z_m")))
    every = np.arange(0, len(chord), 12)
    way = np.add.reduceat(chord, every)
    swept = np.add.reduceat(0.5 * (t["speed_mps"][1:] + t["speed_mps"][:-1]) * np.diff(t["time_s"]), every)
    np.testing.assert_allclose(way, swept, rtol=4e-3)
    np.testing.assert_allclose(t["speed_kmh"], 3.6 * t["speed_mps"], atol=0.01)
    slide = np.radians(t["sideslip_deg"])
    across = t["accel_lat_g"] * np.cos(slide) - t["accel_long_g"] * np.sin(slide)
    np.testing.assert_allclose(across * G, t["curvature_1pm"] * t["speed_mps"] ** 2, atol=0.15)


def test_the_car_keeps_to_road_and_limits(whole):
    t = whole.target
    car = yaml.safe_load((ROOT / "vehicles/touring-saloon.yaml").read_text())
    # A fast lap uses all of the road, and no more.
    assert np.max(np.abs(t["lateral_offset_m"])) == pytest.approx(
        4.5 - 0.5 * car["chassis"]["width_m"], abs=2e-3
    )
    for wheel in ("fl", "fr", "rl", "rr"):
        assert np.all(t[f"load_{wheel}_N"] > 0.0)
        assert np.all((t[f"grip_use_{wheel}"] >= 0.0) & (t[f"grip_use_{wheel}"] <= 1.0))
    # On a level road the four tyres carry weight and downforce, however these are shared.
    aero = car["aero"]
    pressed = 0.5 * aero["air_density_kgm3"] * aero["downforce_area_m2"] * t["speed_mps"] ** 2
    load = sum(t[f"load_{wheel}_N"] for wheel in ("fl", "fr", "rl", "rr"))
    np.testing.assert_allclose(load, car["chassis"]["mass_kg"] * G + pressed, rtol=2e-3)
    # One foot for each pedal, one pedal at a time.
    assert np.all((t["brake"] * t["throttle"]) < 1e-3)


def test_without_out_nothing_is_written(files, capsys, monkeypatch):
    monkeypatch.chdir(files.folder)
    before = sorted(files.folder.iterdir())
    assert cli.main(["lap", files.ring, files.point]) == 0
    assert "Lap time" in capsys.readouterr().out
    assert sorted(files.folder.iterdir()) == before


def test_force_costs_nobody_their_files(files, capsys):
    out = files.folder / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("years")
    assert cli.main(["lap", files.ring, files.point, "--out", str(out), "--force"]) == 2
    assert "thesis.txt" in capsys.readouterr().err
    assert (out / "thesis.txt").read_text() == "years"


def test_options_reach_the_solver(files, capsys):
    seen = {}
    for name, more in {
        "plain": [],
        "even": ["--even-mesh", "--mesh-m", "2"],
        "cubic": ["--degree", "3"],
        "margin": ["--grip-margin", "0.1"],
    }.items():
        assert cli.main(["lap", files.ring, files.point, "--json", *more]) == 0
        seen[name] = json.loads(capsys.readouterr().out)
    assert seen["even"]["solver"]["stages"][0]["name"] == "even mesh"
    assert seen["even"]["intervals"] >= seen["even"]["track"]["length_m"] / 2.0
    assert seen["cubic"]["options"]["degree"] == 3
    size, intervals = seen["cubic"]["solver"]["unknowns"], seen["cubic"]["intervals"]
    assert size == 3 * intervals * (3 + 2)
    for name in ("even", "cubic"):
        assert seen[name]["lap_time_s"] == pytest.approx(seen["plain"]["lap_time_s"], abs=5e-3)
    # In a bend of one radius v^2 = mu g R: a tenth less grip costs about 5 % of the time in it.
    assert 1.02 < seen["margin"]["lap_time_s"] / seen["plain"]["lap_time_s"] < 1.06


def test_an_open_road_with_its_ends(files, capsys):
    ends = [
        "--start-speed-mps", "18", "--start-offset-m", "1.5", "--start-heading-deg", "-6",
        "--end-speed-mps", "15", "--end-offset-m", "-2", "--end-heading-deg", "8",
    ]  # fmt: skip
    out = files.folder / "out"
    assert cli.main(["lap", files.lane, files.point, "--out", str(out), "--no-figures", *ends]) == 0
    t = read(out / "target.csv")
    assert (t["speed_mps"][0], t["lateral_offset_m"][0]) == pytest.approx((18.0, 1.5), abs=1e-3)
    assert (t["speed_mps"][-1], t["lateral_offset_m"][-1]) == pytest.approx((15.0, -2.0), abs=1e-3)
    # The first metres are a straight along x; the last point down the road that has turned right by 90 degrees.
    way = np.arctan2(np.diff(t["y_m"][:2]), np.diff(t["x_m"][:2]))
    assert np.degrees(way[0]) == pytest.approx(-6.0, abs=2.5)
    last = np.arctan2(np.diff(t["y_m"][-2:]), np.diff(t["x_m"][-2:]))
    assert np.degrees(last[0]) == pytest.approx(-90.0 + 8.0, abs=2.5)


@pytest.mark.parametrize(
    ("road", "arguments", "words"),
    [
        ("lane", [], ["--start-speed-mps"]),
        ("lane", ["--start-speed-mps", "500"], ["500 m/s", "0.5 to 130"]),
        ("lane", ["--start-speed-mps", "20", "--start-offset-m", "6"], ["6 m", "-4.50 to 4.50 m"]),
        ("lane", ["--start-speed-mps", "20", "--end-heading-deg", "120"], ["120 deg"]),
        ("ring", ["--start-speed-mps", "20"], ["closed circuit"]),
        ("ring", ["--mesh-m", "0.01"], ["0.25 to 50 m"]),
        ("ring", ["--mesh-m", "nan"], ["0.25 to 50 m"]),
        ("ring", ["--degree", "9", "--tolerance-s", "-1"], ["1 to 5", "positive"]),
        ("ring", ["--degree", "two"], ["two"]),
        ("ring", ["--grip-margin", "5"], ["0 to 0.5"]),
        ("ring", ["--max-iterations", "0"], ["max_iterations is 0", "at least 1"]),
        ("ring", ["--max-iterations", "-3"], ["max_iterations is -3"]),
        ("ring", ["--meshm", "5"], ["--meshm", "--mesh-m"]),
    ],
)
def test_what_cannot_be_asked(files, capsys, road, arguments, words):
    out = files.folder / "out"
    try:
        status = cli.main(["lap", getattr(files, road), files.point, "--out", str(out), *arguments])
    except SystemExit as ended:
        status = ended.code
    text = capsys.readouterr().err
    assert status == 2
    assert not out.exists()
    assert "Traceback" not in text
    for word in words:
        assert word in text


def test_no_way_through_ends_with_three_and_no_folder(files):
    out = files.folder / "out"
    done = subprocess.run(
        command("lap", files.lane, files.point, "--start-speed-mps", 60, "--out", out, "--json"),
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert done.returncode == 3
    told = json.loads(done.stdout)
    assert told["status"] == "no solution"
    assert told["faults"][0]["message"] == done.stderr.strip()
    assert "Worst at" in done.stderr and "--start-speed-mps" in done.stderr
    assert not out.exists()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "termination"])
def test_interrupted_in_the_middle_of_a_solve(tmp_path, number):
    """Standard error is a terminal here, whose line of progress says when the solver is at work."""
    pty = pytest.importorskip("pty", reason="needs a pseudo-terminal")
    out = tmp_path / "out"
    master, slave = pty.openpty()
    process = subprocess.Popen(
        command("lap", ROOT / "tracks/marrow-fen.yaml", ROOT / "vehicles/cup-coupe.yaml", "--out", out),
        stdout=subprocess.PIPE, stderr=slave, text=True,
    )  # fmt: skip
    os.close(slave)
    try:
        seen = _until(master, r"iteration [1-9]", 120.0)
        assert "coarse mesh" in seen
        began = time.perf_counter()
        process.send_signal(number)
        printed, _ = process.communicate(timeout=60)
        took = time.perf_counter() - began
        rest = _until(master, "interrupted", 1.0)
    finally:
        process.kill()
        os.close(master)
    assert process.returncode == 130
    assert "interrupted" in rest and "Traceback" not in rest
    assert printed == ""
    assert took < 4.0
    assert list(tmp_path.iterdir()) == []


def _until(descriptor, pattern, seconds):
    """What a terminal shows until a pattern is met, or the time is up."""
    seen, end = "", time.perf_counter() + seconds
    while not re.search(pattern, seen) and time.perf_counter() < end:
        if select.select([descriptor], [], [], 0.2)[0]:
            try:
                seen += os.read(descriptor, 65536).decode()
            except OSError:  # Linux: nobody holds the other end any more
                break
    return seen
