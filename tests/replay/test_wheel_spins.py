"""The equations with wheel spins: against the balances of the optimiser's car, closed forms, differentials, tolerances."""

from __future__ import annotations

import numpy as np
import pytest
from sample_cars import PLAIN, SHIPPED, changed, curve_of, shipped
from sample_drives import circle, drive, held, rolling, settled, straight
from scipy.optimize import fsolve

from lapwright.quantities import DEG, G
from lapwright.replay.equations import equations, slips_of, spin_rates, spins_of
from lapwright.replay.table import road_table
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, GripPatch, Station, Straight, TrackDefinition
from lapwright.vehicle.car import CarState, car_point, grounded
from lapwright.vehicle.motion import FLAT
from lapwright.vehicle.parameters import Differential, Tyre


def test_table_agrees_with_the_road():
    """Every quantity at stations between the nodes, breaks and the line of the lap included."""
    track = build_track(
        TrackDefinition(
            "oval", True,
            ElementLine((Straight(120), Arc(35, 180 * DEG, 20, 30), Straight(130), Arc(35, 180 * DEG, 20,
            30), Straight(10))), (Station(0, 5.0),), (Station(0, 5.0),), (Station(0, 0.0), Station(150, 4.0),
            Station(300, -2.0)), (Station(0, 0.0), Station(170, -0.06)), (GripPatch(40, 80, 0.9),
            GripPatch(200, 260, 0.9, -3.0, 1.0)),
        )
    )  # fmt: skip
    table = road_table(track)
    s = np.random.default_rng(3).uniform(-track.length, 2 * track.length, 500)
    road = track.road(s)
    values = np.array([table.at(float(a)) for a in s])
    for k, name in enumerate(
        ("stretch", "omega_x", "omega_y", "omega_z", "omega_x_rate", "up_x", "up_y", "up_z")
    ):
        np.testing.assert_allclose(values[:, k], getattr(road, name), atol=1e-6)
    np.testing.assert_allclose(values[:, 8], road.grip_base, rtol=0, atol=5e-5)
    np.testing.assert_allclose(values[:, 9], road.grip_bands[:, 0, 0], rtol=0, atol=5e-5)


@pytest.mark.parametrize("name", SHIPPED)
def test_spins_and_slips_are_inverse(name):
    car = shipped(name)
    state = CarState(0.5, 0.02, 33.0, -0.8, 0.35, 0.04, -0.2, -4.0, 9.0)
    slips = [-0.05, -0.02, 0.03, -0.9]
    assert slips_of(car, state, spins_of(car, state, slips)) == pytest.approx(slips)


@pytest.mark.parametrize("name", SHIPPED)
def test_compiled_rates_and_jacobian(name):
    """The compiled right-hand side is that of ``car_point``, its Jacobian that of central differences."""
    car = shipped(name)
    table = road_table(straight())
    f = equations(car, table.size)
    x = np.array([50.0, 1.0, 0.02, 35.0, -0.6, 0.25, 1.0, 7.0, 105, 108, 104, 107]) * 1.0
    x[8:] = np.array(spins_of(car, CarState(*x[1:6], 0.03, 0.4, 1.0, 7.0), [0.0, 0.01, 0.03, 0.04]))
    road = table.at(50.0)
    rates = f.rates(x, 0.03, 0.4, road).copy()
    state = CarState(*x[1:6], 0.03, 0.4, 1.0, 7.0)
    point = car_point(car, curve_of(car), FLAT, state, slips_of(car, state, list(x[8:])))
    expected = [point.ride.s_dot, *point.rates.values(), *spin_rates(car, point, list(x[8:]))]
    np.testing.assert_allclose(rates, expected, rtol=1e-10, atol=1e-9)
    h = 1e-5
    numeric = np.column_stack(
        [
            (f.rates(x + h * e, 0.03, 0.4, road).copy() - f.rates(x - h * e, 0.03, 0.4, road).copy())
            / (2 * h)
            for e in np.eye(12)
        ]
    )
    np.testing.assert_allclose(f.jacobian(x, 0.03, 0.4, road), numeric, rtol=1e-4, atol=1e-3)


