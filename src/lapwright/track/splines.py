"""Piecewise cubics through given points.

The same curves as ``CubicSpline``, ``PchipInterpolator`` and ``CubicHermiteSpline`` of ``scipy.interpolate``, whose import
takes longer than reading and building a whole circuit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapwright.track.road import Array


@dataclass(frozen=True, eq=False)
class Cubics:
    """Cubic pieces side by side.

    ``nodes`` (K+1,) bound the pieces, ``powers`` (4, K) are the coefficients of each in rising powers of the distance from
    its first node. Beyond the ends the first and the last piece go on.
    """

    nodes: Array
    powers: Array

    def __call__(self, x: Array, order: int = 0) -> Array:
        """Value at ``x``, or a derivative of first or second order; of the shape of ``x``."""
        x = np.asarray(x, dtype=float)
        piece = np.searchsorted(self.nodes[1:-1], x, side="right")
        t = x - self.nodes[piece]
        a, b, c, d = self.powers[:, piece]
        value: Array
        if order == 0:
            value = a + t * (b + t * (c + t * d))
        elif order == 1:
            value = b + t * (2.0 * c + 3.0 * t * d)
        else:
            value = 2.0 * c + 6.0 * t * d
        return value


def hermite_cubics(x: Array, y: Array, slope: Array) -> Cubics:
    """The cubics with values ``y`` and slopes ``slope`` at rising ``x``, (K+1,) each, K >= 1."""
    h = np.diff(x)
    secant = np.diff(y) / h
    bend = (3.0 * secant - 2.0 * slope[:-1] - slope[1:]) / h
    twist = (slope[:-1] + slope[1:] - 2.0 * secant) / (h * h)
    return Cubics(x, np.stack([y[:-1], slope[:-1], bend, twist]))


def natural_spline(x: Array, y: Array) -> Cubics:
    """The cubic spline through points at rising ``x``, (K+1,) with K >= 1, straight at both ends.

    The slopes follow from a continuous second derivative: de Boor, A Practical Guide to Splines (1978) ch. IV [from memory].
    """
    h = np.diff(x)
    secant = np.diff(y) / h
    if h.size == 1:
        return hermite_cubics(x, y, np.repeat(secant, 2))
    below = np.concatenate([[0.0], h[1:], [1.0]])
    diagonal = np.concatenate([[2.0], 2.0 * (h[1:] + h[:-1]), [2.0]])
    above = np.concatenate([[1.0], h[:-1], [0.0]])
    right = np.concatenate(
        [[3.0 * secant[0]], 3.0 * (h[1:] * secant[:-1] + h[:-1] * secant[1:]), [3.0 * secant[-1]]]
    )
    return hermite_cubics(x, y, _tridiagonal(below, diagonal, above, right))


def periodic_spline(x: Array, y: Array) -> Cubics:
    """The cubic spline that repeats itself after ``x[-1] - x[0]``; ``y[-1]`` is ``y[0]`` again, (K+1,) with K >= 1."""
    h = np.diff(x)
    secant = np.diff(y) / h
    before, secant_before = np.roll(h, 1), np.roll(secant, 1)
    right = 3.0 * (h * secant_before + before * secant)
    # Around a lap the first and the last unknown meet: the last one is taken out, and what it does to the others is solved
    # for beside them.
    below, diagonal, above = h, 2.0 * (h + before), before
    pull = np.zeros(h.size - 1)
    pull[:1] += below[:1]
    pull[-1:] += above[-2:-1]
    parts = (below[:-1], diagonal[:-1], above[:-1])
    own, pulled = _tridiagonal(*parts, right[:-1]), _tridiagonal(*parts, pull)
    rest, whole = right[-1], diagonal[-1]
    if h.size == 1:
        whole += below[-1] + above[-1]
    else:
        rest -= below[-1] * own[-1] + above[-1] * own[0]
        whole -= below[-1] * pulled[-1] + above[-1] * pulled[0]
    last = rest / whole
    slope = np.append(own - last * pulled, last)
    return hermite_cubics(x, y, np.append(slope, slope[0]))


def monotone_cubics(x: Array, y: Array) -> Cubics:
    """Cubics through points at rising ``x``, (K+1,) with K >= 1, that never leave the range of two neighbours.

    Slopes are weighted harmonic means: Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300; at the ends the one-sided
    three-point formula, held to the shape of the points.
    """
    h = np.diff(x)
    secant = np.diff(y) / h
    if h.size == 1:
        return hermite_cubics(x, y, np.repeat(secant, 2))
    same = np.sign(secant[1:]) * np.sign(secant[:-1]) > 0.0
    one, two = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    left, right = np.where(same, secant[:-1], 1.0), np.where(same, secant[1:], 1.0)
    inner = np.where(same, (one + two) / (one / left + two / right), 0.0)
    first = _end_slope(h[0], h[1], secant[0], secant[1])
    last = _end_slope(h[-1], h[-2], secant[-1], secant[-2])
    return hermite_cubics(x, y, np.concatenate([[first], inner, [last]]))


def _end_slope(h0: float, h1: float, secant0: float, secant1: float) -> float:
    slope = ((2.0 * h0 + h1) * secant0 - h0 * secant1) / (h0 + h1)
    if np.sign(slope) != np.sign(secant0):
        return 0.0
    if np.sign(secant0) != np.sign(secant1) and abs(slope) > 3.0 * abs(secant0):
        return float(3.0 * secant0)
    return float(slope)


def _tridiagonal(below: Array, diagonal: Array, above: Array, right: Array) -> Array:
    """Solution of a diagonally dominant system; ``below[0]`` and ``above[-1]`` are not looked at."""
    lows, mids, ups, values = below.tolist(), diagonal.tolist(), above.tolist(), right.tolist()
    for i in range(1, len(mids)):
        factor = lows[i] / mids[i - 1]
        mids[i] -= factor * ups[i - 1]
        values[i] -= factor * values[i - 1]
    for i in range(len(mids) - 1, -1, -1):
        if i + 1 < len(mids):
            values[i] -= ups[i] * values[i + 1]
        values[i] /= mids[i]
    return np.array(values, dtype=float)
