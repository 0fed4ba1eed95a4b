"""The sweep backward along a chain of stages against scipy's Riccati equation and a dense quadratic program."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are

from lapwright.compiled.along_lap import AlongLap
from lapwright.transcription.condense import Sizes, backward_function, forward_function

NX, NU = 3, 2
SIZES = Sizes(NX, NU, 0, 0, 0, 1, True, ())


@lru_cache
def backward() -> AlongLap:
    return AlongLap(backward_function(SIZES), {i: i for i in range(5)}, backward=True)


@lru_cache
def forward() -> AlongLap:
    return AlongLap(forward_function(SIZES), {0: 0})


def packed(matrix: np.ndarray) -> np.ndarray:
    """Upper triangle, column by column."""
    return np.concatenate([matrix[: j + 1, j] for j in range(len(matrix))])


def full(entries: np.ndarray) -> np.ndarray:
    matrix = np.zeros((NX, NX))
    at = 0
    for j in range(NX):
        for i in range(j + 1):
            matrix[i, j] = matrix[j, i] = entries[at]
            at += 1
    return matrix


class Stages:
    """K stages x+ = A x + B u + c with cost [x u]' H [x u] / 2 + g . [x u], and x' T x / 2 + q . x at the end."""

    def __init__(self, count: int, seed: int, same: bool) -> None:
        rng = np.random.default_rng(seed)
        made = 1 if same else count

        def spread(*shape: int) -> np.ndarray:
            return np.broadcast_to(rng.normal(size=(made, *shape)), (count, *shape))

        self.a, self.b, self.c = 0.6 * spread(NX, NX), spread(NX, NU), spread(NX)
        root = spread(NX + NU, NX + NU)
        self.h = root.transpose(0, 2, 1) @ root + 0.1 * np.eye(NX + NU)
        self.g, self.tail = spread(NX + NU), np.eye(NX)

    def sweep(self) -> list[np.ndarray]:
        moves = np.concatenate([self.a, self.b, self.c[:, :, None]], axis=2)
        stage = np.stack([m.ravel(order="F") for m in moves], axis=1)[:, :, None]
        hessian = np.stack([packed(m) for m in self.h], axis=1)[:, :, None]
        start = [
            packed(self.tail),
            np.eye(NX).ravel(),
            np.zeros(len(packed(self.tail))),
            np.zeros(NX),
            np.zeros(NX),
        ]
        return [
            found[:, :, 0]
            for found in backward()(*(v[:, None] for v in start), stage, hessian, self.g.T[:, :, None].copy())
        ]

    def optimum(self, x: np.ndarray, q: np.ndarray) -> tuple[float, np.ndarray]:
        """Least cost and the controls, with all states written as functions of the controls: no recursion of values."""
        count = len(self.a)
        state, constant = np.zeros((NX, count * NU)), x.copy()
        hessian, gradient, cost = np.zeros((count * NU, count * NU)), np.zeros(count * NU), 0.0
        for k in range(count):
            pick = np.zeros((NU, count * NU))
            pick[:, k * NU : (k + 1) * NU] = np.eye(NU)
            both, fixed = np.vstack([state, pick]), np.concatenate([constant, np.zeros(NU)])
            hessian += both.T @ self.h[k] @ both
            gradient += both.T @ (self.h[k] @ fixed + self.g[k])
            cost += 0.5 * fixed @ self.h[k] @ fixed + self.g[k] @ fixed
            state, constant = self.a[k] @ state + self.b[k] @ pick, self.a[k] @ constant + self.c[k]
        hessian += state.T @ self.tail @ state
        gradient += state.T @ (self.tail @ constant + q)
        cost += 0.5 * constant @ self.tail @ constant + q @ constant
        controls = np.linalg.solve(hessian, -gradient)
        return cost + 0.5 * gradient @ controls, controls.reshape(count, NU)


def test_a_long_chain_comes_to_the_riccati_equation():
    stages = Stages(200, 3, same=True)
    a, b, c, h, g = stages.a[0], stages.b[0], stages.c[0], stages.h[0], stages.g[0]
    p = solve_discrete_are(a, b, h[:NX, :NX], h[NX:, NX:], s=h[:NX, NX:])
    gain = -np.linalg.solve(h[NX:, NX:] + b.T @ p @ b, h[NX:, :NX] + b.T @ p @ a)
    value, psi, gam, linear, _, feedback, _, _, pivots = stages.sweep()
    np.testing.assert_allclose(full(value[:, 100]), p, rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(feedback[:, 100].reshape(NX, NU).T, gain, rtol=1e-9, atol=1e-12)
    assert np.all(pivots > 0.0)
    # What a price q at the end is worth fades with the closed loop, and its square adds up to a limit.
    loop = a + b @ gain
    assert np.max(np.abs(np.linalg.eigvals(loop))) < 1.0
    head, after = (psi[:, k].reshape(NX, NX, order="F") for k in (100, 101))
    np.testing.assert_allclose(head, loop.T @ after, rtol=1e-9, atol=1e-30)
    np.testing.assert_allclose(gam[:, 100], gam[:, 0], rtol=1e-9)
    # The linear part is the fixed point of p = gx + K'gu + (A + BK)'(p + P c).
    fixed = np.linalg.solve(np.eye(NX) - loop.T, g[:NX] + gain.T @ g[NX:] + loop.T @ (p @ c))
    np.testing.assert_allclose(linear[:, 100], fixed, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("count", [1, 2, 7])
def test_value_function_of_state_and_costate(count, seed):
    """V(x, q) up to its constant is the least cost from x with a price q on the last state; u follows by feedback."""
    stages, rng = Stages(count, seed, same=False), np.random.default_rng(seed + 50)
    found = stages.sweep()
    value, psi, gam, linear, constant = (array[:, 0] for array in found[:5])
    psi = psi.reshape(NX, NX, order="F")
    feedback, offset, on_costate = found[5], found[6], found[7]

    def by_sweep(x, q):
        return 0.5 * x @ full(value) @ x + x @ psi @ q - 0.5 * q @ full(gam) @ q + linear @ x + constant @ q

    zero, _ = stages.optimum(np.zeros(NX), np.zeros(NX))
    for _ in range(3):
        x, q = rng.normal(size=NX), rng.normal(size=NX)
        cost, controls = stages.optimum(x, q)
        assert by_sweep(x, q) == pytest.approx(cost - zero, rel=1e-9, abs=1e-9)
        shift = offset + np.einsum("quk,q->uk", on_costate.reshape(NX, NU, count), q)
        moves = np.concatenate([stages.a, stages.b, stages.c[:, :, None]], axis=2)
        stage = np.stack([m.ravel(order="F") for m in moves], axis=1)[:, :, None]
        _, u = forward()(x[:, None], stage, feedback[:, :, None].copy(), shift[:, :, None].copy())
        np.testing.assert_allclose(u[:, :, 0].T, controls, rtol=1e-8, atol=1e-9)


def test_a_stage_that_curves_down_shows_in_its_pivots():
    """As many negative pivots as the stage's own matrix has negative eigenvalues (Sylvester's law of inertia)."""
    for seed in range(8):
        stages = Stages(1, seed, same=False)
        stages.h = stages.h - 3.0 * np.eye(NX + NU)
        suu = stages.h[0, NX:, NX:] + stages.b[0].T @ stages.tail @ stages.b[0]
        assert np.sum(stages.sweep()[8] < 0.0) == np.sum(np.linalg.eigvalsh(suu) < 0.0)
