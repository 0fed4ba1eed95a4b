"""A minimum-time problem on a mesh, as a nonlinear program with its own first and second derivatives.

Rows of interval k, point j (C, B: collocation tables, h: interval length, all in scaled unknowns):

    sum_l C[l, j] x_l - h f(y_j) = 0,      balances(y_j) = 0,      limits(y_j) <= 0,      cost = sum B_j h L(y_j)

Since only f, L, balances and limits are nonlinear and each belongs to one point, the Jacobian and the Hessian are those of
the point functions, carried to their places by constant sparse matrices.
"""

from __future__ import annotations

from dataclasses import dataclass

import casadi as ca
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from lapwright.problem.model import Guess, Problem
from lapwright.transcription.layout import Layout, make_layout
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.pointfunctions import PointFunctions, point_functions
from lapwright.transcription.radau import Collocation, radau

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Nlp:
    """A transcribed problem. Vectors are scaled; ``scale`` (size,) turns unknowns into physical units.

    Attributes
    ----------
    objective, gradient, rows, jacobian, hessian : CasADi functions of (x, p), the last of (x, p, sigma, lambda)
    lower, upper : bounds of the unknowns; row_lower, row_upper : bounds of the rows
    parameters : the vector p: the car's numbers, then the road of every point
    stations : (N, d) stations of the points [m]
    """

    problem: Problem
    mesh: Mesh
    collocation: Collocation
    layout: Layout
    functions: PointFunctions
    objective: ca.Function
    gradient: ca.Function
    rows: ca.Function
    jacobian: ca.Function
    hessian: ca.Function
    lower: Array
    upper: Array
    row_lower: Array
    row_upper: Array
    scale: Array
    parameters: Array
    stations: Array

    def with_values(self, values: Array) -> Array:
        """The vector p for other car numbers on the same road."""
        p = self.parameters.copy()
        p[: len(values)] = values
        return p

    def pack(self, guess: Guess) -> Array:
        """A guess along the road as a scaled vector inside the bounds."""
        x = np.zeros(self.layout.size)
        model = self.problem.model
        groups = (
            (self.layout.states, guess.states, model.states),
            (self.layout.controls, guess.controls, model.controls),
            (self.layout.algebraics, guess.algebraics, model.algebraics),
        )
        for index, values, variables in groups:
            for i, variable in enumerate(variables):
                x[index[:, :, i].ravel()] = np.interp(self.stations.ravel(), guess.s, values[i]) / variable.scale
        for i, variable in enumerate(model.states):
            if not self.problem.closed:
                x[self.layout.nodes[0, i]] = np.interp(self.mesh.nodes[0], guess.s, guess.states[i]) / variable.scale
        return np.clip(x, self.lower, self.upper)


def transcribe(problem: Problem, mesh: Mesh, degree: int = 2, functions: PointFunctions | None = None) -> Nlp:
    """Put a problem on a mesh.

    Parameters
    ----------
    problem, mesh
        What and where.
    degree
        Collocation points an interval.
    functions
        The point functions of the same model, when they exist already.
    """
    model = problem.model
    functions = functions or point_functions(model)
    table = radau(degree)
    sizes = (len(model.states), len(model.controls), len(model.algebraics))
    layout = make_layout(
        mesh.intervals, degree, sizes, len(model.balances), len(model.limits), problem.closed, model.controls_per_point
    )
    stations = mesh.points(table.points)
    assembled = _assemble(layout, table, mesh, functions, model.road_size, len(model.parameters))
    scale = np.ones(layout.size)
    scale[layout.nodes[:-1]] = functions.scale[: sizes[0]]
    scale[layout.points] = functions.scale
    lower, upper = _bounds(problem, layout, mesh, stations, scale)
    row_lower = np.zeros(layout.rows)
    row_lower[layout.limits.ravel()] = -np.inf
    parameters = np.concatenate([model.values, problem.road(stations.ravel()).ravel(order="F")])
    return Nlp(
        problem, mesh, table, layout, functions, *assembled, lower, upper, row_lower, np.zeros(layout.rows), scale, parameters, stations
    )


def interval_times(nlp: Nlp, x: Array, p: Array) -> Array:
    """(N,) time spent in each interval [s], without the weights on effort, at scaled unknowns ``x``."""
    model = nlp.problem.model
    intervals, degree, size = nlp.layout.points.shape
    count = intervals * degree
    y = x[nlp.layout.points.reshape(count, size)].T
    road = p[len(model.parameters) :].reshape(model.road_size, count, order="F")
    car = ca.repmat(ca.DM(p[: len(model.parameters)]), 1, count)
    pace = np.asarray(nlp.functions.value.map(count)(y, road, car)[1]).reshape(intervals, degree)
    return np.asarray((pace * nlp.collocation.weights).sum(axis=1) * nlp.mesh.steps)


