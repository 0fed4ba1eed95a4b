"""A vehicle file of the best setup: the same file but for its numbers, and it gives the car of the search."""

from __future__ import annotations

import difflib
from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from lapwright.errors import InputError
from lapwright.inputs.files import read_vehicle
from lapwright.outputs.best_vehicle import best_text, path_of
from lapwright.study.balance import BestSetup, Chosen
from lapwright.study.numbers import number_called, numbers_of

VEHICLES = Path(__file__).parents[2] / "vehicles"
CARS = ("club-monoposto", "cup-coupe", "rally-hatch", "touring-saloon")

SOME = {
    "brakes.front_share": 0.6234567,
    "chassis.roll_stiffness_front_share": 0.71,
    "driveline.gear_ratios.3": 1.8234567,
    "driveline.engine_torque_Nm": 1.0123456,
    "driveline.shift_rpm": 8612.3456,
    "tyres.front.grip_scale": 1.0345678,
    "driver.brake_rise_s": 0.2,
}
"""Values for the coupe, in the unit of the file; the last is the car's own."""


def source(name="cup-coupe"):
    return (VEHICLES / f"{name}.yaml").read_text(encoding="utf-8")


def changed(*pairs, name="cup-coupe"):
    text = source(name)
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return text


def line_of(text, key):
    return next(line for line in text.splitlines() if line.lstrip().startswith(key))


def best_of(text, values, at_bound=(), **fields):
    """A search that ended with these values."""
    own = car = read_vehicle(text).value
    chosen = []
    for key, value in values.items():
        number = number_called(own, key)
        car = number.changed(car, value)
        before = number.value(own)
        low, high = before - number.reach, before + number.reach
        end = ("low" if value < before else "high") if key in at_bound else ""
        chosen.append(Chosen(number, before, value, low, high, end, 0.0))
    setup = BestSetup(tuple(chosen), car, 87.5, 87.313, (), (), None, True, 12, "")
    return replace(setup, **fields)


def assert_same_car(new, meant):
    """All setup numbers alike to the five digits that are written, and all else as in the file."""
    assert new.name == f"{meant.name} (best setup)"
    numbers = numbers_of(meant)
    assert numbers_of(new) == numbers
    for number in numbers:
        if not number.factor:
            assert number.value(new) == pytest.approx(number.value(meant), rel=5.1e-5), number.key
    assert new.driveline.engine_torque == pytest.approx(meant.driveline.engine_torque, rel=5.1e-5)
    assert new.driveline.engine_speed == meant.driveline.engine_speed
    for axle in ("front", "rear"):
        assert getattr(new.tyres, axle).reference_load == getattr(meant.tyres, axle).reference_load


def written(text, values, **fields):
    """What is written, after a look that it gives the car."""
    best = best_of(text, values, **fields)
    new = best_text(text, best, "Hollow Ring")
    assert_same_car(read_vehicle(new).value, best.vehicle)
    return new


@pytest.mark.parametrize("name", CARS)
def test_every_number_of_every_shipped_car_can_be_set(name):
    """A third of a step up, or down where that is not possible; the value is read back with PyYAML, which knows no keys."""
    text = source(name)
    own = read_vehicle(text).value
    for number in numbers_of(own):
        was = number.value(own)
        by = number.step / 3.0
        value = (
            was - by if number.key.endswith(("ratio", "front_share", "shift_rpm")) or was == 1.0 else was + by
        )
        node = yaml.safe_load(written(text, {number.key: value}))
        for key in path_of(number.key):
            node = node[key]
        if not number.factor:
            assert node == pytest.approx(value, rel=5.1e-5), number.key


def test_comments_stay_and_each_changed_line_says_what_was():
    old = source()
    new = written(old, SOME, at_bound=("chassis.roll_stiffness_front_share",))
    lines = [line for line in difflib.ndiff(old.splitlines(), new.splitlines()) if line[0] in "-+"]
    assert sum(line[0] == "-" for line in lines) == 7, "the name and six numbers"
    assert new.count("# invented") == old.count("# invented")
    assert line_of(new, "front_share").startswith(
        "  front_share: 0.62346                # invented: both axles use"
    )
    assert line_of(new, "front_share").endswith("; best setup: was 0.65; within 0.55 to 0.75")
    stiffness = line_of(new, "roll_stiffness_front_share")
    assert stiffness.endswith("; best setup: was 0.56; within 0.41 to 0.71, at its bound")
    assert line_of(new, "gear_ratios").startswith("  gear_ratios: [3.15, 2.30, 1.8235, 1.45, 1.21, 1.03]")
    assert line_of(new, "gear_ratios").endswith("best setup: gear_ratios.3 was 1.79; within 1.69 to 1.89")
    torque = line_of(new, "engine_torque_Nm")
    assert "was 250, 310, 355," in torque and torque.endswith("; within 0.95 to 1.05 of it")
    assert line_of(new, "brake_rise_s") == line_of(old, "brake_rise_s")


