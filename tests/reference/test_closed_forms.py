"""Whole solves against optimal control worked by hand.

A point mass whose acceleration may be 10 m/s2 in every direction follows, on an open plane, the bilinear tangent law
(Bryson & Ho, Applied Optimal Control, 1975, section 2.7 [from memory]). The numbers below were worked out apart from
this program, by quadrature and shooting on that law; a general pseudospectral solver (yapss, MIT licence) gives the
U-turn as 6.107048682230 s.
"""

from __future__ import annotations

from math import log, pi, sqrt

import numpy as np
import pytest
from made_up_roads import Manoeuvre, around, definition
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from lapwright.problem.lap import EndState
from lapwright.quantities import G
from lapwright.reference.solve import LapOptions, solve_lap
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.solution import Start
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, Straight
from lapwright.vehicle.parameters import FrictionCircle

POINT = FrictionCircle("point mass", grip=10.0 / G)

U_TURN = Manoeuvre(30.0, 20.0j, pi, 30.0)
RIGHT_ANGLE = Manoeuvre(40.0, 80.0 + 80.0j, 0.5 * pi, 40.0)


def even(mesh, degree=2, solver="structured"):
    """An even mesh that no check refines: these tests judge the answer themselves."""
    return LapOptions(mesh=mesh, degree=degree, uniform=True, tolerance=1.0, refinements=0, solver=solver)


@pytest.fixture(params=["structured", "ipopt"])
def solver(request):
    return request.param


def alone(result, solver):
    """Whether the answer is from that solver and no other was asked."""
    name = {"structured": "structured interior point", "ipopt": "IPOPT"}[solver]
    return all(stage.solver == name for stage in result.stages)


def inside(result, track):
    """Whether the free path stays clear of the road's edges, as the closed form asks."""
    road = track.road(result.lap.s[1:-1])
    n = result.lap.n[1:-1]
    return bool(np.all(n < road.width_left - 0.1) and np.all(n > -road.width_right + 0.1))


def slowest(lap):
    """Lowest speed and its time, between the rows: the lowest point of a parabola through the five lowest rows."""
    rows = np.argmin(lap.speed) + np.arange(-2, 3)
    t = lap.t[rows] - lap.t[rows[2]]
    a, b, c = np.polyfit(t, lap.speed[rows], 2)
    return c - 0.25 * b * b / a, lap.t[rows[2]] - 0.5 * b / a


def to_the_end(result):
    """Time with the barrier of the interior-point method brought down further: it keeps a lap 1e-4 s off its limits."""
    found = result.solution
    start = Start(found.x, found.row_multipliers, found.bound_multipliers, 1e-8)
    again = solve_ipopt(found.nlp, start, tolerance=1e-9)
    assert again.status.solved
    return again.time()


STRAIGHTS = {
    # Smallest root of (A T^2 / 4)^2 = (L - v T)^2 + w^2.
    "lane shift": (Manoeuvre(40.0, 120.0 + 10.0j, 0.0, 40.0), 2.6423397),
    # 2.6771649 s and 13.2930154 s satisfy the law as well: other extremals, no minima.
    "brake and shift": (Manoeuvre(50.0, 100.0 + 6.0j, 0.0, 30.0), 2.4131607),
}


@pytest.mark.parametrize("degree", [2, 3])
@pytest.mark.parametrize("name", STRAIGHTS)
def test_crossing_a_straight_road(name, degree, solver):
    move, expected = STRAIGHTS[name]
    track = build_track(definition([Straight(move.place.real)], 11.0))
    end = EndState(move.exit, move.place.imag, 0.0)
    result = solve_lap(
        track, POINT, start=EndState(move.entry, 0.0), end=end, options=even(1.25, degree, solver=solver)
    )
    assert alone(result, solver)
    assert result.solution.nlp.mesh.intervals >= 80
    assert inside(result, track)
    assert result.time == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("degree", [2, 3])
