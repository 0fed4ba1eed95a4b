"""Elementary functions against mpmath (arbitrary precision, https://mpmath.org) and annex F of the C standard."""

from __future__ import annotations

import math

import casadi as ca
import mpmath
import numpy as np
import pytest

from lapwright.compiled import ways
from lapwright.compiled.machine import machine
from lapwright.compiled.over_points import OverPoints
from lapwright.compiled.quick import LARGE, QUICK

COUNT = 600
SMALLEST = 2.0**-1074


def evaluate(name: str, points: np.ndarray) -> np.ndarray:
    x = ca.SX.sym("x")
    return OverPoints(ca.Function(name, [x], [getattr(ca, name)(x)]))(points[None, :])[0][0]


def units_off(name: str, points: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Distance from the exact value in units of its last place."""
    off = np.empty(len(points))
    with mpmath.workprec(200):
        for i, (point, value) in enumerate(zip(points, found, strict=True)):
            exact = getattr(mpmath, name)(mpmath.mpf(float(point)))
            unit = mpmath.mpf(max(float(np.spacing(abs(float(exact)))), SMALLEST))
            off[i] = float(abs(mpmath.mpf(float(value)) - exact) / unit)
    return off


def spread(rng: np.random.Generator, low: float, high: float) -> np.ndarray:
    """Both signs, evenly spread in the exponent of two."""
    return rng.choice([-1.0, 1.0], COUNT) * 2.0 ** rng.uniform(low, high, COUNT)


def near_quarter_turns(rng: np.random.Generator) -> np.ndarray:
    """Doubles next to multiples of pi/2, where nearly all digits cancel."""
    turns = np.concatenate([np.arange(-100, 101), rng.integers(-(2**29), 2**29, COUNT)])
    with mpmath.workprec(120):
        points = np.array([float(int(k) * mpmath.pi / 2) for k in turns])
    return np.concatenate([points, np.nextafter(points, np.inf), np.nextafter(points, -np.inf)])


def angles(rng: np.random.Generator) -> np.ndarray:
    ends = [LARGE, -LARGE, np.nextafter(LARGE, 0.0), math.pi / 4, math.nextafter(math.pi / 4, 1.0)]
    even = [rng.uniform(-size, size, COUNT) for size in (1.0, 10.0, 1e4, LARGE)]
    points = np.concatenate([*even, spread(rng, -1074.0, 30.0), near_quarter_turns(rng), ends])
    return points[np.abs(points) <= LARGE]


def cosines(rng: np.random.Generator) -> np.ndarray:
    edge = 1.0 - 2.0 ** rng.uniform(-53.0, -1.0, COUNT)
    ends = [0.0, 0.5, -0.5, np.nextafter(0.5, 0.0), 1.0, -1.0]
    return np.concatenate([rng.uniform(-1.0, 1.0, 3 * COUNT), spread(rng, -1074.0, 0.0), edge, -edge, ends])


def slopes(rng: np.random.Generator) -> np.ndarray:
    seams = np.concatenate(
        [rng.uniform(c - 1e-3, c + 1e-3, COUNT) for c in (math.sqrt(2) - 1, math.sqrt(2) + 1, 1)]
    )
    return np.concatenate(
        [rng.uniform(-3.0, 3.0, 3 * COUNT), seams, spread(rng, -1074.0, 1023.9), rng.uniform(-50, 50, COUNT)]
    )


def powers(rng: np.random.Generator) -> np.ndarray:
    even = [(-1.0, 1.0), (-745.1, 709.78), (-746.0, -700.0), (700.0, 709.78)]
    ends = [709.782712893384, -745.1332191019411, -708.3964185322641, 0.0]
    return np.concatenate([*(rng.uniform(*at, COUNT) for at in even), spread(rng, -1074.0, 9.4), ends])


def amounts(rng: np.random.Generator) -> np.ndarray:
    near_one = 1.0 + spread(rng, -53.0, -1.0)
    ends = [SMALLEST, 2.0**-1022, np.finfo(float).max, 1.0, math.sqrt(0.5), math.sqrt(2.0)]
    return np.concatenate(
        [2.0 ** rng.uniform(-1074, 1023.99, 3 * COUNT), rng.uniform(0.0, 10.0, COUNT), near_one, ends]
    )


RANGES = {
    "sin": angles,
    "cos": angles,
    "tan": angles,
    "asin": cosines,
    "acos": cosines,
    "atan": slopes,
    "exp": powers,
    "log": amounts,
}


def test_every_function_of_its_own_is_tried():
    assert set(RANGES) == set(QUICK)


@pytest.mark.parametrize("name", RANGES)
def test_two_units_of_the_last_place(name, fused_way):
    points = RANGES[name](np.random.default_rng(11))
    off = units_off(name, points, evaluate(name, points))
    assert off.max() < 2.0, f"{off.max():.2f} units at {points[off.argmax()]!r}"


@pytest.mark.parametrize("name", ["sin", "cos", "tan"])
def test_large_angles_are_those_of_the_c_library(name, monkeypatch):
    monkeypatch.setattr(ways, "_decided", [(machine(), "host")])
    rng = np.random.default_rng(12)
    points = np.concatenate([spread(rng, 30.1, 1023.9), rng.uniform(-1.0, 1.0, COUNT)])
    rng.shuffle(points)
    found = evaluate(name, points)
    far = np.abs(points) > LARGE
    np.testing.assert_array_equal(found[far], [getattr(math, name)(float(p)) for p in points[far]])
    assert units_off(name, points[~far], found[~far]).max() < 2.0


INF, NAN = math.inf, math.nan
SPECIAL = {
    "sin": [(0.0, 0.0), (-0.0, -0.0), (INF, NAN), (-INF, NAN), (NAN, NAN), (SMALLEST, SMALLEST)],
    "cos": [(0.0, 1.0), (-0.0, 1.0), (INF, NAN), (-INF, NAN), (NAN, NAN), (SMALLEST, 1.0)],
    "tan": [(0.0, 0.0), (-0.0, -0.0), (INF, NAN), (-INF, NAN), (NAN, NAN), (-SMALLEST, -SMALLEST)],
    "asin": [
        (0.0, 0.0),
        (-0.0, -0.0),
        (1.0, math.pi / 2),
        (-1.0, -math.pi / 2),
        (1.0 + 2.0**-52, NAN),
        (INF, NAN),
    ],
    "acos": [(1.0, 0.0), (-1.0, math.pi), (0.0, math.pi / 2), (-0.0, math.pi / 2), (-1.5, NAN), (NAN, NAN)],
    "atan": [
        (0.0, 0.0),
        (-0.0, -0.0),
        (INF, math.pi / 2),
        (-INF, -math.pi / 2),
        (NAN, NAN),
        (1.0, math.pi / 4),
    ],
    "exp": [(0.0, 1.0), (-0.0, 1.0), (INF, INF), (-INF, 0.0), (NAN, NAN), (709.79, INF), (-745.14, 0.0)],
    "log": [(1.0, 0.0), (0.0, -INF), (-0.0, -INF), (INF, INF), (-INF, NAN), (-SMALLEST, NAN), (NAN, NAN)],
    "sqrt": [(0.0, 0.0), (-0.0, -0.0), (INF, INF), (-1.0, NAN), (NAN, NAN), (4.0, 2.0)],
}
"""ISO/IEC 9899, annex F (IEC 60559 floating-point arithmetic), F.10.1 to F.10.7; signs of zeros count."""


@pytest.mark.parametrize("name", SPECIAL)
def test_special_values(name, way):
    points, wanted = np.array(SPECIAL[name]).T
    # A vector of one kind, and among ordinary numbers.
    for pad in (points, np.concatenate([points, np.full(9, 0.5)])):
        found = evaluate(name, pad)[: len(points)]
        np.testing.assert_array_equal(found, wanted)
        np.testing.assert_array_equal(np.signbit(found[wanted == 0.0]), np.signbit(wanted[wanted == 0.0]))
