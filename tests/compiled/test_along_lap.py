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


@pytest.mark.parametrize("backward", [False, True])
@pytest.mark.parametrize("lanes", [1, 2, 3, 4, 7, 8, 9, 19])
@pytest.mark.parametrize("steps", [1, 2, 31])
def test_recursion_is_that_of_a_loop(steps, lanes, backward):
    rng = np.random.default_rng(steps + 100 * lanes)
    a, state, q = rng.normal(size=(3, steps, lanes)), rng.normal(size=(2, lanes)), rng.normal(size=1)
    found = AlongLap(step_function(), {0: 1}, shared=(2,), backward=backward)(a, state, q)
    for got, wanted in zip(found, by_hand(a, state, q[0], backward), strict=True):
        np.testing.assert_allclose(got, wanted, rtol=1e-13, atol=1e-14)
