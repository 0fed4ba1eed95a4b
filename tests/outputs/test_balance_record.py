"""Record, sentences, text and tables of a balance: complete, with units, true to the balance, never more than it says."""

import json
import math
from dataclasses import replace
from io import StringIO
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from made_balance import ROOT, SIZES, made_balance

from lapwright.inputs.files import load_vehicle
from lapwright.lap.lap import WHEELS
from lapwright.lap.spans import Span, leaves
from lapwright.outputs.balance_files import (
    ENTRIES,
    ROWS,
    balance_json,
    effects_text,
    entries_text,
    entry_text,
    write_balance,
)
from lapwright.outputs.balance_keys import BALANCE_KEYS
from lapwright.outputs.balance_record import balance_record
from lapwright.outputs.balance_setup import entry_worth, first_axle
from lapwright.outputs.balance_text import balance_terminal
from lapwright.outputs.balance_values import station
from lapwright.outputs.balance_words import (
    brake_on,
    effect_words,
    held_words,
    is_nothing,
    key_points,
    limit_stretches,
    piece_words,
    place_words,
    stable_words,
)
from lapwright.outputs.compare_keys import written
from lapwright.quantities import CAUTION, KMH, G
from lapwright.study.effects import Check, Effect
from lapwright.study.numbers import number_called

UNITS = ("_m", "_s", "_kmh", "_g", "_deg", "_N", "_Nm", "_1ps", "_percent", "_share", "_factor")
"""Endings of names of numbers in the record."""

OWN_UNIT = {"value", "step", "before", "after", "low", "high"}
"""Numbers whose unit stands beside them."""

BARE = {
    "rank",
    "solves",
    "best_share_moves",
    "doublings",
    "doublings_before",
    "doublings_after",
    "most_doublings",
}
"""Counts, also of doublings, and a difference of shares."""


@pytest.fixture(scope="module")
def balance():
    return made_balance()


@pytest.fixture(scope="module")
def record(balance):
    return balance_record(balance)


def paths(value, key=""):
    if isinstance(value, dict):
        for name, item in value.items():
            yield from paths(item, name)
    elif isinstance(value, list):
        for item in value:
            yield from paths(item, key)
    else:
        yield key, value


# -- the record --------------------------------------------------------------------------------------------------------------


def test_every_key_is_explained_and_every_explained_key_is_there(record):
    named, there = {key for key, _ in BALANCE_KEYS}, set(written(record))
    assert there - named <= {"entries[].nervous.stretches[]", "effects[].check", "entries[].nervous"}
    assert named - there <= {"best", "brake_share"}


def test_every_number_has_its_unit_in_its_name_or_beside_it(record):
    for key, value in paths(record):
        if isinstance(value, float) or (isinstance(value, int) and not isinstance(value, bool)):
            assert key.endswith(UNITS) or key in OWN_UNIT | BARE, key
    assert all("unit" in one for one in (*record["effects"], *record["best"]["numbers"]))


def test_record_is_json_and_what_is_not_known_is_null(record):
    """RFC 8259 has no NaN; the first share of the scan has no lap, one entry no best share."""

    def refuse(word):
        raise AssertionError(word)

    read = json.loads(balance_json(record), parse_constant=refuse)
    assert read == record
    assert read["brake_share"]["scan"][0]["lap_time_s"] is None
    assert read["brake_share"]["corners"][-1]["best_entry_share"] is None
    assert read["caution"] == CAUTION


def test_parts_add_up_to_their_effect(record, balance):
    """To a millionth for each of the pieces, the digits of the record."""
    for one, effect in zip(record["effects"], balance.effects, strict=True):
        assert len(one["parts"]) == len(leaves(balance.spans))
        total = sum(part["change_s"] for part in one["parts"])
        assert total == pytest.approx(effect.per_step, abs=1e-6 * len(one["parts"]))