@pytest.mark.parametrize("pedal", [-0.4, 0.4])
def test_balanced_wheels_change_their_spin_with_the_car(pedal):
    """Where the optimiser's torque rows vanish the spins change by u' / R, up to the share of the slip.

    The optimiser lets a wheel's spin follow the car, J u' / R; a wheel at constant slip needs (1 + kappa)
    times that. The difference is kappa J u' / R^2: with a tenth of slip less than 0.5 % of the wheel's force.
    """
    car = PLAIN

    def rows(slips):
        state = CarState(0, 0, 40.0, 0, 0, 0, pedal, 8.0 * pedal, 0)
        return car_point(car, None, FLAT, state, tuple(slips)).torque_balance

    slips = fsolve(rows, np.full(4, 0.02 * np.sign(pedal)), xtol=1e-12)
    state = CarState(0, 0, 40.0, 0, 0, 0, pedal, 8.0 * pedal, 0)
    point = car_point(car, None, FLAT, state, tuple(slips))
    radius = car.driveline.wheel_radius
    rates = np.array(spin_rates(car, point, point.spins))
    # A wheel near lifting keeps its own spin: the optimiser lets that begin smoothly.
    carried = np.array([grounded(load, car.chassis.mass) for load in point.loads])
    np.testing.assert_allclose(rates * radius, carried * point.rates["u"], rtol=5e-4)
    missing = car.driveline.wheel_inertia / radius**2 * np.abs(slips * point.rates["u"])
    pulling = np.abs([tyre.long for tyre in point.tyres]) > 300.0
    assert pulling.sum() >= 2
    assert np.all(missing[pulling] < 0.005 * np.abs([tyre.long for tyre in point.tyres])[pulling])


@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_constant_radius_holds(turn):
    """Hands and feet held where all rates vanish, an understeering car stays on its circle for laps."""
    car = changed(PLAIN, chassis={"front_mass_share": 0.55}, tyres={"rear": {"peak_slip_angle": 0.09}})
    track = circle(60.0, turn)
    _, _, x, delta, pedal = settled(car, track, 20.0)
    assert np.sign(delta) == turn
    motion, lap = drive(car, track, x, held(delta, pedal), 40.0)
    assert motion.ended == "out of time"
    assert motion.s[-1] > 2 * track.length
    assert np.max(np.abs(lap.n)) < 1e-3
    assert np.ptp(lap.speed) < 1e-4
    # v^2 / R is what an accelerometer feels across the path, along and across the car: v = 20 here is u,
    # nearly.
    felt = lap.accel_lat * np.cos(lap.sideslip) - lap.accel_long * np.sin(lap.sideslip)
    assert felt[-1] == pytest.approx(turn * lap.speed[-1] ** 2 / 60.0, rel=1e-6)


QUIET = changed(PLAIN, driveline={"power": 1.0, "overrun_torque": 0.0}, brakes={"peak_pressure": 1.0})
"""Neither engine nor brakes to speak of."""


def effective_mass(car):
    """Mass [kg] with the four rolling wheels added: m + 4 J / R^2 (any textbook)."""
    return car.chassis.mass + 4 * car.driveline.wheel_inertia / car.driveline.wheel_radius**2


def test_coasting_over_hills_keeps_its_energy():
    """m v^2 / 2 + J omega^2 / 2 over the wheels + m g z."""
    track = straight(800.0, [(0, 0), (100, 3), (250, -4), (400, 2), (600, 0), (800, 1)])
    motion, lap = drive(QUIET, track, rolling(QUIET, 25.0, 5.0), held(0.0, 0.0), 25.0)
    spin = motion.x[8:]
    energy = 0.5 * 1300 * lap.speed**2 + 0.5 * 1.2 * np.sum(spin**2, axis=0) + 1300 * G * lap.z
    assert np.ptp(lap.z) > 4.0
    np.testing.assert_allclose(energy, energy[0], rtol=2e-5)


