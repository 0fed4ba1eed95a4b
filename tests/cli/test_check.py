"""The command ``check``, and how the command line as a whole behaves towards people and scripts."""

import errno
import json
import os
import signal
import subprocess
import sys
from types import SimpleNamespace

import pytest

from lapwright.cli import check as check_command
from lapwright.cli import main as cli
from lapwright.errors import Fault, InputError, InputNotice, NoSolutionError

TRACK = """\
name: Ring
closed: true
centreline:
  elements:
    - straight_m: 100
    - {radius_m: 30, angle_deg: 180, turn: left}
    - straight_m: 100
    - {radius_m: 30, angle_deg: 180, turn: left}
width_m: 11
"""
CIRCLE = "name: Point\nmodel: friction_circle\ngrip_g: 1.2\npower_kW: 150\nmass_kg: 1200\ndrag_area_m2: 0.8\n"


@pytest.fixture
def files(tmp_path):
    track, car = tmp_path / "ring.yaml", tmp_path / "point.yaml"
    track.write_text(TRACK)
    car.write_text(CIRCLE)
    return SimpleNamespace(track=track, car=car, folder=tmp_path)


def lapwright(*args, **options):
    command = [sys.executable, "-m", "lapwright", *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, **options)


def test_sound_files(files, capsys):
    assert cli.main(["check", str(files.track), str(files.car)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert f"{files.track}: track, sound" in out
    # Two straights of 100 m and two half circles of 30 m.
    assert "388.5 m, closed" in out
    assert "smallest radius  30.0 m" in out
    assert f"{files.car}: vehicle, sound" in out
    assert "8.00 kg/kW" in out


def test_numbers_for_scripts(files, capsys):
    assert cli.main(["check", "--json", str(files.track), str(files.car)]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["status"] == "sound"
    track, car = (entry["summary"] for entry in data["files"])
    assert track["length_m"] == pytest.approx(388.5, abs=0.01)
    assert track["closed"] is True and track["closure_gap_m"] == 0
    assert [corner["direction"] for corner in track["corners"]] == ["left", "left"]
    assert [corner["angle_deg"] for corner in track["corners"]] == pytest.approx([180, 180], abs=0.5)
    # v = (P / (rho CdA / 2))^(1/3) with rho = 1.2 kg/m3
    assert car["top_speed_kmh"] == pytest.approx(3.6 * (150e3 / 0.48) ** (1 / 3), abs=0.1)
    assert car["mass_per_power_kg_per_kW"] == 8.0


def test_faults_go_to_standard_error_and_the_sound_file_is_still_told(files, capsys):
    bad = files.folder / "bad.yaml"
    bad.write_text(TRACK.replace("width_m: 11", "width_m: 1100").replace("closed: true", "closed: yes"))
    assert cli.main(["check", str(bad), str(files.car)]) == 2
    out, err = capsys.readouterr()
    lines = err.splitlines()
    assert lines[0].startswith(f"{bad}:2:9: closed is yes")
    assert lines[1].startswith(f"{bad}:9:10: width_m is 1100")
    assert len(lines) == 2
    assert "point.yaml: vehicle, sound" in out and "bad.yaml" not in out


def test_faults_as_json(files, capsys):
    bad = files.folder / "bad.yaml"
    bad.write_text(CIRCLE.replace("1.2", "-1.2"))
    assert cli.main(["check", "--json", str(bad)]) == 2
    out, err = capsys.readouterr()
    (entry,) = json.loads(out)["files"]
    assert entry["summary"] is None
    assert entry["faults"][0] | {"message": ""} == {
        "file": str(bad),
        "line": 3,
        "column": 9,
        "key": ["grip_g"],
        "message": "",
    }
    assert f"{bad}:3:9: grip_g is -1.2" in err


def test_notices(files, capsys):
    files.car.write_text(CIRCLE.replace("mass_kg: 1200", "mass_kg: 9000"))
    assert cli.main(["check", str(files.car)]) == 0
    assert f"{files.car}:5:10: notice: mass_kg is 9000: unusual" in capsys.readouterr().err
    assert cli.main(["check", "--quiet", str(files.car)]) == 0
    assert capsys.readouterr().err == ""


def test_a_track_that_does_not_close(files, capsys):
    files.track.write_text(TRACK.replace("straight_m: 100", "straight_m: 160", 1))
    assert cli.main(["check", str(files.track)]) == 2
    err = capsys.readouterr().err
    assert err.startswith(f"{files.track}:5:5: the lap does not close")
    assert "60.00 m from the start" in err


@pytest.mark.parametrize("name", ["missing.yaml", ".", "points.csv"])
def test_what_is_no_file_to_check(files, capsys, name, monkeypatch):
    monkeypatch.chdir(files.folder)
    (files.folder / "points.csv").write_text("x_m,y_m\n")
    assert cli.main(["check", name]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"{name}: ") and err.count("\n") == 1


def test_columns_of_the_table_line_up():
    rows = [("corner", "from m", "turns"), ("A", "5", "left"), ("Long name", "1234", "right")]
    lines = check_command.table(rows)
    assert lines == ["corner     from m  turns", "A               5  left", "Long name    1234  right"]


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["chek", "x"], "did you mean check?"),
        (["frobnicate"], "there is no command frobnicate"),
        (["check", "--jsn", "x"], "unknown argument --jsn; did you mean --json?"),
        (["check"], "FILE"),
        (["schema", "car"], "invalid choice"),
        (["--versoin"], "did you mean --version?"),
        (["check", "--js", "x"], "unknown argument --js"),
        ([], "usage"),
    ],
)
def test_wrong_words_on_the_command_line(argv, words, capsys):
    with pytest.raises(SystemExit) as caught:
        cli.main(argv)
    assert caught.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err


