"""A sweep by a Dask cluster: a scheduler and two workers in processes of their own, as on a cluster, started here."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from pretended_bench import (
    DIES,
    QUICK,
    RAISES,
    SLOW,
    PretendedBench,
    pretended_steps,
    pretended_study,
    solves,
    table,
)

from lapwright.errors import InputError
from lapwright.study import cluster
from lapwright.study.cases import LOST, SOLVED
from lapwright.study.cluster import ClusterCrew, code_version
from lapwright.study.crews import BenchError, LocalCrew
from lapwright.study.journal import Notes, open_journal
from lapwright.study.run import run_sweep

pytest.importorskip("distributed")


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _dask(*words, **more):
    path = os.pathsep.join([str(Path(__file__).parent), *(p for p in sys.path if p)])
    environment = {**os.environ, "PYTHONPATH": path, **more}
    return subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


@pytest.fixture(scope="module")
def address():
    """A cluster of two workers, each with a nanny that starts it anew when it dies."""
    place = f"tcp://127.0.0.1:{_free_port()}"
    scheduler = _dask("scheduler", "--host", "127.0.0.1", "--port", place.rsplit(":")[-1], "--no-dashboard")
    worker = _dask("worker", place, "--nworkers", "2", "--nthreads", "1", "--no-dashboard")
    yield place
    for process in (worker, scheduler):
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@pytest.fixture
def lone_scheduler():
    """A scheduler that nobody works for, when it answers."""
    port = _free_port()
    words = ("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
    scheduler = _dask(*words, DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="2")
    until = time.monotonic() + 30
    while time.monotonic() < until:
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            break
        except OSError:
            time.sleep(0.1)
    yield f"tcp://127.0.0.1:{port}", scheduler
    scheduler.kill()
    scheduler.wait()


@pytest.fixture
def marks(tmp_path):
    folder = tmp_path / "marks"
    folder.mkdir()
    return folder


def _sweep(study, address, notes=None, bench=PretendedBench):
    return run_sweep(
        study, notes or Notes(), ClusterCrew(study, address, bench), steps=pretended_steps(study)
    )


def _local(folder, behaviours):
    folder.mkdir()
    study = pretended_study(folder, behaviours)
    return table(run_sweep(study, Notes(), LocalCrew(study, 1, PretendedBench), steps=pretended_steps(study)))


def test_a_cluster_with_a_worker_killed_makes_the_table_of_one_machine(address, marks, tmp_path):
    study = pretended_study(marks, [SLOW] * 60)
    killed = []

    def kill():
        until = time.monotonic() + 30
        while len(solves(marks)) < 10 and time.monotonic() < until:
            time.sleep(0.01)
        # The one that began a case last is the likeliest to have it in hand.
        last = max((m for m in marks.glob("case*")), key=lambda m: m.stat().st_mtime_ns)
        killed.append(int(last.name.split("-")[1]))
        os.kill(killed[0], signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    with open_journal(tmp_path / "work") as journal:
        results = _sweep(study, address, journal)
        killer.join()
        assert len(journal.results) == 60
    assert table(results) == _local(tmp_path / "aside", [SLOW] * 60)
    # A bench for each process and not for each case: two workers, and at most the one in the place of the dead.
    assert len(killed) == 1
    assert 2 <= len(list(marks.glob("bench-*"))) <= 3
    assert sum(count - 1 for count in solves(marks).values()) <= 2


def test_a_cluster_whose_workers_all_die_at_once_goes_on_with_new_ones(address, marks, tmp_path):
    study = pretended_study(marks, [SLOW] * 40)

    def kill():
        until = time.monotonic() + 60
        while (len(solves(marks)) < 15 or len(list(marks.glob("bench-*"))) < 2) and time.monotonic() < until:
            time.sleep(0.01)
        for mark in marks.glob("bench-*"):
            os.kill(int(mark.name.split("-")[1]), signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    results = _sweep(study, address)
    killer.join()
    assert len(list(marks.glob("bench-*"))) > 2
    assert table(results) == _local(tmp_path / "aside", [SLOW] * 40)


def test_a_case_that_kills_its_workers_is_lost(marks, lone_scheduler):
    """Four workers that nobody starts anew: the case takes three of them, the fourth does the rest."""
    place, _ = lone_scheduler
    workers = [_dask("worker", place, "--no-nanny", "--nthreads", "1", "--no-dashboard") for _ in range(4)]
    try:
        study = pretended_study(marks, [QUICK, DIES, QUICK])
        crew = ClusterCrew(study, place, PretendedBench)
        _wait_for_workers(place, 4)
        results = run_sweep(study, Notes(), crew, steps=pretended_steps(study))
    finally:
        for worker in workers:
            worker.kill()
            worker.wait()
    assert [r.status for r in results] == [SOLVED, LOST, SOLVED]
    assert "memory" in results[1].words
    # Of the scheduler's own setting: a task may take two workers with it (by default three), the next is one too many.
    assert solves(marks)["case0001"] == 3


def _wait_for_workers(place, count):
    import distributed

    with distributed.Client(place, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=60)


def test_a_bug_in_a_solve_ends_the_sweep_with_its_traceback(address, marks):
    with pytest.raises(BenchError, match=r"(?s)Traceback.*pretended_bench\.py.*ZeroDivisionError: a bug"):
        _sweep(pretended_study(marks, [QUICK, RAISES]), address)


def test_another_version_on_the_workers_is_refused(address, marks, monkeypatch):
    ours = code_version()
    monkeypatch.setattr(cluster, "code_version", lambda: "0.0.7 (abc)")
    with pytest.raises(InputError) as caught:
        _sweep(pretended_study(marks, [QUICK]), address)
    assert f"a worker has lapwright {ours} and this is 0.0.7 (abc)" in str(caught.value)
    assert solves(marks) == {}


def test_a_worker_of_another_version_that_comes_late_is_refused(address, marks, monkeypatch):
    monkeypatch.setattr(cluster, "code_version", lambda: "0.0.7 (abc)")
    monkeypatch.setattr(ClusterCrew, "_check_code", lambda self: None)
    with pytest.raises(InputError, match="install the same version on all"):
        _sweep(pretended_study(marks, [QUICK]), address)
    assert solves(marks) == {}


def test_a_cluster_left_without_workers_is_a_sentence(address, marks, monkeypatch):
    monkeypatch.setattr(cluster, "PATIENCE", 0.5)
    monkeypatch.setattr(cluster, "LOOK", 0.1)
    crew = ClusterCrew(pretended_study(marks, [QUICK]), address, PretendedBench)
    crew.begin(1)
    try:
        monkeypatch.setattr(crew._client, "nthreads", dict)
        with pytest.raises(InputError, match="there was no worker; what is finished is kept"):
            for _ in range(100):
                crew.take()
    finally:
        crew.end()


def test_an_address_that_does_not_answer_is_a_sentence(marks, monkeypatch):
    monkeypatch.setattr(cluster, "ANSWERS_WITHIN", 1.0)
    study = pretended_study(marks, [QUICK])
    with pytest.raises(InputError, match="no Dask scheduler answers here"):
        _sweep(study, f"tcp://127.0.0.1:{_free_port()}")
    with pytest.raises(InputError, match="no address of a Dask scheduler"):
        _sweep(study, "pit-wall")
    with socket.create_server(("127.0.0.1", 0)) as mute:
        began = time.monotonic()
        with pytest.raises(InputError, match="no Dask scheduler answers here"):
            _sweep(study, f"tcp://127.0.0.1:{mute.getsockname()[1]}")
        assert time.monotonic() - began < 10


def test_a_scheduler_without_workers_is_a_sentence(marks, monkeypatch, lone_scheduler):
    place, _ = lone_scheduler
    monkeypatch.setattr(cluster, "ANSWERS_WITHIN", 3.0)
    with pytest.raises(InputError, match=f"no worker; start some with: dask worker {place}"):
        _sweep(pretended_study(marks, [QUICK]), place)


def test_a_scheduler_that_goes_is_a_sentence_and_what_is_finished_is_kept(marks, tmp_path, lone_scheduler):
    place, scheduler = lone_scheduler
    worker = _dask("worker", place, "--nworkers", "1", "--nthreads", "1", "--no-dashboard")
    try:
        study = pretended_study(marks, [SLOW] * 200)

        def kill():
            until = time.monotonic() + 60
            while len(solves(marks)) < 5 and time.monotonic() < until:
                time.sleep(0.01)
            scheduler.kill()

        killer = threading.Thread(target=kill)
        killer.start()
        with open_journal(tmp_path / "work") as journal:
            with pytest.raises(InputError, match="the scheduler is gone; what is finished is kept"):
                _sweep(study, place, journal)
            killer.join()
            assert 0 < len(journal.results) < 200
    finally:
        worker.terminate()
        worker.wait(30)


def test_without_distributed_the_extra_is_named(marks, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install 'lapwright\[cluster\]'"):
        ClusterCrew(pretended_study(marks, [QUICK]), "tcp://127.0.0.1:8786")
