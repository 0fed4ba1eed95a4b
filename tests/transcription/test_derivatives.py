"""Rows, cost and derivatives against CasADi's differentiation of a graph put together here, point by point.

The graph takes its collocation tables from CasADi and its places from plain loops; only the model at one point is shared.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import casadi as ca
import numpy as np
import pytest
from scipy import sparse

from lapwright import load_vehicle
from lapwright.problem.lap import EndState, lap_problem
from lapwright.problem.model import Problem
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.track.track import Track
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.nlp import Nlp, interval_times, transcribe
from lapwright.vehicle.parameters import Differential, FrictionCircle, Vehicle

FOLDER = Path(__file__).parents[2] / "vehicles"
DIFFERENTIALS = {
    "open": Differential("open"),
    "viscous": Differential("viscous", viscosity=60.0),
    "locked": Differential("locked"),
    "preload": Differential("preload", preload=60.0, ramp_drive=0.4, ramp_overrun=0.2),
}
CASES = [
    ("circle", True, 2),
    ("circle", False, 3),
    ("open", True, 2),
    ("viscous", False, 2),
    ("locked", True, 1),
    ("preload", False, 2),
    ("held", False, 2),
]


def car_of(kind: str) -> Vehicle | FrictionCircle:
    if kind in ("circle", "held"):
        return FrictionCircle("Point", 1.3, 900.0, 0.8, 120e3, 0.7, 0.9)
    car = load_vehicle(FOLDER / "cup-coupe.yaml")
    return replace(car, driveline=replace(car.driveline, differential=DIFFERENTIALS[kind]))


@lru_cache
def track_of(closed: bool) -> Track:
    """A banked, climbing bend, or a ring with hills."""
    width = (Station(0.0, 6.0),)
    if closed:
        line = ElementLine(tuple(Arc(60.0, np.pi / 2.0) for _ in range(4)))
    else:
        line = ElementLine((Straight(40.0), Arc(45.0, -1.2, 15.0, 15.0), Straight(60.0)))
    heights = (Station(0.0, 0.0), Station(60.0, 3.0), Station(120.0, 1.0))
    banks = (Station(0.0, 0.0), Station(70.0, -0.08), Station(120.0, 0.02))
    return build_track(TrackDefinition("Bend", closed, line, width, width, elevation=heights, bank=banks))


def problem_of(kind: str, closed: bool) -> Problem:
    start = None if closed else EndState(30.0, 0.0)
    problem = lap_problem(track_of(closed), car_of(kind), start)
    if kind == "held":
        problem = replace(problem, model=replace(problem.model, controls_per_point=False))
    return problem


def mesh_of(problem: Problem) -> Mesh:
    return Mesh(problem.start + problem.length * np.array([0.0, 0.23, 0.61, 1.0]))


@lru_cache
def nlp_of(kind: str, closed: bool, degree: int) -> Nlp:
    problem = problem_of(kind, closed)
    return transcribe(problem, mesh_of(problem), degree)


def somewhere(nlp: Nlp, seed: int = 3) -> np.ndarray:
    """A scaled vector that no solution resembles, yet within reach of the formulas."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(-0.4, 0.4, nlp.layout.size)
    u = nlp.problem.model.state_index("u")
    speeds = np.concatenate([nlp.layout.nodes[:, u], nlp.layout.states[..., u].ravel()])
    x[speeds] = rng.uniform(0.7, 1.3, len(speeds))
    return x


