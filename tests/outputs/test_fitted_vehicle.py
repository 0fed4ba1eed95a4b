"""A fitted vehicle file: the same file but for the numbers that were seen, and it loads."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from lapwright.driver.fit import CarFit
from lapwright.driver.shown import Shown, unseen
from lapwright.errors import InputError
from lapwright.inputs.files import read_vehicle
from lapwright.outputs.fitted_vehicle import fitted_text

VEHICLES = Path(__file__).parents[2] / "vehicles"


def shown(value, kind="seen"):
    return Shown(value, 0.01, kind, 5, ("Gate",), f"so much: {value}")


FIT = CarFit(
    shown(0.95), shown(0.97, "at least"), shown(0.9), shown(1.1), "The car showed: this and that.", {}
)
LOGS = ("a log.csv",)


@pytest.mark.parametrize("name", [path.stem for path in sorted(VEHICLES.glob("*.yaml"))])
def test_every_shipped_car_loads_with_its_numbers_changed(name):
    source = (VEHICLES / f"{name}.yaml").read_text(encoding="utf-8")
    old, new = read_vehicle(source).value, read_vehicle(fitted_text(source, FIT, LOGS)).value
    assert new.name == f"{old.name} (fitted)"
    if name == "teaching-car":
        assert new.grip == pytest.approx(0.95 * old.grip, rel=1e-4)
        assert new.power == pytest.approx(0.9 * old.power, rel=1e-4)
        assert new.drag_area == pytest.approx(1.1 * old.drag_area, rel=1e-4)
        return
    assert new.tyres.front.grip_scale == pytest.approx(0.95 * old.tyres.front.grip_scale, rel=1e-4)
    assert new.tyres.rear.grip_scale == pytest.approx(0.97 * old.tyres.rear.grip_scale, rel=1e-4)
    assert new.aero.drag_area == pytest.approx(1.1 * old.aero.drag_area, rel=1e-4)
    if old.driveline.power is None:
        assert new.driveline.engine_torque == pytest.approx(
            [0.9 * x for x in old.driveline.engine_torque], rel=1e-4
        )
    else:
        assert new.driveline.power == pytest.approx(0.9 * old.driveline.power, rel=1e-4)
    assert new.brakes == old.brakes and new.chassis == old.chassis and new.driver == old.driver


def test_comments_stay_and_every_change_is_stated():
    source = (VEHICLES / "cup-coupe.yaml").read_text(encoding="utf-8")
    text = fitted_text(source, FIT, LOGS)
    assert "a log.csv" in text.splitlines()[0] and "Not a promise" in text
    before, after = source.splitlines(), [line for line in text.splitlines()]
    kept = [line for line in before if line in after]
    assert len(before) - len(kept) == 5
    for old in ("was 1.0", "was 0.90", "was 250, 310"):
        assert old in text
    assert "at least 0.970" in text
    assert text.count("# invented") == source.count("# invented")


def test_what_was_not_seen_stays():
    source = (VEHICLES / "cup-coupe.yaml").read_text(encoding="utf-8")
    blind = CarFit(*[unseen("")] * 4, "Nothing.", {})
    old, new = read_vehicle(source).value, read_vehicle(fitted_text(source, blind, LOGS)).value
    assert new.tyres == old.tyres and new.driveline == old.driveline and new.aero == old.aero


def test_a_key_that_is_left_out_is_put_in_and_braces_are_edited():
    source = (VEHICLES / "cup-coupe.yaml").read_text(encoding="utf-8")
    short = (
        "\n".join(line for line in source.splitlines() if not line.strip().startswith("grip_scale")) + "\n"
    )
    new = read_vehicle(fitted_text(short, FIT, LOGS)).value
    assert (new.tyres.front.grip_scale, new.tyres.rear.grip_scale) == (
        pytest.approx(0.95),
        pytest.approx(0.97),
    )
    flow = source.replace("  drag_area_m2: 0.90 ", "  drag_area_m2: 0.90 # Cd A\n  #")
    assert read_vehicle(fitted_text(flow, FIT, LOGS)).value.aero.drag_area == pytest.approx(0.99)


def changed(**pairs):
    text = (VEHICLES / "cup-coupe.yaml").read_text(encoding="utf-8")
    for old, new in pairs.values():
        assert old in text
        text = text.replace(old, new)
    return text


def fitted_car(text):
    return read_vehicle(fitted_text(text, FIT, LOGS)).value


FRONT = """  front:
    peak_mu_long: 1.58                # invented: slick, typical 1.4 to 1.7
    peak_mu_lat: 1.52                 # invented
    reference_load_N: 3000            # invented: about the static load of one wheel
    load_sensitivity_per_kN: 0.045    # invented: typical 0.03 to 0.06
    peak_slip_angle_deg: 6.5          # invented: typical 5 to 8 for a radial slick
    peak_slip_ratio: 0.085            # invented: typical 0.07 to 0.12
    sliding_grip_ratio: 0.78          # invented: typical 0.7 to 0.85
    grip_scale: 1.0                   # 1 = the tyre at its working temperature
