"""Radau IIA tables against CasADi's own, the printed values, and the orders that theory promises."""

from __future__ import annotations

import casadi as ca
import numpy as np
import pytest

from lapwright.transcription.radau import interpolation, radau

DEGREES = range(1, 10)


@pytest.mark.parametrize("degree", DEGREES)
def test_points_and_tables_are_casadis(degree):
    points = ca.collocation_points(degree, "radau")
    derivative, end, weights = ca.collocation_coeff(points)
    table = radau(degree)
    assert table.degree == degree
    np.testing.assert_allclose(table.points, points, rtol=1e-11)
    np.testing.assert_allclose(table.derivative, np.asarray(derivative), rtol=1e-7, atol=1e-8)
    # CasADi integrates the polynomial through the left node too; with one point that is another rule than Radau's.
    wanted = np.asarray(weights).ravel() if degree > 1 else [1.0]
    np.testing.assert_allclose(table.weights, wanted, rtol=1e-7)
    at_end = interpolation(np.array([0.0, *table.points]), np.array([1.0]))[:, 0]
    np.testing.assert_allclose(at_end, np.asarray(end).ravel(), atol=1e-9)


def test_printed_values():
    """Hairer & Wanner, Solving Ordinary Differential Equations II, tables IV.5.5 and IV.5.6 [from memory]."""
    root = np.sqrt(6.0)
    np.testing.assert_allclose(radau(1).points, [1.0])
    np.testing.assert_allclose(radau(2).points, [1 / 3, 1.0], rtol=1e-14)
    np.testing.assert_allclose(radau(2).weights, [3 / 4, 1 / 4], rtol=1e-14)
    np.testing.assert_allclose(radau(3).points, [(4 - root) / 10, (4 + root) / 10, 1.0], rtol=1e-13)
    np.testing.assert_allclose(radau(3).weights, [(16 - root) / 36, (16 + root) / 36, 1 / 9], rtol=1e-13)


def test_printed_runge_kutta_matrices():
    """The matrix A of the same tables is the inverse of the derivative table without the left node [from memory]."""
    two = np.array([[5 / 12, -1 / 12], [3 / 4, 1 / 4]])
    np.testing.assert_allclose(np.linalg.inv(radau(2).derivative[1:].T), two, rtol=1e-12)
    r = np.sqrt(6.0)
    three = np.array(
        [
            [(88 - 7 * r) / 360, (296 - 169 * r) / 1800, (-2 + 3 * r) / 225],
            [(296 + 169 * r) / 1800, (88 + 7 * r) / 360, (-2 - 3 * r) / 225],
            [(16 - r) / 36, (16 + r) / 36, 1 / 9],
        ]
    )
    np.testing.assert_allclose(np.linalg.inv(radau(3).derivative[1:].T), three, rtol=1e-11)


@pytest.mark.parametrize("degree", DEGREES)
def test_quadrature_is_exact_to_degree_2d_minus_2_and_no_further(degree):
    table = radau(degree)
    for power in range(2 * degree - 1):
        assert table.weights @ table.points**power == pytest.approx(1.0 / (power + 1), rel=1e-9)
    if degree <= 6:
        wrong = table.weights @ table.points ** (2 * degree - 1) - 1.0 / (2 * degree)
        assert abs(wrong) > 1e-9


@pytest.mark.parametrize("degree", DEGREES)
def test_derivative_is_exact_for_polynomials_of_degree_d(degree):
    table = radau(degree)
    nodes = np.array([0.0, *table.points])
    for power in range(degree + 1):
        slope = power * table.points ** max(power - 1, 0)
        np.testing.assert_allclose(nodes**power @ table.derivative, slope, atol=1e-8)


def decay(degree: int, intervals: int) -> float:
    """y(1) of y' = -y, y(0) = 1 on equal intervals."""
    table, h, y = radau(degree), 1.0 / intervals, 1.0
    for _ in range(intervals):
        y = np.linalg.solve(table.derivative[1:].T + h * np.eye(degree), -table.derivative[0] * y)[-1]
    return float(y)


@pytest.mark.parametrize(("degree", "intervals"), [(1, 64), (2, 16), (3, 6), (4, 3)])
def test_order_is_2d_minus_1(degree, intervals):
    """Hairer & Wanner II, theorem IV.5.3 [from memory]."""
    coarse, fine = (abs(decay(degree, n) - np.exp(-1.0)) for n in (intervals, 2 * intervals))
    assert np.log2(coarse / fine) == pytest.approx(2 * degree - 1, abs=0.25)


@pytest.mark.parametrize("degree", [0, -1, 10])
def test_degrees_outside_the_range_are_refused(degree):
    with pytest.raises(ValueError, match="1 to 9 are allowed"):
        radau(degree)


def test_interpolation_is_one_on_its_own_node_and_sums_to_one():
    nodes, at = np.array([0.0, 0.2, 0.7, 1.0]), np.linspace(-0.1, 1.1, 13)
    np.testing.assert_allclose(interpolation(nodes, nodes), np.eye(4), atol=1e-13)
    np.testing.assert_allclose(interpolation(nodes, at).sum(axis=0), 1.0, rtol=1e-12)
    np.testing.assert_allclose((nodes**3 - nodes) @ interpolation(nodes, at), at**3 - at, atol=1e-13)