def graph_of(nlp: Nlp) -> tuple[ca.MX, ca.MX, ca.MX]:
    """Unknowns, cost and rows, from the documented order of both vectors."""
    layout, model = nlp.layout, nlp.problem.model
    nx, na = len(model.states), len(model.balances)
    intervals, degree = nlp.mesh.intervals, nlp.collocation.degree
    table, _, weights = ca.collocation_coeff(ca.collocation_points(degree, "radau"))
    if degree == 1:
        weights = ca.DM(1.0)  # implicit Euler; CasADi's weight counts the left node
    x = ca.MX.sym("x", layout.size)
    car = nlp.parameters[: len(model.parameters)]
    cost, rows = 0, []
    for k in range(intervals):
        h = float(nlp.mesh.nodes[k + 1] - nlp.mesh.nodes[k])
        left = x[layout.nodes[k].tolist()]
        inner = [x[layout.states[k, j].tolist()] for j in range(degree)]
        for j in range(degree):
            at = k * degree + j
            road = nlp.parameters[len(car) + at * model.road_size :][: model.road_size]
            y = ca.vertcat(inner[j], x[layout.controls[k, j].tolist()], x[layout.algebraics[k, j].tolist()])
            values, _ = nlp.functions.value(y, road, car)
            drift = sum((table[l + 1, j] * inner[l] for l in range(degree)), table[0, j] * left)
            rows += [drift - h * values[1 : 1 + nx], values[1 + nx : 1 + nx + na], values[1 + nx + na :]]
            cost += weights[j] * h * values[0]
    return x, cost, ca.vertcat(*rows)


def dense(pattern, values: np.ndarray) -> np.ndarray:
    return sparse.csc_matrix((values, pattern.rows, pattern.starts), shape=pattern.shape).toarray()


def close(found: np.ndarray, wanted: np.ndarray, rtol: float = 1e-9) -> None:
    np.testing.assert_allclose(found, wanted, rtol=rtol, atol=rtol * max(1.0, float(np.max(np.abs(wanted)))))


@pytest.mark.parametrize("case", CASES)
def test_values_and_derivatives_are_casadis(case):
    nlp = nlp_of(*case)
    e, point = nlp.evaluator, somewhere(nlp)
    x, cost, rows = graph_of(nlp)
    multipliers = np.random.default_rng(5).normal(size=nlp.layout.rows)
    lagrangian = 0.7 * cost + ca.dot(multipliers, rows)
    first = ca.Function("first", [x], [cost, rows, ca.gradient(cost, x), ca.jacobian(rows, x)])
    second = ca.Function("second", [x], [ca.hessian(lagrangian, x)[0]])
    value, row_values, gradient, jacobian = (np.asarray(v.full()) for v in first(point))
    p = nlp.parameters
    assert e.objective(point, p) == pytest.approx(float(value[0, 0]), rel=1e-12)
    close(e.rows(point, p), row_values.ravel())
    close(e.gradient(point, p), gradient.ravel())
    close(dense(e.jacobian_pattern, e.jacobian(point, p)), jacobian)
    close(
        dense(e.hessian_pattern, e.hessian(point, p, 0.7, multipliers)), np.triu(second(point).full()), 1e-8
    )
    # The patterns hold every place that can be nonzero, once, columns in order, and no place beyond CasADi's own.
    for pattern, own in (
        (e.jacobian_pattern, first.sparsity_out(3)),
        (e.hessian_pattern, ca.triu(ca.MX(second.sparsity_out(0))).sparsity()),
    ):
        assert own.is_subset(sparsity(pattern))
        assert len(pattern.rows) == pattern.starts[-1]


def sparsity(pattern) -> ca.Sparsity:
    """Raises when rows are out of order or doubled."""
    for a, b in zip(pattern.starts[:-1], pattern.starts[1:], strict=True):
        assert np.all(np.diff(pattern.rows[a:b]) > 0)
    return ca.Sparsity(*pattern.shape, pattern.starts.tolist(), pattern.rows.tolist())


@pytest.mark.parametrize("case", [("circle", False, 3), ("preload", False, 2)])
def test_derivatives_are_the_slopes_of_the_values(case):
    nlp = nlp_of(*case)
    e, x, p = nlp.evaluator, somewhere(nlp, 11), nlp.parameters
    rng = np.random.default_rng(2)
    multipliers = rng.normal(size=nlp.layout.rows)
    way = rng.normal(size=nlp.layout.size)
    step = 1e-5

    def slope(f):
        return (f(x + step * way) - f(x - step * way)) / (2.0 * step)

    def lagrangian_gradient(at):
        return 1.3 * e.gradient(at, p) + dense(e.jacobian_pattern, e.jacobian(at, p)).T @ multipliers

    upper = dense(e.hessian_pattern, e.hessian(x, p, 1.3, multipliers))
    whole = upper + np.triu(upper, 1).T
    assert e.gradient(x, p) @ way == pytest.approx(slope(lambda at: e.objective(at, p)), rel=1e-6)
    close(dense(e.jacobian_pattern, e.jacobian(x, p)) @ way, slope(lambda at: e.rows(at, p)), 1e-5)
    close(whole @ way, slope(lagrangian_gradient), 1e-5)


