"""tools/run.py on machines that are not as they should be; nothing is installed here."""

import ast
import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SCRIPT = ROOT / "tools/run.py"


@pytest.fixture
def tool(monkeypatch):
    spec = importlib.util.spec_from_file_location("run_tool", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)

    def refuse(*_):
        raise AssertionError("nothing may be installed")

    monkeypatch.setattr(module, "install", refuse)
    return module


def filled(tool, venv, **changes):
    """An environment that looks as if it had been filled before: this Python, and a stamp."""
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", venv], check=True)
    state = {"project": tool.fingerprint(), "folder": str(tool.ROOT), "extras": ["test"], **changes}
    (venv / tool.STAMP).write_text(json.dumps(state), encoding="utf-8")
    return venv


def test_standard_library_only():
    tree = ast.parse(SCRIPT.read_text(encoding="utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert names and names <= sys.stdlib_module_names


def test_an_old_python_can_read_it_and_is_told(tool, monkeypatch, capsys):
    # Python 3.6 is the oldest that long-lived distributions still call python3.
    ast.parse(SCRIPT.read_text(encoding="utf-8"), feature_version=(3, 6))
    monkeypatch.setattr(tool.sys, "version_info", (3, 10, 12, "final", 0))
    assert tool.main(["lap"]) == tool.FAILED
    assert "needs Python 3.11 or newer; this is Python 3.10.12" in capsys.readouterr().err


def test_the_oldest_python_is_that_of_the_project(tool):
    assert f'requires-python = ">={tool.OLDEST[0]}.{tool.OLDEST[1]}"' in (ROOT / "pyproject.toml").read_text(
        "utf-8"
    )


def test_a_folder_of_other_things_is_left_alone(tool, tmp_path, capsys):
    (tmp_path / "letter.txt").write_text("mine")
    assert tool.main(["lap", "--venv", str(tmp_path)]) == tool.FAILED
    assert "is not a virtual environment" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_broken_environment_of_somebody_else_is_left_alone(tool, tmp_path, capsys):
    (tmp_path / "pyvenv.cfg").write_text("home = /nowhere\n")
    assert tool.main(["lap", "--venv", str(tmp_path)]) == tool.FAILED
    assert "does not run or is too old" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["pyvenv.cfg"]


def test_an_environment_that_is_up_to_date_is_used(tool, tmp_path):
    venv = filled(tool, tmp_path / "venv")
    assert tool.prepare(venv, ["test"]).exists()
    assert tool.prepare(venv, []).exists()


@pytest.mark.parametrize(
    ("changes", "extras"),
    [
        ({"project": "other"}, []),
        ({"folder": "/elsewhere"}, []),
        ({}, ["test", "lint"]),
        ({"extras": None}, []),
    ],
)
def test_one_that_is_not_is_filled_again_and_says_so(tool, tmp_path, monkeypatch, capsys, changes, extras):
    venv = filled(tool, tmp_path / "venv", **changes)
    asked = []
    monkeypatch.setattr(tool, "install", lambda python, what: asked.append(what))
    tool.prepare(venv, extras)
    assert len(asked) == 1 and set(extras) <= set(asked[0])
    assert "installing lapwright" in capsys.readouterr().err
    tool.prepare(venv, extras)
    assert len(asked) == 1


def test_a_failed_installation_is_tried_again(tool, tmp_path, monkeypatch, capsys):
    venv = filled(tool, tmp_path / "venv", project="other")

    def fail(*_):
        raise tool.TroubleError("no network")

    monkeypatch.setattr(tool, "install", fail)
    for _ in range(2):
        assert tool.main(["lap", "--venv", str(venv)]) == tool.FAILED
        assert "no network" in capsys.readouterr().err
    assert not (venv / tool.STAMP).exists()


def test_unknown_words_are_refused(tool, capsys):
    with pytest.raises(SystemExit) as end:
        tool.main(["lap", "--fast"])
    assert end.value.code == 2
    assert "--fast" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("rest", "expected"),
    [
        ([], []),
        (["-m", "slow"], ["-m", "slow"]),
        (["tests/vehicle", "-x"], ["tests/vehicle", "-x"]),
    ],
)
def test_arguments_for_pytest(tool, monkeypatch, rest, expected):
    ran = []

    def run(command, **_):
        ran.append(command)
        return subprocess.CompletedProcess(command, 5)

    monkeypatch.setattr(tool.subprocess, "run", run)
    monkeypatch.setattr(tool.os, "cpu_count", lambda: 1)
    assert tool.tests(Path("python"), rest) == 5
    assert ran == [["python", "-m", "pytest", *expected]]
    monkeypatch.setattr(tool.os, "cpu_count", lambda: 16)
    tool.tests(Path("python"), rest)
    assert ran[1][ran[1].index("-n") + 1] == str(tool.CORES)
