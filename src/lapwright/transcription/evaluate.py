"""Values and derivatives of a transcribed problem: point functions run over all points, placed by constant matrices.

Since only f, L, balances and limits are nonlinear and each belongs to one point, the Jacobian and the Hessian of the whole
problem are those of the point functions, carried to their places by sparse matrices that never change.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.compiled.over_points import OverPoints
from lapwright.transcription.layout import Layout
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.pointfunctions import PointFunctions
from lapwright.transcription.radau import Collocation

Array = NDArray[np.float64]
Index = NDArray[np.int64]

SHARED_PARAMETERS = (2,)
"""Position of the car's numbers among the inputs of a point function: the same at every point."""


@dataclass(frozen=True)
class Pattern:
    """A sparse matrix of fixed pattern whose nonzeros are linear in those of the point functions.

    Attributes
    ----------
    rows, starts : compressed columns: row of each nonzero, start of each column
    carry : (nonzeros, point values) sparse matrix
    constant : (nonzeros,) part that does not change
    """

    shape: tuple[int, int]
    rows: Index
    starts: Index
    carry: Any
    constant: Array

    def values(self, point_values: Array) -> Array:
        """Nonzeros, column by column."""
        return np.asarray(self.carry @ point_values + self.constant)


class Evaluator:
    """Functions of (x, p) for one layout on one mesh. Vectors are scaled; p holds the car's numbers, then the road."""

    def __init__(
        self,
        layout: Layout,
        table: Collocation,
        mesh: Mesh,
        functions: PointFunctions,
        road_size: int,
        parameters: int,
    ) -> None:
        self.layout, self.table, self.functions = layout, table, functions
        intervals, degree, size = layout.points.shape
        self.count, self.parameters, self.road_size = intervals * degree, parameters, road_size
        self.nx = layout.nodes.shape[1]
        self.points = layout.points.reshape(self.count, size).T.copy()
        self.steps = np.repeat(mesh.steps, degree)
        self.quadrature = (mesh.steps[:, None] * table.weights).ravel()
        self.row_places = (
            np.concatenate([layout.defects, layout.balances, layout.limits], axis=2)
            .reshape(self.count, -1)
            .T.copy()
        )
        self._value = OverPoints(functions.value, SHARED_PARAMETERS)

    def split(self, x: Array, p: Array) -> tuple[Array, Array, Array]:
        """Unknowns (ny, M) and road (road_size, M) of every point, and the car's numbers."""
        road = p[self.parameters :].reshape(self.count, self.road_size).T
        return x[self.points], road, p[: self.parameters]

    def pace(self, x: Array, p: Array) -> Array:
        """(M,) time per metre at every point [s/m], without the weights on effort."""
        return self._value(*self.split(x, p))[1][0]

    def objective(self, x: Array, p: Array) -> float:
        """Cost [s]."""
        return float(self.quadrature @ self._value(*self.split(x, p))[0][0])

    def rows(self, x: Array, p: Array) -> Array:
        """(rows,) defects, balances and limits."""
        values = self._value(*self.split(x, p))[0][1:]
        values[: self.nx] *= -self.steps
        found = np.empty(self.layout.rows)
        found[self.row_places] = values
        found[self.layout.defects] += np.einsum(
            "lj,lki->kji", self.table.derivative, self._nodes_and_states(x)
        )
        return found

    def _nodes_and_states(self, x: Array) -> Array:
        """(d + 1, N, nx) states at the left node and the points of every interval."""
        layout = self.layout
        return np.stack([x[layout.nodes[:-1]], *(x[layout.states[:, i]] for i in range(self.table.degree))])

    def gradient(self, x: Array, p: Array) -> Array:
        """(size,) derivative of the cost."""
        slopes = self._cost_slope(*self.split(x, p))[0]
        slope: Array = np.bincount(
            self._cost_places, weights=(slopes * self.quadrature).ravel(), minlength=self.layout.size
        ).astype(float)
        return slope

    def jacobian(self, x: Array, p: Array) -> Array:
        """Nonzeros of ``jacobian_pattern``."""
        return self.jacobian_pattern.values(self._jacobian(*self.split(x, p))[0].ravel())

    def hessian(self, x: Array, p: Array, sigma: float, multipliers: Array) -> Array:
        """Nonzeros of ``hessian_pattern``: the upper triangle of the Hessian of sigma cost + multipliers . rows."""
        weights = np.empty((1 + len(self.row_places), self.count))
        weights[0] = sigma * self.quadrature
        weights[1:] = multipliers[self.row_places]
        weights[1 : 1 + self.nx] *= -self.steps
        return self.hessian_pattern.values(self._hessian(*self.split(x, p), weights)[0].ravel())

    @cached_property
    def _cost_slope(self) -> OverPoints:
        return OverPoints(self.functions.cost_gradient, SHARED_PARAMETERS)

    @cached_property
    def _cost_places(self) -> Index:
        _, column = _triplet(self.functions.cost_gradient)
        return self.points[column].ravel()

    @cached_property
    def _jacobian(self) -> OverPoints:
        return OverPoints(self.functions.jacobian, SHARED_PARAMETERS)

    @cached_property
    def _hessian(self) -> OverPoints:
        return OverPoints(self.functions.hessian, SHARED_PARAMETERS)

    def _drift_places(self) -> tuple[Index, Index, Array]:
        rows, columns, values = [], [], []
        layout, table = self.layout, self.table
        for j in range(table.degree):
            for i in range(table.degree + 1):
                index = layout.nodes[:-1] if i == 0 else layout.states[:, i - 1]
                rows.append(layout.defects[:, j].ravel())
                columns.append(index.ravel())
                values.append(np.full(index.size, table.derivative[i, j]))
        return np.concatenate(rows), np.concatenate(columns), np.concatenate(values)

    @cached_property
    def jacobian_pattern(self) -> Pattern:
        """Where the Jacobian of the rows has nonzeros."""
        row, column = _triplet(self.functions.jacobian)
        factor = np.where(row[:, None] < self.nx, -self.steps[None, :], 1.0)
        return _pattern(
            (self.layout.rows, self.layout.size),
            self.row_places[row].ravel(),
            self.points[column].ravel(),
            factor.ravel(),
            self._drift_places(),
        )

    @cached_property
    def hessian_pattern(self) -> Pattern:
        """Where the upper triangle of the Hessian has nonzeros."""
        row, column = _triplet(self.functions.hessian)
        a, b = self.points[row].ravel(), self.points[column].ravel()
        return _pattern(
            (self.layout.size, self.layout.size), np.minimum(a, b), np.maximum(a, b), np.ones(a.size)
        )