def test_u_turn(degree, solver):
    track, start, end = around(U_TURN, approach=36.0, radius=10.0, angle=pi, left=9.0, right=14.0)
    result = solve_lap(track, POINT, start=start, end=end, options=even(0.8, degree, solver=solver))
    assert alone(result, solver)
    assert result.solution.nlp.mesh.intervals >= 80
    assert inside(result, track)
    assert result.time == pytest.approx(6.1070487, abs=1e-4)
    speed, at = slowest(result.lap)
    assert speed == pytest.approx(4.93829, abs=1e-2)
    assert at == pytest.approx(0.5 * 6.1070487, abs=1e-2)


ROADS = {
    "a wide arc": {"approach": 40.0, "radius": 40.0, "angle": 0.5 * pi, "left": 20.0, "right": 30.0},
    "another road, met askew": {
        "approach": 45.0, "radius": 35.0, "angle": np.radians(75.0), "left": 22.0, "right": 35.0,
        "offset": -6.0, "heading": np.radians(-8.0),
    },
}  # fmt: skip
"""Two centrelines for one manoeuvre in the plane: nothing may depend on which one counts the metres."""


@pytest.mark.parametrize("name", ROADS)
def test_right_angle_on_two_centrelines(name):
    track, start, end = around(RIGHT_ANGLE, **ROADS[name])
    result = solve_lap(track, POINT, start=start, end=end, options=LapOptions(mesh=1.0, tolerance=1e-3))
    assert result.solution.nlp.mesh.intervals >= 80
    assert inside(result, track)
    assert result.time == pytest.approx(7.3201471, abs=2e-4)
    assert to_the_end(result) == pytest.approx(7.3201471, abs=1e-5)
    speed, at = slowest(result.lap)
    assert speed == pytest.approx(7.66591, abs=1e-2)
    assert at == pytest.approx(3.66007, abs=1e-3)


def test_a_path_that_only_the_mesh_allows_is_refused():
    """An even mesh has a false optimum here, nearly half a second slow: it turns on the spot between two points.

    The check of the mesh sees it, and the answer that is given in the end is the right one.
    """
    track, start, end = around(RIGHT_ANGLE, **ROADS["a wide arc"])
    result = solve_lap(track, POINT, start=start, end=end, options=LapOptions(mesh=0.75, uniform=True))
    assert result.time == pytest.approx(7.3201471, abs=2e-4)


def test_corner_with_road_edges(solver):
    """The path is held by the road: 100 m, a left-hand quarter circle of 20 m, 100 m, 5 m to either side.

    7.6605 +- 0.0003 s was worked out by another transcription of the same problem in plane coordinates.
    """
    track = build_track(definition([Straight(100.0), Arc(20.0, 0.5 * pi), Straight(100.0)], 5.0))
    result = solve_lap(track, POINT, start=EndState(40.0, 0.0), options=even(0.75, solver=solver))
    assert alone(result, solver)
    assert result.time == pytest.approx(7.6605, abs=3e-4)
    lap = result.lap
    at_apex = np.abs(lap.s - (100.0 + 5.0 * pi)) < 3.0
    assert lap.n.max() <= 5.0 + 1e-6 and lap.n.min() >= -5.0 - 1e-6
    assert lap.n[at_apex].max() == pytest.approx(5.0, abs=0.05)


def test_one_brake_point(solver):
    """Speeding up with 6 and slowing with 12 m/s2: v^2 meets at the brake point, by hand."""
    car = FrictionCircle("drag racer", grip=12.0 / G, accel_limit=6.0 / G)
    track = build_track(definition([Straight(300.0)], 5.0))
    result = solve_lap(
        track, car, start=EndState(20.0, 0.0), end=EndState(15.0), options=even(1.0, solver=solver)
    )
    assert alone(result, solver)
    brake = (15.0**2 - 20.0**2 + 2.0 * 12.0 * 300.0) / (2.0 * (6.0 + 12.0))
    top = sqrt(20.0**2 + 2.0 * 6.0 * brake)
    assert brake == pytest.approx(195.138889, abs=1e-6)
    assert (top - 20.0) / 6.0 + (top - 15.0) / 12.0 == pytest.approx(8.50689839, abs=1e-8)
    assert result.time == pytest.approx(8.50689839, abs=1e-4)
    lap = result.lap
    first = int(np.argmax(lap.accel_long < 0.0))
    assert lap.s[first - 1] - 1.0 <= brake <= lap.s[first] + 1.0


