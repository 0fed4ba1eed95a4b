"""The command ``corner`` from two files, or an earlier lap, to a card."""

import csv
import hashlib
import json
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from lapwright.cli import main as cli
from lapwright.cli.corner import slug

ROOT = Path(__file__).parents[2]
FEN, BOWL, RISE = (ROOT / "tracks" / f"{name}.yaml" for name in ("marrow-fen", "tarn-bowl", "gannet-rise"))
COUPE, TEACHING = (ROOT / "vehicles" / f"{name}.yaml" for name in ("cup-coupe", "teaching-car"))


def run(capsys, *words):
    status = cli.main(["corner", *map(str, words)])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


@pytest.fixture(scope="module")
def lap(tmp_path_factory):
    folder = tmp_path_factory.mktemp("laps") / "fen"
    assert (
        cli.main(["lap", str(FEN), str(COUPE), "--out", str(folder), "--no-figures", "--quiet", "--json"])
        == 0
    )
    return folder


@pytest.fixture(scope="module")
def gate(lap, tmp_path_factory):
    folder = tmp_path_factory.mktemp("cards") / "gate"
    words = ["corner", str(FEN), str(COUPE), "gate", "--lap", str(lap), "--out", str(folder), "--quiet"]
    assert cli.main(words) == 0
    return folder


def trace(path):
    with path.open(encoding="ascii") as file:
        return list(csv.DictReader(file))


def test_everything_is_in_the_folder(gate):
    names = {path.name for path in gate.iterdir()}
    assert names == {
        "card.md", "card.json", "card.png", "card.pdf", "target.csv", "target-learner.csv", "checksums.sha256",
    }  # fmt: skip
    for line in (gate / "checksums.sha256").read_text().splitlines():
        assert hashlib.sha256((gate / line[66:]).read_bytes()).hexdigest() == line[:64]


def test_the_target_is_the_section_in_steps_of_a_metre(gate):
    rows = trace(gate / "target.csv")
    content = json.loads((gate / "card.json").read_text())
    stations = np.array([float(row["distance_m"]) for row in rows])
    assert np.all(np.diff(stations) <= 1.001) and np.all(np.diff(stations) > 0.9)
    section = content["corner"]["section"]
    assert stations[0] == pytest.approx(section["start_m"], abs=0.01)
    assert float(rows[-1]["time_s"]) - float(rows[0]["time_s"]) == pytest.approx(section["time_s"], abs=1e-3)


def test_a_learner_brakes_earlier_and_slows_down_more(gate):
    """Slower feet and hands and a margin of 5 %: common practice, and the point of the file."""

    def first_braking(rows):
        return next(float(row["distance_m"]) for row in rows if float(row["brake"]) >= 0.05)

    driver, learner = trace(gate / "target.csv"), trace(gate / "target-learner.csv")
    assert first_braking(learner) < first_braking(driver) - 3.0
    slowest = [min(float(row["speed_mps"]) for row in rows) for rows in (learner, driver)]
    assert slowest[0] < slowest[1] - 0.3


def test_the_words_have_the_numbers_of_the_record(gate):
    content = json.loads((gate / "card.json").read_text())
    text = (gate / "card.md").read_text()
    assert content["status"] == "solved" and list(content)[:2] == ["status", "lap_time_s"]
    assert content["options"]["name"] == "gate"
    brake = content["corner"]["brake"]
    assert f"{brake['before_turn_in_m']:.0f} m before turn-in" in text
    assert "promise" in text and "promise" in content["caution"]


def test_json_is_one_object_and_nothing_else(capsys, lap):
    status, out, err = run(capsys, FEN, COUPE, "Heron", "--lap", lap, "--json")
    assert status == 0 and err == ""
    content = json.loads(out)
    assert content["corner"]["corner"]["entry"] == "flat"


