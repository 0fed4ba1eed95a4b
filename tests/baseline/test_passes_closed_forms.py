"""The forward and backward passes against answers in closed form.

The numbers were worked out independently (quadrature and ODE integration with scipy); the problems are textbook ones:
bang-bang motion and the point mass under an acceleration limit (Bryson & Ho, Applied Optimal Control, 1975), power against
drag and stopping distance (Gillespie, Fundamentals of Vehicle Dynamics, 1992; Milliken & Milliken, Race Car Vehicle
Dynamics, 1995), all books from memory. g = 9.80665 m/s2.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp, trapezoid
from straight_roads import RIGHT_ANGLE, point_mass, road

from lapwright.baseline.solve import solve_baseline
from lapwright.quantities import G
from lapwright.track.definition import Arc, Straight
from lapwright.vehicle.parameters import FrictionCircle


def test_rest_to_rest() -> None:
    result = solve_baseline(road(Straight(100.0)), point_mass(), start_speed=0.0, end_speed=0.0)
    assert result.time == pytest.approx(6.32455532, abs=1e-7)
    assert result.switches == pytest.approx((50.0,), abs=1e-6)
    assert result.lap.speed[[0, -1]] == pytest.approx(0.0)


def test_accelerate_then_brake() -> None:
    car = FrictionCircle("Limited drive", 12.0 / G, accel_limit=6.0 / G)
    result = solve_baseline(road(Straight(300.0)), car, start_speed=20.0, end_speed=15.0)
    assert result.time == pytest.approx(8.50689839, rel=1e-8)
    assert result.switches == pytest.approx((195.138889,), abs=1e-6)


def test_the_switch_is_a_row_of_the_lap() -> None:
    car = FrictionCircle("Limited drive", 12.0 / G, accel_limit=6.0 / G)
    lap = solve_baseline(road(Straight(300.0)), car, start_speed=20.0, end_speed=15.0).lap
    at = int(np.argmin(np.abs(lap.s - 195.138889)))
    assert lap.s[at] == pytest.approx(195.138889, abs=1e-6)
    assert lap.speed[at] == pytest.approx(np.sqrt(20.0**2 + 2 * 6.0 * 195.138889), rel=1e-8)
    assert lap.accel_long[at - 1] == pytest.approx(6.0)
    assert lap.accel_long[at] == pytest.approx(-12.0)


def test_power_against_drag() -> None:
    car = FrictionCircle("Powerful", 2.0, mass=1300.0, power=330e3, drag_area=0.9, air_density=1.2)
    result = solve_baseline(road(Straight(624.874479)), car, start_speed=30.0)
    assert result.lap.speed[-1] == pytest.approx(70.0, abs=1e-6)
    assert result.time == pytest.approx(11.3436683, abs=1e-6)


def test_top_speed_of_power_against_drag() -> None:
    car = FrictionCircle("Powerful", 2.0, mass=1300.0, power=330e3, drag_area=0.9, air_density=1.2)
    result = solve_baseline(road(Straight(20000.0)), car, start_speed=30.0)
    assert result.lap.speed[-1] == pytest.approx(84.8607228, rel=1e-6)


@pytest.mark.parametrize(
    ("length", "lift", "drag", "time"),
    [(166.553648, 0.0, 0.0, 2 * 166.553648 / 70.0), (130.485918, 2.0, 0.9, 4.04923730)],
    ids=["grip alone", "with downforce and drag"],
)
def test_stopping_from_70(length: float, lift: float, drag: float, time: float) -> None:
    car = FrictionCircle("Braked", 1.5, mass=1300.0, drag_area=drag, downforce_area=lift, air_density=1.2)
    result = solve_baseline(road(Straight(length)), car, start_speed=None, end_speed=0.0)
    assert result.lap.speed[0] == pytest.approx(70.0, abs=1e-6)
    assert result.time == pytest.approx(time, rel=1e-7)


def test_straight_bend_straight_without_ramps() -> None:
    track = road(Straight(100.0), Arc(20.0, RIGHT_ANGLE), Straight(100.0))
    result = solve_baseline(track, point_mass(), start_speed=40.0)
    assert result.time == pytest.approx(8.801228, abs=2e-6)
    # v^2 = 40^2 - 20 s meets v^2 = A R at the bend: it brakes from 15 m on.
    assert result.switches == pytest.approx((15.0,), abs=1e-6)
    assert result.lap.speed.min() == pytest.approx(np.sqrt(200.0), rel=1e-9)


def test_friction_circle_on_a_constant_radius() -> None:
    """v^2 = A R sin(2 s / R): the limit is reached after exactly 45 degrees, T = 1.31102878 sqrt(R / A)."""
    radius = 50.0
    lap = solve_baseline(road(Arc(radius, 2.8)), point_mass(), start_speed=0.0).lap
    turned = lap.s / radius
    early = turned < 0.25 * np.pi - 0.05
    assert lap.speed[early] ** 2 == pytest.approx(500.0 * np.sin(2.0 * turned[early]), rel=2e-5, abs=1e-9)
    assert np.interp(0.25 * np.pi, turned, lap.t) == pytest.approx(1.31102878 * np.sqrt(5.0), abs=1e-5)
    assert lap.speed[turned > 0.26 * np.pi] ** 2 == pytest.approx(500.0, rel=1e-6)


def test_trail_braking_on_a_clothoid() -> None:
    """Radius 30 m, ramp 40 m, 10 m/s2: speed and brake at quarters of the ramp, backward from the apex."""
    track = road(Arc(30.0, 2.8, 40.0, 40.0))
    lap = solve_baseline(track, point_mass(), step=0.25).lap
    for at, speed, brake in ((30, 19.021727, 4.263352), (20, 21.602944, 6.284970), (10, 24.806517, 8.585065)):
        row = int(np.argmin(np.abs(lap.s - at)))
        w = np.interp(at, lap.s, lap.speed**2)
        curve = np.gradient(np.gradient(lap.speed**2, lap.s), lap.s)[row]
        # Straight interpolation of w lies below or above it by at most w'' h^2 / 8.
        room = abs(curve) * 0.25**2 / 8 / (2 * speed) + 2e-6
        assert np.sqrt(w) == pytest.approx(speed, abs=room)
        assert -np.interp(at, lap.s, lap.accel_long) == pytest.approx(brake, abs=2e-3)
    assert lap.speed[0] == pytest.approx(28.36849, abs=1e-5)
    assert -lap.accel_long[0] == pytest.approx(10.0)


def test_steps_of_order_four() -> None:
    """Power against drag with half the step: a sixteenth of the error (classical Runge-Kutta; Hairer, Norsett & Wanner,
    Solving Ordinary Differential Equations I, II.1 [from memory])."""
    car = FrictionCircle("Powerful", 9.0, mass=1300.0, power=330e3, drag_area=0.9, air_density=1.2)
    exact = solve_ivp(
        lambda s, v: (330e3 / v - 0.54 * v**2) / (1300.0 * v), (0.0, 600.0), [30.0], rtol=1e-13, atol=1e-13
    ).y[0, -1]
    errors = [
        abs(solve_baseline(road(Straight(600.0)), car, start_speed=30.0, step=step).lap.speed[-1] - exact)
        for step in (60.0, 30.0)
    ]
    assert errors[0] / errors[1] > 12.0


def test_time_of_a_slope() -> None:
    """On a steady slope of 10 percent the pull of gravity adds g sin(slope) along the road, which is longer than its plan."""
    from lapwright.track.definition import Station

    fall = tuple(Station(float(s), -0.1 * s) for s in range(0, 301, 50))
    track = road(Straight(300.0), elevation=fall)
    car = FrictionCircle("Falling", 1.0, accel_limit=0.2)
    slope = np.arctan(0.1)
    accel = 0.2 * G + G * np.sin(slope)
    length = 300.0 / np.cos(slope)
    result = solve_baseline(track, car, start_speed=10.0)
    exact = (np.sqrt(100.0 + 2 * accel * length) - 10.0) / accel
    assert result.time == pytest.approx(exact, rel=1e-8)


def test_long_bend_taken_under_power() -> None:
    """Where drag at the grip limit is more than the engine gives, the steady speed of a ring is that of the engine."""
    from straight_roads import ring

    car = FrictionCircle("Draggy", 2.0, mass=1000.0, power=60e3, drag_area=2.0, air_density=1.2)
    result = solve_baseline(ring(150.0), car)
    top = (60e3 / (0.5 * 1.2 * 2.0)) ** (1.0 / 3.0)
    assert top < np.sqrt(2.0 * G * 150.0)
    assert result.lap.speed == pytest.approx(top, rel=1e-6)
    assert result.time == pytest.approx(2 * np.pi * 150.0 / top, rel=1e-6)


def test_time_channel_is_the_integral_of_slowness() -> None:
    track = road(Straight(200.0), Arc(40.0, 2.0, 25.0, 35.0), Straight(150.0))
    car = FrictionCircle("Car", 1.2, mass=1200.0, power=150e3, accel_limit=0.5, drag_area=0.7)
    lap = solve_baseline(track, car, start_speed=20.0).lap
    slowness = trapezoid(1.0 / lap.speed, lap.s)
    assert lap.time == pytest.approx(slowness, rel=1e-5)