def test_the_head_says_what_it_is():
    text = source()
    limited = written(text, SOME, most_doublings=9.04, held=False, words="Iteration limit reached")
    head = " ".join(line[2:] for line in limited.split("\n# Cup coupe:")[0].splitlines())
    for words in (
        "Best setup of Cup coupe on Hollow Ring, found by lapwright",
        "worth 0.187 s a lap in the model (1:27.500 becomes 1:27.313)",
        "That a disturbance doubles at most 9.0 times on the entries could not be kept.",
        "How the search ended: Iteration limit reached.",
        "Left as it was: driver.brake_rise_s.",
        "local optimum",
        "Not a promise",
        "Build up to it",
    ):
        assert words in head
    steady = written(text, SOME, most_doublings=12.0).replace("\n# ", " ")
    assert "That a disturbance doubles at most 12.0 times on the entries is kept." in steady
    plain = written(text, {"brakes.front_share": 0.62})
    for words in ("doubles at most", "search ended", "Left as it was"):
        assert words not in plain
    assert "worth less than 1 ms a lap" in written(text, {}, after=87.4995).splitlines()[0]
    slower = written(text, {"brakes.front_share": 0.62}, after=87.6).replace("\n# ", " ")
    assert "0.100 s a lap slower in the model than the car as it was" in slower


@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_feeds_of_other_systems_and_a_byte_order_mark(mark):
    """YAML 1.2, chapters 5.4 and 5.2: a carriage return with or without a line feed is a line break."""
    plain = written(source(), SOME)
    for ending in ("\r\n", "\r"):
        assert written(mark + source().replace("\n", ending), SOME) == plain


BLOCK = """  differential:
    type: preload                     # clutch pack
    preload_Nm: 60                    # invented
    ramp_drive: 0.30                  # invented: locking torque as a share of the input torque, on power
    ramp_overrun: 0.45                # invented: more on overrun, it calms the entry
"""
RAMPS = {"driveline.differential.ramp_drive": 0.3777777, "driveline.differential.ramp_overrun": 0.28}


@pytest.mark.parametrize(
    ("group", "said"),
    [
        (
            "  differential: {type: preload, preload_Nm: 60, ramp_drive: 0.30, ramp_overrun: 0.45}   # in braces\n",
            "ramp_overrun: 0.28} # in braces; best setup: ramp_drive was 0.30; within 0.1 to 0.5; "
            "ramp_overrun was 0.45; within 0.25 to 0.65",
        ),
        (
            "  differential: {type: preload, preload_Nm: 60}   # both left out\n",
            "  # best setup: ramp_drive was 0; within -0.2 to 0.2; ramp_overrun was 0; within -0.2 to 0.2",
        ),
        (
            "  differential: {type: preload, preload_Nm: 60,\n    ramp_drive: 0.30,   # a line each\n"
            "    ramp_overrun: 0.45}\n",
            "ramp_drive: 0.37778, # a line each; best setup: was 0.30; within 0.1 to 0.5\n"
            "    ramp_overrun: 0.28}  # best setup: was 0.45; within 0.25 to 0.65",
        ),
        (
            '  "differential":\n    "type": "preload"\n    "preload_Nm": 60\n    "ramp_overrun":\n      0.45\n',
            '    ramp_drive: 0.37778  # best setup: was 0; within -0.2 to 0.2\n    "type"',
        ),
    ],
)
def test_groups_in_braces_and_in_blocks(group, said):
    """YAML 1.2, chapters 7.4 (flow style) and 8.2.2 (block style)."""
    new = written(changed((BLOCK, group)), RAMPS)
    assert said in new


def test_a_key_that_is_left_out_is_put_in():
    text = "".join(line for line in source().splitlines(True) if "grip_scale" not in line)
    new = written(text, {"tyres.front.grip_scale": 1.02, "tyres.rear.grip_scale": 0.98})
    assert "  front:\n    grip_scale: 1.02  # best setup: was 1; within 0.95 to 1.05\n    peak_mu_long" in new
    assert "  rear:\n    grip_scale: 0.98  # best setup: was 1; within 0.95 to 1.05\n    peak_mu_long" in new
    pull = {"driveline.overrun_torque_Nm": 12.345678}
    assert "overrun_torque_Nm: 12.346  # best setup: was 0;" in written(
        "".join(line for line in source().splitlines(True) if "overrun_torque" not in line), pull
    )


