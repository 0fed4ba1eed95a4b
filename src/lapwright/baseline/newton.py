"""Newton's method for many small square systems at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Residual = Callable[[Array, NDArray[np.int64]], Array]

TOLERANCE = 1e-9
"""Largest residual of a solved system."""

DIFFERENCE = 1e-7
"""Step of the one-sided difference quotients, as a share of a variable's scale."""

ITERATIONS = 30
HALVINGS = 6


def solve_many(
    residual: Residual, start: Array, scale: Array, longest: float = 4.0, iterations: int = ITERATIONS
) -> tuple[Array, NDArray[np.bool_]]:
    """Zeros of M systems of k equations in k unknowns.

    Parameters
    ----------
    residual
        ``residual(y, which)``: unknowns (k, m) of the systems numbered ``which`` (m,) to residuals (k, m), order one.
    start
        First guess (k, M).
    scale
        Typical sizes of the unknowns (k,).
    longest
        Longest step, in scales.
    iterations
        Most Newton steps.

    Returns
    -------
    tuple
        The unknowns (k, M) and which systems are solved to ``TOLERANCE`` (M,); the others keep their best iterate.
    """
    y = start.copy()
    open_ = np.arange(y.shape[1])
    value = residual(y, open_)
    size = np.abs(value).max(axis=0)
    for _ in range(iterations):
        going = ~(size <= TOLERANCE)
        open_, value, size = open_[going], value[:, going], size[going]
        if open_.size == 0:
            break
        step = _newton_step(residual, y[:, open_], value, open_, scale)
        length = np.abs(step / scale[:, None]).max(axis=0)
        share = np.minimum(1.0, longest / np.maximum(length, 1e-12))
        value, size, moved = _backtrack(residual, y, open_, step, share, value, size)
        open_, value, size = open_[moved], value[:, moved], size[moved]
    solved = np.ones(y.shape[1], dtype=bool)
    every = np.arange(y.shape[1])
    solved[:] = np.abs(residual(y, every)).max(axis=0) <= TOLERANCE
    return y, solved


def _newton_step(residual: Residual, y: Array, value: Array, which: NDArray[np.int64], scale: Array) -> Array:
    k, m = y.shape
    step = DIFFERENCE * scale
    nearby = np.repeat(y[:, None, :], k, axis=1)
    nearby[np.arange(k), np.arange(k), :] += step[:, None]
    moved = residual(nearby.reshape(k, k * m), np.tile(which, k)).reshape(k, k, m)
    jacobian = (moved - value[:, None, :]) / step[None, :, None] * scale[None, :, None]
    matrix = np.moveaxis(jacobian, 2, 0)
    matrix = np.where(np.isfinite(matrix), matrix, 0.0)
    # A trace of the identity keeps a singular system (a tyre exactly at its peak) from stopping all the others.
    matrix = matrix + 1e-12 * np.eye(k)
    solution: Array = np.linalg.solve(matrix, -value.T[:, :, None])[:, :, 0].T * scale[:, None]
    return np.where(np.isfinite(solution), solution, 0.0)


def _backtrack(
    residual: Residual,
    y: Array,
    open_: NDArray[np.int64],
    step: Array,
    share: Array,
    value: Array,
    size: Array,
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Shorten each step until its residual falls; systems whose residual never falls stay where they are and are dropped."""
    value, size = value.copy(), size.copy()
    moved = np.zeros(open_.size, dtype=bool)
    left = np.arange(open_.size)
    for _ in range(HALVINGS):
        which = open_[left]
        trial = y[:, which] + share[left] * step[:, left]
        new = residual(trial, which)
        new_size = np.abs(new).max(axis=0)
        better = new_size < size[left]
        taken = left[better]
        y[:, open_[taken]] = trial[:, better]
        value[:, taken], size[taken], moved[taken] = new[:, better], new_size[better], True
        left = left[~better]
        if left.size == 0:
            break
        share[left] *= 0.35
    return value, size, moved