@pytest.mark.parametrize("case", [("circle", True, 2), ("open", True, 2)])
def test_scales_change_nothing_but_the_units(case):
    degree = case[2]
    nlp = nlp_of(*case)
    problem = nlp.problem
    model = problem.model
    plain = replace(
        model,
        **{
            group: tuple(replace(v, scale=1.0) for v in getattr(model, group))
            for group in ("states", "controls", "algebraics")
        },
    )
    raw = transcribe(replace(problem, model=plain), nlp.mesh, degree)
    x, p = somewhere(nlp), nlp.parameters
    rows = np.ones(nlp.layout.rows)
    rows[nlp.layout.defects] = nlp.functions.scale[: len(model.states)]
    a, b = nlp.evaluator, raw.evaluator
    assert a.objective(x, p) == pytest.approx(b.objective(x * nlp.scale, p), rel=1e-12)
    close(a.rows(x, p) * rows, b.rows(x * nlp.scale, p))
    close(a.gradient(x, p), b.gradient(x * nlp.scale, p) * nlp.scale)
    close(
        dense(a.jacobian_pattern, a.jacobian(x, p)) * rows[:, None],
        dense(b.jacobian_pattern, b.jacobian(x * nlp.scale, p)) * nlp.scale,
    )
    np.testing.assert_allclose(nlp.lower * nlp.scale, raw.lower, rtol=1e-12)
    np.testing.assert_allclose(nlp.upper * nlp.scale, raw.upper, rtol=1e-12)


@pytest.mark.parametrize("case", [("circle", False, 3), ("viscous", False, 2)])
def test_pattern_sizes_by_counting(case):
    """A defect touches d + 1 states and the other unknowns of its point; nothing couples different points in the Hessian."""
    nlp = nlp_of(*case)
    model, points = nlp.problem.model, nlp.stations.size
    nx, size = len(model.states), len(nlp.functions.scale)
    degree = nlp.collocation.degree
    point_rows = nx + len(model.balances) + len(model.limits)
    jacobian, hessian = nlp.evaluator.jacobian_pattern, nlp.evaluator.hessian_pattern
    assert len(jacobian.rows) <= points * (point_rows * size + nx * degree)
    assert len(jacobian.rows) >= points * nx * (degree + 1)
    assert len(hessian.rows) <= points * size * (size + 1) // 2
    columns = np.repeat(np.arange(nlp.layout.size), np.diff(hessian.starts))
    owner = np.full(nlp.layout.size, -1)
    owner[nlp.layout.points] = np.arange(points).reshape(*nlp.stations.shape, 1)
    assert np.all(hessian.rows <= columns)
    np.testing.assert_array_equal(owner[hessian.rows], owner[columns])


def test_cost_without_effort_is_the_sum_of_interval_times():
    nlp = nlp_of("circle", True, 2)
    x = somewhere(nlp)
    times = interval_times(nlp, x, nlp.parameters)
    assert times.shape == (nlp.mesh.intervals,)
    assert times.sum() == pytest.approx(nlp.evaluator.objective(x, nlp.parameters), rel=1e-12)


def test_other_car_numbers_leave_the_road_alone():
    nlp = nlp_of("circle", True, 2)
    values = nlp.problem.model.values * 1.1
    p = nlp.with_values(values)
    np.testing.assert_array_equal(p[: len(values)], values)
    np.testing.assert_array_equal(p[len(values) :], nlp.parameters[len(values) :])
    assert nlp.parameters[0] == nlp.problem.model.values[0]
