"""The envelope of the full car and of the point mass, against hand calculations and a general optimiser."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from plain_cars import PLAIN, SHIPPED, envelope_of, shipped, with_tyres
from scipy.optimize import brentq

from lapwright.baseline.envelope import CircleEnvelope, envelope, grip_nodes, top_speed
from lapwright.quantities import G
from lapwright.vehicle.parameters import FrictionCircle
from lapwright.vehicle.tyre import slip_at_margin

ONE = np.ones(1)

LOCK = 5e-5
"""The smooth split of the pedal leaves a trace of throttle on under braking: 2e-5 of the weight here."""


def test_point_mass_is_a_circle() -> None:
    car = FrictionCircle("Car", 1.3, mass=1200.0)
    known = envelope(car)
    assert isinstance(known, CircleEnvelope)
    angle = np.linspace(0.0, np.pi / 2, 7)
    lateral = 1.3 * G * np.sin(angle)
    least, most = known.long_range(30.0 + 0 * angle, G + 0 * angle, lateral)
    assert most == pytest.approx(1.3 * G * np.cos(angle), abs=1e-6)
    assert least == pytest.approx(-most)
    assert known.lateral_most(30.0 * ONE, 0.5 * G * ONE, 0.8)[0] == pytest.approx(0.5 * 0.8 * 1.3 * G)
    assert np.isnan(known.long_range(30.0 * ONE, G * ONE, 1.31 * G * ONE)[0][0])


def test_point_mass_with_engine_and_air() -> None:
    car = FrictionCircle("Car", 1.3, 1000.0, accel_limit=0.5, power=100e3, drag_area=0.8, downforce_area=1.0)
    least, most = envelope(car).long_range(np.array([10.0, 50.0]), G * np.ones(2), np.zeros(2))
    drag = 0.5 * 1.2 * 0.8 / 1000.0 * np.array([100.0, 2500.0])
    load = G + 0.5 * 1.2 * 1.0 / 1000.0 * np.array([100.0, 2500.0])
    assert most == pytest.approx(np.array([0.5 * G, 100e3 / 50.0 / 1000.0]) - drag)
    assert least == pytest.approx(-1.3 * load - drag)


@pytest.mark.parametrize(("friction", "z", "first"), [(0.6, 0.596685, "rear"), (0.3, 0.273187, "front")])
def test_straight_braking_up_to_the_first_lock(friction: float, z: float, first: str) -> None:
    """Adhesion utilisation f1 = T1 / (P1 + z P h / E), f2 = T2 / (P2 - z P h / E) (UN Regulation 13-H, annex 5; equations in
    Crolla (ed.), Automotive Engineering, 2009): rear static share .40, h/E = .55/2.7, front brake share .72."""
    known = envelope_of(with_tyres(PLAIN, peak_mu_long=friction, peak_mu_lat=friction))
    least, _ = known.long_range(20.0 * ONE, G * ONE, 0.0 * ONE)
    assert -least[0] / G == pytest.approx(z, abs=LOCK)
    use = known.states[3:7, 0, list(known.speeds).index(20.0), list(known.normals).index(G), 0, 0]
    locked = int(np.argmax(np.abs(use)))
    assert (locked < 2) == (first == "front")


def test_both_axles_lock_together_at_the_balance_of_the_brakes() -> None:
    """The same equations: f1 = f2 = z at z = 0.589091, where all the friction there is is used."""
    known = envelope_of(with_tyres(PLAIN, peak_mu_long=0.589091, peak_mu_lat=0.589091))
    least, _ = known.long_range(20.0 * ONE, G * ONE, 0.0 * ONE)
    assert -least[0] / G == pytest.approx(0.589091, abs=LOCK)


def test_traction_of_a_rear_driven_car() -> None:
    """F = mu (P b'/E) / (1 - mu h / E) on the rear axle, open differential, both wheels alike (Gillespie 1992, ch. 2, without
    driveline torque on the axle [from memory])."""
    friction = 0.8
    known = envelope_of(
        replace(with_tyres(PLAIN, peak_mu_long=friction, peak_mu_lat=friction), name="Traction")
    )
    _, most = known.long_range(10.0 * ONE, G * ONE, 0.0 * ONE)
    grip = friction * 0.4 / (1.0 - friction * 0.55 / 2.7)
    assert grip * G < 200e3 * 0.9 / 10.0 / 1300.0
    assert most[0] / G == pytest.approx(grip, abs=3e-5)


def test_top_speed_is_where_power_meets_drag() -> None:
    car = replace(PLAIN, name="Fast", aero=replace(PLAIN.aero, drag_area=0.9))
    fastest = (2.0 * 0.9 * 200e3 / (1.2 * 0.9)) ** (1.0 / 3.0)
    assert top_speed(car, None) == pytest.approx(fastest, abs=0.1)
    _, most = envelope_of(car).long_range(
        np.array([fastest - 1.0, fastest, fastest + 1.0]), G * np.ones(3), np.zeros(3)
    )
    assert most[1] == pytest.approx(0.0, abs=2e-3)
    assert most[0] > 0.0 > most[2]


def test_drive_of_a_car_whose_engine_is_the_limit() -> None:
    """a = eta P / (m v) with massless wheels; with wheels of 2 kg m2 the mass grows by 4 J / R^2 (Gillespie 1992, ch. 2)."""
    heavy = replace(PLAIN, name="Wheels", driveline=replace(PLAIN.driveline, wheel_inertia=2.0))
    for car, mass in ((PLAIN, 1300.0), (heavy, 1300.0 + 4 * 2.0 / 0.33**2)):
        _, most = envelope_of(car).long_range(50.0 * ONE, G * ONE, 0.0 * ONE)
        assert most[0] == pytest.approx(0.9 * 200e3 / 50.0 / mass, rel=1e-3)


@pytest.mark.parametrize("stiffness_share", [0.35, 0.65])
def test_lateral_limit_of_two_axles_with_load_sensitive_tyres(stiffness_share: float) -> None:
    """Axle force 2 mu0 F0 - 2 k dF^2 (Milliken & Milliken 1995, ch. 7 [from memory]), the weaker axle decides.

    Axle loads follow from the longitudinal force that goes with the largest lateral one; the tyres' slip angle at their
    peak turns front forces by the steering angle, which the estimate leaves out: 2 percent.
    """
    k, mu, load0 = 6e-5, 1.3, 3000.0
    tyres = with_tyres(
        PLAIN, peak_mu_lat=mu, peak_mu_long=mu, load_sensitivity=k, reference_load=load0, peak_slip_angle=0.03
    )
    chassis = replace(tyres.chassis, front_mass_share=0.5, roll_stiffness_front_share=stiffness_share)
    car = replace(tyres, name=f"Sensitive {stiffness_share}", chassis=chassis)
    known = envelope_of(car)
    i, j = list(known.speeds).index(50.0), list(known.normals).index(G)
    long = known.long[0, i, j, -1, 0]

    def spare(a: float) -> float:
        weakest = np.inf
        for axle, share in ((-1.0, stiffness_share), (1.0, 1.0 - stiffness_share)):
            half = 0.5 * 1300.0 * G * (0.5 + axle * long * 0.55 / 2.7)
            moved = 1300.0 * a * 0.55 * share / 1.6
            top = 2 * (mu - k * (half - load0)) * half - 2 * k * moved**2
            weakest = min(weakest, top / (0.5 * 1300.0))
        return weakest - a

    estimate = brentq(spare, 1.0, 20.0)
    assert known.lateral_most(50.0 * ONE, G * ONE)[0] == pytest.approx(estimate, rel=0.02)


@pytest.mark.parametrize("name", SHIPPED)
def test_more_load_gives_more_force_but_less_than_in_proportion(name: str) -> None:
    known = envelope_of(shipped(name))
    normals = np.linspace(0.5, 2.4, 20) * G
    speed = 40.0 * np.ones(20)
    lateral = known.lateral_most(speed, normals)
    assert np.all(np.diff(lateral) > 0.0)
    share = lateral / known.load(speed, normals)
    assert np.all(np.diff(share) < 0.0)
    assert share[-1] < 0.9 * share[0]
    # Braking grows too, until the brakes themselves are the limit.
    brake = -known.long_range(speed, normals, np.zeros(20))[0]
    assert np.all(np.diff(brake) > -0.005)
    assert brake[5] > brake[0] + 4.0


@pytest.mark.parametrize("name", SHIPPED)
def test_left_and_right_are_alike_and_more_bend_leaves_less_to_brake(name: str) -> None:
    known = envelope_of(shipped(name))
    most = known.lateral_most(45.0 * ONE, G * ONE)[0]
    lateral = np.linspace(0.0, most, 40)
    speed, normal = 45.0 * np.ones(40), G * np.ones(40)
    left, right = known.long_range(speed, normal, lateral), known.long_range(speed, normal, -lateral)
    assert left == pytest.approx(np.array(right))
    least, largest = left
    assert np.all(least <= largest)
    assert np.all(np.diff(least[lateral < 0.9 * most]) > -0.02 * G)


@pytest.mark.parametrize("name", ["cup-coupe", "touring-saloon"])
def test_less_grip_is_less_force(name: str) -> None:
    known = envelope_of(shipped(name))
    low = known.with_grips((0.5,))
    speed, normal = np.array([20.0, 50.0]), G * np.ones(2)
    full, half = low.lateral_most(speed, normal, 1.0), low.lateral_most(speed, normal, 0.5)
    assert full == pytest.approx(known.lateral_most(speed, normal))
    # Half the friction moves less load about, so the load-sensitive tyres keep a little more than half the force.
    assert np.all((half > 0.5 * full) & (half < 0.6 * full))


def test_grips_close_to_one_are_taken_in_proportion() -> None:
    assert grip_nodes(0.93, 1.0) == (1.0,)
    assert grip_nodes(0.5, 1.0)[0] == 0.5
    assert np.all(np.diff(np.log(grip_nodes(0.4, 1.0))) <= np.log(1.2) + 1e-6)
    known = envelope_of(shipped("cup-coupe"))
    near = known.with_grips((0.93,))
    speed, normal = np.array([20.0, 40.0, 60.0]), np.array([0.8, 1.0, 1.3]) * G
    assert known.covers(0.93, 1.0)
    assert not known.covers(0.6, 1.0)
    assert known.lateral_most(speed, normal, 0.93) == pytest.approx(
        near.lateral_most(speed, normal, 0.93), rel=0.015
    )


def test_the_margin_is_that_share_of_the_straight_line_grip() -> None:
    """A margin of five percent leaves five percent of the braking force unused, by the definition of the margin."""
    car = with_tyres(PLAIN, peak_mu_long=0.6, peak_mu_lat=0.6)
    careful = replace(car, name="Careful", driver=replace(car.driver, grip_margin=0.05))
    slip = float(slip_at_margin(0.05, 0.8))
    assert slip < 1.0
    least, _ = envelope_of(careful).long_range(20.0 * ONE, G * ONE, 0.0 * ONE)
    # The allowed friction is below the brakes' balance of 0.589, so the front is first: z = f (P1/P) / (T1/T - f h/E).
    allowed = 0.95 * 0.6
    assert -least[0] / G == pytest.approx(allowed * 0.6 / (0.72 - allowed * 0.55 / 2.7), abs=LOCK)


@pytest.mark.parametrize("name", SHIPPED)
def test_hardly_any_entry_is_guessed(name: str) -> None:
    known = envelope_of(shipped(name))
    assert known.guessed <= 0.001 * known.long.size