def test_an_unknown_corner_is_answered_with_the_nearest_and_with_all(capsys, lap):
    status, out, err = run(capsys, FEN, COUPE, "Windmil", "--lap", lap)
    assert status == 2 and out == ""
    assert "no corner Windmil; did you mean Windmill" in err
    assert "Gate" in err and "Long Acre" in err


def test_faults_of_the_options_come_all_at_once(capsys, lap):
    words = (
        FEN,
        COUPE,
        "Gate",
        "--all",
        "--mesh-m",
        "9",
        "--lap",
        lap,
        "--grip-margin",
        "0.1",
        "--start-speed-mps",
        "3",
    )
    status, _, err = run(capsys, *words)
    assert status == 2
    assert len(err.splitlines()) == 4
    for said in (
        "--all makes every corner",
        "--mesh-m is 9",
        "--grip-margin belongs",
        "--start-speed-mps belongs",
    ):
        assert said in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "which corner"),
        (("Gate", "--slower-foot", "0.5"), "foot is 0.5"),
        (("Gate", "--learner-margin", "0.9"), "margin is 0.9"),
        (("Gate", "--lap", "no-such-folder"), "is no folder"),
        (("Gate", "--mesh", "1"), "did you mean --mesh-m"),
    ],
)
def test_a_fault_is_a_sentence(capsys, words, said):
    try:
        status, _, err = run(capsys, FEN, COUPE, *words)
    except SystemExit as ended:
        status, err = ended.code, capsys.readouterr().err
    assert status == 2 and said in err and "Traceback" not in err


def test_an_existing_folder_is_refused_before_any_work(capsys, tmp_path, lap):
    began = time.perf_counter()
    status, _, err = run(capsys, FEN, COUPE, "Gate", "--lap", lap, "--out", tmp_path)
    assert status == 2 and "exists already" in err
    assert time.perf_counter() - began < 1.0


def test_an_open_road_needs_a_speed(capsys):
    status, _, err = run(capsys, RISE, TEACHING, "Mill")
    assert status == 2 and "--start-speed-mps" in err


def test_a_booklet_has_a_folder_for_every_corner(capsys, tmp_path):
    status, out, _ = run(capsys, BOWL, TEACHING, "--all", "--no-figures", "--out", tmp_path / "booklet")
    assert status == 0
    folders = sorted(path.name for path in (tmp_path / "booklet").iterdir() if path.is_dir())
    content = json.loads((tmp_path / "booklet" / "booklet.json").read_text())
    names = [corner["corner"]["name"] for corner in content["corners"]]
    assert folders == [f"{i:02d}-{slug(name)}" for i, name in enumerate(names, start=1)]
    assert len(names) == 3 and all(name in out for name in names)
    # A point mass may change its force at once: every habit and mistake has an answer, on the road or off it.
    statuses = [mistake["status"] for corner in content["corners"] for mistake in corner["mistakes"]]
    assert len(statuses) > 20 and "not solved" not in statuses
    text = (tmp_path / "booklet" / "booklet.md").read_text()
    assert all(name in text for name in names)
    for folder in folders:
        assert {"card.md", "card.json", "target.csv"} <= {
            p.name for p in (tmp_path / "booklet" / folder).iterdir()
        }
        assert not (tmp_path / "booklet" / folder / "target-learner.csv").exists()


def test_ctrl_c_leaves_nothing(tmp_path, lap):
    line = [
        sys.executable,
        "-m",
        "lapwright",
        "corner",
        FEN,
        COUPE,
        "--all",
        "--lap",
        lap,
        "--out",
        tmp_path / "cards",
    ]
    process = subprocess.Popen(
        list(map(str, line)), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    time.sleep(3.0)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert out == "" and err.strip() == "interrupted"
    assert list(tmp_path.iterdir()) == []


def test_names_of_folders():
    assert slug("Long Acre") == "long-acre"
    assert slug("Kurve 3 / Süd") == "kurve-3-sud"
    assert slug("???") == "corner"
    assert re.fullmatch(r"[a-z0-9-]+", slug("../../etc"))