def _bounds(problem: Problem, layout: Layout, mesh: Mesh, stations: Array, scale: Array) -> tuple[Array, Array]:
    model = problem.model
    lower, upper = np.full(layout.size, -np.inf), np.full(layout.size, np.inf)
    for index, variables in (
        (layout.nodes, model.states),
        (layout.states, model.states),
        (layout.controls, model.controls),
        (layout.algebraics, model.algebraics),
    ):
        for i, variable in enumerate(variables):
            lower[index[..., i]], upper[index[..., i]] = variable.lower, variable.upper
    for corridor in problem.corridors:
        i = model.state_index(corridor.state)
        for index, s in ((layout.nodes[..., i], mesh.nodes), (layout.states[..., i], stations)):
            lower[index], upper[index] = corridor.lower(s.ravel()).reshape(s.shape), corridor.upper(s.ravel()).reshape(s.shape)
    for node, values in ((layout.nodes[0], problem.start_values), (layout.nodes[-1], problem.end_values)):
        for name, value in values.items():
            lower[node[model.state_index(name)]] = upper[node[model.state_index(name)]] = value
    return lower / scale, upper / scale


def _assemble(
    layout: Layout, table: Collocation, mesh: Mesh, functions: PointFunctions, road_size: int, parameter_count: int
) -> tuple[ca.Function, ca.Function, ca.Function, ca.Function, ca.Function]:
    count = layout.points.shape[0] * layout.points.shape[1]
    nx = layout.nodes.shape[1]
    x, p = ca.MX.sym("x", layout.size), ca.MX.sym("p", parameter_count + road_size * count)
    y = ca.reshape(x[layout.points.ravel().tolist()], layout.points.shape[2], count)
    road = ca.reshape(p[parameter_count:], road_size, count)
    car = ca.repmat(p[:parameter_count], 1, count)
    rows, _ = functions.value.map(count)(y, road, car)
    step_weights = (mesh.steps[:, None] * table.weights).ravel()
    steps = np.repeat(mesh.steps, table.degree)
    cost = ca.dot(rows[0, :].T, ca.DM(step_weights))
    drift = ca.reshape(_linear_part(layout, table) @ x, nx, count)
    defects = drift - rows[1 : 1 + nx, :] * ca.repmat(ca.DM(steps).T, nx, 1)
    g = ca.vec(ca.vertcat(defects, rows[1 + nx :, :]))
    objective = ca.Function("nlp_f", [x, p], [cost], ["x", "p"], ["f"])
    row_function = ca.Function("nlp_g", [x, p], [g], ["x", "p"], ["g"])

    nonzeros = ca.vec(_nonzeros(functions.jacobian.map(count)(y, road, car)))
    where = _jacobian_places(layout, functions, steps)
    jac = _carry(where, _constant_places(layout, table), (layout.rows, layout.size), nonzeros)
    slope = ca.densify(_gradient_matrix(layout, functions, step_weights) @ nonzeros)
    gradient = ca.Function("nlp_grad_f", [x, p], [cost, slope], ["x", "p"], ["f", "grad:f:x"])
    jacobian = ca.Function("nlp_jac_g", [x, p], [g, jac], ["x", "p"], ["g", "jac:g:x"])

    sigma, multipliers = ca.MX.sym("sigma"), ca.MX.sym("lam", layout.rows)
    by_point = ca.reshape(multipliers, rows.shape[0] - 1, count)
    weights = ca.vertcat(
        sigma * ca.DM(step_weights).T, -by_point[:nx, :] * ca.repmat(ca.DM(steps).T, nx, 1), by_point[nx:, :]
    )
    curvature = ca.vec(_nonzeros(functions.hessian.map(count)(y, road, car, weights)))
    places = _hessian_places(layout, functions)
    hess = _carry(places, None, (layout.size, layout.size), curvature)
    hessian = ca.Function(
        "nlp_hess_l", [x, p, sigma, multipliers], [hess], ["x", "p", "lam:f", "lam:g"], ["triu:hess:gamma:x:x"]
    )
    return objective, gradient, row_function, jacobian, hessian


Places = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], Array]


def _nonzeros(matrix: ca.MX) -> ca.MX:
    return matrix.nz[:]


def _local(function: ca.Function) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    row, column = function.sparsity_out(0).get_triplet()
    return np.asarray(row, dtype=np.int64), np.asarray(column, dtype=np.int64)


