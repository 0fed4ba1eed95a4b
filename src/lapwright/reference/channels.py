"""From the unknowns of a solved problem to the channels of a lap, one row a mesh point."""

from __future__ import annotations

from dataclasses import replace

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
    return lap_at_points(solution, track, vehicle)[0]


def lap_at_points(solution: Solution, track: Track, vehicle: AnyVehicle) -> tuple[Lap, Array, Array, Array]:
    """The lap with the unknowns at its rows: states (nx, M), controls (nu, M), algebraic unknowns (nz, M), physical units."""
    nlp = solution.nlp
    closed, count = nlp.problem.closed, nlp.stations.size
    s = np.concatenate([nlp.mesh.nodes[:1], nlp.stations.ravel()])
    t = np.concatenate([[0.0], _point_times(solution).ravel()])
    states = np.vstack([solution.states[:1], solution.point_states.reshape(count, -1)]).T

    def with_first(values: Array) -> Array:
        rows = values.reshape(count, -1)
        return np.vstack([rows[-1:] if closed else rows[:1], rows]).T

    controls, algebraics = with_first(solution.point_controls), with_first(solution.point_algebraics)
    lap = lap_from(track, vehicle, s, t, states, controls, algebraics)
    return replace(lap, closed=closed), states, controls, algebraics


def lap_from(
    track: Track, vehicle: AnyVehicle, s: Array, t: Array, states: Array, controls: Array, algebraics: Array
) -> Lap:
    """All channels of a target from the unknowns at M stations, see ``lap_at_points``."""
    if isinstance(vehicle, FrictionCircle):
        return circle_lap("target", track, vehicle, s, t, states, controls)
    return car_lap("target", track, vehicle, s, t, states, algebraics)


def _point_times(solution: Solution) -> Array:
    """(N, d) time at every collocation point [s], on the collocation polynomials of time."""
    nlp = solution.nlp
    pace = nlp.evaluator.pace(solution.x, solution.p).reshape(nlp.stations.shape)
    inside = np.linalg.solve(nlp.collocation.derivative[1:].T, (pace * nlp.mesh.steps[:, None]).T).T
    before = np.concatenate([[0.0], np.cumsum(inside[:-1, -1])])
    return np.asarray(before[:, None] + inside)
