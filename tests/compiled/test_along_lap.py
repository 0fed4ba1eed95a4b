"""Recursions along steps and lanes against the same recursion written as a loop."""

from __future__ import annotations

import casadi as ca
import numpy as np
import pytest

from lapwright.compiled.along_lap import AlongLap


def step_function() -> ca.Function:
    """Two carried states, three numbers that change from step to step, one that does not, a second result."""
    a, state, q = ca.SX.sym("a", 3), ca.SX.sym("s", 2), ca.SX.sym("q")
    following = ca.vertcat(ca.sin(state[0]) + a[0] * q, 0.5 * state[1] + a[1] * state[0])
    return ca.Function("step", [a, state, q], [following, state[0] * a[2]])


def by_hand(a: np.ndarray, state: np.ndarray, q: float, backward: bool) -> list[np.ndarray]:
    states, products = np.empty((2, *a.shape[1:])), np.empty((1, *a.shape[1:]))
    order = range(a.shape[1])
    for k in reversed(order) if backward else order:
        products[0, k] = state[0] * a[2, k]
        state = np.array([np.sin(state[0]) + a[0, k] * q, 0.5 * state[1] + a[1, k] * state[0]])
        states[:, k] = state
    return [states, products]


def draw(steps: int, lanes: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(steps + 100 * lanes)
    return rng.normal(size=(3, steps, lanes)), rng.normal(size=(2, lanes)), rng.normal(size=1)


@pytest.mark.parametrize("backward", [False, True])
@pytest.mark.parametrize("lanes", [1, 2, 3, 7, 8, 9, 19])
@pytest.mark.parametrize("steps", [1, 2, 31])
def test_recursion_is_that_of_a_loop(steps, lanes, backward, way):
    a, state, q = draw(steps, lanes)
    found = AlongLap(step_function(), {0: 1}, shared=(2,), backward=backward)(a, state, q)
    for got, wanted in zip(found, by_hand(a, state, q[0], backward), strict=True):
        np.testing.assert_allclose(got, wanted, rtol=1e-13, atol=1e-14)


def test_one_program_for_any_size(way):
    program = AlongLap(step_function(), {0: 1}, (2,))
    for steps, lanes in ((3, 9), (40, 1), (2, 4), (0, 3), (5, 0), (3, 9)):
        a, state, q = draw(steps, lanes)
        for got, wanted in zip(program(a, state, q), by_hand(a, state, q[0], False), strict=True):
            np.testing.assert_allclose(got, wanted, rtol=1e-13, atol=1e-14)


def test_results_are_written_where_asked(way):
    program = AlongLap(step_function(), {0: 1}, (2,), backward=True)
    for lanes in (1, 3, 11):
        a, state, q = draw(6, lanes)
        room = np.full((9, 6, lanes), 3.25)
        out = [room[4:6], np.empty((1, 6, lanes))]
        assert program(a, state, q, out=out) is out
        for got, wanted in zip(out, by_hand(a, state, q[0], True), strict=True):
            np.testing.assert_allclose(got, wanted, rtol=1e-13, atol=1e-14)
        room[4:6] = 3.25
        assert np.all(room == 3.25)


def test_results_may_be_written_over_the_arguments(way):
    x, s = ca.SX.sym("x"), ca.SX.sym("s")
    program = AlongLap(ca.Function("total", [x, s], [x + s]), {0: 1}, backward=True)
    for lanes in (1, 2, 9):
        place = np.arange(4.0 * lanes).reshape(1, 4, lanes)
        wanted = np.cumsum(place[:, ::-1], axis=1)[:, ::-1].copy()
        program(place, np.zeros((1, lanes)), out=[place])
        np.testing.assert_array_equal(place, wanted)


@pytest.mark.parametrize("lanes", [1, 2, 8, 12])
def test_two_carried_values_that_change_places(lanes, way):
    """Fibonacci's numbers: each output goes to the other input."""
    a, b = ca.SX.sym("a"), ca.SX.sym("b")
    program = AlongLap(ca.Function("fibonacci", [a, b], [a + b, ca.SX(a)]), {1: 1, 0: 0})
    room = [np.empty((1, 10, lanes)) for _ in range(2)]
    found = program(np.ones((1, lanes)), np.zeros((1, lanes)), out=room)
    np.testing.assert_array_equal(found[0][0].T, [[1, 2, 3, 5, 8, 13, 21, 34, 55, 89]] * lanes)
    np.testing.assert_array_equal(found[1][0].T, [[1, 1, 2, 3, 5, 8, 13, 21, 34, 55]] * lanes)


def test_a_lane_does_not_see_its_neighbours(way):
    program = AlongLap(step_function(), {0: 1}, (2,))
    a, state, q = draw(12, 20)
    whole = program(a, state, q)
    for start, end in ((0, 8), (5, 18), (17, 20)):
        for part, full in zip(program(a[..., start:end], state[:, start:end], q), whole, strict=True):
            np.testing.assert_array_equal(part, full[..., start:end])


def linear_quadratic(n: int) -> ca.Function:
    """One step of the Riccati recursion for n states and one control: some hundred to thousands of instructions."""
    P, A, B = ca.SX.sym("P", n, n), ca.SX.sym("A", n, n), ca.SX.sym("B", n)
    gain = (B.T @ P @ A) / (1.0 + ca.dot(B, P @ B))
    before = ca.SX.eye(n) + A.T @ P @ A - (B.T @ P @ A).T @ gain
    return ca.Function("riccati", [P, A, B], [ca.densify(before), gain])


@pytest.mark.parametrize("lanes", [1, 5, 8])
def test_riccati_recursion_of_several_parts(lanes, way):
    rng, n, steps = np.random.default_rng(3), 6, 15
    function = linear_quadratic(n)
    assert function.n_instructions() > 1000
    a = rng.normal(size=(n * n, steps, lanes)) * 0.5
    b = rng.normal(size=(n, steps, lanes))
    end = np.repeat(np.eye(n).reshape(-1, 1), lanes, axis=1)
    values, gains = AlongLap(function, {0: 0}, backward=True)(end, a, b)
    for lane in range(lanes):
        P = np.eye(n)
        for k in reversed(range(steps)):
            A, B = a[:, k, lane].reshape(n, n).T, b[:, k, lane]
            gain = B @ P @ A / (1.0 + B @ P @ B)
            P = np.eye(n) + A.T @ P @ A - np.outer(A.T @ P @ B, gain)
            np.testing.assert_allclose(gains[:, k, lane], gain, rtol=1e-9, atol=1e-9)
            np.testing.assert_allclose(values[:, k, lane].reshape(n, n).T, P, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(
    ("carried", "shared", "words"),
    [
        ({1: 1}, (), "output 1 has 1 nonzeros, the input 1 that takes it 2"),
        ({0: 1}, (1,), "input 1 cannot be both carried and shared"),
        ({0: 1, 1: 1}, (), "tied to two outputs"),
        ({2: 1}, (), "no output 2"),
        ({0: 1}, (3,), "has 3 inputs; 3 cannot be a shared one"),
    ],
)
def test_ties_are_checked(carried, shared, words):
    with pytest.raises(ValueError, match=words):
        AlongLap(step_function(), carried, shared)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([np.zeros((3, 4, 2)), np.zeros((2, 2))], "takes 3 arguments, not 2"),
        ([np.zeros((3, 4)), np.zeros((2, 2)), np.zeros(1)], r"argument 0 .* \(3, steps, lanes\)"),
        (
            [np.zeros((3, 4, 2)), np.zeros((2, 4)), np.zeros(1)],
            r"argument 1 has the shape \(2, 4\); it takes \(2, 2\)",
        ),
        ([np.zeros((3, 4, 2)), np.zeros((2, 2)), np.zeros((1, 2))], r"argument 2 .* it takes \(1,\)"),
    ],
)
def test_shapes_are_checked(arguments, words):
    with pytest.raises(ValueError, match=words):
        AlongLap(step_function(), {0: 1}, (2,))(*arguments)


def test_unsupported_operation_is_named(way):
    x = ca.SX.sym("x")
    with pytest.raises(ValueError, match=r"bell: erf \(error function\) is not supported"):
        AlongLap(ca.Function("bell", [x], [ca.erf(x)]), {0: 0})(np.zeros((1, 4)), out=[np.zeros((1, 5, 4))])
