"""From the unknowns of a solved problem to the channels of a lap, one row a mesh point."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.channels import car_lap, circle_lap
from lapwright.lap.lap import Lap
from lapwright.solver.solution import Solution
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

Array = NDArray[np.float64]


def lap_of(solution: Solution, track: Track, vehicle: AnyVehicle) -> Lap:
    """The lap of a solved problem.

    Rows are the mesh points: the first node, then every collocation point, the last of each interval being the next node. The
    first node of an open road has no slip ratios (or forces, for a friction-circle car) of its own and takes those of the
    first point after it, a metre or so ahead.
    """
    nlp = solution.nlp
    count = nlp.stations.size
    s = np.concatenate([nlp.mesh.nodes[:1], nlp.stations.ravel()])
    t = np.concatenate([[0.0], _point_times(solution).ravel()])
    states = np.vstack([solution.states[:1], solution.point_states.reshape(count, -1)]).T
    inputs = solution.point_controls if isinstance(vehicle, FrictionCircle) else solution.point_algebraics
    values = inputs.reshape(count, -1)
    first = values[-1:] if track.closed else values[:1]
    values = np.vstack([first, values]).T
    if isinstance(vehicle, FrictionCircle):
        return circle_lap("target", track, vehicle, s, t, states, values)
    return car_lap("target", track, vehicle, s, t, states, values)


def _point_times(solution: Solution) -> Array:
    """(N, d) time at every collocation point [s], on the collocation polynomials of time."""
    nlp = solution.nlp
    pace = nlp.evaluator.pace(solution.x, solution.p).reshape(nlp.stations.shape)
    inside = np.linalg.solve(nlp.collocation.derivative[1:].T, (pace * nlp.mesh.steps[:, None]).T).T
    before = np.concatenate([[0.0], np.cumsum(inside[:-1, -1])])
    return np.asarray(before[:, None] + inside)