"""
BRACES = """  front: {peak_mu_long: 1.58, peak_mu_lat: 1.52, reference_load_N: 3000, load_sensitivity_per_kN: 0.045,
    peak_slip_angle_deg: 6.5, peak_slip_ratio: 0.085, sliding_grip_ratio: 0.78%s}   # in braces
"""


@pytest.mark.parametrize("key", ["", ", grip_scale: 1.0"])
def test_groups_in_braces(key):
    """YAML 1.2, chapter 7.4: flow style; with the key in it and without."""
    text = changed(front=(FRONT, BRACES % key))
    new = fitted_car(text)
    assert new.tyres.front.grip_scale == pytest.approx(0.95)
    assert new.tyres.front.peak_slip_angle == read_vehicle(text).value.tyres.front.peak_slip_angle
    assert "# in braces" in fitted_text(text, FIT, LOGS)


def test_a_list_over_several_lines_and_one_in_block_style():
    """YAML 1.2, chapters 7.4.1 and 8.2.1."""
    source = (VEHICLES / "cup-coupe.yaml").read_text(encoding="utf-8")
    old = next(line for line in source.splitlines(True) if "engine_torque_Nm" in line)
    values = [250, 310, 355, 400, 435, 455, 452, 430, 395, 350]
    over = "  engine_torque_Nm: [250, 310, 355, 400,   # low\n     435, 455, 452, 430, 395,\n     350]   # high\n"
    block = "  engine_torque_Nm:\n" + "".join(f"    - {value}\n" for value in values)
    for text in (changed(torque=(old, over)), changed(torque=(old, block))):
        assert fitted_car(text).driveline.engine_torque == pytest.approx([0.9 * value for value in values])


@pytest.mark.parametrize(
    ("name", "read"),
    [
        ("Cup coupe  # red", "Cup coupe (fitted)"),
        ("'It''s a coupe #2'", "It's a coupe #2 (fitted)"),
        (r'"A \"coupe\""', 'A "coupe" (fitted)'),
        ("Cup coupe (fitted)", "Cup coupe (fitted)"),
    ],
)
def test_names_in_all_kinds_of_quotes(name, read):
    """YAML 1.2, chapters 7.3.1 and 7.3.2."""
    assert fitted_car(changed(name=("name: Cup coupe\n", f"name: {name}\n"))).name == read


def test_comments_stay_in_their_column():
    old = (VEHICLES / "cup-coupe.yaml").read_text(encoding="utf-8")
    new = fitted_text(old, FIT, LOGS)

    def column(text, key):
        return next(line.find("#") for line in text.splitlines() if line.lstrip().startswith(key))

    for key in ("drag_area_m2", "grip_scale", "mass_kg"):
        assert column(new, key) == column(old, key) > 0


def test_what_cannot_be_replaced_is_told_all_at_once_with_its_place():
    text = changed(
        name=("name: Cup coupe\n", "name: Cup\n  coupe\n"),
        air=("  drag_area_m2: 0.90 ", "  drag_area_m2: &air 0.90 "),
    )
    with pytest.raises(InputError) as told:
        fitted_text(text, FIT, LOGS, "my-car.yaml")
    lines = text.splitlines()
    assert [fault.key for fault in told.value.faults] == [("name",), ("aero", "drag_area_m2")]
    for fault, word in zip(told.value.faults, ("Cup", "&air"), strict=True):
        assert fault.file == "my-car.yaml" and lines[fault.line - 1][fault.column - 1 :].startswith(word)


def test_a_number_that_no_file_may_hold_is_refused():
    fit = replace(FIT, front=shown(40.0))
    text = (VEHICLES / "cup-coupe.yaml").read_text(encoding="utf-8")
    with pytest.raises(InputError) as told:
        fitted_text(text, fit, LOGS, "my-car.yaml")
    (fault,) = told.value.faults
    assert "with what the log showed" in fault.message
    assert "grip_scale" in text.splitlines()[fault.line - 1]


def test_fitted_twice_it_says_what_was_before():
    once = fitted_text((VEHICLES / "cup-coupe.yaml").read_text(encoding="utf-8"), FIT, LOGS)
    twice = fitted_text(once, FIT, ("b.csv",))
    assert read_vehicle(twice).value.tyres.front.grip_scale == pytest.approx(0.95**2, rel=1e-4)
    assert (
        "was 1.0" in twice and "was 0.95;" in twice and twice.startswith("# Fitted by lapwright from b.csv")
    )
