"""What limits cost, where they are active, and the evidence, against laps whose time is a formula."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from made_up_roads import definition
from scipy.optimize import brentq

from lapwright import load_vehicle
from lapwright.problem.lap import EndState
from lapwright.quantities import G
from lapwright.reference.evidence import active_stretches, evidence_of
from lapwright.reference.limits import EDGE_STEP
from lapwright.reference.solve import LapOptions, solve_lap
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.solution import Start
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, Straight
from lapwright.vehicle.parameters import FrictionCircle

VEHICLES = Path(__file__).parents[2] / "vehicles"
RADIUS, HALF_WIDTH, GRIP = 40.0, 4.0, 1.2


def by_name(result, words):
    found = [use for use in result.limits if use.name.startswith(words)]
    assert len(found) == 1, [use.name for use in result.limits]
    return found[0]


@cache
def ring(turn):
    """A point mass round and round a circle; the way is shortest along the inner edge."""
    road = definition([Arc(RADIUS, turn * 0.5 * math.pi) for _ in range(4)], HALF_WIDTH, closed=True)
    return solve_lap(
        build_track(road), FrictionCircle("point", GRIP), options=LapOptions(mesh=2.0, tolerance=1.0)
    )


@pytest.mark.parametrize("turn", [1, -1])
def test_skidpad(turn):
    """v^2 = mu g r, so T = 2 pi sqrt(r / (mu g)): d T / T is half of -d mu / mu and half of d r / r."""
    result, inner = ring(turn), RADIUS - HALF_WIDTH
    time = 2.0 * math.pi * math.sqrt(inner / (GRIP * G))
    assert result.time == pytest.approx(time, abs=1e-4)
    assert result.lap.speed == pytest.approx(math.sqrt(GRIP * G * inner), abs=0.02)
    grip = by_name(result, "grip")
    assert "1 %" in grip.name
    assert grip.cost == pytest.approx(0.005 * time, rel=2e-3)
    assert grip.length == pytest.approx(2.0 * math.pi * RADIUS, rel=0.01)
    inside, outside = ("left road edge", "right road edge")[::turn]
    edge = by_name(result, inside)
    assert edge.cost == pytest.approx(0.5 * time * EDGE_STEP / inner, rel=2e-3)
    assert edge.length == pytest.approx(2.0 * math.pi * RADIUS, rel=0.01)
    other = by_name(result, outside)
    assert other.cost == pytest.approx(0.0, abs=1e-5) and other.stretches == ()


def test_power():
    """m v^2 dv/ds = P without drag: v^3 = v0^3 + 3 P s / m and T = m (v1^2 - v0^2) / (2 P)."""
    power, mass, entry, length = 90e3, 1000.0, 25.0, 300.0

    def time(watts):
        last = (entry**3 + 3.0 * watts * length / mass) ** (1.0 / 3.0)
        return mass * (last * last - entry * entry) / (2.0 * watts)

    road = build_track(definition([Straight(length)], 5.0))
    car = FrictionCircle("power", 3.0, mass, power=power)
    result = solve_lap(
        road, car, start=EndState(entry, 0.0), options=LapOptions(mesh=4.0, tolerance=1.0, refinements=0)
    )
    use = by_name(result, "engine power")
    step = 1e-4
    slope = (time(power * (1.0 + step)) - time(power * (1.0 - step))) / (2.0 * step)
    assert use.cost == pytest.approx(-0.01 * slope, rel=2e-3)
    assert use.length == pytest.approx(length, rel=0.02)
    assert by_name(result, "grip").stretches == ()


def test_pull_and_brake_share_a_straight():
    """20 to 15 m/s over 300 m, pulling 6 and braking 12 m/s2: the cost of both by a small change of the closed form."""
    pull, brake, entry, leave, length = 6.0, 12.0, 20.0, 15.0, 300.0

    def time(a, b):
        at = (leave**2 - entry**2 + 2.0 * b * length) / (2.0 * (a + b))
        top = math.sqrt(entry**2 + 2.0 * a * at)
        return (top - entry) / a + (top - leave) / b

    road = build_track(definition([Straight(length)], 5.0))
    car = FrictionCircle("drag racer", brake / G, accel_limit=pull / G)
    result = solve_lap(
        road,
        car,
        start=EndState(entry, 0.0),
        end=EndState(leave),
        options=LapOptions(mesh=1.5, tolerance=1.0),
    )
    point = (leave**2 - entry**2 + 2.0 * brake * length) / (2.0 * (pull + brake))
    h = 1e-5
    by_pull = (time(pull * (1 + h), brake) - time(pull * (1 - h), brake)) / (2 * h)
    by_brake = (time(pull, brake * (1 + h)) - time(pull, brake * (1 - h))) / (2 * h)
    acceleration, grip = by_name(result, "acceleration"), by_name(result, "grip")
    assert acceleration.cost == pytest.approx(-0.01 * by_pull, rel=0.01)
    assert grip.cost == pytest.approx(-0.01 * by_brake, rel=0.01)
    (first,), (second,) = acceleration.stretches, grip.stretches
    assert first == pytest.approx((0.0, point), abs=3.0)
    assert second == pytest.approx((point, length), abs=3.0)


@cache
def braking_car():
    """A full car from 50 m/s down to 20 on a straight, with brakes too weak to use the tyres.

    The road leaves it a hand's breadth to either side: with room it would weave, and lose speed by sliding.
    """
    car = load_vehicle(VEHICLES / "cup-coupe.yaml")
    car = replace(car, brakes=replace(car.brakes, peak_pressure=0.4 * car.brakes.peak_pressure))
    return car, down_to_20(car)


def down_to_20(car):
    road = build_track(definition([Straight(400.0)], 0.5 * car.chassis.width + 0.1))
    return solve_lap(
        road,
        car,
        start=EndState(50.0, 0.0),
        end=EndState(20.0),
        options=LapOptions(mesh=4.0, tolerance=1.0, refinements=0),
    )


def test_weak_brakes_are_named_where_they_hold_the_car_back():
    """Full pressure from brake-on to the end, m v dv/ds = -(F + k v^2): s = m / (2 k) ln((F + k v0^2) / (F + k v1^2))."""
    car, result = braking_car()
    use = by_name(result, "brakes, full pressure")
    ((start, end),) = use.stretches
    assert end == pytest.approx(400.0, abs=4.0)
    top = float(np.max(result.lap.speed))
    k = 0.5 * car.aero.air_density * car.aero.drag_area

    def distance(force):
        return car.chassis.mass / (2.0 * k) * math.log((force + k * top * top) / (force + k * 20.0**2))

    # The engine, which is in no gear lower than second here, helps the brakes; the pedal takes its time to go down.
    line = car.driveline
    engine = line.overrun_torque * line.gear_ratios[1] * line.final_drive / line.wheel_radius
    pedal_down = top * car.driver.brake_rise
    assert (
        distance(car.brakes.peak_force + engine) - pedal_down < end - start < distance(car.brakes.peak_force)
    )
    assert use.cost > 0.0
    assert by_name(result, "engine, full throttle").stretches
    assert by_name(result, "front grip").length < 2.0


def test_a_cost_is_the_difference_of_two_laps():
    """The step that a cost is told for, taken: the two must agree to second order.

    The mesh is kept and the optimum followed: on others the car weaves in other places, which is worth more than the step.
    """
    _, result = braking_car()
    found, nlp = result.solution, result.solution.nlp
    values = nlp.problem.model.values.copy()
    values[nlp.problem.model.parameters.index("brakes.peak_pressure")] *= 1.01
    start = Start(found.x, found.row_multipliers, found.bound_multipliers, 1e-5)
    other = solve_ipopt(nlp, start, p=nlp.with_values(values))
    assert other.status.solved
    assert by_name(result, "brakes").cost == pytest.approx(found.objective - other.objective, rel=0.03)


def test_stretches_reach_half_way_to_their_neighbours():
    s = np.array([0.0, 1.0, 3.0, 4.0, 8.0, 9.0])
    flags = np.array([True, True, False, False, True, False])
    assert active_stretches(s, flags) == ((0.0, 2.0), (6.0, 8.5))
    assert active_stretches(s, np.zeros(6, dtype=bool)) == ()
    assert active_stretches(s, np.ones(6, dtype=bool)) == ((0.0, 9.0),)


def test_evidence_is_that_of_the_last_solve():
    result = ring(1)
    found = evidence_of(result)
    assert found.objective[-1] == pytest.approx(result.solution.objective, abs=1e-7)
    assert found.primal_infeasibility[-1] < 1e-6 < found.primal_infeasibility[0] + 1e-3
    assert len(found.mesh_error) == len(found.nodes) - 1 == result.solution.nlp.mesh.intervals
    assert np.sum(found.mesh_error) == pytest.approx(result.mesh_error.total)
    assert found.tolerance == 1.0
    assert found.limits == result.limits
    assert found.solver.startswith(result.stages[-1].solver)


def test_time_along_the_lap_is_that_of_uniform_acceleration():
    """v = v0 + a t at every row, not at the nodes alone."""
    pull, entry = 5.0, 15.0
    road = build_track(definition([Straight(120.0)], 5.0))
    car = FrictionCircle("puller", 2.0, accel_limit=pull / G)
    lap = solve_lap(road, car, start=EndState(entry, 0.0), options=LapOptions(mesh=2.5, tolerance=1.0)).lap
    distance = brentq(lambda s: entry**2 + 2.0 * pull * s - 30.0**2, 0.0, 120.0)
    assert distance == pytest.approx(67.5)
    s = lap.s[:-1]
    exact = (np.sqrt(entry**2 + 2.0 * pull * s) - entry) / pull
    np.testing.assert_allclose(lap.t[:-1], exact, atol=2e-5)
    assert np.interp(67.5, lap.s, lap.t) == pytest.approx((30.0 - entry) / pull, abs=1e-3)