def test_coasting_against_the_wind():
    """Drag alone: 1/u grows by k per metre-second, k = rho CdA / (2 m_eff)."""
    car = changed(QUIET, aero={"drag_area": 0.9})
    motion, _ = drive(car, straight(4000.0), rolling(car, 60.0), held(0.0, 0.0), 20.0)
    k = 0.5 * 1.2 * 0.9 / effective_mass(car)
    np.testing.assert_allclose(motion.u, 60.0 / (1 + k * 60.0 * motion.t), rtol=1e-4)


BRAKED = changed(
    QUIET,
    chassis={"cg_height": 1e-6, "roll_centre_front": 0.0, "roll_centre_rear": 0.0},
    brakes={"front_share": 0.5, "peak_pressure": 10e6, "force_per_pressure": 3e-3},
)
"""Centre of gravity on the ground, equal brakes on equal axles: all four wheels work alike."""


def test_steady_braking_distance():
    """8 m/s2 all along: (v0^2 - v1^2) / (2 a), and the mean fully developed deceleration of UN R13, annex 4, 1.1.2."""
    pedal = -8.0 * effective_mass(BRAKED) / 30e3
    motion, _ = drive(BRAKED, straight(600.0), rolling(BRAKED, 40.0), held(0.0, pedal), 4.5)
    s_at = lambda v: np.interp(-v, -motion.u, motion.s)  # noqa: E731
    assert s_at(10.0) - s_at(38.0) == pytest.approx((38.0**2 - 10.0**2) / 16.0, rel=2e-3)
    begin, end = 0.8 * 40.0, 0.1 * 40.0
    mfdd = (3.6**2) * (begin**2 - end**2) / (25.92 * (s_at(end) - s_at(begin)))
    assert mfdd == pytest.approx(8.0, rel=2e-3)


def stopping_distance(v0, v1, share, mass, grip_mass):
    """From v0 to v1 with braking force share * mu (m g + L v^2) and drag D v^2: closed form of v dv / a."""
    mu, lift, drag = 1.5, 0.5 * 1.2 * 2.0, 0.5 * 1.2 * 0.9
    level, square = share * mu * grip_mass * G / mass, (share * mu * lift + drag) / mass
    return np.log((level + square * v0**2) / (level + square * v1**2)) / (2 * square)


def test_stopping_distance_with_downforce():
    """From 70 m/s with mu 1.5, ClA 2.0, CdA 0.9 at the limit: 130.485918 m (Gillespie 1992, Milliken 1995, from memory).

    Driven here at 97 % of the limit by a foot that follows the downforce, and with the wheels' inertia.
    """
    assert stopping_distance(70.0, 0.0, 1.0, 1300.0, 1300.0) == pytest.approx(130.485918, abs=1e-6)
    car = changed(
        BRAKED,
        aero={"downforce_area": 2.0, "drag_area": 0.9},
        brakes={"force_per_pressure": 6e-3},
    )
    share = 0.97
    mass = effective_mass(car)
    # The wheels' own inertia takes braking torque that the tyres then do not feel.
    wheels = 1.0 - 1300.0 / mass

    def foot(_t, x):
        grip = share * 1.5 * (1300.0 * G + 0.5 * 1.2 * 2.0 * x[3] ** 2)
        return 0.0, -(grip + wheels * 0.5 * 1.2 * 0.9 * x[3] ** 2) / (1.0 - wheels) / 60e3

    motion, lap = drive(car, straight(600.0), rolling(car, 70.0), foot, 4.0)
    s_at = lambda v: np.interp(-v, -motion.u, motion.s)  # noqa: E731
    expected = stopping_distance(65.0, 10.0, share, 1300.0, 1300.0)
    assert s_at(10.0) - s_at(65.0) == pytest.approx(expected, rel=4e-3)
    assert lap.grip_use[50:350].min() > 0.95