def test_items_of_lists_in_blocks_and_several_of_one_line():
    """YAML 1.2, chapters 7.4.1 and 8.2.1."""
    old = line_of(source(), "gear_ratios")
    gears = {"driveline.gear_ratios.1": 3.2, "driveline.gear_ratios.6": 1.0}
    said = (
        "best setup: gear_ratios.1 was 3.15; within 3.05 to 3.25; gear_ratios.6 was 1.03; within 0.93 to 1.13"
    )
    assert line_of(written(source(), gears), "gear_ratios: [3.2, 2.30, 1.79, 1.45, 1.21, 1]").endswith(said)
    block = "  gear_ratios:\n" + "".join(f"    - {x}   # gear\n" for x in (3.15, 2.3, 1.79, 1.45, 1.21, 1.03))
    new = written(changed((old + "\n", block)), gears)
    assert "    - 3.2    # gear; best setup: gear_ratios.1 was 3.15; within 3.05 to 3.25\n" in new
    assert "    - 1      # gear; best setup: gear_ratios.6 was 1.03; within 0.93 to 1.13\n" in new


def test_what_cannot_be_replaced_is_told_all_at_once_with_its_place():
    text = changed(
        ("name: Cup coupe\n", "name: Cup\n  coupe\n"),
        ("  front_share: 0.65 ", "  front_share: &share 0.65 "),
        ("1.79, 1.45", "&third 1.79, 1.45"),
    )
    with pytest.raises(InputError) as told:
        best_text(text, best_of(text, SOME), "Hollow Ring", "my-car.yaml")
    keys = [("name",), ("brakes", "front_share"), ("driveline", "gear_ratios", 2)]
    lines = text.splitlines()
    assert [fault.key for fault in told.value.faults] == keys
    for fault, word in zip(told.value.faults, ("Cup", "&share", "&third"), strict=True):
        assert fault.file == "my-car.yaml" and lines[fault.line - 1][fault.column - 1 :].startswith(word)


@pytest.mark.parametrize("between", [" ", "\n      "])
def test_an_anchor_before_braces_where_a_key_would_have_to_be_put_in(between):
    group = f"  differential: &clutch {{{between}type: preload, preload_Nm: 60, ramp_drive: 0.3}}\n"
    text = changed((BLOCK, group))
    with pytest.raises(InputError) as told:
        best_text(text, best_of(text, {"driveline.differential.ramp_overrun": 0.1}), "Hollow Ring")
    (fault,) = told.value.faults
    assert "ramp_overrun cannot be put in here" in fault.message
    assert text.splitlines()[fault.line - 1][fault.column - 1 :].startswith("&clutch")


def test_a_setup_that_no_file_may_hold_is_refused_at_the_line_of_the_file():
    """Gears descend in a vehicle file; keys that were put in above do not shift the place."""
    text = "".join(line for line in source().splitlines(True) if "grip_scale" not in line)
    values = {"driveline.gear_ratios.3": 2.31, "tyres.front.grip_scale": 1.1, "tyres.rear.grip_scale": 1.1}
    with pytest.raises(InputError) as told:
        best_text(text, best_of(text, values), "Hollow Ring", "my-car.yaml")
    (fault,) = told.value.faults
    assert "with the best setup: gear_ratios must be descending" in fault.message
    assert "gear_ratios" in text.splitlines()[fault.line - 1]


def test_a_file_that_was_changed_meanwhile_is_refused():
    best = best_of(source(), SOME)
    lighter = changed(("  mass_kg: 1340", "  mass_kg: 1300"), ("[3.15, 2.30", "[3.15, 2.20"))
    with pytest.raises(InputError) as told:
        best_text(lighter, best, "Hollow Ring", "my-car.yaml")
    mass, gear = told.value.faults
    assert "chassis.mass_kg gives 1300, the best setup has 1340; the file was changed" in mass.message
    assert "driveline.gear_ratios.2 gives 2.2, the best setup has 2.3" in gear.message
    lines = lighter.splitlines()
    assert lines[mass.line - 1][mass.column - 1 :].startswith("1300")
    assert lines[gear.line - 1][gear.column - 1 :].startswith("2.20")
    shape = changed(("355,  400,", "355,  420,"))
    with pytest.raises(InputError, match="engine_torque_Nm gives"):
        best_text(shape, best, "Hollow Ring")
    with pytest.raises(InputError, match=r"this car has no driveline.gear_ratios.3"):
        best_text(source("rally-hatch"), best, "Hollow Ring")
    with pytest.raises(InputError, match="this car has no setup numbers"):
        best_text(source("teaching-car"), best, "Hollow Ring")
