"""The motion of a car at many points at once, with its balances solved: what an integration along the road asks for."""

from __future__ import annotations

from typing import NamedTuple
from weakref import WeakKeyDictionary

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.compiled.over_points import OverPoints
from lapwright.compiled.together import compile_together
from lapwright.transcription.nlp import Nlp
from lapwright.transcription.pointfunctions import PointFunctions

Array = NDArray[np.float64]

ITERATIONS = 2
"""On the balances in one run of the program."""

RUNS = 6
"""Most runs of the program for a point."""

LARGEST_STEP = 0.5
"""Of an algebraic unknown in one iteration, scaled."""

PROGRESS = 0.5
"""A point is left as it is when a run leaves more than this share of its balances."""

SETTLED = 1e-7
"""Largest balance, scaled, at which there is nothing left to iterate."""

SQUARINGS = 4
"""Of the matrix whose powers bound the fastest motion."""

_SHARED = (4,)


class Motion(NamedTuple):
    """The motion at M points.

    ``rates`` (nx, M) of the scaled states [1/m]; ``pace`` (M,) [s/m]; ``algebraics`` (nz, M) scaled, as solved; ``limits``
    (nr, M); ``missed`` (M,) length of the vector of balances, scaled, that is left.
    """

    rates: Array
    pace: Array
    algebraics: Array
    limits: Array
    missed: Array


class Stages:
    """The motion of one model, ready to be called.

    Parameters
    ----------
    functions
        The point functions of the model.
    sizes
        nx, nu, nz, na and nr.
    """

    def __init__(self, functions: PointFunctions, sizes: tuple[int, int, int, int, int]) -> None:
        nx, nu, _, na, nr = sizes
        self.states = nx
        slopes = functions.jacobian.sparsity_out(0)
        rows, columns = (np.asarray(index) for index in slopes.get_triplet())
        controls = (columns >= nx) & (columns < nx + nu)
        self.limits_see_controls = bool(np.any((rows >= nx + na) & controls))
        self.limits_see_algebraics = np.isin(nx + na + np.arange(nr), rows[columns >= nx + nu])
        self._stage = OverPoints(_stage(functions, sizes), _SHARED)
        self._matrix = OverPoints(_matrix(functions, sizes), _SHARED)
        compile_together([self._stage, self._matrix])

    def __call__(self, x: Array, u: Array, z: Array, road: Array, car: Array) -> Motion:
        """The motion at M points.

        Parameters
        ----------
        x, u, z
            (nx, M), (nu, M), (nz, M) scaled states, controls, and guesses of the algebraic unknowns.
        road, car
            (road_size, M) numbers of the road, (np,) of the car.
        """
        found = self._stage(x, u, z, road, car)
        left = np.flatnonzero(~(found[4][0] < SETTLED))
        for _ in range(RUNS - 1):
            if len(left) == 0:
                break
            before = found[4][0][left]
            again = self._stage(x[:, left], u[:, left], found[2][:, left], road[:, left], car)
            for place, value in zip(found, again, strict=True):
                place[:, left] = value
            now = again[4][0]
            left = left[(now > SETTLED) & (now < PROGRESS * before)]
        rates, pace, algebraics, limits, missed = found
        return Motion(rates, pace[0], algebraics, limits, missed[0])

    def fastest(self, x: Array, u: Array, z: Array, road: Array, car: Array) -> Array:
        """(M,) bound of the largest eigenvalue of the motion at M points [1/m], the balances kept.

        The k-th root of a norm of the k-th power is never below the spectral radius, and comes down to it as k grows
        (Gelfand; Horn & Johnson, Matrix Analysis, corollary 5.6.14 [from memory]).
        """
        nx = self.states
        power = np.ascontiguousarray(self._matrix(x, u, z, road, car)[0].T).reshape(-1, nx, nx)
        with np.errstate(invalid="ignore", over="ignore"):
            for _ in range(SQUARINGS):
                power = power @ power
            return np.asarray(np.linalg.norm(power, axis=(1, 2)) ** (0.5**SQUARINGS))


_READY: WeakKeyDictionary[PointFunctions, Stages] = WeakKeyDictionary()


def stages_of(nlp: Nlp) -> Stages:
    """The motion of a transcribed problem's model; made once for the same point functions."""
    if nlp.functions not in _READY:
        model = nlp.problem.model
        sizes = (model.states, model.controls, model.algebraics, model.balances, model.limits)
        nx, nu, nz, na, nr = (len(names) for names in sizes)
        _READY[nlp.functions] = Stages(nlp.functions, (nx, nu, nz, na, nr))
    return _READY[nlp.functions]


def _symbols(functions: PointFunctions, sizes: tuple[int, int, int, int, int]) -> tuple[ca.SX, ...]:
    names = ("x", "u", "z")
    return (
        *(ca.SX.sym(name, size) for name, size in zip(names, sizes[:3], strict=True)),
        ca.SX.sym("road", functions.value.size1_in(1)),
        ca.SX.sym("p", functions.value.size1_in(2)),
    )


def _stage(functions: PointFunctions, sizes: tuple[int, int, int, int, int]) -> ca.Function:
    """(x, u, z, road, p) -> rates, pace, solved z, limits, length of the balances that is left.

    A step is that of Levenberg and Marquardt, damped by the length of the balances, which keeps the quick convergence of
    Newton's: Fan & Yuan, Computing 74 (2005) 23-39 [from memory]. At the peak of a tyre, where a wheel may be asked for
    a hair more than there is and no solution exists, it ends at the smallest balance and not anywhere.
    """
    nx, _, nz, na, _ = sizes
    x, u, z, road, p = _symbols(functions, sizes)
    rows, pace = functions.value(ca.vertcat(x, u, z), road, p)
    balances = rows[1 + nx : 1 + nx + na]
    given = [x, u, z, road, p]
    results = [rows[1 : 1 + nx], pace, z, rows[1 + nx + na :], ca.norm_2(balances) if nz else ca.SX(0)]
    point = ca.Function("point", given, results)
    solved = z
    if nz:
        slopes = ca.jacobian(balances, z)
        damped = slopes.T @ slopes + ca.norm_2(balances) * ca.SX.eye(nz)
        step = ca.fmin(ca.fmax(_solved(damped, slopes.T @ balances), -LARGEST_STEP), LARGEST_STEP)
        better = ca.Function("better", given, [z - step], {"cse": True})
        for _ in range(ITERATIONS):
            solved = better(x, u, solved, road, p)
    results = [ca.densify(value) for value in point.call([x, u, solved, road, p])]
    return ca.Function("stage", given, results, {"cse": True})


def _matrix(functions: PointFunctions, sizes: tuple[int, int, int, int, int]) -> ca.Function:
    """(x, u, z, road, p) -> derivative of the rates by the states, row by row, the balances kept."""
    nx, _, nz, na, _ = sizes
    x, u, z, road, p = _symbols(functions, sizes)
    slopes = functions.jacobian(ca.vertcat(x, u, z), road, p)
    motion = slopes[:nx, :nx]
    if nz:
        first = slopes.size2() - nz
        balances = slopes[nx : nx + na, :]
        motion = motion - slopes[:nx, first:] @ _solved(balances[:, first:], balances[:, :nx])
    return ca.Function("motion", [x, u, z, road, p], [ca.densify(ca.vec(motion.T))], {"cse": True})


def _solved(matrix: ca.SX, right: ca.SX) -> ca.SX:
    """Solution of a small system by its cofactors: no pivot has to be chosen, and what is zero by structure costs nothing."""
    return ca.mtimes(ca.adj(matrix), right) / ca.det(matrix)
