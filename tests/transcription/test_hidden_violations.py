"""What is broken between the collocation points, against trajectories of scipy's own integrators and plain geometry."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import eigvals
from scipy.optimize import root

from lapwright import load_vehicle
from lapwright.problem.lap import EndState, lap_problem
from lapwright.track.build import build_track
from lapwright.track.definition import ElementLine, Station, Straight, TrackDefinition
from lapwright.transcription.again import HIDDEN, LEAP
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.meshcheck import mesh_error, parts
from lapwright.transcription.nlp import Nlp, transcribe
from lapwright.transcription.stages import stages_of
from lapwright.vehicle.parameters import FrictionCircle

FOLDER = Path(__file__).parents[2] / "vehicles"
LENGTH = 120.0
NODES = np.array([0.0, 30.0, 60.0, 90.0, LENGTH])
"""With two points of Radau IIA the second interval, 30 to 60 m, is looked at by the collocation at 40 and at 60 m."""


def on_straight(vehicle, speed: float, heights=(), widths=((0.0, 5.0),)) -> tuple[Nlp, np.ndarray]:
    """A problem on a straight of 120 m, and unknowns that run along its middle at one speed."""
    stations = tuple(Station(at, width) for at, width in widths)
    elevation = tuple(Station(at, z) for at, z in heights)
    line = ElementLine((Straight(LENGTH),))
    track = build_track(TrackDefinition("Straight", False, line, stations, stations, elevation=elevation))
    nlp = transcribe(lap_problem(track, vehicle, EndState(speed, 0.0)), Mesh(NODES))
    x = np.zeros(nlp.layout.size)
    put(nlp, x, "u", speed)
    return nlp, x


def put(nlp: Nlp, x: np.ndarray, state: str, value: float) -> None:
    i = nlp.problem.model.state_index(state)
    for index in (nlp.layout.nodes[:, i], nlp.layout.states[..., i]):
        x[index] = value / nlp.problem.model.states[i].scale


def checked(nlp: Nlp, x: np.ndarray, p: np.ndarray | None = None):
    return mesh_error(nlp, x, np.zeros(nlp.layout.rows), nlp.parameters if p is None else p)


def limits_along(nlp: Nlp, x: np.ndarray, p: np.ndarray, k: int) -> np.ndarray:
    """(nr, 400) limit rows along interval k: LSODA (Hindmarsh & Petzold) by way of scipy, MINPACK for the balances."""
    model, layout = nlp.problem.model, nlp.layout
    nx, nu, na = len(model.states), len(model.controls), len(model.balances)
    car, control = p[: len(model.parameters)], x[layout.controls[k, 0]]
    assert np.all(x[layout.controls[k]] == control) and len(control) == nu
    guess = [x[layout.algebraics[k, 0]]]

    def rows(s: float, state: np.ndarray) -> np.ndarray:
        road = nlp.problem.road(np.array([s]))[:, 0]

        def at(z: np.ndarray) -> np.ndarray:
            return np.asarray(nlp.functions.value(np.concatenate([state, control, z]), road, car)[0]).ravel()

        if na:
            guess[0] = root(lambda z: at(z)[1 + nx : 1 + nx + na], guess[0], tol=1e-12).x
        return at(guess[0])

    a, b = nlp.mesh.nodes[k : k + 2] + np.array([1e-6, -1e-6])
    run = solve_ivp(
        lambda s, state: rows(s, state)[1 : 1 + nx],
        (a, b),
        x[layout.nodes[k]],
        method="LSODA",
        rtol=1e-9,
        atol=1e-10,
        dense_output=True,
        max_step=1.0,
    )
    assert run.success
    return np.array([rows(s, run.sol(s))[1 + nx + na :] for s in np.linspace(a, b, 400)]).T


CREST = ((0.0, 0.0), (44.0, 0.0), (48.0, 0.0), (50.0, 0.12), (52.0, 0.0), (56.0, 0.0), (120.0, 0.0))


def test_flight_between_two_points_is_seen():
    """A crest of a few metres between the points at 40 and 60 m."""
    nlp, x = on_straight(FrictionCircle("Point", 1.2), 25.0, heights=CREST)
    row = 1
    assert nlp.problem.model.limits[row].name == "wheels off the ground"
    at_points = nlp.evaluator.rows(x, nlp.parameters)[nlp.layout.limits[1, :, row]]
    assert np.all(at_points < -0.5)
    found = checked(nlp, x)
    worst = limits_along(nlp, x, nlp.parameters, 1).max()
    assert worst > 1.0
    # The steps are 30 ms long at the most, three quarters of a metre; the crest is not much longer.
    assert 0.6 * worst < found.hidden[1] < 1.01 * worst
    np.testing.assert_array_equal(found.broken, [False, True, False, False])
    np.testing.assert_array_equal(found.hidden[[0, 2, 3]], 0.0)


def test_full_car_in_flight_between_two_points_is_to_be_split():
    car = load_vehicle(FOLDER / "club-monoposto.yaml")
    nlp, x = on_straight(car, 40.0, heights=CREST)
    row = [limit.name for limit in nlp.problem.model.limits].index("wheels off the ground")
    assert np.all(nlp.evaluator.rows(x, nlp.parameters)[nlp.layout.limits[1, :, row]] < 0.0)
    found = checked(nlp, x)
    assert found.hidden[1] > HIDDEN
    assert found.broken[1] and not found.broken[0]
    assert parts(found, 1e3)[1] >= 2


@pytest.mark.parametrize("pedal", [-0.25, 0.3])
def test_slip_along_the_way_is_that_of_lsoda(pedal):
    """A car that brakes or pulls with a bound on its slip so low that it is broken."""
    car = load_vehicle(FOLDER / "club-monoposto.yaml")
    nlp, x = on_straight(car, 30.0)
    put(nlp, x, "pedal", pedal)
    names = nlp.problem.model.parameters
    values = nlp.problem.model.values.copy()
    values[[names.index("limit.front_slip"), names.index("limit.rear_slip")]] = 0.01
    p = nlp.with_values(values)
    found = checked(nlp, x, p)
    for k in (0, 2):
        worst = limits_along(nlp, x, p, k).max()
        assert worst > 0.001
        assert found.hidden[k] == pytest.approx(worst, rel=0.02)
    # A slip beyond its bound is left alone as long as it is small.
    assert np.all(found.hidden < LEAP) and not np.any(found.broken)


def test_no_limit_is_broken_on_an_easy_road():
    nlp, x = on_straight(load_vehicle(FOLDER / "club-monoposto.yaml"), 20.0)
    found = checked(nlp, x)
    np.testing.assert_array_equal(found.hidden, 0.0)
    np.testing.assert_array_equal(found.off_road, 0.0)
    assert not np.any(found.broken)


def test_a_wheel_that_must_lock_has_no_solution():
    """Full brake on ice: the brakes ask for a multiple of what the tyres give at any slip."""
    car = load_vehicle(FOLDER / "club-monoposto.yaml")
    tyres = replace(
        car.tyres,
        front=replace(car.tyres.front, grip_scale=0.1),
        rear=replace(car.tyres.rear, grip_scale=0.1),
    )
    nlp, x = on_straight(replace(car, tyres=tyres), 30.0)
    put(nlp, x, "pedal", -1.0)
    found = checked(nlp, x)
    assert np.all(np.isinf(found.hidden)) and np.all(found.broken)
    assert not np.any(np.isnan(found.lap_time))


def test_leaving_the_road_between_two_points():
    """A car 4 m left of the middle, past a pinch to 3 m between the points at 40 and 60 m."""
    widths = ((0.0, 5.0), (44.0, 5.0), (50.0, 3.0), (56.0, 5.0), (120.0, 5.0))
    nlp, x = on_straight(FrictionCircle("Point", 1.2), 20.0, widths=widths)
    put(nlp, x, "n", 4.0)
    i = nlp.problem.model.state_index("n")
    bound = nlp.upper[nlp.layout.states[1, :, i]]
    assert np.all(x[nlp.layout.states[1, :, i]] < bound)
    found = checked(nlp, x)
    assert found.off_road[1] == pytest.approx(1.0, abs=0.05) and found.off_road[1] <= 1.0 + 1e-9
    np.testing.assert_array_equal(found.off_road[[0, 2, 3]], 0.0)


def test_bound_of_the_fastest_motion_holds_and_is_near():
    """Eigenvalues by LAPACK of the motion's central differences, the balances solved at each."""
    car = load_vehicle(FOLDER / "club-monoposto.yaml")
    nlp, x = on_straight(car, 30.0)
    put(nlp, x, "pedal", 0.2)
    put(nlp, x, "delta", 0.01)
    stages = stages_of(nlp)
    y, road, numbers = nlp.evaluator.split(x, nlp.parameters)
    nx, nu = len(nlp.problem.model.states), len(nlp.problem.model.controls)
    state, control, slip = y[:nx, :1], y[nx : nx + nu, :1], y[nx + nu :, :1]
    solved = stages(state, control, slip, road[:, :1], numbers)
    assert solved.missed[0] < 1e-7
    step = 1e-4
    both = np.hstack([state + step * np.eye(nx), state - step * np.eye(nx)])
    wide = [np.repeat(values, 2 * nx, axis=1) for values in (control, solved.algebraics, road[:, :1])]
    rates = stages(both, *wide, numbers).rates
    true = np.abs(eigvals((rates[:, :nx] - rates[:, nx:]) / (2.0 * step))).max()
    bound = stages.fastest(state, control, solved.algebraics, road[:, :1], numbers)[0]
    assert 0.999 * true < bound < 1.6 * true
