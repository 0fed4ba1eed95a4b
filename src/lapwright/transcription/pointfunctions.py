"""The model at one point as CasADi functions: value, Jacobian, Hessian, and derivative by the parameters.

All nonlinearity of a transcribed problem sits here; everything around it is linear in these values.
"""

from __future__ import annotations

from dataclasses import dataclass

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.problem.model import PointModel

Array = NDArray[np.float64]

if hasattr(ca.GlobalOptions, "setNumpyMode"):
    # The formulas are written in numpy's words; keep them symbolic without a notice per call.
    ca.GlobalOptions.setNumpyMode(-1)


@dataclass(frozen=True, eq=False)
class PointFunctions:
    """Functions of one point in scaled unknowns y.

    Rows are stacked as cost rate, rates (nx), balances (na), limits (nr), each rate over its state's scale.

    Attributes
    ----------
    value : (y, road, p) -> (rows, time rate)
    cost_gradient : (y, road, p) -> d cost rate / d y, sparse
    jacobian : (y, road, p) -> d rows / d y without that of the cost rate, sparse
    hessian : (y, road, p, weights) -> upper triangle of the Hessian of weights . rows
    by_parameter : (y, road, p, weights) -> d (weights . rows) / d p
    derivatives : (y, road, p, weights) -> rows, gradient of weights . rows, Jacobian of all rows, upper triangle of the
        Hessian of weights . rows: all at once, since they share most of their instructions
    scale : (ny,) physical unit of each scaled unknown
    """

    value: ca.Function
    cost_gradient: ca.Function
    jacobian: ca.Function
    hessian: ca.Function
    by_parameter: ca.Function
    derivatives: ca.Function
    scale: Array


def point_functions(model: PointModel) -> PointFunctions:
    """Differentiate a model once, symbolically."""
    nx, nu, nz = len(model.states), len(model.controls), len(model.algebraics)
    scale = np.array([v.scale for v in (*model.states, *model.controls, *model.algebraics)])
    y = ca.SX.sym("y", nx + nu + nz)
    road = ca.SX.sym("road", model.road_size)
    p = ca.SX.sym("p", len(model.parameters))
    physical = [y[i] * scale[i] for i in range(len(scale))]
    found = model.equations(
        physical[:nx],
        physical[nx : nx + nu],
        physical[nx + nu :],
        [road[i] for i in range(model.road_size)],
        [p[i] for i in range(len(model.parameters))],
    )
    rates = [rate / scale[i] for i, rate in enumerate(found.rates)]
    rows = ca.vertcat(found.cost_rate, *rates, *found.balances, *found.limits)
    weights = ca.SX.sym("w", rows.numel())
    weighted = ca.dot(weights, rows)
    hessian, gradient = ca.hessian(weighted, y)
    quick = {"cse": True}
    return PointFunctions(
        value=ca.Function("value", [y, road, p], [rows, found.time_rate], quick),
        cost_gradient=ca.Function("cost_gradient", [y, road, p], [ca.jacobian(rows[0], y)], quick),
        jacobian=ca.Function("jacobian", [y, road, p], [ca.jacobian(rows[1:], y)], quick),
        hessian=ca.Function("hessian", [y, road, p, weights], [ca.triu(hessian)], quick),
        by_parameter=ca.Function(
            "by_parameter", [y, road, p, weights], [ca.densify(ca.gradient(weighted, p))], quick
        ),
        derivatives=ca.Function(
            "derivatives",
            [y, road, p, weights],
            [rows, ca.densify(gradient), ca.jacobian(rows, y), ca.triu(hessian)],
            quick,
        ),
        scale=scale,
    )
