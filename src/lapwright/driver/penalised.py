"""Smoothing by penalised least squares: it looks both ways, so nothing comes late.

The method is that of Whittaker (Proc. Edinburgh Math. Soc. 41 (1923) 63) and Eilers (Anal. Chem. 75 (2003) 3631) [both from
memory]: values on evenly spaced knots, as close to the data as their noise wants, with differences of a given order as small
as a roughness wants. It is also the mean of a Gaussian process that is the integral of white noise, seen from both ends.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def smooth(
    at: Array,
    values: Array,
    noise: float,
    knots: Array,
    roughness: float,
    order: int = 3,
    loose: float = np.inf,
) -> Array:
    """Values on evenly spaced knots, from noisy ones in any order at any places.

    Parameters
    ----------
    at, values
        (M,) places and what was measured there.
    noise
        Standard deviation of one measurement.
    knots
        (K,) evenly spaced places; data beyond them are left out.
    roughness
        Typical size of the derivative of that order, times the square root of the distance over which it keeps its sign.
    order
        Which derivative is kept small.
    loose
        Standard deviation of a knot by itself, about 0: so large that it is not felt beside data, it gives the equations an
        answer where there are none for thousands of knots.

    Returns
    -------
    (K,) values at the knots; straight (order 2) or a parabola (order 3) across gaps, drawn to 0 in long ones by ``loose``.

    Raises
    ------
    ValueError
        With fewer data, or fewer knots, than the order.
    """
    from scipy.linalg import solveh_banded

    step = float(knots[1] - knots[0])
    place = (at - knots[0]) / step
    inside = (place >= 0.0) & (place <= knots.size - 1)
    place, data = place[inside], values[inside]
    if data.size < order or knots.size <= order:
        raise ValueError(f"{data.size} values on {knots.size} knots are too few to smooth")
    left = np.minimum(place.astype(np.int64), knots.size - 2)
    share = place - left
    weight = 1.0 / (noise * noise)
    band = np.zeros((order + 1, knots.size))
    right = np.zeros(knots.size)
    np.add.at(band[0], left, weight * (1.0 - share) ** 2)
    np.add.at(band[0], left + 1, weight * share**2)
    np.add.at(band[1], left, weight * share * (1.0 - share))
    np.add.at(right, left, weight * (1.0 - share) * data)
    np.add.at(right, left + 1, weight * share * data)
    band[0] += 1.0 / loose**2
    _add_penalty(band, order, step / (roughness * step**order) ** 2)
    solution: Array = solveh_banded(band, right, lower=True, check_finite=False)
    return solution


def smooth_trend(
    at: Array,
    values: Array,
    noise: float,
    knots: Array,
    wobble: Array,
    roughness: float,
    loose: float = np.inf,
) -> Array:
    """Values on evenly spaced knots that change at a rate of their own, which changes slowly, and by small steps besides.

    The rate is a random walk, and without wobble this is ``smooth`` of order 2. The wobble is a random walk of the value
    itself, larger at some knots than at others (a local linear trend: Harvey, Forecasting, Structural Time Series Models and
    the Kalman Filter (1989) ch. 2 [from memory]; here all knots are solved for at once).

    Parameters
    ----------
    at, values, noise, knots
        As for ``smooth``.
    wobble
        (K - 1,) standard deviation of the steps from knot to knot over the square root of their distance.
    roughness
        The same of the steps of the rate.
    loose
        Standard deviation of a rate by itself, about 0: as in ``smooth``.

    Returns
    -------
    (K,) values at the knots.
    """
    from scipy.linalg import solveh_banded

    step = float(knots[1] - knots[0])
    place = (at - knots[0]) / step
    inside = (place >= 0.0) & (place <= knots.size - 1)
    place, data = place[inside], values[inside]
    if data.size < 2 or knots.size <= 2:
        raise ValueError(f"{data.size} values on {knots.size} knots are too few to smooth")
    left = np.minimum(place.astype(np.int64), knots.size - 2)
    share = place - left
    weight = 1.0 / (noise * noise)
    # Value and rate (times the step) of a knot stand side by side: four bands.
    band = np.zeros((4, 2 * knots.size))
    right = np.zeros(2 * knots.size)
    for other, part in ((left, 1.0 - share), (left + 1, share)):
        band[0, ::2] += np.bincount(other, weight * part * part, knots.size)
        right[::2] += np.bincount(other, weight * part * data, knots.size)
    band[2, ::2] += np.bincount(left, weight * share * (1.0 - share), knots.size)
    _add_squares(band, (-1.0, -0.5, 1.0, -0.5), 1.0 / (np.maximum(wobble, 1e-4) ** 2 * step))
    band[0, 1::2] += 1.0 / (loose * step) ** 2
    steady = np.full(knots.size - 1, 1.0 / (roughness**2 * step**3))
    _add_squares(band, (0.0, -1.0, 0.0, 1.0), steady)
    solution: Array = solveh_banded(band, right, lower=True, check_finite=False)[::2]
    return solution


def _add_squares(band: Array, pattern: tuple[float, ...], weight: Array) -> None:
    """Add squares of a combination of four unknowns in a row, two further on for every next one, in place."""
    for i, first in enumerate(pattern):
        for j in range(i, len(pattern)):
            band[j - i, i : i + 2 * weight.size : 2] += weight * first * pattern[j]


def _add_penalty(band: Array, order: int, weight: float) -> None:
    """Add the squares of all differences of an order to the lower bands of the normal equations, in place."""
    pattern = np.array([(-1) ** k * math.comb(order, k) for k in range(order + 1)], dtype=float)
    count = band.shape[1] - order
    for i in range(order + 1):
        for j in range(i, order + 1):
            band[j - i, i : i + count] += weight * pattern[i] * pattern[j]


def cutoff(noise: float, spacing: float, roughness: float, order: int = 3) -> float:
    """Wavelength [in the unit of the places] at which half of a wave is left.

    The smoother's gain for the wave number k is 1 / (1 + (k^order noise sqrt(spacing) / roughness)^2).

    Parameters
    ----------
    noise, roughness, order
        As for ``smooth``.
    spacing
        Mean distance between two measurements.
    """
    return float(2.0 * np.pi * (noise * np.sqrt(spacing) / roughness) ** (1.0 / order))


def left_over(noise: float, spacing: float, roughness: float, order: int = 3, derivative: int = 0) -> float:
    """Standard deviation of what is left in the smoothed values, or in a derivative of them, far from the ends.

    Of a wave k a share H(k) = 1 / (1 + (k/k0)^2p) of the noise's density d sigma^2 stays unknown (p the order, k0 the wave
    number of ``cutoff``). With the integral of x^2m / (1 + x^2p) from 0 to infinity, pi / (2p sin((2m + 1) pi / 2p))
    (Gradshteyn & Ryzhik 3.241.2 [from memory]), the variance of the m-th derivative is
    sigma^2 d k0^(2m+1) / (2p sin((2m + 1) pi / 2p)).

    Parameters
    ----------
    noise, spacing, roughness, order
        As for ``cutoff``.
    derivative
        m, less than the order.
    """
    k0 = 2.0 * math.pi / cutoff(noise, spacing, roughness, order)
    odd = 2 * derivative + 1
    return float(noise * math.sqrt(spacing * k0**odd / (2 * order * math.sin(odd * math.pi / (2 * order)))))


def white_noise(values: Array) -> float:
    """Standard deviation of the part of a series that changes from sample to sample.

    From the median size of the third differences, whose variance is 20 times that of white noise; a smooth signal, sampled
    often enough, has none. 0 for fewer than eight samples.
    """
    if values.size < 8:
        return 0.0
    third = np.diff(values, 3)
    return float(1.4826 * np.median(np.abs(third)) / np.sqrt(20.0))
