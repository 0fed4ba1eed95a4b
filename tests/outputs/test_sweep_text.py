"""What a sweep says on the terminal and in sweep.json: the same facts, no zeros for what there is not."""

import json
import re
from dataclasses import replace

import pytest
from made_sweep import (
    BRAKES,
    GRIP,
    LOCK,
    MASS,
    MORE,
    REAR_WING,
    SHARE,
    TYPES,
    WING,
    grid,
    hypercube,
    made_study,
    made_time,
    one_in,
)

from lapwright.outputs.sweep_text import SWEEP_KEYS, record_text, sweep_record, sweep_terminal
from lapwright.quantities import CAUTION
from lapwright.study.cases import FAULT, NO_SOLUTION, SOLVED

FIVE = (BRAKES, REAR_WING, MASS, LOCK, GRIP)
SHARES, WINGS = (0.5, 0.55, 0.6, 0.65, 0.7), (2.0, 4.5, 7.0, 9.5, 12.0)
BEST = made_time({BRAKES.name: 0.6, REAR_WING.name: 7.0})


@pytest.fixture(scope="module")
def on_grid(circuit):
    return made_study(circuit, (BRAKES, REAR_WING), grid(SHARES, WINGS), fate=one_in(6))


@pytest.fixture(scope="module")
def record(on_grid):
    return sweep_record(*on_grid)


@pytest.fixture(scope="module")
def scattered(circuit):
    pairs = (("fen-loop", "cup-coupe"), ("hill", "sports-prototype"))
    return made_study(circuit, FIVE, hypercube(FIVE, 60), "hypercube", pairs=pairs, fate=one_in(13))


def test_counts_and_reasons(record):
    """Of 26 cases 6, 12, 18 and 24 have no answer; cases 6 and 24 for the same reason."""
    assert record["counts"] == {"cases": 26, "solved": 22, "no_solution": 1, "fault": 2, "lost": 1}
    first = record["not_solved"][0]
    assert (first["status"], first["cases"]) == (FAULT, 2)
    assert [one["case"] for one in first["first"]] == [6, 24]
    assert sum(one["cases"] for one in record["not_solved"]) == 4


def test_reasons_that_differ_in_numbers_alone_are_one(on_grid):
    study, results = on_grid
    gone = [
        replace(result, status=NO_SOLUTION, lap_time=None, words=f"off the road at {100.5 + k} m, twice")
        for k, result in enumerate(results)
    ]
    [reason] = sweep_record(study, gone)["not_solved"]
    assert reason["cases"] == 26 and len(reason["first"]) == 5
    text = sweep_terminal(study, gone)
    assert "No solution, 26 cases (0, 1, 2, 3, 4 and 21 more): off the road at 100.5 m, twice" in text
    assert "No case has an answer." in text and "Current setup  not solved" in text


def test_the_fastest_and_what_it_gains(record):
    [group] = record["groups"]
    assert group["current"] == {
        "lap_time_s": round(made_time({}), 4), "values": {"brakes.front_share": 0.58, "aero.rear_wing_deg": 5.0},
    }  # fmt: skip
    best = group["fastest"][0]
    assert best["case"] == 13 and best["values"] == {"brakes.front_share": 0.6, "aero.rear_wing_deg": 7.0}
    assert best["lap_time_s"] == pytest.approx(BEST, abs=5e-5)
    assert best["change_s"] == pytest.approx(BEST - made_time({}), abs=1e-4)
    times = [one["lap_time_s"] for one in group["fastest"]]
    assert len(times) == 5 and times == sorted(times)
    text = record_text(record)
    assert "Current setup  1:27.568" in text and "Fastest        1:27.416 (-0.152 s" in text
    assert "case 13: brakes.front_share 0.6, rear_wing [deg] 7" in text


def test_no_case_quicker_than_the_current_setup(circuit):
    case = made_study(circuit, (BRAKES, REAR_WING), grid(SHARES, WINGS), base=(SHARE, WING))
    assert "the current setup: no case is quicker" in sweep_terminal(*case)


def test_a_gain_within_the_mesh_error_is_told_so(on_grid):
    study, results = on_grid
    rough = [replace(r, mesh_error=0.2) if r.status == SOLVED else r for r in results]
    assert "within the mesh error of 0.2000 s" in sweep_terminal(study, rough, 400)
    assert "within the mesh error" not in sweep_terminal(study, results, 400)


def test_what_the_lap_time_hangs_on(scattered):
    """The slopes of the formula over the range of the solved samples, and its steps."""
    study, results = scattered
    record = sweep_record(study, results)
    group = record["groups"][0]
    worth = {one["column"]: one for one in group["curved"]["worth"]}
    masses = [c.values[2] for c, r in zip(study.cases, results, strict=True)
              if c.circuit == "fen-loop" and c.number and r.status == SOLVED]  # fmt: skip
    assert worth["chassis.mass_kg"]["swing_s"] == pytest.approx(0.004 * (max(masses) - min(masses)), abs=0.05)
    assert (worth["chassis.mass_kg"]["low"], worth["chassis.mass_kg"]["high"]) == pytest.approx(
        (min(masses), max(masses))
    )
    assert worth["driveline.differential.type"]["slope_s"] is None
    for kind in TYPES:
        assert worth["driveline.differential.type"]["words_s"][kind] == pytest.approx(MORE[kind], abs=0.05)
    assert group["plane"]["r2"] < group["curved"]["r2"] < 1.0 and group["plane"]["cases"] == 56
    text = record_text(record)
    order = [text.index(f"  {axis.label}:") for axis in (GRIP, MASS, BRAKES, REAR_WING, LOCK)]
    assert order[:2] == sorted(order)[:2]
    assert "A plane through 56 solved cases explains" in text


def test_too_few_cases_are_not_fitted(circuit):
    case = made_study(circuit, FIVE, hypercube(FIVE, 8), "hypercube")
    [group] = sweep_record(*case)["groups"]
    assert group["plane"] is None and "too few" in group["no_plane"] and group["curved"] is None
    assert "is not told: 8 solved cases are too few" in sweep_terminal(*case)


@pytest.mark.parametrize("width", (60, 80, 120))
def test_text_is_plain_and_as_wide_as_asked(scattered, width):
    text = sweep_terminal(*scattered, width)
    assert text.isascii() and text.endswith("\n")
    assert max(len(line) for line in text.splitlines()) <= width
    flat = " ".join(text.split())
    assert CAUTION in flat and "fen-loop - cup-coupe" in flat and "hill - sports-prototype" in flat
    assert "(fen-loop, cup-coupe)" in flat
    if width < 120:
        assert "In cases.csv besides:" in flat


def test_the_record_is_plain_json_and_the_text_needs_nothing_else(scattered):
    record = sweep_record(*scattered)
    back = json.loads(json.dumps(record, allow_nan=False))
    assert record_text(back, 100) == sweep_terminal(*scattered, 100)


def keys_of(value, before=""):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from keys_of(inner, f"{before}.{key}" if before else key)
    elif isinstance(value, list):
        for inner in value:
            yield from keys_of(inner, f"{before}[]")
    else:
        yield before


def test_every_key_is_documented(record, scattered):
    """What lies under ``values`` and ``words_s`` has the names of the study, ``curved`` the keys of ``plane``."""
    found = {key for one in (record, sweep_record(*scattered)) for key in keys_of(one)}
    found = {re.sub(r"\.(values|words_s)\..*", r".\1", key) for key in found}
    found = {re.sub(r"\.curved\..*", ".curved", key) for key in found}
    assert found == {key for key, _ in SWEEP_KEYS}
