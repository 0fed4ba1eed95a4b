"""Logs of invented drivers whose faults are known: every fault is found in its corner with its size, and corners without one
have nothing of weight. The truth was measured on the drives, before any sensor saw them (examples/logs/truth.yaml).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
import yaml

from lapwright.driver.compare import compare
from lapwright.driver.sessions import session_of
from lapwright.inputs.files import load_track, load_vehicle
from lapwright.inputs.log_file import load_log
from lapwright.outputs.compare_record import compare_record
from lapwright.reference.kept import keep
from lapwright.reference.solve import solve_lap

ROOT = Path(__file__).parents[2]
LOGS = ROOT / "examples" / "logs"
TRUTH = yaml.safe_load((LOGS / "truth.yaml").read_text(encoding="utf-8"))
KEYS = {"hands_busy": ("corrections",), "brake_twice": ("brake_again",), "coast": ("coast", "throttle_late"),
        "throttle_late": ("throttle_late", "coast")}  # fmt: skip
"""Names of findings where the truth has others: a foot that waits on neither pedal is told by the one or the other."""

FULL = ("halloran-session.csv", "wren-lap.csv", "osei-two-laps.csv", "castellane-lap.csv")
DRESSED = ("wren-lap.mf4", "wren-lap-semicolons.csv", "wren-lap-tabs.txt")
"""Logs with every channel that a finding needs, and the same drive written otherwise."""

DRIVES = {driver["key"]: driver for driver in TRUTH["drives"]}


@cache
def reference():
    track = load_track(ROOT / "tracks" / "marrow-fen.yaml")
    result = solve_lap(track, load_vehicle(ROOT / "vehicles" / "cup-coupe.yaml"))
    return track, result.vehicle, keep(result, track)


@cache
def compared(file, lap):
    track, vehicle, known = reference()
    session = session_of(load_log(LOGS / file), track, vehicle, known.lap)
    return compare_record(compare(track, known, [session], number=lap))["drivers"][0]


def laps():
    """File, lap and what was put in, for every full log and the lap that is looked at."""
    for file in (*FULL, *DRESSED):
        driver = DRIVES[file.split("-")[0]]
        for lap in driver["laps"]:
            # Tyres that are still coming in are another car: the reference is that of warm ones.
            if lap["grip_of_tyres"] > 0.999:
                yield file, lap


def mark(file):
    """The same drive in another dressing takes as long again."""
    return [pytest.mark.slow] if file in DRESSED else []


def cases():
    return [pytest.param(file, lap["lap_in_log"], fault, id=f"{file}-{lap['lap_in_log']}-{fault['corner']}", marks=mark(file))
            for file, lap in laps() for fault in lap["faults"]]  # fmt: skip


@pytest.mark.parametrize(("file", "lap", "fault"), cases())
def test_a_fault_is_found_with_its_size(file, lap, fault):
    told = compared(file, lap)
    keys = KEYS.get(fault["fault"], (fault["fault"],))
    here = [
        one
        for one in told["findings"] + told["along"] + told["style"]
        if one["corner"] == fault["corner"] and one["key"] in keys
    ]
    assert here, [
        (one["corner"], one["key"], one["size"]) for one in told["findings"] + told["along"] + told["style"]
    ]
    if fault["fault"] in ("release_steps", "hands_busy", "brake_twice"):
        # Told by another measure than the truth's: the height of the step, the largest swing, the second brake.
        return
    true = fault["driven"] * (100.0 if fault["unit"] == "share" else 1.0)
    close = max(
        0.2 * abs(true), 2.0 if fault["unit"] == "m" else 0.0, 1.0 if fault["unit"] == "km/h" else 0.0
    )
    assert min(abs(one["size"] - true) for one in here) <= close, (true, [one["size"] for one in here])


@pytest.mark.parametrize(
    ("file", "lap"), [pytest.param(file, lap["lap_in_log"], marks=mark(file)) for file, lap in laps()]
)
def test_corners_without_a_fault_have_nothing_of_weight(file, lap):
    told = compared(file, lap)
    faulty = {
        fault["corner"]
        for _, known in laps()
        if known["lap_in_log"] == lap and _ == file
        for fault in known["faults"]
    }
    wrong = [one for one in told["findings"] if one["corner"] not in faulty and one["loss_s"] > 0.02]
    assert not wrong, [(one["corner"], one["words"], one["loss_s"]) for one in wrong]


@pytest.mark.parametrize("file", [pytest.param(file, marks=mark(file)) for file in (*FULL, *DRESSED)])
def test_the_first_thing_to_try_is_a_fault(file):
    """Not what goes with it: a tight line is braked for later and driven slower, and it is the line that is told."""
    for name, known in laps():
        if name == file:
            told = compared(file, known["lap_in_log"])
            first = told["findings"][told["try_next"][0]["finding"] - 1]
            faults = {
                (fault["corner"], key)
                for fault in known["faults"]
                for key in KEYS.get(fault["fault"], (fault["fault"],))
            }
            assert (first["corner"], first["key"]) in faults


@pytest.mark.parametrize(("file", "lap"), [pytest.param(file, lap, marks=mark(file)) for file, lap in laps()])
def test_lap_times_and_their_difference(file, lap):
    """By places a lap time is known to some hundredths; the running difference ends at it in any case."""
    told = compared(file, lap["lap_in_log"])
    assert told["lap_time_s"] == pytest.approx(lap["time_s"], abs=0.06)
    total = sum(part["difference_s"] for part in told["parts"])
    assert total == pytest.approx(told["difference_s"], abs=1e-3)


def test_tyres_that_come_in_are_seen_from_lap_to_lap():
    """97, 98.5, 99.5 and 100 % of their grip: the laps get quicker, and the car's grip is told by its best."""
    told = compared("halloran-session.csv", None)
    assert told["several"]["trend"]["s_per_lap"] < -0.1
    assert told["fit"]["front_grip"]["scale"] == pytest.approx(1.0, abs=0.02)
    assert told["fit"]["rear_grip"]["scale"] == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(
    ("file", "keys"),
    [
        ("halloran-speed-only.csv", {"slow"}),
        ("castellane-lap.gpx", {"slow", "entry_unused", "apex_missed", "exit_unused"}),
    ],
)
def test_logs_that_have_less_say_less(file, keys):
    told = compared(file, None)
    assert {one["key"] for one in told["findings"] + told["along"] + told["style"]} <= keys
    assert told["withheld"]
    assert len(told["parts"]) > 11


def test_the_target_itself_has_nothing_to_find():
    told = compared("reference-lap.csv", None)
    assert abs(told["difference_s"]) < 0.01
    assert not told["findings"] and not told["style"]
