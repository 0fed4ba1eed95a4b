"""The command balance from end to end: files, JSON, the best setup as a vehicle file, and every kind of fault."""

import json
from pathlib import Path

import pytest

from lapwright.cli.main import main
from lapwright.inputs.files import load_track, load_vehicle
from lapwright.quantities import CAUTION
from lapwright.reference.solve import solve_lap

ROOT = Path(__file__).resolve().parents[2]
TRACK, CAR = str(ROOT / "tracks" / "tarn-bowl.yaml"), str(ROOT / "vehicles" / "cup-coupe.yaml")
QUICK = ["--checks", "1", "--no-tyres", "--quiet"]


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    folder = tmp_path_factory.mktemp("balance") / "out"
    words = [
        "balance",
        TRACK,
        CAR,
        *QUICK,
        "--best",
        "aero.downforce_front_share=0.30:0.42",
        "--no-figures",
        "--out",
        str(folder),
    ]
    assert main(words) == 0
    return folder


def test_every_file_is_there_and_whole(result):
    names = {path.name for path in result.iterdir()}
    assert {"balance.json", "effects.csv", "entries.csv", "best-vehicle.yaml", "checksums.sha256"} <= names
    assert any(name.startswith("entry-") for name in names)


def test_the_json_says_what_was_asked_and_found(result):
    told = json.loads((result / "balance.json").read_text(encoding="ascii"))
    assert list(told)[:3] == ["status", "lap_time_s", "baseline_lap_time_s"]
    assert told["status"] == "solved"
    assert told["caution"] == CAUTION
    assert told["options"]["checks"] == 1
    assert set(told["inputs"]) == {"track", "vehicle"}
    assert told["effects"] and told["entries"] and told["best"]


def test_the_best_setup_is_a_vehicle_file_that_is_quicker(result):
    told = json.loads((result / "balance.json").read_text(encoding="ascii"))
    best = load_vehicle(result / "best-vehicle.yaml")
    assert 0.30 <= best.aero.downforce_front_share <= 0.42
    lap = solve_lap(load_track(TRACK), best)
    assert lap.time < told["lap_time_s"]
    assert lap.time == pytest.approx(told["best"]["after_s"], abs=3e-3)


def test_a_second_run_into_the_same_folder_is_refused(result, capsys):
    before = sorted(path.stat().st_mtime_ns for path in result.iterdir())
    assert main(["balance", TRACK, CAR, *QUICK, "--out", str(result)]) == 2
    assert "--force" in capsys.readouterr().err
    assert sorted(path.stat().st_mtime_ns for path in result.iterdir()) == before


def test_json_alone_on_standard_output(capsys):
    corner = load_track(TRACK).corners[0].name
    words = ["balance", TRACK, CAR, "--checks", "0", "--no-tyres", "--json", "--corner", corner.upper()]
    assert main(words) == 0
    out = capsys.readouterr()
    told = json.loads(out.out)
    assert told["corner"] == corner
    assert [entry["corner"] for entry in told["entries"]] == [corner]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--checks", "-1"], "--checks is -1"),
        (["--cold-grip", "1.2"], "--cold-grip is 1.2"),
        (["--most-doublings", "20"], "say with --best"),
        (["--most-doublings", "0"], "--most-doublings is 0"),
        (["--no-less-stable"], "say with --best"),
        (["--best", "brakes.front_shar"], "did you mean brakes.front_share"),
        (["--best", "brakes.front_share=0.5"], "low:high"),
        (["--best", "brakes.front_share=0.7:0.6"], "the first must be lower"),
        (["--best", "brakes.front_share=0.5:1.4"], "a share is a fraction"),
        (["--best", "driveline.gear_ratios.1=-3:1"], "0.1 to 30"),
        (["--best", ","], "keys of the vehicle file"),
        (["--best", "brakes.front_share,brakes.front_share"], "given twice"),
        (["--corner", "Nowhere"], "has no corner Nowhere"),
    ],
)
def test_what_is_asked_wrongly_is_told_before_any_work(words, told, capsys):
    assert main(["balance", TRACK, CAR, "--quiet", *words]) == 2
    assert told in capsys.readouterr().err


def test_all_faults_of_the_best_setup_at_once(capsys):
    words = ["--best", "brakes.front_shar,chassis.cg_height_m=0.5:0.4,brakes.front_share=0.5:1.4"]
    assert main(["balance", TRACK, CAR, "--quiet", *words]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 3


def test_a_point_has_no_axles_to_balance(capsys):
    teaching = str(ROOT / "vehicles" / "teaching-car.yaml")
    assert main(["balance", TRACK, teaching, "--quiet"]) == 2
    assert "no axles" in capsys.readouterr().err
