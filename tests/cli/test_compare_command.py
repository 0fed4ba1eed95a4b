"""The command ``compare`` from end to end, on the logs that ship."""

from __future__ import annotations

import csv
import json
import subprocess
from functools import cache
from pathlib import Path

import pytest

from lapwright.cli.main import main
from lapwright.inputs.files import load_vehicle
from lapwright.outputs.compare_keys import explained, written

ROOT = Path(__file__).parents[2]
TRACK, VEHICLE, LOGS = (
    ROOT / "tracks" / "marrow-fen.yaml",
    ROOT / "vehicles" / "cup-coupe.yaml",
    ROOT / "examples" / "logs",
)


@pytest.fixture(scope="module")
def lap_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lap") / "lap"
    assert main(["lap", str(TRACK), str(VEHICLE), "--out", str(folder), "--no-figures", "--quiet"]) == 0
    return folder


@cache
def _done(folder, out, *more):
    args = [
        "compare",
        str(TRACK),
        str(VEHICLE),
        *more,
        "--lap",
        str(folder),
        "--out",
        str(out),
        "--quiet",
        "--no-figures",
    ]
    return main(args)


@pytest.fixture(scope="module")
def result(lap_folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("compare") / "two"
    fitted = out.parent / "fitted.yaml"
    logs = (str(LOGS / "wren-lap.csv"), str(LOGS / "osei-two-laps.csv"))
    assert _done(lap_folder, out, *logs, "--fit-car", str(fitted)) == 0
    return out, fitted


def test_the_folder_is_whole(result):
    out, _ = result
    names = {path.name for path in out.iterdir()}
    assert names == {"report.html", "compare.json", "corners.csv", "aligned.csv", "checksums.sha256"}
    assert (
        subprocess.run(
            ["sha256sum", "-c", "checksums.sha256"], cwd=out, capture_output=True, check=False
        ).returncode
        == 0
    )


def test_every_key_of_the_record_is_explained(result):
    record = json.loads((result[0] / "compare.json").read_text())
    head = {
        "status",
        "lap_time_s",
        "baseline_lap_time_s",
        "mesh_error_s",
        "intervals",
        "iterations",
        "solve_time_s",
    }
    common = {"wall_time_s", "options", "inputs", "versions", "caution"}
    for path in written(record):
        assert path.split(".")[0].split("[")[0] in head | common or explained(path), path


def test_sums_of_the_record_and_of_the_table(result):
    record = json.loads((result[0] / "compare.json").read_text())
    with (result[0] / "corners.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    for driver in record["drivers"]:
        own = [row for row in rows if row["driver"] == driver["name"] and row["kind"] != "phase"]
        for key in ("difference_s", "line_s", "inputs_s"):
            assert sum(part[key] for part in driver["parts"]) == pytest.approx(driver[key], abs=1e-3)
            assert sum(float(row[key]) for row in own) == pytest.approx(driver[key], abs=1e-3)
        assert driver["difference_s"] == pytest.approx(
            driver["lap_time_s"] - record["reference"]["lap_time_s"], abs=1e-3
        )
        for corner in (part for part in driver["parts"] if part["kind"] == "corner"):
            total = sum(phase["difference_s"] for phase in corner["phases"])
            assert total == pytest.approx(corner["difference_s"], abs=1e-3)


def test_aligned_rows_stand_on_one_grid(result):
    with (result[0] / "aligned.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    stations = [float(row["distance_m"]) for row in rows]
    assert stations == sorted(stations) and stations[0] == 0.0
    record = json.loads((result[0] / "compare.json").read_text())
    for number, driver in enumerate(record["drivers"], 1):
        assert float(rows[-1][f"driver_{number}_difference_s"]) == pytest.approx(
            driver["difference_s"], abs=1e-3
        )
        assert float(rows[-1][f"driver_{number}_time_s"]) == pytest.approx(driver["lap_time_s"], abs=1e-3)


def test_the_fitted_car_loads_and_says_from_what(result):
    _, fitted = result
    assert load_vehicle(fitted).name == "Cup coupe (fitted)"
    assert "wren-lap.csv" in fitted.read_text()


def test_the_reference_itself_is_told_to_have_nothing(lap_folder, capsys):
    args = [
        "compare",
        str(TRACK),
        str(VEHICLE),
        str(LOGS / "reference-lap.csv"),
        "--lap",
        str(lap_folder),
        "--json",
    ]
    assert main(args) == 0
    record = json.loads(capsys.readouterr().out)
    driver = record["drivers"][0]
    assert abs(driver["difference_s"]) < 0.01
    assert driver["findings"] == [] and driver["try_next"] == []


def test_words_on_the_terminal(lap_folder, capsys):
    args = [
        "compare",
        str(TRACK),
        str(VEHICLE),
        str(LOGS / "osei-two-laps-switch.csv"),
        "--lap",
        str(lap_folder),
        "--lap-number",
        "2",
    ]
    assert main(args) == 0
    told = capsys.readouterr().out
    for words in (
        "Try this next",
        "osei-two-laps-switch, lap 2",
        "only known to be on or off",
        "Caution: A model's answer",
        "nothing is said about the hands",
    ):
        assert words in " ".join(told.split()), words
    assert max(len(line) for line in told.splitlines()) <= 120


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["missing.csv"], "there is no such file"),
        ([str(TRACK)], "marrow-fen.yaml"),
        ([str(LOGS / "wren-lap.csv"), "--lap-number", "9"], "there is no lap 9"),
        ([str(LOGS / "wren-lap.csv"), "--lap-number", "1"], "lap 1 cannot be compared"),
        ([str(LOGS / "wren-lap.csv"), "--priced", "3"], "at least 10"),
        ([str(LOGS / "wren-lap.csv"), "--map", "a", "--map", "b"], "once for all, or once for each"),
        ([str(LOGS / "wren-lap.csv"), "--map", "missing.yaml"], "missing.yaml"),
    ],
)
def test_mistakes_are_told_in_sentences(more, words, lap_folder, capsys):
    status = main(["compare", str(TRACK), str(VEHICLE), *more, "--lap", str(lap_folder)])
    told = capsys.readouterr()
    assert status == 2 and words in told.err and "Traceback" not in told.err and told.out == ""


def test_a_map_is_proposed_and_taken(lap_folder, tmp_path, capsys):
    made = tmp_path / "map.yaml"
    log = str(LOGS / "wren-lap-semicolons.csv")
    assert main(["compare", str(TRACK), str(VEHICLE), log, "--write-map", str(made)]) in (0, 2)
    capsys.readouterr()
    args = [
        "compare",
        str(TRACK),
        str(VEHICLE),
        log,
        "--map",
        str(made),
        "--lap",
        str(lap_folder),
        "--json",
        "--quiet",
    ]
    assert main(args) == 0
    driver = json.loads(capsys.readouterr().out)["drivers"][0]
    assert {"brake", "throttle", "steering", "line"} <= set(driver["have"])
    keys = {(one["corner"], one["key"]) for one in driver["findings"] + driver["along"] + driver["style"]}
    assert ("Gate", "release_steps") in keys
    # It is not written over.
    assert main(["compare", str(TRACK), str(VEHICLE), log, "--write-map", str(made)]) == 2
