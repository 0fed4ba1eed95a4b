"""A car's numbers as a vector and back, the pedal's law, and the slip limit."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from lapwright import load_vehicle
from lapwright.problem.car import car_model, car_parameters, pedal_rate
from lapwright.problem.circle import circle_model
from lapwright.problem.parameters import as_vector, flatten, substitute
from lapwright.problem.road import FIELDS
from lapwright.vehicle.driveline import drive_curve
from lapwright.vehicle.motion import FLAT
from lapwright.vehicle.parameters import Driver, FrictionCircle, Vehicle

FOLDER = Path(__file__).parents[2] / "vehicles"
CARS = ("cup-coupe", "club-monoposto", "rally-hatch", "touring-saloon")
DRIVER = Driver(8.0, brake_rise=0.2, brake_release=0.35, throttle_rise=0.5, throttle_release=0.15)


def shipped(name: str) -> Vehicle:
    return load_vehicle(FOLDER / f"{name}.yaml")


@pytest.mark.parametrize("name", CARS)
def test_numbers_put_back_give_the_same_car(name):
    car = shipped(name)
    assert substitute(car, flatten(car)) == car
    assert substitute(car, {}) == car


@pytest.mark.parametrize("name", CARS)
def test_other_numbers_come_out_as_they_went_in(name):
    car = shipped(name)
    numbers = {key: 1.5 * value + 0.25 for key, value in flatten(car).items()}
    changed = substitute(car, numbers)
    assert flatten(changed) == numbers
    assert changed.name == car.name
    assert changed.driveline.engine_torque == car.driveline.engine_torque
    assert changed.driveline.driven == car.driveline.driven
    assert changed.chassis.mass == numbers["chassis.mass"]
    assert changed.tyres.rear.peak_mu_lat == numbers["tyres.rear.peak_mu_lat"]


def test_tables_are_spelled_out_by_prefix():
    car = next(c for c in map(shipped, CARS) if c.driveline.gear_ratios)
    curve = drive_curve(car.driveline)
    numbers = flatten(curve, "drive.")
    assert numbers["drive.bends.3"] == curve.bends[3]
    assert {f"drive.knots.{i}" for i in range(len(curve.knots))} <= set(numbers)
    changed = substitute(curve, {key: value + 1.0 for key, value in numbers.items()}, "drive.")
    np.testing.assert_allclose(changed.forces(30.0), curve_by_hand(curve, 30.0), rtol=1e-12)


def curve_by_hand(curve, u: float) -> tuple[float, float]:
    """The documented sum with every number larger by one."""
    x = u - (curve.knots + 1.0)
    bend = 0.5 * (x + np.sqrt(x * x + (curve.widths + 1.0) ** 2))
    drive = curve.level + 1.0 + (curve.slope + 1.0) * u + (curve.bends + 1.0) @ bend
    drag = curve.drag_level + 1.0 + (curve.drag_slope + 1.0) * u + (curve.drag_bends + 1.0) @ bend
    return float(drive), float(drag)


def test_what_is_absent_stays_absent():
    plain = FrictionCircle("Plain", 1.2)
    numbers = flatten(plain)
    assert "power" not in numbers and "accel_limit" not in numbers and "name" not in numbers
    assert substitute(plain, numbers) == plain
    names, values = as_vector(numbers)
    assert dict(zip(names, values, strict=True)) == numbers
    assert len(circle_model(plain, len(FIELDS)).limits) == 2
    assert len(circle_model(replace(plain, power=1e5, accel_limit=0.6), len(FIELDS)).limits) == 4


@pytest.mark.parametrize(
    ("pedal", "up", "down"),
    [
        (1.0, 1.0 / DRIVER.throttle_rise, 1.0 / DRIVER.throttle_release),
        (-1.0, 1.0 / DRIVER.brake_release, 1.0 / DRIVER.brake_rise),
    ],
)
def test_pedal_rate_has_the_driver_times_at_its_ends(pedal, up, down):
    """The switch from brake to throttle leaves a ten-thousandth of the other pedal."""
    np.testing.assert_allclose(pedal_rate(DRIVER, pedal, np.array([-1.0, 1.0])), [-down, up], rtol=2e-3)
    assert pedal_rate(DRIVER, pedal, 0.0) == 0.0


@pytest.mark.parametrize("pedal", [-1.0, -0.02, 0.0, 0.02, 1.0])
def test_pedal_rate_rises_and_is_a_hyperbola(pedal):
    effort = np.linspace(-1.0, 1.0, 201)
    rate = pedal_rate(DRIVER, pedal, effort)
    assert np.all(np.diff(rate) > 0.0)
    # A hyperbola through the origin is a straight line in the reciprocals.
    away = np.abs(effort) > 0.05
    line = np.polynomial.Polynomial.fit(1.0 / effort[away], 1.0 / rate[away], 1)
    np.testing.assert_allclose(line(1.0 / effort[away]), 1.0 / rate[away], rtol=1e-9, atol=1e-10)


def test_between_the_pedals_both_times_count_half():
    both = pedal_rate(DRIVER, 0.0, np.array([-1.0, 1.0]))
    down = 0.5 * (1.0 / DRIVER.throttle_release + 1.0 / DRIVER.brake_rise)
    up = 0.5 * (1.0 / DRIVER.throttle_rise + 1.0 / DRIVER.brake_release)
    np.testing.assert_allclose(both, [-down, up], rtol=1e-12)


@pytest.mark.parametrize("margin", [0.0, 0.03, 0.2])
@pytest.mark.parametrize("sliding", [0.6, 0.8, 0.95])
def test_slip_limit_leaves_the_margin_unused(margin, sliding):
    """D = sin(Q atan(S rho)) with its peak at 1 and D(infinity) = ``sliding``, inverted here by root finding."""
    car = shipped("rally-hatch")
    tyres = replace(car.tyres, front=replace(car.tyres.front, sliding_grip_ratio=sliding))
    car = replace(car, tyres=tyres, driver=replace(car.driver, grip_margin=margin))
    q = 2.0 - 2.0 / np.pi * np.arcsin(sliding)
    s = np.tan(np.pi / (2.0 * q))
    wanted = (
        1.0
        if margin == 0.0
        else brentq(lambda rho: np.sin(q * np.arctan(s * rho)) - (1.0 - margin), 0.0, 1.0, xtol=1e-14)
    )
    assert car_parameters(car, None)["limit.front_slip"] == pytest.approx(wanted, rel=1e-7)


def test_slip_limit_is_the_row_of_the_model():
    """Straight ahead at the limiting slip ratio the grip row of that wheel is zero, beyond it positive."""
    car = shipped("club-monoposto")
    car = replace(car, driver=replace(car.driver, grip_margin=0.05))
    model = car_model(car, len(FIELDS))
    numbers = dict(zip(model.parameters, model.values, strict=True))
    road = [getattr(FLAT, name) for name in FIELDS]
    state = [0.0, 0.0, 30.0, 0.0, 0.0, 0.0, 0.2, 0.0, 0.0]
    assert 0.3 < numbers["limit.front_slip"] < 1.0
    for share, sign in ((0.9, -1.0), (1.0, 0.0), (1.1, 1.0)):
        most = numbers["limit.front_slip"], numbers["limit.rear_slip"]
        z = [
            share * most[0] * car.tyres.front.peak_slip_ratio,
            0.0,
            -share * most[1] * car.tyres.rear.peak_slip_ratio,
            0.0,
        ]
        limits = model.equations(state, [0.0, 0.0], z, road, list(model.values)).limits
        rows = [float(limits[0]) / most[0] ** 2, float(limits[2]) / most[1] ** 2]
        np.testing.assert_allclose(rows, share**2 - 1.0, atol=1e-9)
        assert np.sign(np.round(rows, 8)).tolist() == [sign, sign]
        assert float(limits[1]) < 0.0


def test_effort_costs_but_takes_no_time():
    """Weights of effort enter the cost and not the time."""
    car = shipped("cup-coupe")
    model = car_model(car, len(FIELDS))
    road = [getattr(FLAT, name) for name in FIELDS]
    state = [0.0, 0.0, 40.0, 0.0, 0.0, 0.0, 0.9, 0.0, 0.0]
    calm, busy = (
        model.equations(state, [a, b], [0.0] * 4, road, list(model.values)) for a, b in ((0, 0), (1, 1))
    )
    numbers = dict(zip(model.parameters, model.values, strict=True))
    steer = car.driver.max_wheel_rate / car.steering.ratio
    foot = pedal_rate(car.driver, 0.9, 1.0)
    effort = numbers["weight.steer"] * steer**2 + numbers["weight.pedal"] * foot**2
    assert float(calm.time_rate) == float(busy.time_rate) == pytest.approx(1.0 / 40.0, rel=1e-12)
    assert float(calm.cost_rate) == float(calm.time_rate)
    assert float(busy.cost_rate) == pytest.approx((1.0 + effort) / 40.0, rel=1e-12)
