"""One Newton step of a transcribed problem, reduced to a chain of stages: written once, symbolically, for any sizes.

A step of an interior point method is a quadratic program over the whole lap. Two eliminations leave a chain in the states at
the nodes and the controls of the intervals:

* at each point the algebraic unknowns, by the linearised balances;
* in each interval the states at the points, by the linearised defects.

What is left of an interval is dx+ = A dx + B dU + c with a quadratic cost, a stage of a linear-quadratic problem, which a
backward sweep solves (Riccati; Rao, Wright & Rawlings, J. Optim. Theory Appl. 99 (1998) 723-757 [from memory]). The lap is
cut in pieces that are swept side by side: each piece carries, besides the value function in its first state x, the costate q
at its end,

    V(x, q) = x'P x / 2 + x'Psi q - q'Gam q / 2 + p'x + gam'q,

and a small system in the x and q of all pieces joins them (``solver.chain``). A closed lap is the same with its last piece
joined to its first.

Every inequality is a row c(y) <= 0 with a slack s > 0 and a multiplier nu > 0: first the model's limits, then the bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.compiled.along_lap import AlongLap
from lapwright.compiled.over_points import OverPoints
from lapwright.compiled.together import compile_together
from lapwright.transcription.pointfunctions import PointFunctions
from lapwright.transcription.radau import radau

Array = NDArray[np.float64]

PIECES = 8
"""Pieces of a lap that are swept side by side: as many doubles as the widest machine vector holds."""


@dataclass(frozen=True)
class Sizes:
    """Legend: nx states, nu controls, nz algebraics, na balances, nr limits at a point; d points an interval.

    ``bounds`` are (position in y, +1 upper or -1 lower) of the bounded unknowns; ``per_point`` says whether controls are
    free at each point.
    """

    nx: int
    nu: int
    nz: int
    na: int
    nr: int
    degree: int
    per_point: bool
    bounds: tuple[tuple[int, int], ...]

    @property
    def ny(self) -> int:
        """Unknowns of a point."""
        return self.nx + self.nu + self.nz

    @property
    def stage_controls(self) -> int:
        """nU: controls of an interval."""
        return self.nu * (self.degree if self.per_point else 1)

    @property
    def rows(self) -> int:
        """m: inequalities of a point, limits then bounds."""
        return self.nr + len(self.bounds)


@dataclass(frozen=True)
class Condensation:
    """The compiled pieces of a Newton step.

    Attributes
    ----------
    derivative_sizes : nonzeros of each output of ``derivatives``
    values : (y, road, p) -> rows, pace
    derivatives : (y, road, p, weights) -> rows, gradient of weights . rows, Jacobian, Hessian (nonzeros)
    reduce : one point without its algebraic unknowns
    condense : one interval without its inner states
    backward, forward : the sweeps along the lap
    costate : gradient of the value function at the left node
    expand_interval, expand_point : the step of what was eliminated, and the multipliers
    """

    sizes: Sizes
    derivative_sizes: tuple[int, ...]
    values: OverPoints
    derivatives: OverPoints
    reduce: OverPoints
    condense: OverPoints
    backward: AlongLap
    forward: AlongLap
    costate: OverPoints
    expand_interval: OverPoints
    expand_point: OverPoints


@lru_cache(maxsize=16)
def condensation(functions: PointFunctions, sizes: Sizes) -> Condensation:
    """Write and compile the pieces for a model and a collocation."""
    found = Condensation(
        sizes,
        tuple(functions.derivatives.nnz_out(i) for i in range(functions.derivatives.n_out())),
        OverPoints(functions.value, shared=(2,)),
        OverPoints(functions.derivatives, shared=(2,)),
        OverPoints(reduce_function(functions, sizes)),
        OverPoints(condense_function(sizes)),
        AlongLap(backward_function(sizes), {0: 0, 1: 1, 2: 2, 3: 3, 4: 4}, backward=True),
        AlongLap(forward_function(sizes), {0: 0}),
        OverPoints(costate_function(sizes)),
        OverPoints(expand_interval_function(sizes)),
        OverPoints(expand_point_function(functions, sizes)),
    )
    programs = [getattr(found, item.name) for item in fields(found)[2:]]
    compile_together(programs, lanes=PIECES)
    return found


def _symbol(name: str, rows: int, columns: int = 1) -> ca.SX:
    return ca.SX.sym(name, rows, columns)


def _symmetric(name: str, size: int) -> tuple[ca.SX, ca.SX]:
    """Nonzeros of an upper triangle as symbols, and the full symmetric matrix of them."""
    pattern = ca.Sparsity.upper(size)
    entries = ca.SX.sym(name, pattern.nnz())
    return entries, ca.triu2symm(ca.SX(pattern, entries))


def _triangle(matrix: ca.SX) -> ca.SX:
    """Entries of the upper triangle of a symmetric matrix, column by column."""
    return (
        ca.vertcat(*[matrix[: j + 1, j] for j in range(matrix.shape[1])]) if matrix.numel() else ca.SX(0, 1)
    )


def _dense(matrix: ca.SX) -> ca.SX:
    """All entries, column by column."""
    return ca.densify(ca.reshape(matrix, matrix.numel(), 1))


def _solve(matrix: ca.SX, right: ca.SX, transpose: bool = False) -> ca.SX:
    """Solution of a small dense system by elimination without row exchanges; structural zeros vanish.

    The systems are those of the balances (diagonally dominated by each wheel's own slip) and of collocation (identity plus a
    multiple of the step): no exchange is needed in either.
    """
    a = ca.SX(matrix.T if transpose else matrix)
    b = ca.SX(right)
    size = a.shape[0]
    inverse = []
    for i in range(size):
        inverse.append(1.0 / a[i, i])
        for k in range(i + 1, size):
            if a[k, i].is_zero():
                continue
            factor = a[k, i] * inverse[i]
            a[k, i + 1 :] -= factor * a[i, i + 1 :]
            b[k, :] -= factor * b[i, :]
    for i in reversed(range(size)):
        if i + 1 < size:
            b[i, :] -= ca.mtimes(a[i, i + 1 :], b[i + 1 :, :])
        b[i, :] *= inverse[i]
    return b


def _function(name: str, inputs: Sequence[ca.SX], outputs: Sequence[ca.SX]) -> ca.Function:
    # Nothing is common in them that is not shared already: looking for it took most of the time to build them.
    return ca.Function(name, list(inputs), [ca.densify(out) for out in outputs])


def _point_blocks(
    functions: PointFunctions, sizes: Sizes, jacobian: ca.SX
) -> tuple[ca.SX, ca.SX, ca.SX, ca.SX]:
    """Jacobian rows of cost, rates, balances, limits from the nonzeros."""
    full = ca.SX(functions.derivatives.sparsity_out(2), jacobian)
    a, b = 1 + sizes.nx, 1 + sizes.nx + sizes.na
    return full[0, :], full[1:a, :], full[a:b, :], full[b:, :]


def _inequality_slopes(sizes: Sizes, limits: ca.SX) -> ca.SX:
    """(m, ny) slopes of limits and bounds."""
    rows = ca.SX(len(sizes.bounds), sizes.ny)
    for k, (place, sign) in enumerate(sizes.bounds):
        rows[k, place] = sign
    return ca.vertcat(limits, rows)


def reduce_function(functions: PointFunctions, sizes: Sizes) -> ca.Function:
    """One point without its algebraic unknowns z.

    Inputs: Jacobian and Hessian nonzeros; balances and limits (na + nr); slacks and multipliers of the inequalities (m, m);
    target products (m); [share of the cost B h, length h].

    Outputs: slopes of the rates in [x, u] (nx, nx + nu) and their constant (nx); Hessian in [x, u] (upper triangle);
    gradient; z as a function of [x, u, 1]; multipliers of the balances as one of [x, u, 1] and of the defects' multipliers.
    """
    nx, nu, nz, na = sizes.nx, sizes.nu, sizes.nz, sizes.na
    n = nx + nu
    jac = _symbol("j", functions.derivatives.nnz_out(2))
    hes = _symbol("h", functions.derivatives.nnz_out(3))
    rows = _symbol("rows", na + sizes.nr)
    slack, multiplier, target = (_symbol(k, sizes.rows) for k in ("s", "nu", "mu"))
    weight = _symbol("w", 2)
    cost, rates, balances, limits = _point_blocks(functions, sizes, jac)
    slopes = _inequality_slopes(sizes, limits)
    missed = ca.vertcat(rows[na:] + slack[: sizes.nr], ca.SX(len(sizes.bounds), 1))
    inverse = 1.0 / slack
    stiff = multiplier * inverse
    push = target * inverse + stiff * missed
    hessian = ca.triu2symm(ca.SX(functions.derivatives.sparsity_out(3), hes))
    hessian += ca.mtimes(slopes.T, ca.diag(stiff) @ slopes)
    gradient = weight[0] * cost.T + ca.mtimes(slopes.T, push)
    nothing = ca.SX(0, n + 1 + nx)
    z = -_solve(balances[:, n:], ca.horzcat(balances[:, :n], rows[:na])) if nz else nothing[:, : n + 1]
    rate_z = rates[:, n:]
    f = ca.horzcat(rates[:, :n], ca.SX(nx, 1)) + ca.mtimes(rate_z, z)
    # With T = [I 0; z] the reduced Hessian is T'HT; its last column is the gradient's own part.
    hx, hz = hessian[:n, :], hessian[n:, :]
    top = ca.horzcat(hx[:, :n], ca.SX(n, 1)) + ca.mtimes(hx[:, n:], z)
    low = ca.horzcat(hz[:, :n], ca.SX(nz, 1)) + ca.mtimes(hz[:, n:], z)
    low[:, n] += gradient[n:]
    reduced = top + ca.mtimes(z[:, :n].T, low)
    joint = _solve(balances[:, n:], ca.horzcat(-low, rate_z.T), transpose=True) if nz else nothing
    return _function(
        "reduce",
        [jac, hes, rows, slack, multiplier, target, weight],
        [
            _dense(f),
            _triangle(reduced[:, :n]),
            reduced[:, n] + gradient[:n],
            _dense(z),
            _dense(joint),
        ],
    )


def _stage_symbols(sizes: Sizes) -> tuple[list[ca.SX], list[ca.SX], list[ca.SX], list[ca.SX], list[ca.SX]]:
    """Per point: symbols (slopes of rates, Hessian, gradient) as inputs, and the matrices made of them."""
    n = sizes.nx + sizes.nu
    inputs, slopes, hessians, gradients, entries = [], [], [], [], []
    for j in range(sizes.degree):
        f = _symbol(f"f{j}", sizes.nx * (n + 1))
        h, full = _symmetric(f"h{j}", n)
        g = _symbol(f"g{j}", n)
        inputs += [f, h, g]
        slopes.append(ca.reshape(f, sizes.nx, n + 1))
        hessians.append(full)
        gradients.append(g)
        entries.append(h)
    return inputs, slopes, hessians, gradients, entries


def _collocation_matrix(sizes: Sizes, slopes: list[ca.SX], step: ca.SX) -> ca.SX:
    """(d nx, d nx) matrix of the linearised defects in the states at the points."""
    nx, d, c = sizes.nx, sizes.degree, radau(sizes.degree).derivative
    blocks = [[c[i + 1, j] * ca.SX.eye(nx) for i in range(d)] for j in range(d)]
    for j in range(d):
        blocks[j][j] = blocks[j][j] - step * slopes[j][:, :nx]
    return ca.vertcat(*[ca.horzcat(*row) for row in blocks])


def _control_columns(sizes: Sizes, j: int) -> slice:
    """Which of the stage's controls act at point j."""
    first = j * sizes.nu if sizes.per_point else 0
    return slice(first, first + sizes.nu)


