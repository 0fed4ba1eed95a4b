"""The command ``baseline``: what it writes, says and returns."""

import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from lapwright.cli import main as cli
from lapwright.outputs.traces import read_trace

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
OPEN = """\
name: Lane
closed: false
centreline:
  elements:
    - straight_m: 60
    - {radius_m: 30, angle_deg: 90, turn: right}
    - straight_m: 60
width_m: 9
"""
CIRCLE = "name: Point\nmodel: friction_circle\ngrip_g: 1.2\npower_kW: 150\nmass_kg: 1200\ndrag_area_m2: 0.8\n"


@pytest.fixture
def files(tmp_path):
    texts = {"ring": TRACK, "lane": OPEN, "point": CIRCLE}
    for name, text in texts.items():
        (tmp_path / f"{name}.yaml").write_text(text)
    return SimpleNamespace(folder=tmp_path, **{name: str(tmp_path / f"{name}.yaml") for name in texts})


def test_it_writes_everything(files, capsys):
    out = files.folder / "out"
    assert cli.main(["baseline", files.ring, files.point, "--out", str(out), "--no-figures"]) == 0
    text = capsys.readouterr().out
    assert "Ring - Point" in text and "Lap time" in text
    assert text.endswith(f"\n\nWritten to {out}\n") and "\n\n\n" not in text
    summary = json.loads((out / "summary.json").read_text())
    assert list(summary)[:3] == ["status", "lap_time_s", "baseline_lap_time_s"]
    assert summary["status"] == "solved"
    assert summary["lap_time_s"] == summary["baseline_lap_time_s"]
    assert len(summary["brake_points_m"]) == 2
    trace = read_trace(out / "baseline.csv")
    assert trace["time_s"][-1] == pytest.approx(summary["lap_time_s"], abs=1e-4)
    # v^2 = mu g R in the bends.
    assert trace["speed_mps"].min() == pytest.approx(np.sqrt(1.2 * 9.80665 * 30.0), abs=2e-3)
    assert {path.name for path in out.iterdir()} >= {"baseline.csv", "corners.csv", "summary.json"}


def test_figures(files):
    out = files.folder / "out"
    assert cli.main(["baseline", files.ring, files.point, "--out", str(out), "--quiet"]) == 0
    names = {path.name for path in out.iterdir()}
    assert {"map.png", "friction.png"} <= names
    assert any(name.startswith("traces") for name in names)


def test_json_is_all_there_is_on_standard_output(files, capsys):
    assert cli.main(["baseline", files.lane, files.point, "--start-speed-mps", "20", "--json"]) == 0
    captured = capsys.readouterr()
    summary = json.loads(captured.out)
    assert summary["track"]["closed"] is False
    assert summary["options"]["start_speed_mps"] == 20.0


RAMPS = TRACK.replace("turn: left", "turn: left, ramp_m: 12").replace("straight_m: 100", "straight_m: 88")


def driven_again(files, capsys, track, rows):
    """Time on the centreline, and the summary of a second run on the line in the first one's trace.

    ``rows`` makes the lines of the table from those of the trace.
    """
    out, again, table = files.folder / "out", files.folder / "again", files.folder / "line.csv"
    assert cli.main(["baseline", track, files.point, "--out", str(out), "--no-figures", "--json"]) == 0
    centre = json.loads(capsys.readouterr().out)["lap_time_s"]
    table.write_text("\n".join(rows((out / "baseline.csv").read_text().splitlines())) + "\n")
    more = ["--line", str(table), "--out", str(again), "--no-figures", "--json"]
    assert cli.main(["baseline", track, files.point, *more]) == 0
    return centre, json.loads(capsys.readouterr().out)


def test_a_line_from_a_file(files, capsys):
    def offsets_alone(lines):
        names = lines[0].split(",")
        kept = [names.index("distance_m"), names.index("lateral_offset_m")]
        return [",".join(line.split(",")[k] for k in kept) for line in lines]

    centre, summary = driven_again(files, capsys, files.ring, offsets_alone)
    assert summary["lap_time_s"] == pytest.approx(centre, rel=1e-3)
    assert summary["line"] == "file"
    assert summary["baseline_lap_time_s"] is None
    assert summary["inputs"]["line"]["file"] == "line.csv"
    assert "smoothed by at most" in summary["notices"][0]


def test_a_trace_is_driven_with_its_own_curvature(files, capsys):
    """Stations of a trace have three decimals and its curvature six: half of the last one at 1/30 m is 1.5e-5."""
    ring = files.folder / "ramps.yaml"
    ring.write_text(RAMPS)
    centre, summary = driven_again(files, capsys, str(ring), lambda lines: lines)
    assert summary["lap_time_s"] == pytest.approx(centre, rel=3e-5)
    assert "curvature_1pm" in summary["notices"][0]


def test_less_grip_is_slower(files, capsys):
    times = []
    for margin in ("0", "0.1"):
        assert cli.main(["baseline", files.ring, files.point, "--grip-margin", margin, "--json"]) == 0
        times.append(json.loads(capsys.readouterr().out)["lap_time_s"])
    assert times[1] > times[0] * 1.02


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["--start-speed-mps", "60"], 3, "cannot slow down"),
        (["--end-speed-mps", "129"], 3, "does not reach 129 m/s"),
        (["--start-speed-mps", "-3"], 2, "allowed are 0 to 130"),
        (["--line", "nowhere.csv"], 2, "no such file"),
        (["--line-smoothing-m", "7"], 2, "allowed are 0 to 1 m"),
        (["--grip-margin", "3"], 2, "0 to 0.5"),
    ],
)
def test_what_goes_wrong_is_said_and_nothing_is_written(files, capsys, arguments, status, words):
    out = files.folder / "out"
    assert cli.main(["baseline", files.lane, files.point, "--out", str(out), *arguments]) == status
    assert words in capsys.readouterr().err
    assert not Path(out).exists()


def test_faults_of_a_line_file_have_their_place(files, capsys):
    line = files.folder / "line.csv"
    line.write_text("distance_m,lateral_offset_m\n0,0\n50,9\n100,x\n167,0\n")
    assert cli.main(["baseline", files.lane, files.point, "--line", str(line)]) == 2
    assert f"{line}:4:5: lateral_offset_m is x; it must be a number" in capsys.readouterr().err


def test_no_figures_needs_no_matplotlib(files):
    """Nor scipy, for a road of elements: what is not used is not imported, in a process of its own."""
    program = (
        "import sys; from lapwright.cli.main import main; "
        f"status = main(['baseline', {files.ring!r}, {files.point!r}, '--no-figures', '--quiet', "
        f"'--out', {str(files.folder / 'out')!r}]); "
        "print(status, [name for name in ('matplotlib', 'scipy', 'shapely') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "0 ['shapely']"