def test_places_are_those_of_the_lap(record, balance):
    length = balance.known.lap.s[-1] - balance.known.lap.s[0]
    for one, entry in zip(record["entries"], balance.entries, strict=True):
        assert one["turn_in_m"] is None or one["turn_in_m"] == pytest.approx(entry.turn_in, abs=0.051)
        report = next(r for r in balance.reports if r.name == entry.corner)
        if report.entry == "brake":
            assert one["brake_on_m"] == pytest.approx(report.brake_on, abs=0.1)
        for name, value in one.items():
            if name.endswith("_m") and value is not None:
                assert 0.0 <= value <= length
    assert station(length + 10.0, balance) == 10.0
    assert station(-10.0, balance) == pytest.approx(length - 10.0, abs=0.05)


def test_limits_cover_the_entry_without_a_gap(record, balance):
    for one, entry in zip(record["entries"], balance.entries, strict=True):
        limits = one["limits"]
        assert limits[0]["from_m"] == pytest.approx(entry.start, abs=0.051)
        assert limits[-1]["to_m"] == pytest.approx(entry.slowest, abs=0.051)
        assert all(a["to_m"] == b["from_m"] and a["axle"] != b["axle"] for a, b in pairwise(limits))
        assert [change["at_m"] for change in one["changes"]] == [limit["to_m"] for limit in limits[:-1]]
        times = [one[f"time_{axle}_percent"] for axle in ("front", "rear", "both", "none")]
        assert sum(times) == pytest.approx(100.0, abs=0.3)


def test_stability_of_the_best_setup_is_told_by_its_doublings(balance):
    """Made up: one entry twice as unstable as before, one half, the others within a twentieth."""
    factors = [2.0, 0.5, *[1.03] * (len(balance.entries) - 2)]
    after = tuple(
        replace(e, doublings=f * e.doublings) for e, f in zip(balance.entries, factors, strict=True)
    )
    told = balance_record(replace(balance, best=replace(balance.best, entries=after)))["best"]
    states = {one["corner"]: one["stability"] for one in told["entries"]}
    known = [e for e in balance.entries if e.nervous is not None]
    assert [states[e.corner] for e in balance.entries if e.nervous is None] == [None] * (
        len(after) - len(known)
    )
    for entry, factor in zip(balance.entries, factors, strict=True):
        if entry.nervous is not None and entry.doublings > 2.0:
            assert states[entry.corner] == {2.0: "less", 0.5: "more"}.get(factor, "same")
    before = sum(e.doublings for e in known)
    assert f"would double {before:.0f} times on all {len(known)} entries together before" in told["said"]
    worst = balance.entries[0]
    assert (
        f"most {worst.corner}: {worst.doublings:.1f} times before, {2.0 * worst.doublings:.1f} after"
        in told["said"]
    )


def test_bounds_of_the_best_setup_are_said(record):
    said = {one["key"]: one["said"] for one in record["best"]["numbers"]}
    assert said["chassis.roll_stiffness_front_share"] == (
        "Roll stiffness to the front: 0.56 to 0.71, the highest that is allowed; a step further would gain another 0.004 s"
    )
    assert said["driveline.final_drive"].endswith(
        "the lowest that is allowed; a step further would gain less than 1 ms"
    )
    assert said["brakes.front_share"] == "Brake share to the front: 0.65 to 0.68, within 0.55 to 0.75"


def test_limits_on_the_stability_are_said_with_whether_they_are_kept(balance):
    kept = balance_record(balance)["best"]
    limit = balance.best.most_doublings
    assert kept["held"] is True and f"Asked for, and kept: at most {limit:.1f} doublings." in kept["said"]
    broken = balance_record(replace(balance, best=replace(balance.best, held=False)))["best"]
    assert "No setup that was tried keeps the limit" in broken["said"] and "NOT kept" in broken["said"]
    free = replace(balance.best, most_doublings=None)
    none = balance_record(replace(balance, best=free))["best"]
    assert none["held"] is None and "Asked for" not in none["said"]


def test_cold_tyres_are_held_against_hot_ones(record, balance):
    hot, front = record["tyres"][:2]
    assert hot["best_share_moves"] is None and hot["difference_s"] == 0.0
    assert front["difference_s"] == pytest.approx(
        balance.tyres[1].lap_time - balance.tyres[0].lap_time, abs=1e-4
    )
    assert front["best_share_moves"] == pytest.approx(-0.033, abs=1e-4)
    assert front["said"].endswith("0.033 more to the rear than hot.")
    assert front["corners"][0]["brake_on_earlier_m"] == pytest.approx(6.0, abs=0.05)
    assert front["corners"][0]["said"] == "Gate: brake 6 m earlier"


