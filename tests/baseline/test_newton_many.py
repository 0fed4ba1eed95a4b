"""Many small systems at once, against numpy's and scipy's solvers of one system."""

from __future__ import annotations

import casadi as ca
import numpy as np
import pytest
from scipy.optimize import root

from lapwright.baseline.newton import Newton, eliminate

TWO = np.ones(2)


def newton(
    rows, unknowns: ca.SX, given: ca.SX, beside: ca.SX | None = None, scale: np.ndarray = TWO
) -> Newton:
    extra = ca.SX(0, 1) if beside is None else beside
    return Newton(unknowns, ca.vertcat(*rows), scale, (given,), ca.SX.sym("nothing", 0), extra)


@pytest.mark.parametrize("size", [1, 2, 5, 9])
def test_elimination(size: int) -> None:
    """Against ``numpy.linalg.solve``, with zeros on the diagonal, which only pivots get past."""
    rng = np.random.default_rng(size)
    matrix, right = ca.SX.sym("a", size, size), ca.SX.sym("b", size)
    solve = ca.Function("solve", [matrix, right], [eliminate(matrix, right)])
    for _ in range(20):
        a, b = rng.standard_normal((size, size)), rng.standard_normal(size)
        if size > 1:
            np.fill_diagonal(a, 0.0)
        expected = np.linalg.solve(a, b)
        found = np.array(solve(a, b)).ravel()
        assert found == pytest.approx(expected, rel=1e-10 * np.linalg.cond(a), abs=1e-11 * np.linalg.cond(a))


def test_zeros_of_many_systems() -> None:
    """exp(x) + y = p, x y - y^3 = q from a first guess each, against scipy's hybrid method (MINPACK)."""
    x, p = ca.SX.sym("x", 2), ca.SX.sym("p", 2)
    rng = np.random.default_rng(0)
    solution = rng.uniform(0.3, 2.0, (2, 3000))
    given = np.stack([np.exp(solution[0]) + solution[1], solution[0] * solution[1] - solution[1] ** 3])
    rows = [ca.exp(x[0]) + x[1] - p[0], x[0] * x[1] - x[1] ** 3 - p[1]]
    start = solution + 0.2 * rng.standard_normal(solution.shape)
    found = newton(rows, x, p, beside=x[0] * x[1]).solve(start, (given,), np.zeros(0))
    assert found.solved.mean() > 0.95
    residual = [
        np.exp(found.y[0]) + found.y[1] - given[0],
        found.y[0] * found.y[1] - found.y[1] ** 3 - given[1],
    ]
    assert np.abs(residual)[:, found.solved].max() <= 1e-9
    assert found.beside[0] == pytest.approx(found.y[0] * found.y[1])
    for k in np.flatnonzero(found.solved)[:40]:

        def one(z, k=k):
            return [np.exp(z[0]) + z[1] - given[0, k], z[0] * z[1] - z[1] ** 3 - given[1, k]]

        assert found.y[:, k] == pytest.approx(root(one, found.y[:, k] + 1e-3, tol=1e-12).x, abs=1e-7)


def test_steps_are_shortened_where_the_full_one_overshoots() -> None:
    """atan(x) = 0: Newton's method diverges from beyond 1.3917 (Dennis & Schnabel 1996, ch. 2 [from memory])."""
    x, p = ca.SX.sym("x", 1), ca.SX.sym("p", 1)
    solver = newton([ca.atan(x[0]) - p[0]], x, p, scale=np.array([100.0]))
    start = np.array([[1.0, 1.5, 3.0, 20.0, -50.0]])
    found = solver.solve(start, (np.zeros((1, 5)),), np.zeros(0))
    assert found.solved.all()
    assert found.y == pytest.approx(0.0, abs=1e-8)


def test_systems_without_a_zero_or_a_number_are_told_apart() -> None:
    """x^2 + 1 = 0 has no real zero; log(x) is no number at -1; x^2 = 0 is solved though its slope vanishes there."""
    x, p = ca.SX.sym("x", 1), ca.SX.sym("p", 2)
    solver = newton([p[0] * ca.log(x[0]) + x[0] * x[0] + p[1]], x, p, scale=np.ones(1))
    given = np.array([[0.0, 1.0, 0.0, 1.0], [1.0, 0.0, 0.0, 0.0]])
    found = solver.solve(np.array([[3.0, -1.0, 1.0, 0.7]]), (given,), np.zeros(0))
    assert found.solved.tolist() == [False, False, True, True]
    # exp(-W(2)/2): x^2 = -log x, with Lambert's W(2) = 0.85260550201372549 (DLMF 4.13 [from memory]).
    assert found.y[0, 3] == pytest.approx(np.exp(-0.5 * 0.85260550201372549), abs=1e-9)


def test_few_iterations_and_a_wide_tolerance() -> None:
    x, p = ca.SX.sym("x", 1), ca.SX.sym("p", 1)
    solver = newton([x[0] * x[0] - p[0]], x, p, scale=np.ones(1))
    start, given = np.full((1, 2), 3.0), np.array([[2.0, 9.0]])
    none = solver.solve(start, (given,), np.zeros(0), iterations=0)
    assert none.solved.tolist() == [False, True]
    assert none.y.tolist() == start.tolist()
    # Heron's steps from 3: 1.8333, 1.4621, 1.4150: the residuals are 1.36, 0.138, 0.0022.
    assert solver.solve(start, (given,), np.zeros(0), 2, 0.2).solved.all()
    assert not solver.solve(start, (given,), np.zeros(0), 1, 0.2).solved[0]
