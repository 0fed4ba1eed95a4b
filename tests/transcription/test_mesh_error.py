"""The mesh error against motions known in closed form, and against SUNDIALS for a full car."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import casadi as ca
import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import spsolve

from lapwright import load_vehicle
from lapwright.problem.lap import EndState, lap_problem
from lapwright.quantities import G
from lapwright.reference.solve import LapOptions, ReferenceLap, solve_lap
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.track.track import Track
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.meshcheck import mesh_error
from lapwright.transcription.nlp import Nlp, transcribe
from lapwright.transcription.radau import interpolation
from lapwright.vehicle.parameters import FrictionCircle

FOLDER = Path(__file__).parents[2] / "vehicles"
LENGTH, ENTRY, PULL = 120.0, 12.0, 0.8


def road_of(*elements: Straight | Arc) -> Track:
    width = (Station(0.0, 5.0),)
    return build_track(TrackDefinition("Road", False, ElementLine(elements), width, width))


def sprint(intervals: int, degree: int) -> Nlp:
    problem = lap_problem(road_of(Straight(LENGTH)), FrictionCircle("Point", 1.2), EndState(ENTRY, 0.0))
    return transcribe(problem, Mesh(np.linspace(0.0, LENGTH, intervals + 1)), degree)


def jacobian_of(nlp: Nlp, x: np.ndarray) -> sparse.csc_matrix:
    pattern = nlp.evaluator.jacobian_pattern
    values = nlp.evaluator.jacobian(x, nlp.parameters)
    return sparse.csc_matrix((values, pattern.rows, pattern.starts), shape=pattern.shape)


def driven(nlp: Nlp) -> tuple[np.ndarray, np.ndarray]:
    """The collocated motion under a steady pull along the middle, and its adjoint as row multipliers."""
    layout, p = nlp.layout, nlp.parameters
    x = np.zeros(layout.size)
    u = nlp.problem.model.state_index("u")
    x[layout.nodes[:, u]] = x[layout.states[..., u]] = ENTRY / nlp.scale[layout.nodes[0, u]]
    x[layout.controls[..., 0]] = PULL
    free, rows = layout.states.ravel(), layout.defects.ravel()
    for _ in range(30):
        matrix = jacobian_of(nlp, x)[rows][:, free].tocsc()
        step = spsolve(matrix, nlp.evaluator.rows(x, p)[rows])
        x[free] -= step
        if np.max(np.abs(step)) < 1e-13:
            break
    multipliers = np.zeros(layout.rows)
    multipliers[rows] = spsolve(matrix.T.tocsc(), -nlp.evaluator.gradient(x, p)[free])
    return x, multipliers


def exact_speed(entry: np.ndarray | float, distance: np.ndarray | float) -> np.ndarray:
    return np.sqrt(np.square(entry) + 2.0 * PULL * G * np.asarray(distance))


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_states_and_times_are_those_of_uniform_acceleration(degree):
    """v^2 = v0^2 + 2 a s and t = (v - v0) / a from every node."""
    nlp = sprint(12, degree)
    x, multipliers = driven(nlp)
    found = mesh_error(nlp, x, multipliers, nlp.parameters)
    speeds = (x * nlp.scale)[nlp.layout.nodes[:, 2]]
    arriving = exact_speed(speeds[:-1], nlp.mesh.steps)
    wrong = (arriving - speeds[1:]) / nlp.problem.model.states[2].scale
    pace = 1.0 / (x * nlp.scale)[nlp.layout.states[..., 2]]
    collocated = (pace @ nlp.collocation.weights) * nlp.mesh.steps
    small = 1e-3 * np.max(np.abs(wrong))
    np.testing.assert_allclose(found.states[:, 2], wrong, rtol=0.02, atol=small)
    np.testing.assert_allclose(found.states[:, :2], 0.0, atol=1e-13)
    taken = (arriving - speeds[:-1]) / (PULL * G) - collocated
    np.testing.assert_allclose(found.time, taken, rtol=0.02, atol=1e-3 * np.max(np.abs(taken)))


@pytest.mark.parametrize(("degree", "intervals"), [(1, 48), (2, 32), (3, 24)])
def test_error_shrinks_with_the_order_of_the_collocation(degree, intervals):
    """Order 2 d - 1 for the whole road (Hairer & Wanner II, section IV.5 [from memory])."""
    totals = []
    for number in (intervals, 2 * intervals):
        nlp = sprint(number, degree)
        x, multipliers = driven(nlp)
        totals.append(mesh_error(nlp, x, multipliers, nlp.parameters).total)
    assert np.log2(totals[0] / totals[1]) == pytest.approx(2 * degree - 1, abs=0.4)


@pytest.mark.parametrize(("degree", "intervals"), [(1, 24), (2, 32), (3, 24)])
def test_net_error_is_what_the_mesh_gets_wrong_on_the_whole_road(degree, intervals):
    """To first order: what the estimate itself misses halves with the intervals."""
    true = float(exact_speed(ENTRY, LENGTH) - ENTRY) / (PULL * G)
    missed = []
    for number in (intervals, 2 * intervals):
        nlp = sprint(number, degree)
        x, multipliers = driven(nlp)
        found = mesh_error(nlp, x, multipliers, nlp.parameters)
        wrong = true - nlp.evaluator.objective(x, nlp.parameters)
        assert abs(wrong) > 1e-9
        assert found.total >= abs(found.net)
        missed.append(abs(found.net / wrong - 1.0))
    assert missed[0] < 0.1
    assert missed[1] < 0.6 * missed[0]


def test_no_error_where_the_collocation_is_exact():
    """Steady speed on a straight: every state is linear in s."""
    nlp = sprint(4, 2)
    x = np.zeros(nlp.layout.size)
    x[nlp.layout.nodes[:, 2]] = x[nlp.layout.states[..., 2]] = 1.0
    found = mesh_error(nlp, x, np.ones(nlp.layout.rows), nlp.parameters)
    assert found.total < 1e-12


@lru_cache
def light_car_run() -> ReferenceLap:
    """A car of 350 kg with little inertia and quick suspension, slowly through a gentle bend on long intervals.

    Its engine is halved: with all of it the rear wheels would spin at the entry, before the load has moved back.
    """
    car = load_vehicle(FOLDER / "club-monoposto.yaml")
    chassis = replace(car.chassis, mass=350.0, yaw_inertia=120.0, load_transfer_time=0.03)
    track = road_of(Straight(20.0), Arc(40.0, 0.8), Straight(20.0))
    return solve_lap(
        track,
        replace(car, chassis=chassis, driveline=replace(car.driveline, efficiency=0.4)),
        start=EndState(12.0, 0.0),
        options=LapOptions(mesh=4.0, uniform=True, tolerance=5.0),
    )


def test_a_light_stiff_car_does_not_blow_up():
    found = light_car_run().mesh_error
    assert np.all(np.isfinite(found.states)) and np.all(np.isfinite(found.time))
    assert np.max(np.abs(found.states)) < 0.1
    assert found.total < 0.002


def sundials(nlp: Nlp, x: np.ndarray, k: int) -> np.ndarray:
    """Scaled states at the end of interval k by IDAS (SUNDIALS), the wheel balances as its algebraic equations."""
    model, layout = nlp.problem.model, nlp.layout
    nx, nu, nz = len(model.states), len(model.controls), len(model.algebraics)
    middle = nlp.problem.road(np.array([0.5 * (nlp.mesh.nodes[k] + nlp.mesh.nodes[k + 1])]))[:, 0]
    states, algebraics, at = ca.MX.sym("x", nx), ca.MX.sym("z", nz), ca.MX.sym("at")
    (first, last), (a, b) = nlp.collocation.points, x[layout.controls[k]]
    controls = a + (b - a) * ((at - first) / (last - first))
    car = nlp.parameters[: len(model.parameters)]
    rows, _ = nlp.functions.value(ca.vertcat(states, controls, algebraics), middle, car)
    assert nu == len(a)
    dae = {
        "x": states,
        "z": algebraics,
        "t": at,
        "ode": nlp.mesh.steps[k] * rows[1 : 1 + nx],
        "alg": rows[1 + nx : 1 + nx + nz],
    }
    run = ca.integrator("run", "idas", dae, 0.0, 1.0, {"abstol": 1e-11, "reltol": 1e-10})
    basis = interpolation(nlp.collocation.points, np.array([0.0]))[:, 0]
    return np.asarray(run(x0=x[layout.nodes[k]], z0=basis @ x[layout.algebraics[k]])["xf"].full()).ravel()


def test_full_car_arrives_where_sundials_arrives():
    run = light_car_run()
    solution = run.solution
    nlp, x = solution.nlp, solution.x
    bend = nlp.problem.road(nlp.mesh.inside(np.array([0.0, 0.5, 1.0])).ravel())
    steady = np.ptp(bend.reshape(len(bend), nlp.mesh.intervals, 3), axis=2).max(axis=0) < 1e-9
    tried = np.flatnonzero(steady)[[0, 1, 2, -2, -1]]
    for k in tried:
        arrived = x[nlp.layout.nodes[k + 1]] + run.mesh_error.states[k]
        np.testing.assert_allclose(arrived, sundials(nlp, x, int(k)), atol=1e-5)