def test_power_against_drag(solver):
    """v dv/ds = P/(m v) - k v^2 is integrated in closed form: 30 to 70 m/s in 624.874479 m and 11.3436683 s."""
    mass, power, half = 1300.0, 330e3, 0.54
    car = FrictionCircle("long straight", grip=4.0, mass=mass, power=power, drag_area=2.0 * half / 1.2)
    length = mass / (3.0 * half) * log((power - half * 30.0**3) / (power - half * 70.0**3))
    assert length == pytest.approx(624.874479, abs=1e-6)
    track = build_track(definition([Straight(length)], 5.0))
    result = solve_lap(track, car, start=EndState(30.0, 0.0), options=even(5.0, solver=solver))
    assert alone(result, solver)
    assert result.time == pytest.approx(11.3436683, abs=1e-4)
    # The very last point decides nothing any more: its throttle is left where it is.
    s, speed = result.lap.s[1:-2], result.lap.speed[1:-2]
    share = (power - half * speed**3) / (power - half * 30.0**3)
    assert np.max(np.abs(-mass / (3.0 * half) * np.log(share) - s)) < 0.05
    assert s[-1] > length - 10.0


@pytest.mark.parametrize("downforce_area, drag_area, stop", [(0.0, 0.0, 166.553648), (2.0, 0.9, 130.485918)])
def test_stopping_from_high_speed(downforce_area, drag_area, stop, solver):
    """Braking with mu 1.5, with and without aerodynamics, after rolling without drive.

    Under full braking v dv/ds = -(mu g + (mu k_l + k_d) v^2), so ln(mu g + c v^2) falls evenly along the road (Gillespie,
    Fundamentals of Vehicle Dynamics, 1992; Milliken & Milliken, Race Car Vehicle Dynamics, 1995 [both from memory]);
    rolling, ln v falls evenly with the drag. Where the two meet is the brake point.
    """
    mass, mu, density, entry, exit_speed, length = 1300.0, 1.5, 1.2, 70.0, 5.0, 220.0
    k_d, k_l = 0.5 * density * drag_area / mass, 0.5 * density * downforce_area / mass
    c = mu * k_l + k_d

    def braking(v, to):
        if c == 0.0:
            return (v * v - to * to) / (2.0 * mu * G)
        return log((mu * G + c * v * v) / (mu * G + c * to * to)) / (2.0 * c)

    def rolling(s):
        return entry * np.exp(-k_d * s)

    assert braking(entry, 0.0) == pytest.approx(stop, abs=1e-6)
    brake = brentq(lambda s: s + braking(rolling(s), exit_speed) - length, 0.0, length)
    slowing = solve_ivp(
        lambda s, y: [-(mu * G + c * y[0] ** 2) / y[0], 1.0 / y[0]], (brake, length), [rolling(brake), 0.0],
        rtol=1e-10, atol=1e-10, method="DOP853",
    )  # fmt: skip
    coasting = brake / entry if k_d == 0.0 else (np.exp(k_d * brake) - 1.0) / (k_d * entry)
    car = FrictionCircle(
        "stopper",
        mu,
        mass,
        accel_limit=0.0,
        drag_area=drag_area,
        downforce_area=downforce_area,
        air_density=density,
    )
    track = build_track(definition([Straight(length)], 5.0))
    result = solve_lap(
        track, car, start=EndState(entry, 0.0), end=EndState(exit_speed), options=even(0.5, solver=solver)
    )
    assert alone(result, solver)
    assert result.time == pytest.approx(coasting + slowing.y[1, -1], abs=5e-4)
    lap = result.lap
    assert abs(lap.s[np.argmax(lap.grip_use[:, 0] > 0.5)] - brake) < 1.0
