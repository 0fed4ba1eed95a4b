"""What a car showed, against cars that were really changed: solved with other numbers, fitted against the file's."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from faulty_laps import HAS, driven, grid, reference, target
from logs_from_laps import log_of, without

from lapwright.driver.felt import WINDOW
from lapwright.driver.fit import asks_more, fit_car, fitted_vehicle
from lapwright.driver.pair import pairs
from lapwright.driver.sessions import session_of
from lapwright.driver.shares import running, shares
from lapwright.driver.shown_grip import axle_use
from lapwright.lap.corners import corner_reports
from lapwright.lap.resample import lap_at
from lapwright.quantities import G
from lapwright.reference.solve import solve_lap

FELT = HAS | {"yaw_rate", "accel_lat", "accel_long"}
CHANGES = [(0.95, 0.97, 0.94, 1.0), (0.97, 0.93, 1.03, 1.1)]


def changed(front, rear, power, air):
    car = reference()[1].vehicle
    tyres = car.tyres
    return replace(
        car,
        tyres=replace(
            tyres, front=replace(tyres.front, grip_scale=front), rear=replace(tyres.rear, grip_scale=rear)
        ),
        driveline=replace(car.driveline, engine_torque=tuple(x * power for x in car.driveline.engine_torque)),
        aero=replace(car.aero, drag_area=car.aero.drag_area * air),
    )


@cache
def lap_of(change):
    return solve_lap(reference()[0], changed(*change)).lap


def fitted(laps):
    return fit_car(reference()[0], reference()[1].vehicle, laps, target())


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("noisy", [False, True])
def test_a_changed_car_is_found_out(change, noisy):
    """Grip within 1.5 %, power within 1 %, drag within 3 %, and all within two of their stated errors."""
    track, result, known, _ = reference()
    if noisy:
        log = log_of(lap_of(change), white=0.3, wander=0.7, speed_noise=0.05, seed=7)
        lap = session_of(log, track, result.vehicle, known.lap).best
    else:
        lap = driven(lap_at(lap_of(change), grid()), has=FELT)
    fit = fitted([lap])
    front, rear, power, air = change
    for shown, true, close in (
        (fit.front, front, 0.015),
        (fit.rear, rear, 0.015),
        (fit.power, power, 0.01),
        (fit.drag, air, 0.03),
    ):
        assert shown.value == pytest.approx(true, abs=close)
        assert abs(shown.value - true) < 2.0 * shown.error
        assert shown.kind == "seen"


def test_the_reference_shows_what_its_file_says():
    fit = fitted([driven(target(), has=FELT)])
    for shown in (fit.front, fit.rear, fit.power, fit.drag):
        assert shown.value == pytest.approx(1.0, abs=1e-6)


def test_the_best_of_several_laps_counts():
    slow = driven(lap_at(lap_of(CHANGES[1]), grid()), has=FELT)
    assert fitted([slow, driven(target(), has=FELT)]).rear.value == pytest.approx(1.0, abs=0.01)


def test_steady_turning_shares_the_side_force_by_the_wheelbase():
    """F_f = m a_y b / L, F_r = m a_y a / L in a steady turn (Gillespie 1992, ch. 6 [from memory])."""
    track, result, _, _ = reference()
    car, lap = result.vehicle, target()
    steady = replace(
        lap, n=0.0 * lap.n, speed=np.full_like(lap.s, 30.0), t=lap.s / 30.0, accel_long=0.0 * lap.s,
        accel_lat=np.full_like(lap.s, 0.5 * G), yaw_rate=np.full_like(lap.s, 0.2), pedal=0.0 * lap.s,
    )  # fmt: skip
    chassis = car.chassis
    from lapwright.lap.channels import car_lap

    zero = 0.0 * lap.s
    states = np.stack(
        [
            zero,
            zero,
            steady.speed,
            zero,
            steady.yaw_rate,
            lap.steering_wheel / car.steering.ratio,
            zero,
            zero,
            steady.accel_lat,
        ]
    )
    there = car_lap("x", track, car, lap.s, steady.t, states, np.zeros((4, lap.s.size)))
    air = 0.5 * car.aero.air_density * car.aero.drag_area * 900.0
    side = chassis.mass * 0.5 * G * chassis.cg_to_rear / chassis.wheelbase / there.grip_lat[:, :2].sum(axis=1)
    assert axle_use(track, car, steady, WINDOW)[0] == pytest.approx(side, rel=1e-6)
    pushed = np.hypot(
        air / there.grip_long[:, 2:].sum(axis=1),
        chassis.mass * 0.5 * G * chassis.cg_to_front / chassis.wheelbase / there.grip_lat[:, 2:].sum(axis=1),
    )
    assert axle_use(track, car, steady, WINDOW)[1] == pytest.approx(pushed, rel=1e-6)


def test_what_was_not_logged_is_not_told():
    track, result, known, _ = reference()
    log = without(log_of(known.lap), "x", "y", "yaw_rate", "accel_lat", "accel_long", "throttle")
    fit = fitted([session_of(log, track, result.vehicle, known.lap).best])
    assert {shown.kind for shown in (fit.front, fit.rear, fit.power, fit.drag)} == {"not seen"}
    assert "no throttle" in fit.power.words and "neither places" in fit.front.words
    assert fitted_vehicle(result.vehicle, fit) == result.vehicle


def test_the_reference_that_asks_for_more_than_was_seen_says_so():
    track, _, known, _ = reference()
    lap = lap_at(lap_of(CHANGES[0]), grid())
    drive = driven(lap, has=FELT)
    fit = fitted([drive])
    ours, theirs = corner_reports(lap, track), corner_reports(target(), track)
    corners = pairs(
        track, drive, target(), ours, theirs, shares(running(lap, target(), known), track, ours, theirs)
    )
    told = asks_more(fit, corners)
    assert {one["axle"] for one in told} == {"front", "rear"}
    assert "Gate" in {one["corner"] for one in told} and "Heron" not in {one["corner"] for one in told}
    assert all("more" in one["words"] for one in told)
    assert not asks_more(fitted([driven(target(), has=FELT)]), corners)


def test_a_fitted_car_laps_like_the_one_that_was_driven():
    """Solved with what was found, the reference is as quick as the car that was driven."""
    fit = fitted([driven(lap_at(lap_of(CHANGES[0]), grid()), has=FELT)])
    fair = solve_lap(reference()[0], fitted_vehicle(reference()[1].vehicle, fit))
    assert fair.time == pytest.approx(lap_of(CHANGES[0]).time, abs=0.4)
    assert abs(fair.time - lap_of(CHANGES[0]).time) < 0.2 * abs(reference()[1].time - lap_of(CHANGES[0]).time)
