"""Piecewise cubics against the curves of the same name in ``scipy.interpolate``."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline, CubicSpline, PchipInterpolator

from lapwright.track.road import distinct
from lapwright.track.splines import hermite_cubics, monotone_cubics, natural_spline, periodic_spline

COUNTS = (2, 3, 4, 5, 40, 700)


def points(count: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unevenly spaced places, values with flat stretches and jumps, and places to look at: ends, nodes and beyond."""
    rng = np.random.default_rng(seed + count)
    x = 3.0 + np.cumsum(rng.uniform(0.2, 30.0, count))
    y = 10.0 * rng.standard_normal(count)
    y[count // 2 : count // 2 + 2] = y[count // 2]
    look = np.concatenate([x, rng.uniform(x[0] - 5.0, x[-1] + 5.0, 400)])
    return x, y, look


def assert_same(own, other, look: np.ndarray) -> None:
    for order in (0, 1, 2):
        expected = other(look, order)
        np.testing.assert_allclose(
            own(look, order), expected, rtol=1e-9, atol=1e-11 * np.abs(expected).max() + 1e-12
        )


@pytest.mark.parametrize("count", COUNTS)
def test_natural(count: int) -> None:
    x, y, look = points(count)
    assert_same(natural_spline(x, y), CubicSpline(x, y, bc_type="natural"), look)


@pytest.mark.parametrize("count", COUNTS)
def test_periodic(count: int) -> None:
    x, y, look = points(count)
    y[-1] = y[0]
    look = np.clip(look, x[0], x[-1])
    assert_same(periodic_spline(x, y), CubicSpline(x, y, bc_type="periodic"), look)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("count", COUNTS)
def test_monotone(count: int, seed: int) -> None:
    x, y, look = points(count, seed)
    assert_same(monotone_cubics(x, y), PchipInterpolator(x, y), look)


def test_hermite() -> None:
    x, y, look = points(30)
    slope = np.random.default_rng(1).standard_normal(30)
    assert_same(hermite_cubics(x, y, slope), CubicHermiteSpline(x, y, slope), look)


def test_places_of_any_shape() -> None:
    x, y, look = points(12)
    curve = natural_spline(x, y)
    assert curve(look[:12].reshape(3, 4)).shape == (3, 4)
    assert float(curve(np.float64(x[3]))) == pytest.approx(y[3], rel=1e-12)


def test_distinct_values() -> None:
    """Against ``numpy.unique``."""
    rng = np.random.default_rng(5)
    for values in (rng.integers(0, 9, 50) / 7.0, np.zeros(0), np.ones(3), rng.standard_normal((4, 5))):
        assert np.array_equal(distinct(values), np.unique(values))
