"""A minimum-time problem on a mesh, as a nonlinear program.

Rows of interval k, point j (C, B: collocation tables, h: interval length, all in scaled unknowns):

    sum_l C[l, j] x_l - h f(y_j) = 0,      balances(y_j) = 0,      limits(y_j) <= 0,      cost = sum B_j h L(y_j)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.problem.model import Guess, Problem
from lapwright.transcription.evaluate import Evaluator
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
    evaluator : values and derivatives
    lower, upper : bounds of the unknowns; row_lower, row_upper : bounds of the rows
    parameters : the vector p: the car's numbers, then the road of every point
    stations : (N, d) stations of the points [m]
    """

    problem: Problem
    mesh: Mesh
    collocation: Collocation
    layout: Layout
    functions: PointFunctions
    evaluator: Evaluator
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
                x[index[:, :, i].ravel()] = (
                    np.interp(self.stations.ravel(), guess.s, values[i]) / variable.scale
                )
        for i, variable in enumerate(model.states):
            if not self.problem.closed:
                x[self.layout.nodes[0, i]] = (
                    np.interp(self.mesh.nodes[0], guess.s, guess.states[i]) / variable.scale
                )
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
        mesh.intervals,
        degree,
        sizes,
        len(model.balances),
        len(model.limits),
        problem.closed,
        model.controls_per_point,
    )
    stations = mesh.points(table.points)
    evaluator = Evaluator(layout, table, mesh, functions, model.road_size, len(model.parameters))
    scale = np.ones(layout.size)
    scale[layout.nodes[:-1]] = functions.scale[: sizes[0]]
    scale[layout.points] = functions.scale
    lower, upper = _bounds(problem, layout, mesh, stations, scale)
    row_lower = np.zeros(layout.rows)
    row_lower[layout.limits.ravel()] = -np.inf
    parameters = np.concatenate(
        [model.values, problem.road(mesh.inside(table.points).ravel()).ravel(order="F")]
    )
    return Nlp(
        problem,
        mesh,
        table,
        layout,
        functions,
        evaluator,
        lower,
        upper,
        row_lower,
        np.zeros(layout.rows),
        scale,
        parameters,
        stations,
    )


def interval_times(nlp: Nlp, x: Array, p: Array) -> Array:
    """(N,) time spent in each interval [s], without the weights on effort, at scaled unknowns ``x``."""
    pace = nlp.evaluator.pace(x, p).reshape(nlp.stations.shape)
    return np.asarray((pace * nlp.collocation.weights).sum(axis=1) * nlp.mesh.steps)


def _bounds(
    problem: Problem, layout: Layout, mesh: Mesh, stations: Array, scale: Array
) -> tuple[Array, Array]:
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
    controls = [control.name for control in model.controls]
    for corridor in problem.corridors:
        if corridor.state in controls:
            places = [(layout.controls[..., controls.index(corridor.state)], stations)]
        else:
            i = model.state_index(corridor.state)
            places = [(layout.nodes[..., i], mesh.nodes), (layout.states[..., i], stations)]
        for index, s in places:
            lower[index] = np.maximum(lower[index], corridor.lower(s.ravel()).reshape(s.shape))
            upper[index] = np.minimum(upper[index], corridor.upper(s.ravel()).reshape(s.shape))
    for node, values in ((layout.nodes[0], problem.start_values), (layout.nodes[-1], problem.end_values)):
        for name, value in values.items():
            lower[node[model.state_index(name)]] = upper[node[model.state_index(name)]] = value
    return lower / scale, upper / scale
