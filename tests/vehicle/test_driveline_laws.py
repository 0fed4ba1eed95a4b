"""Differentials, the drive curve against the gearbox it stands for, gears and engine speed."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from sample_cars import PLAIN, SHIPPED, changed, curve_of, shipped

from lapwright.quantities import RPM
from lapwright.vehicle.car import axle_balance, drive_force, half_shaft_torques
from lapwright.vehicle.driveline import (
    SHIFT_SPAN,
    engine_speed_at,
    gear_at,
    gear_shift_speeds,
    top_gear_speed,
    wheel_forces,
)
from lapwright.vehicle.parameters import Differential

GEARED = [name for name in SHIPPED if shipped(name).driveline.gear_ratios]


def with_differential(**numbers):
    return changed(PLAIN, driveline={"differential": Differential(**numbers)})


def test_open_differential_halves_the_torque():
    car = with_differential(type="open")
    for spins in ((80.0, 80.0), (80.0, 90.0), (120.0, 60.0)):
        assert half_shaft_torques(car, 1000.0, spins) == (500.0, 500.0)


def test_viscous_differential_brakes_the_faster_wheel():
    car = with_differential(type="viscous", viscosity=40.0)
    left, right = half_shaft_torques(car, 1000.0, (82.0, 80.0))
    assert left + right == pytest.approx(1000.0)
    assert right - left == pytest.approx(40.0 * 2.0)


@pytest.mark.parametrize(
    ("torque", "limit"), [(1000.0, 60 + 0.3 * 1000), (0.0, 60.0), (-400.0, 60 + 0.45 * 400)]
)
def test_clutch_pack_holds_its_limit_and_no_more(torque, limit):
    """Far from equal speeds the slower wheel gets preload + ramp * |input| more torque than the faster."""
    car = with_differential(type="preload", preload=60.0, ramp_drive=0.30, ramp_overrun=0.45)
    left, right = half_shaft_torques(car, torque, (90.0, 80.0))
    assert left + right == pytest.approx(torque)
    # The ramps are rounded over 20 N m and the dry friction over 0.5 rad/s: felt where the torque is nil.
    assert right - left == pytest.approx(limit, abs=9.0 if torque == 0.0 else 1.0)
    same = half_shaft_torques(car, torque, (80.0, 80.0))
    assert same[0] == same[1]
    mirrored = half_shaft_torques(car, torque, (80.0, 90.0))
    assert mirrored == pytest.approx((right, left))


def test_locked_axle_balances_as_one_and_turns_as_one():
    car = with_differential(type="locked")
    radius = car.driveline.wheel_radius
    sum_row, spin_row = axle_balance(car, True, 900.0, 50.0, (1000.0, 1200.0), (80.0, 80.0), (7.0, 7.0))
    assert sum_row == pytest.approx(900.0 - 100.0 - radius * 2200.0 - 14.0)
    assert spin_row == 0.0
    assert axle_balance(car, True, 900.0, 50.0, (1000.0, 1200.0), (81.0, 80.0), (7.0, 7.0))[1] > 0.0


def test_undriven_axle_knows_no_differential():
    car = with_differential(type="locked")
    left, right = axle_balance(car, False, 0.0, 50.0, (100.0, 200.0), (80.0, 90.0), (0.0, 0.0))
    radius = car.driveline.wheel_radius
    assert (left, right) == pytest.approx((-50.0 - radius * 100.0, -50.0 - radius * 200.0))


@pytest.mark.parametrize("name", GEARED)
def test_drive_curve_follows_the_sawtooth(name):
    """Within 1.25 % above 8 m/s away from the steps of the shifts; work in each gear to 0.3 %."""
    car = shipped(name)
    speed = np.arange(8.0, top_gear_speed(car.driveline) - 1.5, 0.05)
    full, overrun = curve_of(car).forces(speed)
    saw, saw_overrun = wheel_forces(car.driveline, speed)
    steps = gear_shift_speeds(car.driveline)
    clear = np.min(np.abs(speed[:, None] - steps), axis=1) > SHIFT_SPAN
    assert clear.mean() > 0.6
    np.testing.assert_allclose(full[clear], saw[clear], rtol=0.0125)
    np.testing.assert_allclose(overrun[clear], saw_overrun[clear], rtol=0.07)
    edges = np.concatenate([[speed[0]], steps, [speed[-1]]])
    for low, high in pairwise(edges):
        gear = (speed >= low) & (speed <= high)
        assert full[gear].mean() == pytest.approx(saw[gear].mean(), rel=3e-3)


@pytest.mark.parametrize("name", GEARED)
def test_drive_never_exceeds_the_engines_power(name):
    car = shipped(name)
    line = car.driveline
    table = np.linspace(line.engine_speed[0], line.engine_speed[-1], 2000)
    power = np.max(table * np.interp(table, line.engine_speed, line.engine_torque)) * line.efficiency
    speed = np.arange(5.0, top_gear_speed(line), 0.1)
    full, _ = curve_of(car).forces(speed)
    assert np.max(full * speed) < 1.03 * power
    assert np.max(full * speed) > 0.95 * power


@pytest.mark.parametrize("name", GEARED)
def test_engine_speed_is_wheel_speed_times_ratio(name):
    line = shipped(name).driveline
    assert np.all(np.diff(gear_shift_speeds(line)) > 0.0)
    for gear, ratio in enumerate(line.gear_ratios, start=1):
        low = 5.0 if gear == 1 else gear_shift_speeds(line)[gear - 2] + 0.01
        assert gear_at(line, np.array([low]))[0] == gear
        expected = low / line.wheel_radius * ratio * line.final_drive
        assert engine_speed_at(line, np.array([low]))[0] == pytest.approx(expected)
    limit = engine_speed_at(line, gear_shift_speeds(line) - 1e-6)
    assert np.all(limit <= line.shift_speed + 1e-3)


def test_gear_of_a_worked_example():
    """By hand: 3.0 x 4.0 on a 0.30 m wheel at 20 m/s is 20 / 0.3 x 12 = 800 rad/s = 7639 1/min."""
    car = changed(
        PLAIN,
        driveline={
            "power": None, "engine_speed": (100.0, 900.0), "engine_torque": (300.0, 300.0),
            "gear_ratios": (3.0, 2.0), "final_drive": 4.0, "shift_speed": 850.0, "wheel_radius": 0.30,
            "overrun_torque": 40.0, "efficiency": 0.9,
        },
    )  # fmt: skip
    line = car.driveline
    assert engine_speed_at(line, np.array([20.0]))[0] / RPM == pytest.approx(7639.4, abs=0.1)
    # Level torque: the lower gear always pulls harder and is held to the shift speed, 850 * 0.3 / 12 m/s.
    assert gear_shift_speeds(line)[0] == pytest.approx(21.25)
    drive, overrun = wheel_forces(line, np.array([20.0, 25.0]))
    np.testing.assert_allclose(drive, [300 * 12 * 0.9 / 0.3, 300 * 8 * 0.9 / 0.3])
    np.testing.assert_allclose(overrun, [40 * 12 / 0.9 / 0.3, 40 * 8 / 0.9 / 0.3])
    assert top_gear_speed(line) == pytest.approx(850 * 0.3 / 8)


def test_plain_power_is_power_over_speed():
    car = changed(PLAIN, driveline={"efficiency": 0.9, "overrun_torque": 330.0})
    assert drive_force(car, None, 50.0, 1.0) * 50.0 == pytest.approx(0.9 * 300e3, rel=1e-3)
    assert drive_force(car, None, 50.0, 0.0) == pytest.approx(-1000.0)
    assert gear_at(car.driveline, np.array([50.0]))[0] == 0