def test_the_worth_of_a_share_is_the_area_under_its_slope(balance, record):
    """The slope runs straight from the multipliers' at the car's share to none at the best: numpy.trapezoid over it."""
    own, best = 0.65, 0.69
    effect = next(e for e in balance.effects if e.number.key == "brakes.front_share")
    pieces = zip(leaves(balance.spans), effect.parts, strict=True)
    slope = (
        sum(p for (span, leaf), p in pieces if span.name == "Gate" and leaf.name in ("braking", "entry"))
        / 0.01
    )
    shares = np.linspace(own, best, 5)
    area = np.trapezoid(slope * (best - shares) / (best - own), shares)
    scan = replace(balance.scan, worth_entries={})
    balance = replace(balance, scan=scan)
    assert entry_worth(balance, "Gate", own, best) == pytest.approx(-area)
    # What was integrated over laps at several shares counts more.
    tried = replace(balance, scan=replace(scan, worth_entries={"Gate": 0.0312}))
    assert entry_worth(tried, "Gate", own, best) == 0.0312
    assert entry_worth(balance, "Gate", own, math.nan) is None
    assert entry_worth(balance, "Gate", own, own - 0.04) is None, "the slope leads the other way"


def test_the_first_axle_to_lock_is_that_with_too_much_brake():
    assert first_axle(0.65, 0.60) == "front" and first_axle(0.65, 0.70) == "rear"
    assert first_axle(0.65, 0.6502) == "both" and first_axle(0.65, None) is None


def test_what_was_not_asked_for_is_left_out(balance):
    bare = replace(balance, entries=(), moved=(), brakes=(), scan=None, tyres=(), best=None)
    record = balance_record(bare)
    assert record["best"] is None and record["tyres"] == [] and record["brake_share"]["best_share"] is None
    text = balance_terminal(record)
    assert "Best setup" not in text and "Tyres" not in text and "other shares were not tried" in text
    point = load_vehicle(ROOT / "vehicles" / "teaching-car.yaml")
    circle = replace(bare, known=replace(bare.known, vehicle=point), effects=())
    assert balance_record(circle)["brake_share"] is None
    assert "Brake share" not in balance_terminal(balance_record(circle))


# -- sentences ---------------------------------------------------------------------------------------------------------------

PIECES = leaves(
    (
        Span("to Gate", "straight", 0.0, 100.0),
        Span(
            "Gate",
            "corner",
            100.0,
            200.0,
            (Span("braking", "phase", 100.0, 150.0), Span("exit", "phase", 150.0, 200.0)),
        ),
        Span("Reeds", "corner", 200.0, 300.0),
    )
)


def effect_of(balance, parts, check=None, key="brakes.front_share"):
    number = number_called(balance.known.vehicle, key)
    return Effect(number, number.value(balance.known.vehicle), float(sum(parts)), tuple(parts), check)


def test_pieces_of_the_lap_have_names():
    assert [piece_words(piece) for piece in PIECES] == [
        "on the way to Gate", "in Gate's braking", "in Gate's exit", "in Reeds",
    ]  # fmt: skip