@pytest.mark.parametrize("argv", [["--help"], ["--version"], ["check", "--help"]])
def test_help_and_version(argv, capsys):
    with pytest.raises(SystemExit) as caught:
        cli.main(argv)
    assert caught.value.code == 0
    assert "lapwright" in capsys.readouterr().out


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from lapwright.cli.main import build_parser; build_parser().format_help(); "
        "heavy = ('casadi', 'numpy', 'scipy', 'shapely', 'matplotlib', 'yaml'); "
        "print([m for m in heavy if m in sys.modules])"
    )
    assert (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
        == "[]\n"
    )
    assert "check track, vehicle and study files" in lapwright("--help").stdout


def _raising(error):
    def run(args):
        raise error

    return run


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (InputError([Fault("one", file="a", line=3, column=4), Fault("two")]), 2, "a:3:4: one\ntwo\n"),
        (
            NoSolutionError("the grip limit cannot be met at 120 m"),
            3,
            "the grip limit cannot be met at 120 m\n",
        ),
        (KeyboardInterrupt(), 130, "interrupted"),
        (
            OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "out/x.csv"),
            2,
            "out/x.csv: No space left on device\n",
        ),
        (PermissionError(errno.EACCES, os.strerror(errno.EACCES), "out"), 2, "out: Permission denied\n"),
        (MemoryError(), 2, "not enough memory"),
    ],
)
@pytest.mark.parametrize("as_json", [False, True])
def test_errors_become_sentences_and_exit_statuses(error, status, words, as_json, capsys, monkeypatch):
    monkeypatch.setattr(check_command, "run", _raising(error))
    monkeypatch.setattr(
        cli, "parse", lambda argv: SimpleNamespace(run=check_command.run, json=as_json, quiet=False)
    )
    assert cli.main(["check", "x"]) == status
    out, err = capsys.readouterr()
    assert err.startswith(words) or words in err
    assert "Traceback" not in err
    if as_json:
        assert json.loads(out)["status"]
        assert json.loads(out)["faults"][0]["message"]
    else:
        assert out == ""


def test_notices_of_loading_are_lines_not_python_warnings(capsys, monkeypatch):
    import warnings

    def run(args):
        for _ in range(2):
            warnings.warn(InputNotice(Fault("odd", (), "car.yaml", 3, 4)), stacklevel=1)
        return 0

    for quiet, expected in ((False, "car.yaml:3:4: notice: odd\n" * 2), (True, "")):
        monkeypatch.setattr(cli, "parse", lambda argv, q=quiet: SimpleNamespace(run=run, json=False, quiet=q))
        assert cli.main([]) == 0
        assert capsys.readouterr().err == expected


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs the full device of Linux")
def test_a_full_disk_behind_standard_output(files):
    with open("/dev/full", "w") as full:
        command = [sys.executable, "-m", "lapwright", "check", str(files.car)]
        result = subprocess.run(
            command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60, check=False
        )
    assert result.returncode == 2
    assert "No space left on device" in result.stderr
    assert "Traceback" not in result.stderr and "Exception" not in result.stderr


def test_a_reader_that_goes_away():
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "lapwright", "schema", "vehicle"]
    result = subprocess.run(
        command, stdout=writing, stderr=subprocess.PIPE, text=True, timeout=60, check=False
    )
    os.close(writing)
    assert result.returncode == 128 + 13
    assert result.stderr == ""


@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_with_130_and_no_traceback(files, stop):
    code = (
        "import sys, time; from lapwright.cli import main, check\n"
        "def run(args): print('running', flush=True); time.sleep(30)\n"
        "check.run = run; sys.argv = ['lapwright', 'check', 'x']; main.entry()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout.readline() == b"running\n"
        process.send_signal(stop)
        _, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert err == b"interrupted\n"


def test_a_terminal_without_the_letters_of_a_name(files):
    files.car.write_text(CIRCLE.replace("Point", "Größe α"), encoding="utf-8")
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    result = lapwright("check", files.car, env=environment)
    assert result.returncode == 0
    assert "Gr\\xf6\\xdfe" in result.stdout


def test_names_of_files_that_are_no_text(files):
    odd = os.fsencode(files.folder) + b"/p\xff.yaml"
    with open(odd, "wb") as file:
        file.write(CIRCLE.encode())
    command = [sys.executable, "-m", "lapwright", "check", os.fsdecode(odd)]
    result = subprocess.run(command, capture_output=True, timeout=60, check=False)
    assert result.returncode == 0 and b"Traceback" not in result.stderr


def test_the_schema_command(files, capsys):
    assert cli.main(["schema", "track"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert "centreline" in printed["properties"]
    out = files.folder / "new" / "track.json"
    assert cli.main(["schema", "track", "--out", str(out)]) == 0
    assert json.loads(out.read_text()) == printed
    assert capsys.readouterr().out == ""


def test_the_schema_command_never_overwrites_unasked(files, capsys):
    out = files.folder / "mine.json"
    out.write_text("mine")
    assert cli.main(["schema", "vehicle", "--out", str(out)]) == 2
    assert out.read_text() == "mine"
    assert "--force" in capsys.readouterr().err
    assert cli.main(["schema", "vehicle", "--out", str(out), "--force"]) == 0
    assert "$defs" in json.loads(out.read_text())
    assert cli.main(["schema", "vehicle", "--out", str(files.folder)]) == 2
    assert cli.main(["schema", "vehicle", "--out", str(out / "below.json")]) == 2
    assert sorted(path.name for path in files.folder.iterdir()) == ["mine.json", "point.yaml", "ring.yaml"]
