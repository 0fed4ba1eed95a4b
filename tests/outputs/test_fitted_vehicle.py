"""A fitted vehicle file: the same file but for the numbers that were seen, and it loads."""

from __future__ import annotations

from pathlib import Path

import pytest

from lapwright.driver.fit import UNSEEN, CarFit, Shown
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
    blind = CarFit(UNSEEN, UNSEEN, UNSEEN, UNSEEN, "Nothing.", {})
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