@pytest.mark.parametrize(("parts", "check", "said"), [
    ((-0.002, -0.011, -0.004, -0.002), (-0.018, 0.021, True, ""),
     "Brake share to the front: more helps, a step from 0.65 to 0.66 is worth 0.018 s a lap, most of it in Gate's braking "
     "(0.011 s)."),
    ((0.006, 0.005, 0.004, 0.004), (0.018, -0.021, True, ""),
     "Brake share to the front: less helps, a step from 0.65 to 0.64 is worth 0.021 s a lap, the largest piece on the way "
     "to Gate (0.006 s)."),
    ((-0.012, -0.011, 0.008, 0.0), None,
     "Brake share to the front: more helps, a step from 0.65 to 0.66 is worth 0.015 s a lap (first order), most of it on "
     "the way to Gate (0.012 s); it goes the other way in Gate's exit (0.008 s)."),
    ((-0.0004, -0.0004, -0.0004, -0.0004), None,
     "Brake share to the front: more helps, a step from 0.65 to 0.66 is worth 0.002 s a lap (first order), spread over the "
     "lap."),
    ((-0.004, -0.003, 0.0, 0.0), (0.003, 0.005, False, "first order says -0.0070 s a step, two solves -0.0010 s"),
     "Brake share to the front: best as it is: a step more costs 0.003 s, a step less 0.005 s; first order says -0.0070 s a "
     "step, two solves -0.0010 s."),
    ((0.01, 0.002, 0.0, 0.0), (0.012, None, False, "no solution for the step down"),
     "Brake share to the front: more costs time, a step from 0.65 to 0.66 loses 0.012 s a lap; no solution for the step "
     "down."),
    ((-0.0003, 0.0001, 0.0, 0.0), None,
     "Brake share to the front: nothing, a step of 0.01 moves the lap by less than 1 ms."),
])  # fmt: skip
def test_effects_are_told_as_they_are(balance, parts, check, said):
    made = None
    if check is not None:
        up, down, agrees, words = check
        made = Check(up, down, None if down is None else 0.5 * (up - down), agrees, words)
    assert effect_words(effect_of(balance, parts, made), PIECES) == said


def test_a_solve_makes_something_of_what_the_first_order_calls_nothing(balance):
    assert is_nothing(effect_of(balance, (2e-4, 3e-4, 0.0, 0.0)))
    assert not is_nothing(effect_of(balance, (2e-4, 3e-4, 0.0, 0.0), Check(0.004, 0.003, 0.0005, False, "")))


def test_units_of_the_file_are_said(balance):
    said = effect_words(effect_of(balance, (0.02, 0.02, 0.0, 0.0), key="chassis.mass_kg"), PIECES)
    assert "a step from 1340 to 1330 kg is worth 0.040 s a lap" in said


def test_places_are_told_from_the_nearest_key_point(balance):
    gate = balance.entries[0]
    assert [name for name, _ in key_points(gate)] == ["brake-on", "turn-in", "brake-off", "the slowest point"]
    assert place_words(gate, gate.turn_in - 12.2) == "12 m before turn-in"
    assert place_words(gate, brake_on(gate) + 24.4) == "24 m after brake-on"
    assert place_words(gate, gate.slowest + 0.2) == "at the slowest point"


def test_an_entry_is_told_in_one_sentence(balance):
    gate = replace(balance.entries[0])
    on, turn_in = brake_on(gate), gate.turn_in
    rear = [replace(change) for change in gate.changes[:2]]
    changes = (
        replace(rear[0], station=on + 24.0, before="none", after="rear"),
        replace(rear[1], station=turn_in, before="rear", after="none"),
    )
    made = replace(gate, changes=changes, nervous=replace(gate.nervous, station=turn_in - 20.0, brake=0.65, growth=6.93,
                                                          doubling=math.log(2.0) / 6.93))  # fmt: skip
    assert limit_stretches(made) == (
        ("none", gate.start, on + 24.0), ("rear", on + 24.0, turn_in), ("none", turn_in, gate.slowest),
    )  # fmt: skip
    assert held_words(made) == "rear-limited from 24 m after brake-on to turn-in"
    assert (
        stable_words(made)
        == "least stable 20 m before turn-in (65 % brake), where a disturbance doubles in 0.10 s"
    )
    calm = replace(made, nervous=replace(made.nervous, growth=-2.0, doubling=None))
    assert stable_words(calm).endswith("where a disturbance still dies out, by half in 0.35 s")
    assert stable_words(replace(made, nervous=None)) == ""


# -- text --------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [120, 100, 80])
def test_text_fits(record, width):
    text = balance_terminal(record, width)
    assert text.isascii() and max(map(len, text.splitlines())) <= width
    assert "1:27.572" in text and "Caution: A model's answer" in text
    assert all(f"{one['corner']}: " in text for one in record["entries"])


def test_table_of_effects_has_the_largest_first_and_the_small_ones_in_one_place(record):
    text = balance_terminal(record)
    told = [one for one in record["effects"] if not one["nothing"]]
    assert [key for key in SIZES if key not in {one["key"] for one in told}] == []
    rows = text[: text.index("In words")].splitlines()[6:]
    assert [row[: len(one["words"])] for row, one in zip(rows, told, strict=False)] == [
        one["words"] for one in told
    ]
    small = text[text.index("Nothing, less than 1 ms a step") : text.index("At the")]
    assert all(one["words"] in " ".join(small.split()) for one in record["effects"] if one["nothing"])
    assert "brake share" not in small


