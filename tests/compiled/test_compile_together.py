"""Several programs translated at once: ready, right, and kept; also when the other process fails."""

from __future__ import annotations

import subprocess
import sys

import casadi as ca
import numpy as np
import pytest

from lapwright.compiled import build, together, ways
from lapwright.compiled.along_lap import AlongLap
from lapwright.compiled.over_points import OverPoints
from lapwright.compiled.together import compile_together

COUNT = 5


def chain(k: int) -> ca.Function:
    x, s = ca.SX.sym("x"), ca.SX.sym("s")
    y = s
    for _ in range(60 + k):
        y = ca.sin(y) + x / (k + 2.0)
    return ca.Function(f"chain{k}", [x, s], [y])


def by_numpy(k: int, x: np.ndarray, s: np.ndarray) -> np.ndarray:
    for _ in range(60 + k):
        s = np.sin(s) + x / (k + 2.0)
    return s


def programs() -> list[OverPoints | AlongLap]:
    return [AlongLap(chain(k), {0: 1}) if k == 2 else OverPoints(chain(k)) for k in range(COUNT)]


def check(made: list[OverPoints | AlongLap]) -> None:
    """All results, without any further translation."""
    x, s = np.linspace(-1.0, 1.0, 18).reshape(1, 2, 9), np.full((1, 9), 0.3)
    for k, program in enumerate(made):
        if k == 2:
            first = by_numpy(k, x[:, 0], s)
            wanted = np.stack([first, by_numpy(k, x[:, 1], first)], axis=1)
            found = program(x, s)[0]
        else:
            wanted, found = by_numpy(k, x[:, 0], s), program(x[:, 0], s)[0]
        np.testing.assert_allclose(found, wanted, rtol=1e-12)


def no_translation(*_):
    raise AssertionError("translated again")


@pytest.fixture
def in_two_processes(fresh, monkeypatch):
    monkeypatch.setattr(together, "START", 0)
    monkeypatch.setattr(together.os, "cpu_count", lambda: 2)
    return monkeypatch


@pytest.mark.parametrize("kept", [True, False])
def test_all_are_ready(in_two_processes, kept):
    if not kept:
        in_two_processes.setenv("LAPWRIGHT_CACHE", "off")
    translated = []
    translate = build.Order.translate
    in_two_processes.setattr(
        build.Order, "translate", lambda order: translated.append(order) or translate(order)
    )
    made = programs()
    compile_together(made, lanes=9)
    assert 0 < len(translated) < COUNT
    in_two_processes.setattr(build.Order, "translate", no_translation)
    check(made)
    if kept:
        again = programs()
        compile_together(again, lanes=9)
        check(again)


def test_few_instructions_are_not_worth_another_process(fresh, monkeypatch):
    monkeypatch.setattr(subprocess, "run", no_translation)
    made = programs()
    compile_together(made, lanes=9)
    check(made)


@pytest.mark.parametrize("fault", ["no such program", "an error", "no answer", "nonsense"])
def test_another_process_that_fails_does_no_harm(in_two_processes, fault, capfd):
    if fault == "no such program":
        in_two_processes.setattr(sys, "executable", "/nowhere/python")
    else:
        code = {"an error": "raise SystemExit(1)", "no answer": "pass", "nonsense": "print('hello')"}[fault]
        run = subprocess.run
        in_two_processes.setattr(
            subprocess, "run", lambda command, **given: run([sys.executable, "-c", code], **given)
        )
    made = programs()
    compile_together(made, lanes=9)
    in_two_processes.setattr(build.Order, "translate", no_translation)
    check(made)
    assert capfd.readouterr() == ("", "")


def test_an_operation_that_is_not_supported_is_named(in_two_processes):
    x = ca.SX.sym("x")
    bell = OverPoints(ca.Function("bell", [x], [ca.erf(x)]))
    with pytest.raises(ValueError, match="bell: erf"):
        compile_together([*programs(), bell])


def test_nothing_is_done_where_numpy_is_used(monkeypatch):
    monkeypatch.setattr(ways, "_decided", [(None, "numpy rows")])
    monkeypatch.setattr(build.Order, "translate", no_translation)
    made = programs()
    compile_together(made, lanes=9)
    check(made)
