"""The model at one point as CasADi functions: value, Jacobian, Hessian, and derivative by the parameters.

All nonlinearity of a transcribed problem sits here; everything around it is linear in these values.
"""

from __future__ import annotations

from functools import cached_property

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.problem.model import PointModel

Array = NDArray[np.float64]

if hasattr(ca.GlobalOptions, "setNumpyMode"):
    # The formulas are written in numpy's words; keep them symbolic without a notice per call.
    ca.GlobalOptions.setNumpyMode(-1)


QUICK = {"cse": True}


class PointFunctions:
    """Functions of one point in scaled unknowns y; each is built when it is first asked for.

    Rows are stacked as cost rate, rates (nx), balances (na), limits (nr), each rate over its state's scale.

    Parameters
    ----------
    model
        What to differentiate.

    Attributes
    ----------
    scale : (ny,) physical unit of each scaled unknown
    """

    def __init__(self, model: PointModel) -> None:
        nx, nu, nz = len(model.states), len(model.controls), len(model.algebraics)
        self.scale = np.array([v.scale for v in (*model.states, *model.controls, *model.algebraics)])
        self._y = ca.SX.sym("y", nx + nu + nz)
        self._road = ca.SX.sym("road", model.road_size)
        self._p = ca.SX.sym("p", len(model.parameters))
        physical = [self._y[i] * self.scale[i] for i in range(len(self.scale))]
        found = model.equations(
            physical[:nx],
            physical[nx : nx + nu],
            physical[nx + nu :],
            [self._road[i] for i in range(model.road_size)],
            [self._p[i] for i in range(len(model.parameters))],
        )
        rates = [rate / self.scale[i] for i, rate in enumerate(found.rates)]
        self._rows = ca.vertcat(found.cost_rate, *rates, *found.balances, *found.limits)
        self._pace = found.time_rate
        self._weights = ca.SX.sym("w", self._rows.numel())
        self._weighted = ca.dot(self._weights, self._rows)

    @cached_property
    def value(self) -> ca.Function:
        """(y, road, p) -> (rows, time rate)."""
        return self._function("value", [self._rows, self._pace])

    @cached_property
    def cost_gradient(self) -> ca.Function:
        """(y, road, p) -> d cost rate / d y, sparse."""
        return self._function("cost_gradient", [self._slopes[0, :]])

    @cached_property
    def jacobian(self) -> ca.Function:
        """(y, road, p) -> d rows / d y without that of the cost rate, sparse."""
        return self._function("jacobian", [self._slopes[1:, :]])

    @cached_property
    def hessian(self) -> ca.Function:
        """(y, road, p, weights) -> upper triangle of the Hessian of weights . rows."""
        return self._function("hessian", [ca.triu(self._curvature[0])], weighted=True)

    @cached_property
    def by_parameter(self) -> ca.Function:
        """(y, road, p, weights) -> d (weights . rows) / d p."""
        return self._function(
            "by_parameter", [ca.densify(ca.gradient(self._weighted, self._p))], weighted=True
        )

    @cached_property
    def derivatives(self) -> ca.Function:
        """(y, road, p, weights) -> rows, gradient of weights . rows, Jacobian of all rows, upper triangle of the Hessian of
        weights . rows: all at once, since they share most of their instructions.
        """
        hessian, gradient = self._curvature
        outputs = [self._rows, ca.densify(gradient), self._slopes, ca.triu(hessian)]
        return self._function("derivatives", outputs, weighted=True)

    @cached_property
    def _slopes(self) -> ca.SX:
        return ca.jacobian(self._rows, self._y)

    @cached_property
    def _curvature(self) -> tuple[ca.SX, ca.SX]:
        hessian, gradient = ca.hessian(self._weighted, self._y)
        return hessian, gradient

    def _function(self, name: str, outputs: list[ca.SX], weighted: bool = False) -> ca.Function:
        inputs = [self._y, self._road, self._p, *([self._weights] if weighted else [])]
        return ca.Function(name, inputs, outputs, QUICK)


def point_functions(model: PointModel) -> PointFunctions:
    """Differentiate a model once, symbolically."""
    return PointFunctions(model)