def test_a_solve_that_disagrees_is_flagged(record):
    row = next(line for line in balance_terminal(record).splitlines() if line.startswith("final drive"))
    assert "+0.004*" in row and "+0.007*" in row
    calm = {**record, "effects": [one for one in record["effects"] if one["key"] != "driveline.final_drive"]}
    assert "*" not in balance_terminal(calm)


# -- files -------------------------------------------------------------------------------------------------------------------


def test_files_are_those_that_were_promised(record, balance, tmp_path):
    write_balance(tmp_path, record, balance)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        ["balance.json", "effects.csv", "entries.csv", *(f"entry-{name}.csv" for name in (
            "gate", "windmill", "sluice", "pound", "reeds", "alder", "oxbow", "kiln", "ferry", "long-acre"))]
    )  # fmt: skip
    assert json.loads((tmp_path / "balance.json").read_text("ascii")) == record


def test_effects_read_back(record, balance):
    """By pandas: one row a number, the pieces add up to it."""
    frame = pd.read_csv(StringIO(effects_text(record)))
    assert frame["key"].tolist() == [effect.number.key for effect in balance.effects]
    assert frame["per_step_s"].to_numpy() == pytest.approx([e.per_step for e in balance.effects], abs=1e-6)
    pieces = frame.loc[:, "to_gate_s":]
    assert pieces.shape[1] == len(leaves(balance.spans)) and {"gate_braking_s", "heron_exit_s"} <= set(pieces)
    assert pieces.sum(axis=1).to_numpy() == pytest.approx(frame["per_step_s"].to_numpy(), abs=5e-5)
    assert frame["up_s"].isna().sum() == len(balance.effects) - 18
    assert frame["agrees"].dropna().astype(str).str.lower().isin(["true", "false"]).all()


def test_entries_read_back(record, balance):
    frame = pd.read_csv(StringIO(entries_text(record)), keep_default_na=False, na_values=[""])
    assert list(frame) == [name for name, _ in ENTRIES]
    gate, reeds = frame.iloc[0], frame[frame["corner"] == "Reeds"].iloc[0]
    spot = balance.entries[0].nervous
    assert gate["nervous_growth_1ps"] == pytest.approx(spot.growth, abs=6e-4)
    assert gate["nervous_doubling_s"] == pytest.approx(math.log(2.0) / spot.growth, abs=6e-4)
    assert np.isnan(reeds["nervous_at_m"]) and np.isnan(reeds["brake_on_m"])


def test_rows_of_an_entry_read_back(balance):
    gate = balance.entries[0]
    frame = pd.read_csv(StringIO(entry_text(gate)), keep_default_na=False, na_values=[""])
    assert list(frame) == [*(column.name for column in ROWS), "limiting_axle", "limiting_wheel"]
    assert frame["speed_kmh"].to_numpy() == pytest.approx(gate.speed * KMH, abs=0.006)
    assert frame["accel_long_g"].to_numpy() == pytest.approx(gate.accel_long / G, abs=6e-4)
    assert frame["understeer_deg"].to_numpy() == pytest.approx(np.rad2deg(gate.understeer), abs=6e-4)
    per_degree = gate.yaw_stiffness * np.pi / 180.0
    assert frame["yaw_stiffness_Nm_per_deg"].to_numpy() == pytest.approx(per_degree, abs=0.06)
    assert frame["limiting_axle"].tolist() == gate.limiting_axle.tolist()
    wheels = ["" if k < 0 else WHEELS[k] for k in gate.limiting_wheel]
    assert frame["limiting_wheel"].fillna("").tolist() == wheels


def test_rows_without_a_number_stay_empty(balance):
    """A static margin that is not told is an empty cell, not the word nan."""
    gate = balance.entries[0]
    gone = replace(gate, static_margin=np.full(gate.s.size, np.nan))
    assert pd.read_csv(StringIO(entry_text(gone)))["static_margin"].isna().all() and "nan" not in entry_text(
        gone
    )
