"""The output folder is whole or not there, whatever happens while it is written."""

import errno
import hashlib
import os
import stat
import subprocess
from pathlib import Path

import pytest

from lapwright.errors import InputError
from lapwright.outputs import folder as room
from lapwright.outputs.folder import CHECKSUMS, check_output, foreign_files, output_folder


def write(destination, text="new", force=False):
    with output_folder(destination, force) as work:
        (work / "summary.json").write_text(text)
        (work / "target.csv").write_text(text * 3)


def everything(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def test_files_appear_together_under_their_name(tmp_path):
    destination = tmp_path / "out"
    with output_folder(destination) as work:
        (work / "summary.json").write_text("x")
        assert not destination.exists()
        assert work.parent == tmp_path
    assert everything(tmp_path) == ["out", f"out/{CHECKSUMS}", "out/summary.json"]


def test_checksums_are_those_of_the_coreutils_tool(tmp_path):
    write(tmp_path / "out")
    expected = hashlib.sha256(b"new").hexdigest() + "  summary.json"
    assert expected in (tmp_path / "out" / CHECKSUMS).read_text().splitlines()
    try:
        done = subprocess.run(
            ["sha256sum", "-c", CHECKSUMS], cwd=tmp_path / "out", capture_output=True, check=False
        )
    except FileNotFoundError:
        pytest.skip("sha256sum is not installed here")
    assert done.returncode == 0, done.stderr


def test_the_folder_has_the_permissions_of_any_new_folder(tmp_path):
    write(tmp_path / "out")
    (tmp_path / "plain").mkdir()
    mode = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("out", "plain")]
    assert mode[0] == mode[1]


def test_parents_are_made(tmp_path):
    write(tmp_path / "a" / "b" / "out")
    assert (tmp_path / "a" / "b" / "out" / "summary.json").exists()


def test_an_existing_folder_is_refused_without_force(tmp_path):
    destination = tmp_path / "out"
    write(destination, "old")
    with pytest.raises(InputError, match=r"exists already.*--force"):
        write(destination)
    assert (destination / "summary.json").read_text() == "old"
    assert everything(tmp_path) == ["out", *(f"out/{n}" for n in (CHECKSUMS, "summary.json", "target.csv"))]


def test_force_replaces_a_result(tmp_path):
    destination = tmp_path / "out"
    write(destination, "old")
    (destination / "target.csv").write_text("edited by hand: still a file of ours")
    write(destination, "new", force=True)
    assert (destination / "summary.json").read_text() == "new"
    assert (destination / "target.csv").read_text() == "newnewnew"
    assert everything(tmp_path) == ["out", *(f"out/{n}" for n in (CHECKSUMS, "summary.json", "target.csv"))]


def test_force_keeps_the_old_until_the_new_is_complete(tmp_path):
    destination = tmp_path / "out"
    write(destination, "old")
    with output_folder(destination, force=True) as work:
        (work / "summary.json").write_text("new")
        assert (destination / "summary.json").read_text() == "old"
    assert (destination / "summary.json").read_text() == "new"


def test_force_replaces_an_empty_folder(tmp_path):
    (tmp_path / "out").mkdir()
    write(tmp_path / "out", force=True)
    assert (tmp_path / "out" / "summary.json").exists()


def test_force_never_costs_anybody_a_file(tmp_path):
    destination = tmp_path / "out"
    write(destination, "old")
    (destination / "notes.txt").write_text("mine")
    (destination / "more").mkdir()
    with pytest.raises(InputError, match=r"more/, notes\.txt"):
        write(destination, force=True)
    assert (destination / "notes.txt").read_text() == "mine"
    assert foreign_files(destination) == ["more/", "notes.txt"]


