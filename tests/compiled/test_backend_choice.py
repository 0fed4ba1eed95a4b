"""Which way programs are run, that it is said, and that both ways have the same results."""

from __future__ import annotations

import subprocess
import sys

import casadi as ca
import numpy as np
import pytest

from lapwright import compiled
from lapwright.compiled import ways
from lapwright.compiled.along_lap import AlongLap
from lapwright.compiled.machine import Machine, machine
from lapwright.compiled.over_points import OverPoints
from lapwright.errors import InputError

POINTS = np.linspace(0.1, 2.0, 11)[None, :]


@pytest.fixture
def undecided(monkeypatch):
    monkeypatch.setattr(ways, "_decided", [])
    monkeypatch.delenv("LAPWRIGHT_COMPILED", raising=False)
    monkeypatch.setenv("LAPWRIGHT_CACHE", "off")
    return monkeypatch


def square() -> ca.Function:
    x = ca.SX.sym("x")
    return ca.Function("square", [x], [x * x + 1.0])


def check_both_kinds() -> None:
    np.testing.assert_allclose(OverPoints(square())(POINTS)[0], POINTS**2 + 1.0, rtol=1e-15)
    found = AlongLap(square(), {0: 0})(np.ones((1, 2)), out=[np.empty((1, 3, 2))])[0]
    np.testing.assert_array_equal(found[0, :, 1], [2.0, 5.0, 26.0])


def test_machine_code_is_the_rule(undecided, capfd):
    assert compiled.backend() == f"machine code (LLVM {machine().versions[1]}, {machine().cpu})"
    undecided.setattr(ways, "_decided", [])
    undecided.setenv("LAPWRIGHT_COMPILED", "machine")
    assert compiled.backend().startswith("machine code")
    check_both_kinds()
    assert capfd.readouterr() == ("", "")


def test_numpy_can_be_asked_for(undecided, capfd):
    undecided.setenv("LAPWRIGHT_COMPILED", "numpy")
    undecided.setattr(Machine, "translate", lambda *_: pytest.fail("translated"))
    assert compiled.backend() == "numpy rows (LAPWRIGHT_COMPILED=numpy)"
    check_both_kinds()
    assert capfd.readouterr() == ("", "")


def test_anything_else_is_an_error_that_names_what_is_allowed(undecided):
    undecided.setenv("LAPWRIGHT_COMPILED", "fast")
    for ask in (compiled.backend, lambda: OverPoints(square())(POINTS)):
        with pytest.raises(InputError, match="LAPWRIGHT_COMPILED=fast: allowed are machine and numpy"):
            ask()


def test_a_refusal_of_llvm_is_said_once_and_numpy_takes_over(undecided, capfd):
    def refuse(*_):
        raise RuntimeError("LLVM IR parsing error\n<string>:3:1: error")

    undecided.setattr(Machine, "translate", refuse)
    check_both_kinds()
    check_both_kinds()
    out, err = capfd.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith("lapwright: no machine code, numpy in its place")
    assert "LLVM refuses square: LLVM IR parsing error <string>:3:1: error" in err
    assert compiled.backend().startswith("numpy rows (LLVM refuses square")


def test_what_is_said_can_go_elsewhere(undecided, capfd):
    said = []
    undecided.setattr(ways, "announce", said.append)
    undecided.setitem(sys.modules, "llvmlite", None)
    machine.cache_clear()
    check_both_kinds()
    machine.cache_clear()
    assert len(said) == 1
    assert "llvmlite is missing" in said[0]
    assert compiled.backend().startswith("numpy rows (llvmlite is missing")
    assert capfd.readouterr() == ("", "")


def test_a_processor_that_llvm_does_not_know_is_said(undecided, capfd):
    import llvmlite.binding

    def unknown():
        raise RuntimeError("no targets are registered")

    undecided.setattr(llvmlite.binding, "initialize_native_target", unknown)
    machine.cache_clear()
    check_both_kinds()
    machine.cache_clear()
    assert "LLVM cannot be used: no targets are registered" in capfd.readouterr().err


def test_llvmlite_is_imported_when_a_program_is_run_and_not_before():
    code = (
        "import sys, numpy, casadi as ca\n"
        "from lapwright.compiled.along_lap import AlongLap\n"
        "from lapwright.compiled.over_points import OverPoints\n"
        "x = ca.SX.sym('x')\n"
        "program = OverPoints(ca.Function('f', [x], [x + x]))\n"
        "assert 'llvmlite' not in sys.modules\n"
        "program(numpy.ones((1, 3)))\n"
        "assert 'llvmlite' in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