def _triplet(function: ca.Function) -> tuple[Index, Index]:
    row, column = function.sparsity_out(0).get_triplet()
    return np.asarray(row, dtype=np.int64), np.asarray(column, dtype=np.int64)


def _pattern(
    shape: tuple[int, int],
    rows: Index,
    columns: Index,
    factor: Array,
    constants: tuple[Index, Index, Array] | None = None,
) -> Pattern:
    """The pattern of point values, in their order, that fall on (rows, columns) times ``factor``, summed where they meet."""
    more = (
        (np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), np.empty(0))
        if constants is None
        else constants
    )
    keys, place = np.unique(
        np.concatenate([columns, more[1]]) * shape[0] + np.concatenate([rows, more[0]]), return_inverse=True
    )
    from scipy import sparse  # only a general solver needs it, and it takes its time to import

    carry = sparse.csr_matrix(
        (factor, (place[: len(rows)], np.arange(len(rows)))), shape=(len(keys), len(rows))
    )
    constant: Array = np.bincount(place[len(rows) :], weights=more[2], minlength=len(keys)).astype(float)
    final_columns, final_rows = np.divmod(keys, shape[0])
    starts = np.searchsorted(final_columns, np.arange(shape[1] + 1)).astype(np.int64)
    return Pattern(shape, final_rows, starts, carry, constant)
