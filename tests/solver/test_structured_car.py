"""The structured interior point on the full car through a bend: multipliers, restarts, the gap; IPOPT and re-solves judge."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from lapwright import load_vehicle
from lapwright.problem.lap import EndState, lap_problem
from lapwright.reference.guess import first_guess
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.sensitivity import bound_gradient, parameter_gradient
from lapwright.solver.solution import Solution, Start
from lapwright.solver.structured import solve_structured
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.transcription.mesh import uniform_mesh
from lapwright.transcription.nlp import Nlp, transcribe

CAR = load_vehicle(Path(__file__).parents[2] / "vehicles" / "rally-hatch.yaml")
ENTRY = EndState(30.0, 0.0)
TIGHT = 1e-9


@cache
def bend() -> tuple[Nlp, Start]:
    """Fast straight, tight bend, straight again, and a first guess: power, braking and cornering each rule somewhere."""
    line = ElementLine((Straight(110.0), Arc(30.0, 1.4, 15.0, 15.0), Straight(110.0)))
    width = (Station(0.0, 5.0),)
    track = build_track(TrackDefinition("Bend", False, line, width, width))
    nlp = transcribe(lap_problem(track, CAR, ENTRY), uniform_mesh(0.0, track.length, 6.0))
    return nlp, Start(nlp.pack(first_guess(track, CAR, ENTRY, EndState())))


@cache
def solved(tolerance: float = 1e-7) -> Solution:
    found = solve_structured(*bend(), tolerance=tolerance)
    assert found.status.solved
    return found


@cache
def refereed() -> Solution:
    found = solve_ipopt(*bend())
    assert found.status.solved
    return found


def at_barrier(found: Solution, barrier: float) -> Start:
    return min(found.path, key=lambda point: abs(np.log(point.barrier / barrier)))


def worth(found: Solution, name: str) -> float:
    """Derivative of the optimum by a number of the car, times the number [s]."""
    place = found.nlp.problem.model.parameters.index(name)
    return float(parameter_gradient(found)[place].sum() * found.p[place])


def test_the_lap_is_ipopts():
    ours, other = solved(), refereed()
    assert ours.time() == pytest.approx(other.time(), abs=2e-4)
    assert ours.objective == pytest.approx(other.objective, abs=1e-4)
    names = [v.name for v in ours.nlp.problem.model.states]
    distance = np.abs(ours.states - other.states).max(axis=0)
    assert distance[names.index("n")] < 0.05
    assert distance[names.index("u")] < 0.05


def test_limits_are_worth_what_they_are_to_ipopt():
    """Summed over the points, since neighbours may share one price between them."""
    ours, other = solved(), refereed()
    limits = ours.nlp.layout.limits
    found, wanted = (s.row_multipliers[limits].sum(axis=(0, 1)) for s in (ours, other))
    assert np.sum(wanted > 1e-2) >= 2
    np.testing.assert_allclose(found, wanted, rtol=0.02, atol=2e-4)
    states, controls = ours.nlp.layout.states, ours.nlp.layout.controls
    for index in (states, controls):
        for way in (1.0, -1.0):
            found, wanted = (
                np.maximum(way * s.bound_multipliers[index], 0.0).sum(axis=(0, 1)) for s in (ours, other)
            )
            np.testing.assert_allclose(found, wanted, rtol=0.03, atol=5e-4)


def test_prices_of_the_states_are_ipopts():
    """Multipliers of the defects: the costate along the road, as a whole curve."""
    ours, other = solved(), refereed()
    defects = ours.nlp.layout.defects
    found, wanted = (s.row_multipliers[defects] for s in (ours, other))
    size = np.abs(wanted).max(axis=(0, 1))
    assert np.all(np.abs(found - wanted).mean(axis=(0, 1)) < 0.02 * size)


@pytest.mark.parametrize(
    "name",
    ["chassis.mass", "tyres.front.grip_scale", "driveline.power", "brakes.front_share", "aero.drag_area"],
)
def test_worth_of_a_number_of_the_car(name):
    """Against central differences of whole solves, and against IPOPT's."""
    nlp, _ = bend()
    place = nlp.problem.model.parameters.index(name)
    value = nlp.problem.model.values[place]
    start, costs = at_barrier(solved(TIGHT), 1e-5), []
    for share in (2e-3, -2e-3):
        values = nlp.problem.model.values.copy()
        values[place] += share * value
        again = solve_structured(nlp, start, p=nlp.with_values(values), tolerance=TIGHT)
        assert again.status.solved
        costs.append(again.objective)
    slope = (costs[0] - costs[1]) / 4e-3
    assert abs(slope) > 0.05
    assert worth(solved(), name) == pytest.approx(slope, rel=0.01)
    assert worth(solved(), name) == pytest.approx(worth(refereed(), name), rel=0.01)


@pytest.mark.parametrize("upper", [True, False])
def test_worth_of_the_road_edges_is_ipopts(upper):
    ours, other = (bound_gradient(s, "n", upper).sum() for s in (solved(), refereed()))
    assert other < -0.05
    assert ours == pytest.approx(other, rel=0.01)


def test_a_point_on_the_way_leads_to_the_same_answer_in_fewer_iterations():
    full = solved()
    for barrier in (1e-4, 1e-6):
        again = solve_structured(bend()[0], at_barrier(full, barrier))
        assert again.status.solved
        assert again.objective == pytest.approx(full.objective, abs=1e-6)
        assert again.iterations < 0.8 * full.iterations
        np.testing.assert_allclose(again.states, full.states, atol=2e-2)


def test_the_barrier_falls_and_the_cost_with_it():
    full = solved()
    barriers = [point.barrier for point in full.path]
    costs = [full.nlp.evaluator.objective(point.x, full.p) for point in full.path]
    assert np.all(np.diff(barriers) < 0.0)
    # An iterate may answer two barrier problems at once.
    assert np.all(np.diff(costs) <= 0.0)
    assert len(set(costs)) >= 5


def test_the_gap_is_the_difference_of_two_barriers():
    """To first order: better the smaller the barrier."""
    costs, gaps = {}, {}
    for barrier in (1e-5, 1e-6, 1e-7):
        found = solve_structured(*bend(), barrier_target=barrier, tolerance=TIGHT)
        assert found.status.solved
        costs[barrier], gaps[barrier] = found.objective, found.barrier_gap
    best = solved(TIGHT).objective
    errors = [abs(gaps[barrier] / (costs[barrier] - best) - 1.0) for barrier in costs]
    assert errors[0] > errors[1] > errors[2]
    assert errors[1] < 0.3 and errors[2] < 0.2
    fall = costs[1e-6] - costs[1e-7]
    assert gaps[1e-6] - gaps[1e-7] == pytest.approx(fall, rel=0.3)


def test_solving_twice_gives_the_same_digits():
    assert solve_structured(*bend()).objective == solved().objective
    np.testing.assert_array_equal(solve_structured(*bend()).x, solved().x)
