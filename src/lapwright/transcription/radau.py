"""Radau IIA collocation on the unit interval.

The points include the right end, so the last one of an interval is the next node and no continuity rows are needed.
Hairer & Wanner, Solving Ordinary Differential Equations II, section IV.5 [from memory]: order 2 d - 1 for d points.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import NDArray
from scipy.special import roots_jacobi

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Collocation:
    """Tables for degree d.

    Attributes
    ----------
    points : (d,) positions in (0, 1], the last is 1
    derivative : (d + 1, d), derivative[l, j] = slope at point j of the basis polynomial of value l (0 = left node)
    weights : (d,) quadrature weights, sum 1
    """

    points: Array
    derivative: Array
    weights: Array

    @property
    def degree(self) -> int:
        """Number of collocation points in an interval."""
        return len(self.points)


@lru_cache
def radau(degree: int) -> Collocation:
    """Tables of the Radau IIA method with ``degree`` points (1 to 9)."""
    if not 1 <= degree <= 9:
        raise ValueError(f"degree is {degree}: 1 to 9 are allowed")
    inner = [] if degree == 1 else list(0.5 * (roots_jacobi(degree - 1, 1.0, 0.0)[0] + 1.0))
    points = np.array([*inner, 1.0])
    nodes = np.array([0.0, *points])
    derivative = np.empty((degree + 1, degree))
    for i in range(degree + 1):
        basis = _basis(nodes, i)
        derivative[i] = basis.deriv()(points)
    weights = np.empty(degree)
    for j in range(degree):
        antiderivative = _basis(points, j).integ()
        weights[j] = antiderivative(1.0) - antiderivative(0.0)
    return Collocation(points, derivative, weights)


def _basis(nodes: Array, i: int) -> Polynomial:
    others = np.delete(nodes, i)
    basis = Polynomial.fromroots(others) if len(others) else Polynomial([1.0])
    return basis / basis(nodes[i])


def interpolation(nodes: Array, at: Array) -> Array:
    """(len(nodes), len(at)) values of the Lagrange basis on ``nodes`` at the positions ``at``."""
    return np.array([_basis(np.asarray(nodes), i)(np.asarray(at)) for i in range(len(nodes))])
