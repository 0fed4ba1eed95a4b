"""A sweep by processes of this machine: order, dead workers, a killed parent, bugs.

The answers of the pretended bench follow from SHA-256 (hashlib) over the case and all that it began from, so a start that
went missing or to the wrong case shows in the table.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest
from pretended_bench import (
    BAD_NUMBERS,
    DIES,
    DIES_ONCE,
    NO_MEMORY,
    QUICK,
    RAISES,
    SLOW,
    TOGETHER,
    UNSOLVED,
    PretendedBench,
    broken_bench,
    pretended_steps,
    pretended_study,
    solves,
    stillborn_bench,
    table,
)

from lapwright.errors import InputError
from lapwright.study.cases import FAULT, LOST, NO_SOLUTION, SOLVED
from lapwright.study.crews import BenchError, LocalCrew
from lapwright.study.journal import Notes, open_journal
from lapwright.study.run import run_sweep, to_do


def _in_this_process(study):
    """The same table without any crew: step after step."""
    bench, notes = PretendedBench(study), Notes()
    for step in pretended_steps(study):
        starts = {i: notes.start(study.cases[i].key) for i in step.near}
        notes.add(bench.solve(step, {i: s for i, s in starts.items() if s is not None}), step.keep)
    return table(notes.results[case.key] for case in study.cases)


def _sweep(study, workers=2, bench=PretendedBench, notes=None, progress=None):
    crew = LocalCrew(study, workers, bench)
    return run_sweep(study, notes or Notes(), crew, progress, steps=pretended_steps(study))


@pytest.fixture
def marks(tmp_path):
    folder = tmp_path / "marks"
    folder.mkdir()
    return folder


def _begun_from(marks, key):
    return next(marks.glob(f"{key}-*")).read_text()


def test_workers_make_the_table_of_one_process(marks, tmp_path):
    aside = tmp_path / "aside"
    aside.mkdir()
    standings = []
    study = pretended_study(marks, [TOGETHER] + [QUICK] * 24)
    results = _sweep(study, progress=standings.append)
    assert table(results) == _in_this_process(pretended_study(aside, [QUICK] * 25))
    assert [r.key for r in results] == [case.key for case in study.cases]
    assert set(solves(marks).values()) == {1}
    # Every case had all that it begins from: 13 begins from 6 and from 12.
    assert _begun_from(marks, "case0013") == "6,12"
    assert len(list(marks.glob("bench-*"))) == 2
    assert [s.done for s in standings] == list(range(26))
    assert standings[0].seconds_left is None
    assert standings[-1].seconds_left == 0.0


def test_a_case_that_kills_its_worker_is_tried_again_and_then_lost(marks):
    study = pretended_study(
        marks, [QUICK, DIES_ONCE, QUICK, DIES, QUICK, QUICK, QUICK, UNSOLVED, BAD_NUMBERS, QUICK]
    )
    results = _sweep(study)
    assert [r.status for r in results] == [
        SOLVED, SOLVED, SOLVED, LOST, SOLVED, SOLVED, SOLVED, NO_SOLUTION, FAULT, SOLVED,
    ]  # fmt: skip
    assert "SIGKILL" in results[3].words
    assert results[8].words == "its numbers do not fit"
    counts = solves(marks)
    assert counts["case0001"] == counts["case0003"] == 2
    assert "case0008" not in counts
    # 6 and 7 begin from the lost 3 and go without it; 9 from 4 and from 8, which could not be asked.
    assert _begun_from(marks, "case0006") == ""
    assert _begun_from(marks, "case0007") == "6"
    assert _begun_from(marks, "case0009") == "4"


def test_a_lost_case_is_not_written_down(marks, tmp_path):
    study = pretended_study(marks, [QUICK, DIES])
    with open_journal(tmp_path / "work") as journal:
        assert _sweep(study, notes=journal)[1].status == LOST
    with open_journal(tmp_path / "work") as journal:
        assert list(journal.results) == ["case0000"]


def test_no_memory_in_python_counts_as_a_death(marks):
    results = _sweep(pretended_study(marks, [NO_MEMORY]))
    assert results[0].status == LOST
    assert "no memory left" in results[0].words


def test_a_bug_in_a_solve_ends_the_sweep_with_its_traceback(marks, tmp_path):
    with open_journal(tmp_path / "work") as journal, pytest.raises(BenchError) as caught:
        _sweep(pretended_study(marks, [QUICK, RAISES]), notes=journal)
    assert "ZeroDivisionError: a bug in the bench" in str(caught.value)
    assert "pretended_bench.py" in str(caught.value)


def test_a_bug_in_setting_up_ends_the_sweep_with_its_traceback(marks):
    with pytest.raises(BenchError, match="ZeroDivisionError: a bug in setting up"):
        _sweep(pretended_study(marks, [QUICK]), bench=broken_bench)


def test_workers_that_die_before_they_begin_end_the_sweep_with_a_sentence(marks):
    with pytest.raises(InputError, match=r"before they have begun \(signal 9, SIGKILL\)"):
        _sweep(pretended_study(marks, [QUICK]), workers=1, bench=stillborn_bench)


def test_workers_killed_at_random_change_nothing(marks, tmp_path):
    aside = tmp_path / "aside"
    aside.mkdir()
    study = pretended_study(marks, [SLOW] * 40)
    over = threading.Event()
    killed = []

    def kill():
        dice = random.Random(5)
        while len(killed) < 3 and not over.wait(0.1 + 0.3 * dice.random()):
            begun = {int(m.name.split("-")[1]) for m in marks.glob("bench-*")} - set(killed)
            alive = sorted(pid for pid in begun if _alive(pid))
            if alive:
                pid = dice.choice(alive)
                os.kill(pid, signal.SIGKILL)
                killed.append(pid)

    killer = threading.Thread(target=kill)
    killer.start()
    try:
        results = _sweep(study)
    finally:
        over.set()
        killer.join()
    assert len(killed) >= 2
    assert table(results) == _in_this_process(pretended_study(aside, [SLOW] * 40))
    # Only what a killed worker had in hand was begun twice.
    assert sum(count - 1 for count in solves(marks).values()) <= len(killed)


def _alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")")[-1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def _program(marks, work, cases=40):
    return subprocess.Popen(
        [
            sys.executable,
            str(Path(__file__).with_name("pretended_bench.py")),
            str(marks),
            str(work),
            str(cases),
            "2",
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _gone(pids, within=10.0):
    until = time.monotonic() + within
    while time.monotonic() < until and any(_alive(pid) for pid in pids):
        time.sleep(0.02)
    return not any(_alive(pid) for pid in pids)


def test_a_parent_killed_ten_times_loses_no_case_and_repeats_none(marks, tmp_path):
    aside, work = tmp_path / "aside", tmp_path / "work"
    aside.mkdir()
    cases, kills, known = 80, 0, set()
    dice = random.Random(11)
    while True:
        benches = set(marks.glob("bench-*"))
        program = _program(marks, work, cases)
        if kills == 10:
            break
        # Some are killed while they start, the others when at least one worker is at work.
        while kills % 3 and program.poll() is None and not set(marks.glob("bench-*")) - benches:
            time.sleep(0.01)
        time.sleep((0.25 if kills % 3 else 1.0) * dice.random())
        program.kill()
        program.wait()
        program.stdout.close()
        program.stderr.close()
        kills += 1
        workers = [int(m.name.split("-")[1]) for m in set(marks.glob("bench-*")) - benches]
        assert _gone(workers), "workers outlive the process that started them"
        if not work.exists():
            continue
        before = solves(marks)
        with open_journal(work) as journal:
            finished = {key: before[key] for key in journal.results}
        assert known <= set(finished), "a finished case was forgotten"
        known = set(finished)
    out, err = program.communicate(timeout=60)
    assert program.returncode == 0, err
    assert out == _in_this_process(pretended_study(aside, [SLOW] * cases))
    # What was in the journal when the last kill came was never begun again.
    after = solves(marks)
    assert {key: after[key] for key in known} == finished
    assert len(known) > 10
    # Each kill can cost what the two workers had in hand and one case for each that was done but not yet written.
    assert sum(count - 1 for count in after.values()) <= kills * 4


def test_a_missing_start_is_made_again_and_the_result_stays(marks, tmp_path):
    work = tmp_path / "work"
    short, long = pretended_study(marks, [QUICK] * 10), pretended_study(marks, [QUICK] * 12)
    with open_journal(work) as journal:
        first = _sweep(short, notes=journal)
    # 10 begins from 5, which begins from 2 and 4, 4 from 2, 2 from 1, 1 from 0; 11 from 5 and 10.
    (work / "starts" / "case0005.bin").unlink(missing_ok=True)
    damaged = work / "starts" / "case0004.bin"
    damaged.write_bytes(damaged.read_bytes()[:-1])
    with open_journal(work) as journal:
        steps = {long.cases[s.case].key: s for s in pretended_steps(long)}
        assert to_do(steps, long.cases, journal) == {"case0004", "case0005", "case0010", "case0011"}
        second = _sweep(long, notes=journal)
    assert second[:10] == first
    counts = solves(marks)
    assert [key for key, count in sorted(counts.items()) if count == 2] == ["case0004", "case0005"]
    aside = tmp_path / "aside"
    aside.mkdir()
    assert table(second) == _in_this_process(pretended_study(aside, [QUICK] * 12))


def test_cases_with_one_key_are_solved_once(marks):
    study = pretended_study(marks, [QUICK] * 5)
    same = replace(study.cases[2], number=9)
    study = replace(study, cases=(*study.cases[:3], same, study.cases[4]))
    results = _sweep(study)
    assert results[2] == results[3]
    assert solves(marks) == {f"case000{i}": 1 for i in (0, 1, 2, 4)}
    assert _begun_from(marks, "case0004") == "2"


def test_nothing_left_to_do_starts_no_worker(marks):
    study = pretended_study(marks, [QUICK] * 3)
    notes = Notes()
    _sweep(study, notes=notes)
    benches = len(list(marks.glob("bench-*")))
    _sweep(study, notes=notes)
    assert len(list(marks.glob("bench-*"))) == benches


@pytest.mark.parametrize("whole_terminal", [False, True])
def test_an_interrupted_sweep_ends_its_workers(marks, tmp_path, whole_terminal):
    program = subprocess.Popen(
        [
            sys.executable,
            str(Path(__file__).with_name("pretended_bench.py")),
            str(marks),
            str(tmp_path / "work"),
            "400",
            "2",
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    while len(solves(marks)) < 8 and program.poll() is None:
        time.sleep(0.01)
    # A terminal sends SIGINT to the whole process group, `kill -INT` to one process.
    (os.killpg if whole_terminal else os.kill)(program.pid, signal.SIGINT)
    _, err = program.communicate(timeout=20)
    assert program.returncode == -signal.SIGINT
    assert err.count("Traceback") == 1, "only the program itself says KeyboardInterrupt, no worker"
    assert _gone([int(m.name.split("-")[1]) for m in marks.glob("bench-*")], 0.5)
    with open_journal(tmp_path / "work") as journal:
        assert 0 < len(journal.results) < 400