def _linear_part(layout: Layout, table: Collocation) -> ca.DM:
    """Matrix of sum_l C[l, j] x_l, one row a defect in the order point by point."""
    intervals, degree, nx = layout.states.shape
    rows, columns, values = [], [], []
    row = np.arange(intervals * degree * nx).reshape(intervals, degree, nx)
    for j in range(degree):
        for l in range(degree + 1):
            rows.append(row[:, j].ravel())
            columns.append((layout.nodes[:-1] if l == 0 else layout.states[:, l - 1]).ravel())
            values.append(np.full(intervals * nx, table.derivative[l, j]))
    shape = (intervals * degree * nx, layout.size)
    return _to_casadi(sparse.coo_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape))


def _jacobian_places(layout: Layout, functions: PointFunctions, steps: Array) -> Places:
    """Row, column, source and factor of every nonzero of the point Jacobians that is a row of the problem."""
    row, column = _local(functions.jacobian)
    nx = layout.nodes.shape[1]
    count = len(steps)
    source = np.arange(count)[:, None] * len(row) + np.arange(len(row))
    kept = row > 0
    rows_of_point = np.concatenate([layout.defects, layout.balances, layout.limits], axis=2).reshape(count, -1)
    points = layout.points.reshape(count, -1)
    factor = np.where((row > 0) & (row <= nx), -steps[:, None], 1.0)
    return (
        rows_of_point[:, row[kept] - 1].ravel(),
        points[:, column[kept]].ravel(),
        source[:, kept].ravel(),
        factor[:, kept].ravel(),
    )


def _constant_places(layout: Layout, table: Collocation) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    rows, columns, values = [], [], []
    for j in range(table.degree):
        for l in range(table.degree + 1):
            index = layout.nodes[:-1] if l == 0 else layout.states[:, l - 1]
            rows.append(layout.defects[:, j].ravel())
            columns.append(index.ravel())
            values.append(np.full(index.size, table.derivative[l, j]))
    return np.concatenate(rows), np.concatenate(columns), np.concatenate(values)


def _hessian_places(layout: Layout, functions: PointFunctions) -> Places:
    row, column = _local(functions.hessian)
    points = layout.points.reshape(-1, layout.points.shape[2])
    source = np.arange(len(points))[:, None] * len(row) + np.arange(len(row))
    a, b = points[:, row].ravel(), points[:, column].ravel()
    return np.minimum(a, b), np.maximum(a, b), source.ravel(), np.ones(a.size)


def _gradient_matrix(layout: Layout, functions: PointFunctions, step_weights: Array) -> ca.DM:
    row, column = _local(functions.jacobian)
    points = layout.points.reshape(-1, layout.points.shape[2])
    cost = np.flatnonzero(row == 0)
    source = np.arange(len(points))[:, None] * len(row) + cost
    values = np.repeat(step_weights[:, None], len(cost), axis=1)
    shape = (layout.size, len(points) * len(row))
    return _to_casadi(sparse.coo_matrix((values.ravel(), (points[:, column[cost]].ravel(), source.ravel())), shape=shape))


def _carry(
    places: Places, constants: tuple[NDArray[np.int64], NDArray[np.int64], Array] | None, shape: tuple[int, int], nonzeros: ca.MX
) -> ca.MX:
    """A sparse matrix whose nonzeros are constants plus factors times ``nonzeros``, summed where places coincide."""
    row, column, source, factor = places
    rows = row if constants is None else np.concatenate([row, constants[0]])
    columns = column if constants is None else np.concatenate([column, constants[1]])
    keys, inverse = np.unique(columns * shape[0] + rows, return_inverse=True)
    matrix = sparse.coo_matrix((factor, (inverse[: len(row)], source)), shape=(len(keys), nonzeros.shape[0]))
    values = _to_casadi(matrix) @ nonzeros
    if constants is not None:
        values = values + ca.DM(np.bincount(inverse[len(row) :], weights=constants[2], minlength=len(keys)))
    final_columns, final_rows = np.divmod(keys, shape[0])
    starts = np.searchsorted(final_columns, np.arange(shape[1] + 1))
    pattern = ca.Sparsity(shape[0], shape[1], starts.tolist(), final_rows.tolist())
    return ca.MX(pattern, values)


def _to_casadi(matrix: sparse.coo_matrix) -> ca.DM:
    csc = matrix.tocsc()
    csc.sum_duplicates()
    csc.sort_indices()
    pattern = ca.Sparsity(csc.shape[0], csc.shape[1], csc.indptr.tolist(), csc.indices.tolist())
    return ca.DM(pattern, csc.data.tolist())
