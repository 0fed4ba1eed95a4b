"""The Newton system of a lap as a chain of intervals, cut in pieces that are swept side by side.

Intervals stand in arrays as (K, L): K stages in each of L pieces, piece after piece along the road, flattened with the piece
running fastest, so that one machine vector holds the same stage of all pieces. Where N is no multiple of L the last stage of
some pieces is an empty one that changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from lapwright.transcription.condense import Condensation, Sizes
from lapwright.transcription.nlp import Nlp

Array = NDArray[np.float64]
Index = NDArray[np.int64]

PIECES = 8
"""L: as many doubles as the widest machine vector holds."""


@dataclass(frozen=True)
class Chain:
    """Where each interval of a transcribed problem stands, and the constants of its points.

    Attributes
    ----------
    interval : (KL,) interval of each place
    place : (N,) where each interval stands
    empty : places that hold no interval of their own
    before : (KL,) place of the interval before
    step : (1, KL) interval lengths, 0 in empty places
    cost_weight : (d, 1, KL) B_j h
    weight : (d, 1, KL) the same over its mean: the barrier's weight of a point, so that the mesh does not change the central path
    road : (d, road_size, KL)
    lower, upper : (d, ny, KL) bounds
    target : (d, m, KL) weight of each inequality, 0 where there is none
    """

    nlp: Nlp
    sizes: Sizes
    interval: Index
    place: Index
    empty: Index
    before: Index
    step: Array
    cost_weight: Array
    weight: Array
    road: Array
    lower: Array
    upper: Array
    target: Array

    @property
    def stages(self) -> int:
        """K."""
        return len(self.interval) // PIECES

    @property
    def closed(self) -> bool:
        """Whether the last piece joins the first."""
        return self.nlp.problem.closed

    @cached_property
    def first_bounds(self) -> tuple[Array, Array]:
        """(nx,) bounds of the first node of an open road; infinite on a closed one, where the last interval has them."""
        node = self.nlp.layout.nodes[0]
        if self.closed:
            return np.full(len(node), -np.inf), np.full(len(node), np.inf)
        return self.nlp.lower[node], self.nlp.upper[node]

    @cached_property
    def fixed(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """States fixed at the first and at the last node."""
        lower, upper = self.first_bounds
        end = self.nlp.layout.nodes[-1]
        last = np.zeros(len(end), dtype=bool)
        if not self.closed:
            last = self.nlp.lower[end] == self.nlp.upper[end]
        return lower == upper, last


def sizes_of(nlp: Nlp) -> Sizes:
    """The sizes of a transcribed problem, with the unknowns that are bounded anywhere."""
    model, layout = nlp.problem.model, nlp.layout
    places = layout.points.reshape(-1, layout.points.shape[2])
    bounds = []
    for sign, values in ((-1, nlp.lower), (1, nlp.upper)):
        bounds += [(int(i), sign) for i in np.flatnonzero(np.any(np.isfinite(values[places]), axis=0))]
    return Sizes(
        len(model.states),
        len(model.controls),
        len(model.algebraics),
        len(model.balances),
        len(model.limits),
        nlp.collocation.degree,
        model.controls_per_point,
        tuple(sorted(bounds)),
    )


def make_chain(nlp: Nlp, sizes: Sizes, p: Array) -> Chain:
    """Lay the intervals of a problem out in pieces."""
    count = nlp.mesh.intervals
    stages = -(-count // PIECES)
    lengths = np.full(PIECES, stages)
    lengths[count - PIECES * (stages - 1) :] -= 1
    starts = np.concatenate([[0], np.cumsum(lengths)[:-1]])
    place = starts[None, :] + np.arange(stages)[:, None]
    empty = np.flatnonzero((np.arange(stages)[:, None] >= lengths[None, :]).ravel())
    interval = np.minimum(place.ravel(), count - 1)
    where = np.empty(count, dtype=np.int64)
    real = np.setdiff1d(np.arange(len(interval)), empty)
    where[interval[real]] = real
    before = where[(interval - 1) % count]
    before[empty] = where[interval[empty] - 1]
    degree, ny = sizes.degree, sizes.ny
    step = nlp.mesh.steps[interval]
    step[empty] = 0.0
    share = nlp.collocation.weights[:, None] * step[None, :]
    points = nlp.layout.points[interval].transpose(1, 2, 0)
    parameters = len(nlp.problem.model.parameters)
    road = p[parameters:].reshape(count, degree, -1)[interval].transpose(1, 2, 0)
    lower, upper = nlp.lower[points], nlp.upper[points]
    weight = share[:, None, :] * (count * degree / nlp.mesh.steps.sum())
    target = np.zeros((degree, sizes.rows, len(interval)))
    target[:, : sizes.nr] = weight
    free = upper > lower
    for k, (i, sign) in enumerate(sizes.bounds):
        there = np.isfinite((upper if sign > 0 else lower)[:, i]) & free[:, i]
        if not sizes.per_point and sizes.nx <= i < sizes.nx + sizes.nu:
            there[1:] = False
        target[:, sizes.nr + k] = np.where(there, weight[:, 0], 0.0)
    _refuse_fixed(nlp, points, free, where)
    return Chain(
        nlp, sizes, interval, where, empty, before, step[None, :].copy(), share[:, None, :].copy(), weight.copy(),
        np.ascontiguousarray(road), lower, upper, target,
    )  # fmt: skip


def _refuse_fixed(nlp: Nlp, points: Index, free: NDArray[np.bool_], where: Index) -> None:
    """Only the two ends of an open road may fix a state."""
    fixed = ~free
    if not nlp.problem.closed:
        fixed[-1, :, where[-1]] = False
    if np.any(fixed):
        raise ValueError("an unknown is fixed inside the road: only states at its ends may be")


@dataclass(frozen=True)
class Evaluation:
    """Values and derivatives of the model at all points, lists over the d points of an interval.

    ``rows`` (1 + nx + na + nr, KL), ``gradient`` of the weighted sum (ny, KL), ``jacobian`` and ``hessian`` nonzeros.
    """

    rows: list[Array]
    gradient: list[Array]
    jacobian: list[Array]
    hessian: list[Array]


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


class ChainSolver:
    """Newton steps on a chain."""

    def __init__(self, chain: Chain, compiled: Condensation) -> None:
        self.chain, self.compiled = chain, compiled
        nx = chain.sizes.nx
        self._tail = np.repeat(_packed(np.eye(nx))[:, None], PIECES, axis=1)
        if not chain.closed:
            self._tail[:, -1] = 0.0
        self._empty = self._empty_stage()

    def values(self, y: Array, car: Array) -> list[Array]:
        """Rows (1 + nx + na + nr, KL) at every point."""
        return [self.compiled.values(y[j], self.chain.road[j], car)[0] for j in range(len(y))]

    def evaluate(self, at: Iterate, car: Array) -> Evaluation:
        """Values and derivatives at an iterate."""
        chain, sizes = self.chain, self.chain.sizes
        found = []
        for j in range(sizes.degree):
            weights = np.concatenate(
                [
                    chain.cost_weight[j],
                    -chain.step * at.defect[j],
                    at.balance[j],
                    at.multiplier[j, : sizes.nr],
                ]
            )
            found.append(self.compiled.derivatives(at.y[j], chain.road[j], car, weights))
        rows, gradient, jacobian, hessian = (list(part) for part in zip(*found, strict=True))
        return Evaluation(rows, gradient, jacobian, hessian)

    def stationarity(self, at: Iterate, values: Evaluation) -> tuple[Array, Array]:
        """Gradient of the Lagrangian in y (d, ny, KL) and in the first node's states (nx,); 0 where something is fixed."""
        chain, sizes = self.chain, self.chain.sizes
        nx, d = sizes.nx, sizes.degree
        c = chain.nlp.collocation.derivative
        found = np.stack(values.gradient)
        for k, (i, sign) in enumerate(sizes.bounds):
            found[:, i] += sign * at.multiplier[:, sizes.nr + k]
        for i in range(d):
            for j in range(d):
                found[i, :nx] += c[i + 1, j] * at.defect[j]
        head = sum(c[0, j] * at.defect[j] for j in range(d))
        real = chain.place
        before = chain.before[real]
        joined = slice(None) if chain.closed else slice(1, None)
        found[-1, :nx, before[joined]] += head[:, real[joined]].T
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

    def left_states(self, first: Array, y: Array) -> Array:
        """(nx, KL) states at the left node of every interval."""
        found = y[-1, : self.chain.sizes.nx][:, self.chain.before]
        if not self.chain.closed:
            found[:, self.chain.place[0]] = first
        return found

    def defects(self, first: Array, y: Array, rows: list[Array]) -> Array:
        """(d, nx, KL) of the collocation equations; 0 in empty places."""
        chain, nx = self.chain, self.chain.sizes.nx
        c = chain.nlp.collocation.derivative
        left = self.left_states(first, y)
        found = np.empty((chain.sizes.degree, nx, left.shape[1]))
        for j in range(chain.sizes.degree):
            found[j] = c[0, j] * left - chain.step * rows[j][1 : 1 + nx]
            for i in range(chain.sizes.degree):
                found[j] += c[i + 1, j] * y[i, :nx]
        found[:, :, chain.empty] = 0.0
        return found

    def direction(
        self, at: Iterate, values: Evaluation, defects: Array, barrier: float, shift: Array
    ) -> Direction | None:
        """The Newton step for a barrier parameter, or None when the system's inertia is not that of a minimum.

        ``shift`` times the point weights is added to the Hessian.
        """
        chain, compiled = self.chain, self.compiled
        sizes, k = chain.sizes, chain.stages
        nx, d = sizes.nx, sizes.degree
        target = barrier * chain.target
        reduced = [self._reduce(at, values, target, j, shift) for j in range(d)]
        blocks = [block for point in reduced for block in point[:3]]
        inner, stage, hessian, gradient = compiled.condense(*blocks, defects.reshape(d * nx, -1), chain.step)
        moves, cost = self._empty
        stage[:, chain.empty], hessian[:, chain.empty], gradient[:, chain.empty] = moves, cost, 0.0
        steps = [array.reshape(-1, k, PIECES) for array in (stage, hessian, gradient)]
        swept = compiled.backward(*self._tail_values(), *steps)
        value, psi, gam, linear, constant, feedback, offset, on_costate, pivots = swept
        self.pivots = pivots.min(axis=0)
        if not np.min(pivots) > 0.0:
            return None
        self.pivots = None
        heads = [array[:, 0] for array in (value, psi, gam, linear, constant)]
        ends = self._join(at, barrier, heads)
        if ends is None:
            return None
        start, costate = ends
        offset = offset + np.einsum(
            "qukl,ql->ukl", on_costate.reshape(nx, sizes.stage_controls, k, PIECES), costate
        )
        after, controls = compiled.forward(start, steps[0], feedback, offset)
        left = np.concatenate([start[:, None], after[:, :-1]], axis=1)
        held = np.broadcast_to(costate[:, None], left.shape)
        pull = compiled.costate(*(_flat(a) for a in (value, psi, linear, left, held)))[0].reshape(left.shape)
        end = np.einsum("ijl,jl->il", _unpacked(self._tail, nx), after[:, -1]) + self._joined() * costate
        pull = np.concatenate([pull[:, 1:], end[:, None]], axis=1)
        moved, multipliers = compiled.expand_interval(
            *blocks, inner, chain.step, *(_flat(a) for a in (left, controls, after, pull))
        )
        self._remember(heads[0])
        return self._expand(at, values, target, reduced, start[:, 0], moved, _flat(controls), multipliers, barrier)

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
        size, turn = np.linalg.eigh(_unpacked(np.roll(value, -1, axis=1), nx).transpose(2, 0, 1))
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
        each = np.arange(PIECES)
        following = (each + 1) % PIECES
        matrix[0, each, :, 0, each, :] = _unpacked(value, nx).transpose(2, 0, 1)
        matrix[0, following, :, 0, following, :] -= _unpacked(self._tail, nx).transpose(2, 0, 1)
        matrix[1, each, :, 0, each, :] = psi.reshape(nx, nx, PIECES).transpose(2, 0, 1)
        matrix[1, each, :, 1, each, :] = -_unpacked(gam, nx).transpose(2, 0, 1)
        joined = each if chain.closed else each[:-1]
        matrix[1, joined, :, 0, following[: len(joined)], :] -= np.eye(nx)
        if not chain.closed:
            self._open_ends(at, barrier, matrix, right)
        size = 2 * PIECES * nx
        lower, pivots, info = lapack.dsytrf(matrix.reshape(size, size), lower=1, overwrite_a=0)
        if info != 0 or not np.all(np.isfinite(lower[np.diag_indices(size)])):
            return None
        single = pivots > 0
        negative = np.count_nonzero(np.diag(lower)[single] < 0.0) + np.count_nonzero(~single) // 2
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
        pull = barrier * self._first_target() / at.first_slack
        here = np.arange(nx)
        matrix[0, 0, here, 0, 0, here] += stiff.sum(axis=0)
        right[0, 0] -= pull[1] - pull[0]
        matrix[0, 0, fixed], right[0, 0, fixed] = 0.0, 0.0
        matrix[:, :, :, 0, 0, fixed] = 0.0
        matrix[0, 0, here[fixed], 0, 0, here[fixed]] = 1.0
        free = here[~last]
        matrix[1, -1, free, 1, -1, free] = -1.0

    def _first_target(self) -> Array:
        """(2, nx) barrier weights of the bounds at the first node."""
        lower, upper = self.chain.first_bounds
        there = np.isfinite(np.stack([lower, upper])) & ~self.chain.fixed[0]
        return np.where(there, self.chain.weight[0, 0, self.chain.place[0]], 0.0)

    def _reduce(self, at: Iterate, values: Evaluation, target: Array, j: int, shift: Array) -> list[Array]:
        chain = self.chain
        weights = np.concatenate([chain.cost_weight[j], chain.step, chain.weight[j] * shift])
        return self.compiled.reduce(
            values.jacobian[j], values.hessian[j], values.rows[j][1 + chain.sizes.nx :], at.slack[j], at.multiplier[j],
            target[j], weights,
        )  # fmt: skip

    def _expand(
        self,
        at: Iterate,
        values: Evaluation,
        target: Array,
        reduced: list[list[Array]],
        first: Array,
        moved: Array,
        controls: Array,
        multipliers: Array,
        barrier: float,
    ) -> Direction:
        chain, sizes = self.chain, self.chain.sizes
        nx, nu, d, count = sizes.nx, sizes.nu, sizes.degree, len(self.chain.interval)
        defect = multipliers.reshape(d, nx, count)
        states, cost_slope = moved.reshape(d, nx, count), 0.0
        y, slack, multiplier = np.empty_like(at.y), np.empty_like(at.slack), np.empty_like(at.slack)
        balance = np.empty_like(at.balance)
        for j in range(d):
            used = controls[j * nu : (j + 1) * nu] if sizes.per_point else controls
            point = np.concatenate([states[j], used])
            z, balance[j], slack[j], multiplier[j], slope = self.compiled.expand_point(
                values.jacobian[j], reduced[j][3], reduced[j][4], point, defect[j], chain.step,
                values.rows[j][1 + nx + sizes.na :], at.slack[j], at.multiplier[j], target[j],
            )  # fmt: skip
            y[j, : nx + nu], y[j, nx + nu :] = point, z
            cost_slope += float(np.sum(chain.cost_weight[j] * slope))
        for changes in (y, slack, multiplier):
            changes[:, :, chain.empty] = 0.0
        sign = np.array([[1.0], [-1.0]])
        first_slack = np.where(self._first_target() > 0.0, sign * first, 0.0)
        first_multiplier = (
            barrier * self._first_target() - at.first_multiplier * first_slack
        ) / at.first_slack - at.first_multiplier
        return Direction(
            first, y, slack, multiplier, defect - at.defect, balance - at.balance, first_slack, first_multiplier, cost_slope
        )  # fmt: skip


def _flat(array: Array) -> Array:
    return array.reshape(array.shape[0], -1)


def _places(size: int) -> tuple[Index, Index]:
    """Rows and columns of an upper triangle, column by column."""
    columns, rows = np.tril_indices(size)
    return rows, columns


def _packed(matrix: Array) -> Array:
    """Upper triangle, column by column, of (n, n, ...)."""
    return np.ascontiguousarray(matrix[_places(matrix.shape[0])])


def _unpacked(entries: Array, size: int) -> Array:
    """Symmetric (n, n, ...) of an upper triangle."""
    rows, columns = _places(size)
    found = np.empty((size, size, *entries.shape[1:]))
    found[rows, columns] = entries
    found[columns, rows] = entries
    return found
