"""Newton steps of a lap's barrier problem, by sweeps along its chain of intervals."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from lapwright.solver.chain import PIECES, Chain
from lapwright.transcription.condense import Condensation

Array = NDArray[np.float64]
Index = NDArray[np.int64]

EACH = np.arange(PIECES)
FOLLOWING = np.roll(EACH, -1)
"""The pieces, and the one after each."""

BLOCK = 32
"""Columns that LAPACK factorises at once."""


@dataclass(frozen=True)
class Iterate:
    """Unknowns and multipliers on a chain.

    Attributes
    ----------
    first : (nx,) states at the first node
    y : (d, ny, KL)
    slack, multiplier : (d, m, KL) of the inequalities
    defect, balance : (d, nx, KL), (d, na, KL) multipliers of the equations
    first_slack, first_multiplier : (2, nx) of the first node's bounds, lower then upper; 1 and 0 where there is none
    """

    first: Array
    y: Array
    slack: Array
    multiplier: Array
    defect: Array
    balance: Array
    first_slack: Array
    first_multiplier: Array


@dataclass(frozen=True)
class Direction:
    """A Newton step: changes of everything in an ``Iterate``, and the slope of the cost along it."""

    first: Array
    y: Array
    slack: Array
    multiplier: Array
    defect: Array
    balance: Array
    first_slack: Array
    first_multiplier: Array
    cost_slope: float


@dataclass(frozen=True)
class Evaluation:
    """Values and derivatives of the model at all points; arrays are used again by the next evaluation.

    ``rows`` (d, 1 + nx + na + nr, KL) and ``gradient`` of their weighted sum (d, ny, KL); nonzeros ``jacobian`` and
    ``hessian`` (d, ..., KL); ``defects`` (d, nx, KL) of the collocation equations.
    """

    rows: Array
    gradient: Array
    jacobian: Array
    hessian: Array
    defects: Array


@dataclass(frozen=True)
class _Prepared:
    """A barrier problem condensed to stages: what ``direction`` needs, for any stiffening of the Hessian."""

    at: Iterate
    values: Evaluation
    barrier: float
    reduced: list[list[Array]]
    blocks: list[Array]
    inner: Array
    stage: Array
    hessian: Array
    gradient: Array
    diagonal: Array


class _Again:
    """A compiled function whose results are written to the same places at every call."""

    def __init__(self, program: Any) -> None:
        self.program = program
        self.places: dict[int, list[Array]] = {}

    def __call__(self, *arguments: Array, place: int = 0) -> list[Array]:
        found: list[Array] = self.program(*arguments, out=self.places.get(place))
        self.places[place] = found
        return found


class ChainSolver:
    """Evaluations and Newton steps on a chain."""

    def __init__(self, chain: Chain, compiled: Condensation, car: Array) -> None:
        self.chain, self.car = chain, car
        self.condense, self.costate = _Again(compiled.condense), _Again(compiled.costate)
        self.backward, self.forward = _Again(compiled.backward), _Again(compiled.forward)
        self.reduce, self.expand_point = _Again(compiled.reduce), _Again(compiled.expand_point)
        self.expand_interval = _Again(compiled.expand_interval)
        self._values, self._derivatives = compiled.values, compiled.derivatives
        sizes, d = chain.sizes, chain.sizes.degree
        self._sizes_out = [(d, size, len(chain.interval)) for size in compiled.derivative_sizes]
        self._results = [np.empty(shape) for shape in self._sizes_out]
        self._trial = np.empty(self._sizes_out[0])
        self._pace = np.empty((d, 1, len(chain.interval)))
        self._tail = np.repeat(_packed(np.eye(sizes.nx))[:, None], PIECES, axis=1)
        if not chain.closed:
            self._tail[:, -1] = 0.0
        self._empty = self._empty_stage()
        rows, columns = _places(sizes.nx + sizes.stage_controls)
        self._diagonal = np.flatnonzero(rows == columns)
        self._stage_weight = chain.weight.sum(axis=0)
        self._prepared: _Prepared

    # -- values ----------------------------------------------------------------------------------------------------

    def values(self, first: Array, y: Array) -> tuple[Array, Array]:
        """Rows of all points (d, 1 + nx + na + nr, KL), used again by the next call, and defects (d, nx, KL)."""
        for j in range(len(y)):
            self._values(y[j], self.chain.road[j], self.car, out=[self._trial[j], self._pace[j]])
        return self._trial, self._defects(first, y, self._trial)

    def evaluate(self, at: Iterate) -> Evaluation:
        """Values and derivatives at an iterate."""
        chain, sizes = self.chain, self.chain.sizes
        for j in range(sizes.degree):
            weights = np.concatenate(
                [
                    chain.cost_weight[j],
                    -chain.step * at.defect[j],
                    at.balance[j],
                    at.multiplier[j, : sizes.nr],
                ]
            )
            self._derivatives(
                at.y[j], chain.road[j], self.car, weights, out=[part[j] for part in self._results]
            )
        rows, gradient, jacobian, hessian = self._results
        return Evaluation(rows, gradient, jacobian, hessian, self._defects(at.first, at.y, rows))

    def _defects(self, first: Array, y: Array, rows: Array) -> Array:
        """Defects of the collocation equations; 0 in empty places."""
        chain, nx = self.chain, self.chain.sizes.nx
        c = chain.nlp.collocation.derivative
        left = y[-1, :nx][:, chain.before]
        if not chain.closed:
            left[:, chain.place[0]] = first
        found = -chain.step * rows[:, 1 : 1 + nx]
        for j in range(len(y)):
            found[j] += c[0, j] * left
            for i in range(len(y)):
                found[j] += c[i + 1, j] * y[i, :nx]
        found[:, :, chain.empty] = 0.0
        return np.asarray(found)

    def stationarity(self, at: Iterate, values: Evaluation) -> tuple[Array, Array]:
        """Gradient of the Lagrangian in y (d, ny, KL) and in the first node's states (nx,); 0 where something is fixed."""
        chain, sizes = self.chain, self.chain.sizes
        nx, d = sizes.nx, sizes.degree
        c = chain.nlp.collocation.derivative
        found = values.gradient.copy()
        for k, (i, sign) in enumerate(sizes.bounds):
            found[:, i] += sign * at.multiplier[:, sizes.nr + k]
        for i in range(d):
            for j in range(d):
                found[i, :nx] += c[i + 1, j] * at.defect[j]
        head = np.tensordot(c[0], at.defect, axes=1)
        real = chain.place
        joined = real if chain.closed else real[1:]
        found[-1, :nx, chain.before[joined]] += head[:, joined].T
        first = np.zeros(nx)
        if not chain.closed:
            first = head[:, real[0]] + at.first_multiplier[1] - at.first_multiplier[0]
            first[chain.fixed[0]] = 0.0
            found[-1, :nx, real[-1]] = np.where(chain.fixed[1], 0.0, found[-1, :nx, real[-1]])
        if not sizes.per_point:
            shared = slice(nx, nx + sizes.nu)
            found[0, shared] = found[:, shared].sum(axis=0)
            found[1:, shared] = 0.0
        found[:, :, chain.empty] = 0.0
        return found, first

    # -- the Newton step -------------------------------------------------------------------------------------------

    def prepare(self, at: Iterate, values: Evaluation, barrier: float) -> None:
        """Condense the barrier problem at an iterate to the stages of the chain."""
        chain, sizes = self.chain, self.chain.sizes
        target = barrier * chain.target
        reduced = [self._reduce(at, values, target, j) for j in range(sizes.degree)]
        blocks = [block for point in reduced for block in point[:3]]
        inner, stage, hessian, gradient = self.condense(
            *blocks, values.defects.reshape(sizes.degree * sizes.nx, -1), chain.step
        )
        stage[:, chain.empty], hessian[:, chain.empty] = self._empty
        gradient[:, chain.empty] = 0.0
        self._prepared = _Prepared(
            at, values, barrier, reduced, blocks, inner, stage, hessian, gradient, hessian[self._diagonal]
        )

    def direction(self, shift: float) -> Direction | None:
        """The Newton step of the prepared problem, or None when the system's inertia is not that of a minimum.

        ``shift`` times the interval's weight is added to the diagonal of every stage's Hessian.
        """
        chain, sizes, ready = self.chain, self.chain.sizes, self._prepared
        k, nx = chain.stages, sizes.nx
        at, barrier, blocks = ready.at, ready.barrier, ready.blocks
        ready.hessian[self._diagonal] = ready.diagonal + shift * self._stage_weight
        steps = [array.reshape(-1, k, PIECES) for array in (ready.stage, ready.hessian, ready.gradient)]
        value, psi, gam, linear, constant, feedback, offset, on_costate, pivots = self.backward(
            *self._tail_values(), *steps
        )
        if not np.min(pivots) > 0.0:
            return None
        ends = self._join(at, barrier, [array[:, 0] for array in (value, psi, gam, linear, constant)])
        if ends is None:
            return None
        start, costate = ends
        offset = offset + np.einsum(
            "qukl,ql->ukl", on_costate.reshape(nx, sizes.stage_controls, k, PIECES), costate
        )
        after, controls = self.forward(start, steps[0], feedback, offset)
        left = np.concatenate([start[:, None], after[:, :-1]], axis=1)
        held = np.broadcast_to(costate[:, None], left.shape)
        pull = self.costate(*(_flat(a) for a in (value, psi, linear, left, held)))[0].reshape(left.shape)
        end = np.einsum("ijl,jl->il", _unpacked(self._tail, nx), after[:, -1]) + self._joined() * costate
        pull = np.concatenate([pull[:, 1:], end[:, None]], axis=1)
        moved, multipliers = self.expand_interval(
            *blocks, ready.inner, chain.step, *(_flat(a) for a in (left, controls, after, pull))
        )
        self._remember(value[:, 0])
        return self._expand(ready, start[:, 0], moved, _flat(controls), multipliers)

    def _empty_stage(self) -> tuple[Array, Array]:
        """[A B c] and Hessian of a stage that changes nothing, as columns."""
        sizes = self.chain.sizes
        nx, width = sizes.nx, sizes.nx + sizes.stage_controls
        moves = np.zeros((nx, width + 1))
        moves[:, :nx] = np.eye(nx)
        cost = np.zeros((width, width))
        cost[nx:, nx:] = np.eye(width - nx)
        return moves.ravel(order="F")[:, None], _packed(cost)[:, None]

    def _joined(self) -> Array:
        """(nx, L): 1 where the end of a piece is held by a costate, 0 at the free end of an open road."""
        found = np.ones((self.chain.sizes.nx, PIECES))
        if not self.chain.closed:
            found[:, -1] = self.chain.fixed[1]
        return found

    def _tail_values(self) -> tuple[Array, ...]:
        """Value function at the end of every piece: a quadratic that is taken off again where the next one begins.

        Any quadratic gives the same answer; that of the last step keeps the pivots of a right system positive.
        """
        nx = self.chain.sizes.nx
        psi = np.einsum("ij,il->jil", np.eye(nx), self._joined()).reshape(nx * nx, PIECES)
        zero = np.zeros((len(self._tail), PIECES))
        return self._tail, psi, zero, np.zeros((nx, PIECES)), np.zeros((nx, PIECES))

    def _remember(self, value: Array) -> None:
        """Keep the positive part of the value function at the heads of the pieces as the tail of the next step."""
        nx = self.chain.sizes.nx
        size, turn = np.linalg.eigh(_unpacked(value[:, FOLLOWING], nx).transpose(2, 0, 1))
        positive = (turn * np.maximum(size, 1e-8)[:, None, :]) @ turn.transpose(0, 2, 1)
        self._tail = _packed(positive.transpose(1, 2, 0))
        if not self.chain.closed:
            self._tail[:, -1] = 0.0

    def _join(self, at: Iterate, barrier: float, heads: list[Array]) -> tuple[Array, Array] | None:
        """First states and end costates (nx, L) of all pieces; None when the inertia is wrong."""
        chain, nx = self.chain, self.chain.sizes.nx
        value, psi, gam, linear, constant = heads
        matrix = np.zeros((2, PIECES, nx, 2, PIECES, nx))
        right = np.stack([-linear.T, -constant.T]).reshape(2, PIECES, nx)
        each, following = EACH, FOLLOWING
        matrix[0, each, :, 0, each, :] = _unpacked(value, nx).transpose(2, 0, 1)
        matrix[0, following, :, 0, following, :] -= _unpacked(self._tail, nx).transpose(2, 0, 1)
        matrix[1, each, :, 0, each, :] = psi.reshape(nx, nx, PIECES).transpose(2, 0, 1)
        matrix[1, each, :, 1, each, :] = -_unpacked(gam, nx).transpose(2, 0, 1)
        joined = each if chain.closed else each[:-1]
        matrix[1, joined, :, 0, following[: len(joined)], :] -= np.eye(nx)
        if not chain.closed:
            self._open_ends(at, barrier, matrix, right)
        size = 2 * PIECES * nx
        lower, pivots, info = lapack.dsytrf(matrix.reshape(size, size), lower=1, lwork=BLOCK * size)
        diagonal = lower.diagonal()
        if info != 0 or not np.all(np.isfinite(diagonal)):
            return None
        single = pivots > 0
        negative = np.count_nonzero(diagonal[single] < 0.0) + np.count_nonzero(~single) // 2
        if negative != PIECES * nx:
            return None
        found, info = lapack.dsytrs(lower, pivots, right.ravel(), lower=1)
        if info != 0 or not np.all(np.isfinite(found)):
            return None
        start, costate = found.reshape(2, PIECES, nx)
        return np.ascontiguousarray(start.T), np.ascontiguousarray(costate.T)

    def _open_ends(self, at: Iterate, barrier: float, matrix: Array, right: Array) -> None:
        """The bounds of the first node, and what is fixed or free at the two ends of an open road."""
        nx = self.chain.sizes.nx
        fixed, last = self.chain.fixed
        stiff = at.first_multiplier / at.first_slack
        pull = barrier * self.chain.first_target / at.first_slack
        here = np.arange(nx)
        matrix[0, 0, here, 0, 0, here] += stiff.sum(axis=0)
        right[0, 0] -= pull[1] - pull[0]
        matrix[0, 0, fixed], right[0, 0, fixed] = 0.0, 0.0
        matrix[:, :, :, 0, 0, fixed] = 0.0
        matrix[0, 0, here[fixed], 0, 0, here[fixed]] = 1.0
        free = here[~last]
        matrix[1, -1, free, 1, -1, free] = -1.0

    def _reduce(self, at: Iterate, values: Evaluation, target: Array, j: int) -> list[Array]:
        chain = self.chain
        weights = np.concatenate([chain.cost_weight[j], chain.step])
        return self.reduce(
            values.jacobian[j], values.hessian[j], values.rows[j, 1 + chain.sizes.nx :], at.slack[j], at.multiplier[j],
            target[j], weights, place=j,
        )  # fmt: skip

    def _expand(
        self, ready: _Prepared, first: Array, moved: Array, controls: Array, multipliers: Array
    ) -> Direction:
        """The step of everything that was eliminated."""
        chain, sizes = self.chain, self.chain.sizes
        at, values, barrier, reduced = ready.at, ready.values, ready.barrier, ready.reduced
        nx, nu, d, count = sizes.nx, sizes.nu, sizes.degree, len(self.chain.interval)
        defect = multipliers.reshape(d, nx, count)
        y, slack, multiplier = np.empty_like(at.y), np.empty_like(at.slack), np.empty_like(at.slack)
        balance, slope = np.empty_like(at.balance), 0.0
        states = moved.reshape(d, nx, count)
        for j in range(d):
            point = np.concatenate(
                [states[j], controls[j * nu : (j + 1) * nu] if sizes.per_point else controls]
            )
            z, balance[j], slack[j], multiplier[j], cost = self.expand_point(
                values.jacobian[j], reduced[j][3], reduced[j][4], point, defect[j], chain.step,
                values.rows[j, 1 + nx + sizes.na :], at.slack[j], at.multiplier[j], barrier * chain.target[j],
            )  # fmt: skip
            y[j, : nx + nu], y[j, nx + nu :] = point, z
            slope += float(chain.cost_weight[j, 0] @ cost[0])
        for changes in (y, slack, multiplier):
            changes[:, :, chain.empty] = 0.0
        first_slack = np.where(chain.first_target > 0.0, np.stack([first, -first]), 0.0)
        product = barrier * chain.first_target - at.first_multiplier * first_slack
        return Direction(
            first, y, slack, multiplier, defect - at.defect, balance - at.balance,
            first_slack, product / at.first_slack - at.first_multiplier, slope,
        )  # fmt: skip


def _flat(array: Array) -> Array:
    return array.reshape(array.shape[0], -1)


@lru_cache
def _places(size: int) -> tuple[Index, Index]:
    """Rows and columns of an upper triangle, column by column."""
    columns, rows = np.tril_indices(size)
    return rows, columns


def _packed(matrix: Array) -> Array:
    """Upper triangle, column by column, of (n, n, ...)."""
    return np.ascontiguousarray(matrix[_places(matrix.shape[0])])


def _unpacked(entries: Array, size: int) -> Array:
    """Symmetric (n, n, ...) of an upper triangle."""
    return np.asarray(entries[_full_index(size)])


@lru_cache
def _full_index(size: int) -> Index:
    """(n, n) place of each entry of a symmetric matrix in its packed triangle."""
    rows, columns = _places(size)
    found = np.empty((size, size), dtype=np.int64)
    found[rows, columns] = found[columns, rows] = np.arange(len(rows))
    return found
