"""What a car showed, against cars that were really changed: solved with other numbers, fitted against the file's."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from faulty_laps import HAS, ROOT, driven, grid, reference, target
from logs_from_laps import log_of, without

from lapwright.driver.felt import WINDOW, calm, course_rate, levelled, motion_of
from lapwright.driver.fit import asks_more, fit_car, fitted_vehicle
from lapwright.driver.pair import pairs
from lapwright.driver.sessions import session_of
from lapwright.driver.shares import running, shares
from lapwright.driver.shown_grip import BLIND, FLOOR, axle_use
from lapwright.inputs.files import load_vehicle
from lapwright.lap.corners import corner_reports
from lapwright.lap.resample import lap_at
from lapwright.quantities import G
from lapwright.reference.solve import solve_lap
from lapwright.vehicle.driveline import drive_curve
from lapwright.vehicle.loads import drag

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
    assert {one["of"] for one in told} == {"front grip", "rear grip", "power"}
    assert "Gate" in {one["corner"] for one in told} and "Heron" not in {one["corner"] for one in told}
    assert all("more" in one["words"] for one in told)
    asked = [one for one in told if one["of"] == "power" and one["corner"] == "Gate"]
    start, end = asked[0]["from_m"], asked[0]["to_m"]
    inside = (target().s > start + 1.0) & (target().s < start + 20.0)
    assert start < end and np.all(target().throttle[inside] > 0.95)
    assert not asks_more(fitted([driven(target(), has=FELT)]), corners)


def test_a_fitted_car_laps_like_the_one_that_was_driven():
    """Solved with what was found, the reference is as quick as the car that was driven."""
    fit = fitted([driven(lap_at(lap_of(CHANGES[0]), grid()), has=FELT)])
    fair = solve_lap(reference()[0], fitted_vehicle(reference()[1].vehicle, fit))
    assert fair.time == pytest.approx(lap_of(CHANGES[0]).time, abs=0.4)
    assert abs(fair.time - lap_of(CHANGES[0]).time) < 0.2 * abs(reference()[1].time - lap_of(CHANGES[0]).time)


def noisy(lap, seed=7, white=0.3, factors=(), noise=(), left_out=()):
    """A lap out of a log: with errors of the receiver, channels multiplied and shifted, noise on them."""
    track, result, known, _ = reference()
    log = log_of(lap, white=white, wander=2.0 * white, speed_noise=0.05, seed=seed)
    random = np.random.default_rng(seed)
    signals = dict(log.signals)
    for name, factor, shift in factors:
        signals[name] = replace(signals[name], values=factor * signals[name].values + shift)
    for name, error in noise:
        values = signals[name].values
        signals[name] = replace(signals[name], values=values + error * random.standard_normal(values.size))
    session = session_of(without(replace(log, signals=signals), *left_out), track, result.vehicle, known.lap)
    return session.best


FELT_NAMES = ("accel_lat", "accel_long", "yaw_rate")


def test_accelerometers_that_are_not_level_are_set_right():
    """Roll of 3.4 degrees per g reads 6 % too much across, pitch 2.3 degrees per g 4 % along; 0.2 m/s2 is 1.2 degrees."""
    change = CHANGES[0]
    drive = noisy(lap_of(change), factors=[("accel_lat", 1.06, 0.2), ("accel_long", 1.04, -0.2)])
    fit = fitted([drive])
    assert fit.front.value == pytest.approx(change[0], abs=0.015)
    assert fit.rear.value == pytest.approx(change[1], abs=0.015)
    assert fit.power.value == pytest.approx(change[2], abs=0.01)
    told, factors = levelled(
        motion_of(drive.lap, reference()[0], drive.has), motion_of(target(), reference()[0], drive.has),
        reference()[0], drive.has,
    )  # fmt: skip
    assert factors == (pytest.approx(1.04, abs=0.01), pytest.approx(1.06, abs=0.01))
    assert "set right" in fit.words and "set right" not in fitted([noisy(lap_of(change))]).words
    true = lap_at(lap_of(change), told.s)
    rows = true.speed > 20.0
    off = calm(told.t, told.accel_lat) - calm(true.t, true.accel_lat)
    assert np.median(np.abs(off[rows])) < 0.15 < 0.2


@pytest.mark.parametrize(
    "left_out", [("accel_lat", "accel_long"), FELT_NAMES, ("accel_lat", "accel_long", "x", "y")]
)
@pytest.mark.parametrize("change", CHANGES)
def test_fewer_channels_tell_less_surely(change, left_out):
    """Without accelerometers within 3 %, and within two and a half stated errors; never surer than with them."""
    fit = fitted([noisy(lap_of(change), left_out=left_out)])
    for shown, true in ((fit.front, change[0]), (fit.rear, change[1])):
        assert shown.value == pytest.approx(true, abs=0.03)
        assert abs(shown.value - true) < 2.5 * shown.error
        assert shown.error >= BLIND > FLOOR
    assert fit.power.value == pytest.approx(change[2], abs=0.01)


def test_places_alone_that_are_too_noisy_tell_nothing_of_grip():
    drive = noisy(target(), left_out=FELT_NAMES)
    rough = replace(drive, noise=replace(drive.noise, raw=1.0))
    fit = fitted([rough])
    assert fit.front.kind == fit.rear.kind == "not seen" and "0.8 m" in fit.front.words
    assert fitted([drive]).front.kind == "seen"


@pytest.mark.slow
def test_many_noisy_laps_do_not_add_up_to_grip():
    """The greatest of n normal values lies 1.6 (n = 12) standard deviations too high (David & Nagaraja, Order
    Statistics, 2003 [from memory]); eleven corners of twelve laps at the file's limit still show the file's grip.
    """
    noise = [("accel_lat", 0.2), ("accel_long", 0.2), ("yaw_rate", 0.0035)]
    drives = [one for seed in range(12) if (one := noisy(target(), seed, noise=noise)) is not None]
    assert len(drives) >= 8
    fit = fitted(drives)
    for shown in (fit.front, fit.rear):
        assert shown.value == pytest.approx(1.0, abs=shown.error)


def test_what_gear_changes_lose_is_in_the_power():
    """A clutch that is out for 0.1 s of every 2 s takes 5 % of the drive (m v' = F - D, Newton): power 0.95
    for a reference that changes gear in no time.
    """
    lap, car = target(), reference()[1].vehicle

    def force(speed):
        return drive_curve(car.driveline).forces(speed)[0]

    less, out = np.zeros_like(lap.s), lap.t % 2.0 < 0.1
    for k in range(1, lap.s.size):
        if lap.throttle[k] < 0.98:
            continue
        was = lap.speed[k - 1]
        now = was - less[k - 1]
        push = (0.0 if out[k - 1] else force(now)) - force(was)
        rate = (push - drag(car.aero, now) + drag(car.aero, was)) / car.chassis.mass
        less[k] = less[k - 1] - rate * (lap.t[k] - lap.t[k - 1])
    assert np.max(less) > 0.5
    fit = fitted([driven(replace(lap, speed=lap.speed - less), has=HAS)])
    assert fit.power.value == pytest.approx(0.95, abs=0.015)
    assert abs(fit.power.value - 0.95) < 2.0 * fit.power.error
    assert not fit.drag.seen


@pytest.mark.slow
def test_a_car_with_one_grip_is_found_out():
    """A friction circle: grip 0.95 and power 0.9 of the file's, a drag area 1.05 times as large."""
    track = reference()[0]
    car = load_vehicle(ROOT / "vehicles" / "teaching-car.yaml")
    weak = replace(car, grip=0.95 * car.grip, power=0.9 * car.power, drag_area=1.05 * car.drag_area)
    file, real = (lap_at(solve_lap(track, one).lap, grid()) for one in (car, weak))
    fit = fit_car(track, car, [driven(real, has=FELT)], file)
    assert fit.front.value == pytest.approx(0.95, abs=0.01) and fit.rear.kind == "not seen"
    assert fit.power.value == pytest.approx(0.9, abs=0.01)
    assert fit.drag.value == pytest.approx(1.05, abs=0.02)
    fair = fitted_vehicle(car, fit)
    assert (fair.grip, fair.power) == (
        pytest.approx(weak.grip, rel=0.01),
        pytest.approx(weak.power, rel=0.01),
    )


def test_turning_of_a_circle():
    """A circle of radius R driven at v turns at v / R; a straight not at all."""
    t = np.linspace(0.0, 5.0, 501)
    lap = replace(target(), t=t, x=50.0 * np.cos(0.6 * t), y=50.0 * np.sin(0.6 * t))
    assert course_rate(lap)[3:-3] == pytest.approx(0.6, rel=1e-3)
    assert course_rate(replace(lap, x=30.0 * t, y=40.0 * t)) == pytest.approx(0.0, abs=1e-9)


def test_averaging_keeps_straight_lines_and_lessens_noise():
    """A mean over a window leaves a linear channel alone inside, and divides white noise by the root of its samples."""
    t = np.linspace(0.0, 20.0, 2001)
    assert calm(t, 3.0 - 0.5 * t)[20:-20] == pytest.approx((3.0 - 0.5 * t)[20:-20])
    noise = np.random.default_rng(1).standard_normal(t.size)
    assert np.std(calm(t, noise)) == pytest.approx(1.0 / np.sqrt(30.0), rel=0.15)
