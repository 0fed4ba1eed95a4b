"""The table on the terminal: right numbers, plain ASCII, never wider than the terminal."""

from dataclasses import replace

import pytest

from lapwright.lap.landmarks import LandmarkFix
from lapwright.outputs.table import corner_table, lap_text
from lapwright.outputs.words import ascii_only, brake_on_phrase, landmark_phrase, lap_time
from lapwright.quantities import CAUTION


@pytest.mark.parametrize(
    "seconds, words",
    [
        (56.6824, "56.682 s"),
        (59.9996, "1:00.000"),
        (60.0, "1:00.000"),
        (103.2104, "1:43.210"),
        (3599.9996, "60:00.000"),
        (0.0004, "0.000 s"),
        (-0.0004, "0.000 s"),
        (-61.5, "-1:01.500"),
    ],
)
def test_lap_time(seconds, words):
    assert lap_time(seconds) == words


def test_landmark_phrase(reports):
    gate = reports[0]
    assert gate.name == "Gate"
    assert landmark_phrase(gate) == "24 m after 100 m board"
    near = replace(gate, landmark_ahead=LandmarkFix("bridge", -12.4))
    assert landmark_phrase(near) == "12 m before bridge"
    assert landmark_phrase(replace(gate, landmark_ahead=LandmarkFix("bridge", -0.3))) == "at bridge"
    assert (
        landmark_phrase(replace(gate, landmark_behind=None, landmark_ahead=LandmarkFix("bridge", -700.0)))
        == ""
    )


def test_brake_on_phrase(reports):
    gate = reports[0]
    assert brake_on_phrase(gate) == "76 m"
    assert brake_on_phrase(replace(gate, brake_on_before_start=-10.4)) == "10 m in"
    flat = replace(gate, brake_on=None, brake_on_before_start=None, entry="flat")
    assert brake_on_phrase(flat) == "flat"
    assert brake_on_phrase(replace(flat, entry="shared", shared_with="Kiln")) == "with Kiln"


def test_the_numbers_of_a_corner(reports):
    line = next(line for line in corner_table(reports).splitlines() if line.startswith("Ferry Hairpin"))
    report = next(report for report in reports if report.name == "Ferry Hairpin")
    fields = line.split()
    assert fields[2] == "L"
    assert f"{report.brake_on_before_start:.0f} m" in line
    assert "before marshal post 4" in line
    for number in (report.brake_on_speed, report.slowest_speed, report.exit_speed):
        assert f"{number * 3.6:.0f}" in fields
    assert f"{report.brake_off_past_slowest:+.0f}" in fields


@pytest.mark.parametrize("width", [40, 48, 60, 79, 80, 100, 110, 119, 120, 160])
def test_never_wider_than_the_terminal(lap, reports, baseline, width):
    text = lap_text(lap, reports, baseline, width)
    assert max(map(len, text.splitlines())) <= width
    table = corner_table(reports, [0.1] * len(reports), width)
    heading = "\n".join(table.splitlines()[:2])
    assert "Corner" in heading and "Brake on" in heading and "Slowest" in heading


def test_a_wide_terminal_shows_everything(lap, reports, baseline):
    text = lap_text(lap, reports, baseline, 120)
    for word in ("landmark", "Peak", "Off", "gear", "Throttle", "full m", "Exit", "Baseline"):
        assert word in text


def test_a_narrow_one_drops_and_says_only_what_it_shows(reports):
    text = corner_table(reports, None, 46)
    assert "Peak" not in text and "Throttle" not in text
    assert "Brake on: metres" in text.replace("\n", " ")


def test_heading_and_caution(lap, reports, baseline):
    text = lap_text(lap, reports, baseline)
    lines = text.splitlines()
    assert lines[0] == "Fen Loop (invented) - Cup coupe (invented)"
    assert lines[1].split() == ["Lap", "time", *lap_time(lap.time).split()]
    assert lap_time(baseline.time) in lines[2] and f"{baseline.time - lap.time:+.3f} s" in lines[2]
    assert " ".join(text.split()).endswith(" ".join(CAUTION.split()))


def test_losses_of_the_baseline_add_up(lap, reports, baseline):
    rows = [
        line
        for line in lap_text(lap, reports, baseline).splitlines()
        if line[:4] in {r.name[:4] for r in reports}
    ]
    losses = [float(line.split()[-1]) for line in rows[: len(reports)]]
    assert sum(losses) == pytest.approx(baseline.time - lap.time, abs=0.005 * len(losses) + 1e-9)


def test_plain_ascii(lap, reports, baseline):
    named = [replace(reports[0], name="Dünenkehre 見"), *reports[1:]]
    text = lap_text(replace(lap, track_name="Åsen", vehicle_name="Coupé"), named, baseline)
    text.encode("ascii")
    assert "Dunenkehre ?" in text and "Asen - Coupe" in text
    assert ascii_only("Kurve 1") == "Kurve 1"


def test_a_road_without_corners(lap):
    text = lap_text(replace(lap, closed=False), ())
    assert "Time" in text and "Corner" not in text