def condense_function(sizes: Sizes) -> ca.Function:
    """One interval without the states at its points.

    Inputs: per point f, H, g of ``reduce``; defects (d nx); step. Outputs: states at the inner points as functions of
    [x, U, 1]; the next state likewise, [A B c]; stage Hessian in [x, U] (upper triangle); stage gradient.
    """
    nx, d, width = sizes.nx, sizes.degree, sizes.nx + sizes.stage_controls
    c = radau(d).derivative
    inputs, slopes, hessians, gradients, _ = _stage_symbols(sizes)
    defects, step = _symbol("defects", nx * d), _symbol("step", 1)
    right = ca.SX(d * nx, width + 1)
    for j in range(d):
        block = slice(j * nx, (j + 1) * nx)
        controls = _control_columns(sizes, j)
        right[block, :nx] = -c[0, j] * ca.SX.eye(nx)
        right[block, nx + controls.start : nx + controls.stop] = step * slopes[j][:, nx:-1]
        right[block, width] = step * slopes[j][:, -1] - defects[block]
    moved = _solve(_collocation_matrix(sizes, slopes, step), right)
    hessian, gradient = ca.SX(width, width), ca.SX(width, 1)
    for j in range(d):
        pick = ca.SX(sizes.nu, width + 1)
        for i in range(sizes.nu):
            pick[i, nx + _control_columns(sizes, j).start + i] = 1.0
        n = ca.vertcat(moved[j * nx : (j + 1) * nx, :], pick)
        hn = ca.mtimes(hessians[j], n)
        hn[:, width] += gradients[j]
        both = ca.mtimes(n[:, :width].T, hn)
        hessian += both[:, :width]
        gradient += both[:, width]
    return _function(
        "condense",
        [*inputs, defects, step],
        [_dense(moved[: (d - 1) * nx, :]), _dense(moved[(d - 1) * nx :, :]), _triangle(hessian), gradient],
    )


