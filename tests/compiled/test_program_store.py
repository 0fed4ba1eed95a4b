"""Programs kept on disk: found again, rebuilt when anything is wrong with them, never in the way."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace

import casadi as ca
import numpy as np
import pytest

from lapwright.compiled import build, store, ways
from lapwright.compiled.along_lap import AlongLap
from lapwright.compiled.machine import machine
from lapwright.compiled.over_points import OverPoints

POINTS = np.linspace(0.1, 2.0, 11)[None, :]


def waves(factor: float = 3.0) -> ca.Function:
    x = ca.SX.sym("x")
    return ca.Function("waves", [x], [ca.sin(factor * x) / x])


def check_waves(program: OverPoints, factor: float = 3.0) -> None:
    np.testing.assert_allclose(program(POINTS)[0], np.sin(factor * POINTS) / POINTS, rtol=1e-13)


def no_translation(*_):
    raise AssertionError("translated again")


def entries(folder):
    return sorted(folder.glob("*" + store.ENDING))


def test_a_program_is_translated_once(fresh, monkeypatch):
    check_waves(OverPoints(waves()))
    assert len(entries(fresh)) == 1
    monkeypatch.setattr(build.Order, "translate", no_translation)
    check_waves(OverPoints(waves()))


def test_whatever_decides_what_a_program_does_makes_another_entry(fresh, monkeypatch):
    x, q = ca.SX.sym("x"), ca.SX.sym("q")
    function = ca.Function("f", [x, q], [x + q])
    OverPoints(function)(POINTS, POINTS)
    OverPoints(function, (1,))(POINTS, np.ones(1))
    AlongLap(function, {0: 0})(np.ones((1, 8)), np.ones((1, 3, 8)))
    AlongLap(function, {0: 1})(np.ones((1, 3, 8)), np.ones((1, 8)))
    AlongLap(function, {0: 0})(np.ones((1, 1)), np.ones((1, 3, 1)))
    OverPoints(ca.Function("f", [x, q], [x + 2 * q]))(POINTS, POINTS)
    assert len(entries(fresh)) == 6
    monkeypatch.setattr(ways, "_decided", [(replace(machine(), versions=("0", "0")), "other version")])
    OverPoints(function)(POINTS, POINTS)
    monkeypatch.setattr(ways, "_decided", [(replace(machine(), width=2), "other processor")])
    OverPoints(function)(POINTS, POINTS)
    monkeypatch.setattr(build, "_sources", lambda: "other code")
    OverPoints(function)(POINTS, POINTS)
    assert len(entries(fresh)) == 9


def test_steps_are_kept_too(fresh, monkeypatch):
    x, q = ca.SX.sym("x"), ca.SX.sym("q")
    function = ca.Function("f", [x, q], [x + q])
    AlongLap(function, {0: 0})(np.ones((1, 8)), np.ones((1, 3, 8)))
    monkeypatch.setattr(build.Order, "translate", no_translation)
    found = AlongLap(function, {0: 0}, backward=True)(np.ones((1, 8)), np.ones((1, 3, 8)))[0]
    np.testing.assert_array_equal(found[0].T, [[4.0, 3.0, 2.0]] * 8)


def truncated(whole):
    return whole[: len(whole) // 2]


def one_bit_changed(whole):
    return whole[:-100] + bytes([whole[-100] ^ 1]) + whole[-99:]


def other_checksum(whole):
    at = len(store.MAGIC) + 3
    return whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :]


HARM = {
    "truncated": truncated,
    "one bit changed": one_bit_changed,
    "other checksum": other_checksum,
    "longer": lambda whole: whole + b"\0",
    "empty": lambda whole: b"",
    "something else": lambda whole: b"not a program at all",
    "head only": lambda whole: whole[: len(store.MAGIC)],
}


@pytest.mark.parametrize("harm", HARM)
def test_a_broken_entry_is_rebuilt_and_never_run(fresh, harm, monkeypatch, capfd):
    check_waves(OverPoints(waves()))
    (path,) = entries(fresh)
    sound = path.read_bytes()
    path.write_bytes(HARM[harm](sound))
    loaded = []
    load = type(machine()).load
    monkeypatch.setattr(type(machine()), "load", lambda *args: loaded.append(args[1]) or load(*args))
    check_waves(OverPoints(waves()))
    assert [code for code in loaded if code not in sound] == []
    assert path.read_bytes() == sound
    assert capfd.readouterr() == ("", "")


def test_the_entry_of_another_function_is_not_run(fresh):
    check_waves(OverPoints(waves(3.0)), 3.0)
    (first,) = entries(fresh)
    check_waves(OverPoints(waves(4.0)), 4.0)
    (second,) = set(entries(fresh)) - {first}
    second.write_bytes(first.read_bytes())
    check_waves(OverPoints(waves(4.0)), 4.0)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="the system has no such rights")
def test_an_entry_that_others_can_write_is_not_run(fresh, monkeypatch):
    check_waves(OverPoints(waves()))
    (path,) = entries(fresh)
    path.chmod(0o666)
    translated = []
    translate = build.Order.translate
    monkeypatch.setattr(build.Order, "translate", lambda *args: translated.append(args) or translate(*args))
    check_waves(OverPoints(waves()))
    assert len(translated) == 1
    assert path.stat().st_mode & 0o077 == 0


def test_a_folder_that_cannot_be_written_is_no_error(fresh, tmp_path, monkeypatch, capfd):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("LAPWRIGHT_CACHE", str(tmp_path / "file"))
    check_waves(OverPoints(waves()))
    assert capfd.readouterr() == ("", "")


def test_a_disk_that_is_full_is_no_error(fresh, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    check_waves(OverPoints(waves()))
    assert list(fresh.iterdir()) == []


def test_off_keeps_nothing(fresh, monkeypatch, tmp_path):
    monkeypatch.setenv("LAPWRIGHT_CACHE", "off")
    monkeypatch.chdir(tmp_path)
    check_waves(OverPoints(waves()))
    assert list(tmp_path.rglob("*")) == []


def test_the_oldest_go_when_there_are_too_many(fresh, monkeypatch):
    for k in range(4):
        store.write(f"{k:040d}", bytes(1000))
        os.utime(fresh / f"{k:040d}{store.ENDING}", (1e9 + k, 1e9 + k))
    assert store.read(f"{0:040d}") == bytes(1000)  # used just now, so the last to go
    monkeypatch.setattr(store, "LIMIT", 3500)
    store.write(f"{9:040d}", bytes(1000))
    assert [int(path.stem) for path in entries(fresh)] == [0, 3, 9]


def test_what_a_broken_run_left_goes_after_a_day(fresh):
    store.write("a" * 40, b"sound")
    for name, age in (("old", 2 * store.DAY), ("new", 0.0)):
        path = fresh / (name + store.PARTIAL)
        path.write_bytes(b"half")
        os.utime(path, (path.stat().st_mtime - age,) * 2)
    store.write("b" * 40, b"sound")
    assert {path.name for path in fresh.glob("*" + store.PARTIAL)} == {"new" + store.PARTIAL}


PLACES = [
    ("linux", {"HOME": "/h"}, "/h/.cache/lapwright/programs"),
    ("linux", {"HOME": "/h", "XDG_CACHE_HOME": "/c"}, "/c/lapwright/programs"),
    ("linux", {"HOME": "/h", "XDG_CACHE_HOME": "c"}, "/h/.cache/lapwright/programs"),
    ("darwin", {"HOME": "/h"}, "/h/Library/Caches/lapwright/programs"),
    ("win32", {"LOCALAPPDATA": "/l"}, "/l/lapwright/programs"),
    ("win32", {}, None),
    ("linux", {"HOME": "/h", "LAPWRIGHT_CACHE": "/mine"}, "/mine/programs"),
    ("linux", {"HOME": "/h", "LAPWRIGHT_CACHE": "off"}, None),
]
"""XDG Base Directory Specification 0.8 (relative paths are to be ignored); Apple, File System Programming Guide."""


@pytest.mark.skipif(os.name != "posix", reason="paths are written the other way")
@pytest.mark.parametrize(("platform", "environment", "wanted"), PLACES)
def test_where_entries_are_kept(platform, environment, wanted, monkeypatch):
    for name in ("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA", "LAPWRIGHT_CACHE"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(store.sys, "platform", platform)
    found = store.folder()
    assert (found and str(found)) == wanted


RACER = """
import sys
import casadi as ca
import numpy as np
from lapwright.compiled.over_points import OverPoints
points = np.linspace(0.1, 2.0, 50)[None, :]
for k in range(12):
    x = ca.SX.sym("x")
    y = x
    for _ in range(40):
        y = ca.sin(y) + x / (k + 2.0)
    found = OverPoints(ca.Function("race", [x], [y]))(points)[0]
    wanted = points
    for _ in range(40):
        wanted = np.sin(wanted) + points / (k + 2.0)
    np.testing.assert_allclose(found, wanted, rtol=1e-12)
"""


def test_processes_at_the_same_time(fresh):
    racers = [subprocess.Popen([sys.executable, "-c", RACER], stderr=subprocess.PIPE) for _ in range(4)]
    for racer in racers:
        assert racer.communicate() == (None, b"")
        assert racer.returncode == 0
    assert len(entries(fresh)) == 12
    assert all(store.read(path.stem) for path in entries(fresh))
    assert list(fresh.glob("*" + store.PARTIAL)) == []
