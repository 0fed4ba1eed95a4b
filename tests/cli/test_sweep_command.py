"""The command ``sweep`` from end to end, on a circuit and a car that ship.

Bytes are compared with bytes: a table that depends on timing, on the number of workers or on a stop would differ in a digit.
Checksums are checked by ``sha256sum`` (GNU coreutils), tables are read by pandas.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from lapwright.cli import sweep
from lapwright.cli.main import main
from lapwright.study.cases import NO_SOLUTION, Answer, CaseResult
from lapwright.study.journal import open_journal

ROOT = Path(__file__).parents[2]
STUDY = """\
name: Shares
circuits: [{root}/tracks/marrow-fen.yaml]
cars: [{root}/vehicles/cup-coupe.yaml]
plan: grid
vary:
  vehicle.brakes.front_share: [{shares}]
  vehicle.chassis.roll_stiffness_front_share: [0.52, 0.6]
corners: [Gate, Heron]
"""
SHARES = "0.6, 0.63, 0.66, 0.69, 0.72"
CASES = 11
"""Ten combinations, and the car as its file has it."""


def _study(folder, shares=SHARES):
    path = folder / "shares.yaml"
    path.write_text(STUDY.format(root=ROOT, shares=shares))
    return path


def _program(*words):
    return subprocess.Popen(
        [sys.executable, "-m", "lapwright", "sweep", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return _study(tmp_path_factory.mktemp("study"))


@pytest.fixture(scope="module")
def result(study, tmp_path_factory):
    out = tmp_path_factory.mktemp("sweep") / "out"
    assert main(["sweep", str(study), "--out", str(out), "--workers", "2", "--no-figures", "--quiet"]) == 0
    return out


def test_the_folder_is_whole(result, study):
    names = {path.name for path in result.iterdir()}
    assert names == {
        "cases.csv",
        "cases.parquet",
        "cases.jsonl",
        "sweep.json",
        "study.yaml",
        "checksums.sha256",
    }
    subprocess.run(["sha256sum", "--check", "--quiet", "checksums.sha256"], cwd=result, check=True)
    assert (result / "study.yaml").read_bytes() == study.read_bytes()
    assert not result.with_name("out.unfinished").exists()
    table = pd.read_csv(result / "cases.csv")
    assert list(table["case"]) == list(range(CASES))
    assert set(table["status"]) == {"solved"}
    typed = pd.read_parquet(result / "cases.parquet")
    assert (typed["lap_time_s"] - table["lap_time_s"]).abs().max() < 1e-4
    record = json.loads((result / "sweep.json").read_text())
    assert record["status"] == "solved"
    assert record["counts"]["solved"] == CASES
    assert record["inputs"]["circuit_1"]["file"] == "marrow-fen.yaml"
    hashed = subprocess.run(["sha256sum", study], capture_output=True, text=True, check=True).stdout.split()[
        0
    ]
    assert record["inputs"]["study"]["sha256"] == hashed


def test_a_result_is_not_replaced_without_force(result, study, capsys):
    assert main(["sweep", str(study), "--out", str(result)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_with_force_what_is_solved_is_not_solved_again(result, study, tmp_path, capsys):
    out = tmp_path / "out"
    shutil.copytree(result, out)
    before = (out / "cases.csv").read_bytes(), (out / "cases.jsonl").read_bytes()
    # Workers could not be started here without an error, so none is.
    assert (
        main(
            [
                "sweep",
                str(study),
                "--out",
                str(out),
                "--force",
                "--scheduler",
                "tcp://127.0.0.1:9",
                "--no-figures",
            ]
        )
        == 0
    )
    assert "11 of 11 cases are solved already" in capsys.readouterr().err
    assert ((out / "cases.csv").read_bytes(), (out / "cases.jsonl").read_bytes()) == before


def test_a_longer_study_solves_what_is_new(result, tmp_path, capsys):
    out = tmp_path / "out"
    shutil.copytree(result, out)
    longer = _study(tmp_path, SHARES + ", 0.74")
    words = ["sweep", str(longer), "--out", str(out), "--force", "--workers", "2", "--no-figures"]
    assert main(words) == 0
    said = capsys.readouterr()
    assert "11 of 13 cases are solved already" in said.err
    assert "13 cases, 13 solved" in said.out
    old, new = ((folder / "cases.jsonl").read_text().splitlines() for folder in (result, out))
    assert new[:CASES] == old
    assert len(new) == CASES + 2


def test_other_corners_are_told_without_solving_again(result, study, tmp_path, capsys):
    out, other = tmp_path / "out", tmp_path / "other.yaml"
    shutil.copytree(result, out)
    other.write_text(study.read_text().replace("[Gate, Heron]", "[Gate, Kiln]"))
    words = ["sweep", str(other), "--out", str(out), "--force", "--scheduler", "tcp://127.0.0.1:9"]
    assert main([*words, "--no-figures"]) == 0
    assert "11 of 11 cases are solved already" in capsys.readouterr().err
    table = pd.read_csv(out / "cases.csv")
    assert table["kiln_time_s"].notna().all()
    assert "heron_time_s" not in table


def test_a_stopped_sweep_goes_on_to_the_same_table(result, study, tmp_path, capsys):
    out = tmp_path / "out"
    program = _program(study, "--out", out, "--workers", "2", "--no-figures")
    journal = tmp_path / "out.unfinished" / "cases.jsonl"
    while program.poll() is None and (not journal.exists() or journal.read_bytes().count(b"\n") < 4):
        time.sleep(0.02)
    program.send_signal(signal.SIGINT)
    _, err = program.communicate(timeout=30)
    assert program.returncode == 130
    assert "Traceback" not in err
    assert f"are kept in {out}.unfinished: the same command goes on from there" in err
    assert not out.exists()
    kept = journal.read_bytes().count(b"\n")
    assert 4 <= kept < CASES
    # With another number of workers, which must not matter.
    assert main(["sweep", str(study), "--out", str(out), "--workers", "1", "--no-figures"]) == 0
    assert f"{kept} of {CASES} cases are solved already" in capsys.readouterr().err
    for name in ("cases.csv", "cases.jsonl"):
        assert (out / name).read_bytes() == (result / name).read_bytes()
    assert not journal.parent.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--workers", "0", "--fresh"], ["--workers is 0: at least 1", "--fresh forgets"]),
        (["--workers", "2", "--scheduler", "tcp://127.0.0.1:1"], ["leave one of them out"]),
    ],
)
def test_faults_of_options_are_told_together(study, words, said, capsys):
    assert main(["sweep", str(study), *words]) == 2
    err = capsys.readouterr().err
    assert all(part in err for part in said)


def test_a_study_that_is_not_there_is_a_sentence(tmp_path, capsys):
    assert main(["sweep", str(tmp_path / "none.yaml"), "--out", str(tmp_path / "out")]) == 2
    assert "none.yaml" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_folder_in_use_is_refused(study, tmp_path, capsys):
    with open_journal(tmp_path / "out.unfinished"):
        assert main(["sweep", str(study), "--out", str(tmp_path / "out")]) == 2
    assert "another sweep is writing here" in capsys.readouterr().err


class _Hopeless:
    """A crew that finds no answer to anything."""

    size = 1

    def __init__(self, study):
        self.study, self.steps = study, []

    def begin(self, steps):
        pass

    def room(self, waiting):
        return waiting

    def give(self, step, starts):
        self.steps.append(step)

    def take(self):
        steps, self.steps = self.steps, []
        words = "there is no way round at 12.5 m"
        return [(s, Answer(CaseResult(self.study.cases[s.case].key, NO_SOLUTION, words))) for s in steps]

    def end(self):
        pass


def test_without_any_answer_the_status_says_so(study, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(sweep, "_crew", lambda args, study: _Hopeless(study))
    assert main(["sweep", str(study), "--out", str(tmp_path / "out"), "--json"]) == 3
    record = json.loads(capsys.readouterr().out)
    assert record["status"] == "no solution"
    assert record["counts"] == {"cases": CASES, "solved": 0, "no_solution": CASES, "fault": 0, "lost": 0}
    assert (tmp_path / "out" / "cases.csv").exists()


def test_durations_are_short_words():
    assert [sweep.duration(s) for s in (0.4, 89.0, 91.0, 7199.0, 7500.0)] == [
        "0 s",
        "89 s",
        "2 min",
        "2 h 00 min",
        "2 h 05 min",
    ]


@pytest.mark.slow
def test_ten_kills_make_the_same_table(result, study, tmp_path):
    out, dice, seen = tmp_path / "out", random.Random(3), set()
    journal = tmp_path / "out.unfinished" / "cases.jsonl"
    for _ in range(10):
        lines = journal.read_bytes().count(b"\n") if journal.exists() else 0
        program = _program(study, "--out", out, "--workers", "2", "--no-figures", "--quiet")
        until = time.monotonic() + 60
        # At a random moment from the start of the program to shortly after the next case.
        if dice.random() < 0.7:
            while program.poll() is None and time.monotonic() < until:
                if journal.exists() and journal.read_bytes().count(b"\n") > min(lines, CASES - 2):
                    break
                time.sleep(0.01)
        time.sleep(0.5 * dice.random())
        program.kill()
        program.communicate()
        assert not out.exists() or program.returncode == 0
        time.sleep(1.0)
        if not out.exists() and journal.exists():
            with open_journal(journal.parent) as opened:
                assert seen <= set(opened.results)
                seen = set(opened.results)
            keys = [json.loads(line)["key"] for line in journal.read_bytes().splitlines()]
            assert len(keys) == len(set(keys)), "a case was solved twice"
        if out.exists():
            break
    else:
        assert main(["sweep", str(study), "--out", str(out), "--no-figures", "--quiet"]) == 0
    assert len(seen) > 2
    for name in ("cases.csv", "cases.jsonl"):
        assert (out / name).read_bytes() == (result / name).read_bytes()


@pytest.mark.slow
def test_a_cluster_makes_the_same_table(result, study, tmp_path):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        place = f"tcp://127.0.0.1:{probe.getsockname()[1]}"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    dask = [sys.executable, "-m"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    scheduler = [
        *dask,
        "distributed.cli.dask_scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        place.rsplit(":")[-1],
    ]
    worker = [
        *dask,
        "distributed.cli.dask_worker",
        place,
        "--nworkers",
        "2",
        "--nthreads",
        "1",
        "--no-dashboard",
    ]
    started = [subprocess.Popen([*scheduler, "--no-dashboard"], env=environment, **quiet)]
    started.append(subprocess.Popen(worker, env=environment, **quiet))
    try:
        words = [
            "sweep",
            str(study),
            "--out",
            str(tmp_path / "out"),
            "--scheduler",
            place,
            "--no-figures",
            "--quiet",
        ]
        assert main(words) == 0
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait(20)
    assert (tmp_path / "out" / "cases.csv").read_bytes() == (result / "cases.csv").read_bytes()