def backward_function(sizes: Sizes) -> ca.Function:
    """One stage of the backward sweep.

    Inputs: P (upper triangle), Psi, Gam (upper triangle), p, gam after the stage; [A B c]; stage Hessian and gradient.
    Outputs: the five before the stage; feedback of U on x, its constant, its dependence on q; pivots of Suu.
    """
    nx, nU = sizes.nx, sizes.stage_controls
    p_in, p_after = _symmetric("P", nx)
    psi = _symbol("Psi", nx, nx)
    gam_in, gam_after = _symmetric("Gam", nx)
    linear, constant = _symbol("p", nx), _symbol("gam", nx)
    stage = _symbol("stage", nx * (nx + nU + 1))
    hessian_in, hessian = _symmetric("Q", nx + nU)
    gradient = _symbol("q", nx + nU)
    moves = ca.reshape(stage, nx, nx + nU + 1)
    a, b, c = moves[:, :nx], moves[:, nx : nx + nU], moves[:, -1]
    pa, pb = ca.mtimes(p_after, a), ca.mtimes(p_after, b)
    costate = linear + ca.mtimes(p_after, c)
    suu = hessian[nx:, nx:] + ca.mtimes(b.T, pb)
    sux = hessian[nx:, :nx] + ca.mtimes(b.T, pa)
    su = gradient[nx:] + ca.mtimes(b.T, costate)
    yu = ca.mtimes(b.T, psi)
    lower, pivots = _cholesky(suu)
    half = _forward(lower, ca.horzcat(sux, su, yu))
    scaled = ca.vertcat(*[half[i, :] / pivots[i] for i in range(nU)])
    hx, h0, hq = scaled[:, :nx], scaled[:, nx], scaled[:, nx + 1 :]
    feedback = -_backward(lower, scaled)
    before = hessian[:nx, :nx] + ca.mtimes(a.T, pa) - ca.mtimes(half[:, :nx].T, hx)
    linear_before = gradient[:nx] + ca.mtimes(a.T, costate) - ca.mtimes(half[:, :nx].T, h0)
    psi_before = ca.mtimes(a.T, psi) - ca.mtimes(half[:, :nx].T, hq)
    gam_before = gam_after + ca.mtimes(half[:, nx + 1 :].T, hq)
    constant_before = constant + ca.mtimes(psi.T, c) - ca.mtimes(half[:, nx + 1 :].T, h0)
    return _function(
        "backward",
        [p_in, _flat(psi), gam_in, linear, constant, stage, hessian_in, gradient],
        [
            _triangle(before),
            _dense(psi_before),
            _triangle(gam_before),
            linear_before,
            constant_before,
            _dense(feedback[:, :nx]),
            feedback[:, nx],
            _dense(feedback[:, nx + 1 :]),
            ca.vertcat(*pivots),
        ],
    )