def turning_out(differential):
    """A rear-driven car on a small circle, floored for half a second: motion and channels."""
    car = changed(PLAIN, driveline={"differential": differential, "power": 150e3}, chassis={"cg_height": 0.5})
    track = circle(20.0)
    _, _, x, delta, _ = settled(car, track, 10.5)
    return drive(car, track, x, held(delta, 1.0), 0.6)


def test_differentials_share_the_wheelspin():
    """On power in a bend an open axle spins its inside wheel; the others hold it back, a locked one entirely."""
    spread = {}
    for differential in (
        Differential("open"),
        Differential("viscous", viscosity=60.0),
        Differential("preload", preload=80.0, ramp_drive=0.4),
        Differential("locked"),
    ):
        motion, lap = turning_out(differential)
        left, right = motion.spin_rl, motion.spin_rr
        spread[differential.type] = float(np.max(left - right))
        assert np.all(np.isfinite(lap.slip_ratio))
    assert spread["open"] > 5.0
    assert 0.0 < spread["viscous"] < spread["open"]
    assert 0.0 < spread["preload"] < spread["open"]
    assert spread["locked"] == pytest.approx(0.0, abs=1e-9)


def test_open_axle_gives_both_wheels_the_same_torque():
    motion, lap = turning_out(Differential("open"))
    k = 200
    spin_rate = np.gradient(motion.x[10:12], motion.t, axis=1)[:, k]
    torque = 1.2 * spin_rate + 0.33 * lap.force_long[k, 2:]
    assert torque[0] == pytest.approx(torque[1], rel=5e-3)
    assert torque[0] > 100.0


def test_locked_axle_turns_as_one_and_resists_the_turn():
    """Its outer wheel is held back and its inner one pushed: a moment against the turn (common practice)."""
    car = changed(PLAIN, driveline={"differential": Differential("locked")})
    free = changed(PLAIN, driveline={"differential": Differential("open")})
    track = circle(30.0)
    _, _, x, delta, _ = settled(car, track, 8.0)
    _, _, _, delta_free, _ = settled(free, track, 8.0)
    assert x[10] == pytest.approx(x[11], rel=1e-9)
    assert delta > delta_free > 0.0


def test_tolerance_and_method_do_not_matter():
    """Errors fall with the tolerance, and an implicit Runge-Kutta method finds the same as the multistep one."""
    car = shipped("touring-saloon")
    track = circle(50.0)
    _, _, x, delta, pedal = settled(car, track, 17.0)

    def hands(t, _x):
        return delta * (1 + 0.2 * np.sin(2.0 * t)), pedal + 0.3 * np.sin(1.3 * t)

    ends = {
        rtol: drive(car, track, x, hands, 6.0, rtol=rtol)[0].x[:8, -1]
        for rtol in (1e-4, 1e-5, 1e-6, 1e-7, 1e-9)
    }
    errors = [np.max(np.abs(ends[rtol] - ends[1e-9])) for rtol in (1e-4, 1e-5, 1e-6, 1e-7)]
    assert errors[0] > errors[2] > errors[3]
    assert errors[3] < 1e-4
    other = drive(car, track, x, hands, 6.0, rtol=1e-7, method="Radau")[0].x[:8, -1]
    np.testing.assert_allclose(other, ends[1e-9], atol=1e-4)


def test_soft_tyre_numbers_are_used():
    """A car on ice: the same foot that stops PLAIN locks its wheels here."""
    ice = changed(
        PLAIN, tyres={"front": Tyre(0.1, 0.1, 3200.0, 0.0, 0.11, 0.09, 0.8), "rear": Tyre(0.1, 0.1, 3200.0,
        0.0, 0.11, 0.09, 0.8)}
    )  # fmt: skip
    _, grippy = drive(PLAIN, straight(), rolling(PLAIN, 30.0), held(0.0, -0.3), 1.0)
    _, slippery = drive(ice, straight(), rolling(ice, 30.0), held(0.0, -0.3), 1.0)
    assert grippy.slip_ratio.min() > -0.09
    assert slippery.slip_ratio.min() < -0.9
