"""``lapwright lap --solver``: which solver a lap is from stands in the results; where none answers nothing is written."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from lapwright.cli import main as cli
from lapwright.reference import solve as recipe

ROOT = Path(__file__).parents[2]
LAP = [
    "lap",
    str(ROOT / "tracks" / "cinder-yard.yaml"),
    str(ROOT / "vehicles" / "teaching-car.yaml"),
    "--no-figures",
]
OURS, OTHER = "structured interior point", "IPOPT"


@pytest.fixture
def hinder(monkeypatch):
    """Stop solvers, by the name of the option, after two iterations."""

    def hindered(*names):
        for name in names:
            way = recipe.WAYS[name]

            def stops(nlp, start, solve=way.solve, **options):
                return solve(nlp, start, **{**options, "max_iterations": 2})

            monkeypatch.setitem(recipe.WAYS, name, replace(way, solve=stops))

    return hindered


def summary(out, *more):
    assert cli.main([*LAP, "--out", str(out), *more]) == 0
    return json.loads((out / "summary.json").read_text())


@pytest.mark.parametrize(
    ("words", "name"), [([], OURS), (["--solver", "structured"], OURS), (["--solver", "ipopt"], OTHER)]
)
def test_the_solver_asked_for_is_the_one_that_is_named(tmp_path, words, name):
    told = summary(tmp_path / "out", *words)["solver"]
    assert told["name"] == name
    assert {stage["solver"] for stage in told["stages"]} == {name}
    assert {stage["status"] for stage in told["stages"]} == {"solved"}


def test_a_fallback_is_told(tmp_path, hinder):
    hinder("structured")
    told = summary(tmp_path / "out")
    assert told["status"] == "solved"
    assert told["solver"]["name"] == OTHER
    stages = told["solver"]["stages"]
    assert stages[0]["solver"] == OURS and stages[0]["status"] == "not converged"
    assert stages[-1]["solver"] == OTHER and stages[-1]["status"] == "solved"
    assert told["iterations"] == sum(stage["iterations"] for stage in stages)


def test_where_both_fail_nothing_is_written(tmp_path, hinder, capsys):
    hinder("structured", "ipopt")
    assert cli.main([*LAP, "--out", str(tmp_path / "out"), "--json"]) == 3
    captured = capsys.readouterr()
    assert json.loads(captured.out)["status"] == "no solution"
    assert "the iterations ran out" in captured.err and "What to try: " in captured.err
    assert "Traceback" not in captured.err
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_solver_is_a_fault_of_the_call(capsys):
    with pytest.raises(SystemExit) as stop:
        cli.main([*LAP, "--solver", "magic"])
    assert stop.value.code == 2
    assert "structured" in capsys.readouterr().err