def _flat(matrix: ca.SX) -> ca.SX:
    return ca.reshape(matrix, matrix.numel(), 1)


def _cholesky(matrix: ca.SX) -> tuple[ca.SX, list[ca.SX]]:
    """Unit lower triangle and pivots of L D L'."""
    size = matrix.shape[0]
    work, lower, pivots = ca.SX(matrix), ca.SX.eye(size), []
    for i in range(size):
        pivots.append(work[i, i])
        for k in range(i + 1, size):
            lower[k, i] = work[k, i] / pivots[i]
        for k in range(i + 1, size):
            for m in range(i + 1, k + 1):
                work[k, m] -= lower[k, i] * work[m, i]
    return lower, pivots


def _forward(lower: ca.SX, right: ca.SX) -> ca.SX:
    b = ca.SX(right)
    for i in range(1, lower.shape[0]):
        b[i, :] -= ca.mtimes(lower[i, :i], b[:i, :])
    return b


def _backward(lower: ca.SX, right: ca.SX) -> ca.SX:
    b = ca.SX(right)
    for i in reversed(range(lower.shape[0] - 1)):
        b[i, :] -= ca.mtimes(lower[i + 1 :, i].T, b[i + 1 :, :])
    return b


def forward_function(sizes: Sizes) -> ca.Function:
    """One stage of the forward sweep: (dx; [A B c]; feedback on x; its constant) -> next dx, dU."""
    nx, nU = sizes.nx, sizes.stage_controls
    x, stage = _symbol("x", nx), _symbol("stage", nx * (nx + nU + 1))
    feedback, constant = _symbol("K", nU, nx), _symbol("k", nU)
    moves = ca.reshape(stage, nx, nx + nU + 1)
    control = ca.mtimes(feedback, x) + constant
    after = ca.mtimes(moves[:, : nx + nU], ca.vertcat(x, control)) + moves[:, -1]
    return _function("forward", [x, stage, _flat(feedback), constant], [after, control])


