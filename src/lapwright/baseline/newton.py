"""Newton's method for many small square systems at once, as one program that does a step for all of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.compiled.over_points import OverPoints

Array = NDArray[np.float64]

TOLERANCE = 1e-9
"""Largest residual of a solved system."""

LONGEST = 4.0
"""Longest step, in scales of the unknowns."""

SHORTER, SHORTEST = 0.35, 2e-3
"""A step that does not lower the residual is shortened by the first factor; at the second share the system is given up."""

ITERATIONS = 30

PACK = 0.8
"""Systems that are done are laid aside when no more than this share of all is still open."""


class Solved(NamedTuple):
    """Unknowns (k, M), values beside them (b, M), and which systems are solved (M,); the others keep their best iterate."""

    y: Array
    beside: Array
    solved: NDArray[np.bool_]


class Newton:
    """Damped Newton steps for systems of k equations in k unknowns.

    Parameters
    ----------
    unknowns, rows
        Symbols (k,) and expressions (k,) that are to become zero, of order one.
    scale
        Typical sizes of the unknowns (k,).
    given
        Further symbols in ``rows``, one column for each array that comes with the systems.
    shared
        Symbols in ``rows`` that are the same for all systems.
    beside
        Expressions whose values are wanted too, (b,).

    Notes
    -----
    A step solves the linear system by elimination with row pivots. It is taken when the largest residual falls and shortened
    when it does not: the next point that is looked at lies between, and its derivatives are not used unless it is better.
    """

    def __init__(
        self,
        unknowns: ca.SX,
        rows: ca.SX,
        scale: Array,
        given: Sequence[ca.SX],
        shared: ca.SX,
        beside: ca.SX,
    ) -> None:
        self.size, self.beside = unknowns.numel(), beside.numel()
        step = _step(unknowns, rows, scale, given, shared, beside)
        self._program = OverPoints(step, shared=(1 + len(given),))

    def solve(
        self,
        start: Array,
        given: Sequence[Array],
        shared: Array,
        iterations: int = ITERATIONS,
        tolerance: float = TOLERANCE,
    ) -> Solved:
        """Zeros of M systems from first guesses ``start`` (k, M), with ``given`` (., M) and ``shared`` (.,).

        ``iterations`` is the most steps, ``tolerance`` the largest residual of a solved system.
        """
        k, count = start.shape
        state = np.zeros((2 * k + 2 + self.beside, count))
        state[:k] = start
        state[2 * k + 1] = np.inf
        result, rows = state.copy(), np.arange(count)
        given, spare = list(given), np.empty_like(state)
        for turn in range(iterations + 1):
            if rows.size == 0:
                break
            state, spare = self._program(state, *given, shared, out=[spare])[0], state
            size, share = state[2 * k + 1], state[2 * k]
            going = (size > tolerance) & (share > SHORTEST)
            if turn > 0 and np.count_nonzero(going) <= PACK * rows.size:
                result[:, rows[~going]] = state[:, ~going]
                state, *given = (part.compress(going, axis=1) for part in (state, *given))
                rows, spare = rows[going], np.empty_like(state)
        result[:, rows] = state
        return Solved(result[:k], result[2 * k + 2 :], result[2 * k + 1] <= tolerance)

    def values(self, y: Array, given: Sequence[Array], shared: Array) -> Array:
        """The values beside the unknowns, (b, M), at ``y`` (k, M)."""
        return self.solve(y, given, shared, 0).beside


def _step(
    unknowns: ca.SX, rows: ca.SX, scale: Array, given: Sequence[ca.SX], shared: ca.SX, beside: ca.SX
) -> ca.Function:
    """One step: (state, given..., shared) -> state, with the state [y, step, share of it to try, residual, beside]."""
    k = unknowns.numel()
    state = ca.SX.sym("state", 2 * k + 2 + beside.numel())
    y, step, share, size, held = ca.vertsplit(state, [0, k, 2 * k, 2 * k + 1, 2 * k + 2, state.numel()])
    jacobian = ca.densify(ca.jacobian(rows, unknowns)) @ ca.diag(ca.SX(scale))
    onward = eliminate(jacobian, -rows) * scale
    trial = y + share * step
    rows, beside, onward = ca.substitute([rows, beside, onward], [unknowns], [trial])
    found = ca.fabs(rows[0])
    for i in range(1, k):
        found = ca.fmax(found, ca.fabs(rows[i]))
    # A residual that is no number hides behind a number in a maximum, but not in a sum.
    found = found + 0.0 * ca.sum1(rows)
    length = ca.fabs(onward[0]) / scale[0]
    for i in range(1, k):
        length = ca.fmax(length, ca.fabs(onward[i]) / scale[i])
    better = found < size
    new = ca.vertcat(
        ca.if_else(better, trial, y),
        ca.if_else(better, onward, step),
        ca.if_else(better, ca.fmin(1.0, LONGEST / length), SHORTER * share),
        ca.if_else(better, found, size),
        ca.if_else(better, beside, held),
    )
    return ca.Function("newton_step", [state, *given, shared], [new])


def eliminate(matrix: ca.SX, right: ca.SX) -> ca.SX:
    """Solution of a square linear system by Gaussian elimination with row pivots, as expressions.

    Two rows are exchanged by adding a share, none or all, of their difference: a last digit of the larger may be lost, as
    in any sum of the elimination. A singular matrix gives huge numbers, which a limit of the step's length takes care of.
    """
    size = matrix.shape[0]
    rows = ca.vertsplit(ca.horzcat(matrix, right))
    for k in range(size):
        for i in range(k + 1, size):
            # What stands left of the pivots is zero, and is left as it is.
            top, row = rows[k][k:], rows[i][k:]
            moved = (ca.fabs(row[0]) > ca.fabs(top[0])) * (row - top)
            rows[k], rows[i] = _joined(rows[k], k, top + moved), _joined(rows[i], k, row - moved)
        inverse = 1.0 / (rows[k][k] + TINY)
        for i in range(k + 1, size):
            rest = rows[i][k + 1 :] - (rows[i][k] * inverse) * rows[k][k + 1 :]
            rows[i] = _joined(rows[i], k + 1, rest)
    solution = ca.SX(size, 1)
    for k in range(size - 1, -1, -1):
        known = ca.dot(rows[k][k + 1 : size], solution[k + 1 :].T) if k + 1 < size else 0.0
        solution[k] = (rows[k][size] - known) / (rows[k][k] + TINY)
    return solution


def _joined(row: ca.SX, count: int, rest: ca.SX) -> ca.SX:
    return ca.horzcat(row[:count], rest)


TINY = 1e-14
"""Added to pivots (of order one): keeps a singular system from dividing by zero."""
