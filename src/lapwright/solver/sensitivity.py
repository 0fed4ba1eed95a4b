"""What the optimum would gain or lose if a number of the problem changed a little, from the multipliers of one solve.

At an optimum d cost / d p = d L / d p with L = cost + multipliers . rows (Fiacco, Introduction to Sensitivity and Stability
Analysis in Nonlinear Programming, 1983, ch. 3 [from memory]). L is a sum over collocation points, so the derivative comes
split along the road.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.compiled.over_points import OverPoints
from lapwright.solver.solution import Solution
from lapwright.transcription.evaluate import SHARED_PARAMETERS

Array = NDArray[np.float64]


def parameter_gradient(solution: Solution) -> Array:
    """(np, N) derivative of the optimal cost by each parameter of the model [s per unit], split by interval."""
    return np.asarray(parameter_slopes(solution).sum(axis=2))


def parameter_slopes(solution: Solution) -> Array:
    """(np, N, d) the same split by collocation point."""
    nlp, p = solution.nlp, solution.p
    model, layout = nlp.problem.model, nlp.layout
    intervals, degree, _ = layout.points.shape
    count = intervals * degree
    steps = np.repeat(nlp.mesh.steps, degree)
    weights = np.concatenate(
        [
            (nlp.mesh.steps[:, None] * nlp.collocation.weights).reshape(1, count),
            -(solution.row_multipliers[layout.defects].reshape(count, -1) * steps[:, None]).T,
            solution.row_multipliers[layout.balances].reshape(count, -1).T,
            solution.row_multipliers[layout.limits].reshape(count, -1).T,
        ]
    )
    program = OverPoints(nlp.functions.by_parameter, SHARED_PARAMETERS)
    slopes = program(*nlp.evaluator.split(solution.x, p), weights)[0]
    return np.asarray(slopes.reshape(len(model.parameters), intervals, degree))


def bound_gradient(solution: Solution, state: str, upper: bool) -> Array:
    """(N, d) derivative of the optimal cost by the bound of a state, or control, at each point [s per unit].

    Moving an upper bound up, or a lower one down, gives the optimum room: both come out negative or zero when the bound is
    moved outward.
    """
    nlp = solution.nlp
    model = nlp.problem.model
    index = nlp.layout.points[:, :, [v.name for v in (*model.states, *model.controls)].index(state)]
    pull = solution.bound_multipliers[index] / nlp.scale[index]
    return np.asarray(-np.maximum(pull, 0.0) if upper else -np.maximum(-pull, 0.0))


def worth_of_states(solution: Solution) -> Array:
    """(N + 1, nx) derivative of the cost of the road still ahead by each state at the nodes [s per unit of the state].

    It is the costate: with the defects ``sum_l C[l, j] x_l - h f(y_j)`` of the interval that a node begins, d L / d x_0 =
    sum_j C[0, j] multipliers_j. Negative for speed, for a faster car is sooner at the end. At the last node it is that of the
    first on a closed lap, and 0 on an open road, where nothing lies ahead.
    """
    nlp = solution.nlp
    slopes = nlp.collocation.derivative[0]
    ahead = np.einsum("kjx,j->kx", solution.row_multipliers[nlp.layout.defects], slopes)
    worth = ahead / nlp.functions.scale[: ahead.shape[1]]
    return np.vstack([worth, worth[:1] if nlp.problem.closed else np.zeros_like(worth[:1])])