def costate_function(sizes: Sizes) -> ca.Function:
    """Gradient of the value function at the left node: (P, Psi, p, dx, q) -> P dx + Psi q + p."""
    nx = sizes.nx
    entries, full = _symmetric("P", nx)
    psi, linear, x, q = _symbol("Psi", nx, nx), _symbol("p", nx), _symbol("x", nx), _symbol("q", nx)
    return _function(
        "costate",
        [entries, _flat(psi), linear, x, q],
        [ca.mtimes(full, x) + ca.mtimes(psi, q) + linear],
    )


def expand_interval_function(sizes: Sizes) -> ca.Function:
    """Steps of the states at the points, and the multipliers of the defects.

    Inputs: per point f, H, g of ``reduce``; inner states as functions of [x, U, 1]; step; dx at the left node, dU, dx at the
    right node, costate at the right node. Outputs: steps of the states (d nx), multipliers (d nx).
    """
    nx, d, width = sizes.nx, sizes.degree, sizes.nx + sizes.stage_controls
    inputs, slopes, hessians, gradients, _ = _stage_symbols(sizes)
    inner = _symbol("inner", (d - 1) * nx * (width + 1))
    step, left, control = _symbol("step", 1), _symbol("left", nx), _symbol("U", sizes.stage_controls)
    right, costate = _symbol("right", nx), _symbol("costate", nx)
    moved = ca.vertcat(
        ca.mtimes(ca.reshape(inner, (d - 1) * nx, width + 1), ca.vertcat(left, control, 1.0)), right
    )
    pull = ca.SX(d * nx, 1)
    for j in range(d):
        block = slice(j * nx, (j + 1) * nx)
        point = ca.vertcat(moved[block], control[_control_columns(sizes, j)])
        pull[block] = ca.mtimes(hessians[j][:nx, :], point) + gradients[j][:nx]
    pull[(d - 1) * nx :] += costate
    multipliers = -_solve(_collocation_matrix(sizes, slopes, step), pull, transpose=True)
    return _function(
        "expand_interval", [*inputs, inner, step, left, control, right, costate], [moved, multipliers]
    )


def expand_point_function(functions: PointFunctions, sizes: Sizes) -> ca.Function:
    """Steps of the algebraic unknowns, multipliers of the balances, slopes of the inequalities along the step.

    Inputs: Jacobian nonzeros; z and balance multipliers of ``reduce``; step of [x, u]; multipliers of the defects (nx); h;
    limits (nr), slacks, multipliers, targets of the inequalities (m). Outputs: dz, balance multipliers, steps of slacks and
    of inequality multipliers, slope of the cost rate along the step.
    """
    nx, nz, n = sizes.nx, sizes.nz, sizes.nx + sizes.nu
    jac = _symbol("j", functions.derivatives.nnz_out(2))
    z, joint = _symbol("z", nz * (n + 1)), _symbol("joint", nz * (n + 1 + nx))
    point, defect, step = _symbol("d", n), _symbol("lam", nx), _symbol("h", 1)
    rows = _symbol("r", sizes.nr)
    slack, multiplier, target = (_symbol(k, sizes.rows) for k in ("s", "nu", "mu"))
    cost, _, _, limits = _point_blocks(functions, sizes, jac)
    moved = ca.mtimes(ca.reshape(z, nz, n + 1), ca.vertcat(point, 1.0))
    balances = ca.mtimes(ca.reshape(joint, nz, n + 1 + nx), ca.vertcat(point, 1.0, step * defect))
    slopes = _inequality_slopes(sizes, limits)
    missed = ca.vertcat(rows + slack[: sizes.nr], ca.SX(len(sizes.bounds), 1))
    slack_step = -missed - ca.mtimes(slopes, ca.vertcat(point, moved))
    multiplier_step = (target - multiplier * slack_step) / slack - multiplier
    return _function(
        "expand_point",
        [jac, z, joint, point, defect, step, rows, slack, multiplier, target],
        [moved, balances, slack_step, multiplier_step, ca.mtimes(cost, ca.vertcat(point, moved))],
    )