def test_force_does_not_replace_a_home(tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    for name in ("a", "b", "c", "d"):
        (home / name).write_text(name)
    with pytest.raises(InputError, match=r"a, b, c and 1 more"):
        write(home, force=True)
    assert everything(home) == ["a", "b", "c", "d"]


def test_force_does_not_replace_the_folder_it_runs_in(tmp_path, monkeypatch):
    write(tmp_path / "out", "old")
    monkeypatch.chdir(tmp_path / "out")
    with pytest.raises(InputError, match="runs in"):
        write(".", force=True)


def test_a_file_in_the_way(tmp_path):
    (tmp_path / "out").write_text("a file")
    for force in (False, True):
        with pytest.raises(InputError, match="is a file"):
            write(tmp_path / "out", force=force)
    with pytest.raises(InputError, match="file stands where a folder is needed"):
        write(tmp_path / "out" / "deeper")
    assert (tmp_path / "out").read_text() == "a file"


def test_the_root_is_refused():
    with pytest.raises(InputError, match="root of the disk"):
        write("/")


def test_a_link_to_an_older_result_is_followed(tmp_path):
    write(tmp_path / "out", "old")
    (tmp_path / "latest").symlink_to("out")
    write(tmp_path / "latest", "new", force=True)
    assert (tmp_path / "latest").is_symlink()
    assert (tmp_path / "out" / "summary.json").read_text() == "new"


@pytest.mark.parametrize("stop", [KeyboardInterrupt, SystemExit, ZeroDivisionError])
def test_interrupted(tmp_path, stop):
    destination = tmp_path / "a" / "out"
    with pytest.raises(stop), output_folder(destination) as work:
        (work / "target.csv").write_text("half")
        raise stop
    assert everything(tmp_path) == [], "neither the folder, nor its parents, nor the temporary one"


@pytest.mark.parametrize("stop", [KeyboardInterrupt, OSError(errno.ENOSPC, "No space left on device")])
def test_interrupted_over_an_older_result(tmp_path, stop):
    destination = tmp_path / "out"
    write(destination, "old")
    before = everything(tmp_path)
    with pytest.raises((KeyboardInterrupt, InputError)), output_folder(destination, force=True) as work:
        (work / "target.csv").write_text("half")
        raise stop
    assert everything(tmp_path) == before
    assert (destination / "summary.json").read_text() == "old"


FAILURES = [
    (
        OSError(errno.ENOSPC, "No space left on device", "x.csv"),
        r"disk is full \(x\.csv\); nothing was written",
    ),
    (OSError(errno.EDQUOT, "Disk quota exceeded"), "disk is full"),
    (PermissionError(errno.EACCES, "Permission denied"), "no permission"),
    (OSError(errno.EROFS, "Read-only file system"), "no permission"),
    (OSError(errno.EIO, "Input/output error"), "Input/output error"),
]


@pytest.mark.parametrize("failure, words", FAILURES)
def test_a_write_that_fails(tmp_path, monkeypatch, failure, words):
    def fail(self, *args, **kwargs):
        raise failure

    with pytest.raises(InputError, match=words) as caught, output_folder(tmp_path / "out") as work:
        monkeypatch.setattr(Path, "write_bytes", fail)
        (work / "target.csv").write_bytes(b"x")
    assert caught.value.faults[0].file == str(tmp_path / "out")
    assert everything(tmp_path) == []


@pytest.mark.parametrize("where", ["mkdtemp", "_seal", "fsync", "rename"])
@pytest.mark.parametrize("force", [False, True])
def test_a_full_disk_at_any_step(tmp_path, monkeypatch, where, force):
    destination = tmp_path / "out"
    if force:
        write(destination, "old")
    before = everything(tmp_path)

    def fail(*args, **kwargs):
        raise OSError(errno.ENOSPC, "No space left on device")

    target = {
        "mkdtemp": (room.tempfile, "mkdtemp"),
        "_seal": (room, "_seal"),
        "fsync": (room.os, "fsync"),
        "rename": (room.Path, "rename"),
    }
    with monkeypatch.context() as patch:
        patch.setattr(*target[where], fail)
        with pytest.raises(InputError, match="disk is full"):
            write(destination, force=force)
    assert everything(tmp_path) == before


@pytest.mark.parametrize("stop", [OSError(errno.ENOSPC, "full"), KeyboardInterrupt()])
def test_the_old_comes_back_when_the_last_rename_fails(tmp_path, monkeypatch, stop):
    destination = tmp_path / "out"
    write(destination, "old")
    before = everything(tmp_path)
    rename = Path.rename

    def fail(self, target):
        if self.name.endswith(".part"):
            raise stop
        return rename(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", fail)
        with pytest.raises((InputError, KeyboardInterrupt)):
            write(destination, "new", force=True)
    assert everything(tmp_path) == before
    assert (destination / "summary.json").read_text() == "old"


def test_somebody_else_takes_the_name_meanwhile(tmp_path):
    destination = tmp_path / "out"
    with pytest.raises(InputError, match="exists already"), output_folder(destination) as work:
        (work / "summary.json").write_text("new")
        destination.mkdir()
        (destination / "theirs").write_text("x")
    assert everything(tmp_path) == ["out", "out/theirs"]


def test_an_error_of_the_user_passes_unchanged(tmp_path):
    with pytest.raises(InputError, match=r"^my words$"), output_folder(tmp_path / "out"):
        raise InputError("my words")
    assert everything(tmp_path) == []


def test_check_says_it_before_the_work(tmp_path):
    check_output(tmp_path / "out")
    check_output(tmp_path / "a" / "b" / "out")
    assert everything(tmp_path) == []
    write(tmp_path / "out")
    with pytest.raises(InputError, match="exists already"):
        check_output(tmp_path / "out")
    check_output(tmp_path / "out", force=True)
    with pytest.raises(InputError, match="is a file"):
        check_output(tmp_path / "out" / "summary.json" / "deeper")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_no_permission(tmp_path):
    tmp_path.chmod(0o500)
    try:
        for call in (check_output, write):
            with pytest.raises(InputError, match="no permission"):
                call(tmp_path / "out")
    finally:
        tmp_path.chmod(0o700)
