"""From the unknowns of a solved problem to the channels of a lap, one row a mesh node."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import fsolve

from lapwright.lap.channels import car_lap, circle_lap
from lapwright.lap.lap import Lap
from lapwright.solver.solution import Solution
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

Array = NDArray[np.float64]


def lap_of(solution: Solution, track: Track, vehicle: AnyVehicle) -> Lap:
    """The lap of a solved problem.

    Rows are the mesh nodes, the first included. The values that belong to collocation points (slip ratios, or the forces
    of a friction-circle car) are those of the point that ends each interval; at the first node of an open road they follow
    from the balances there.
    """
    mesh = solution.nlp.mesh
    t = np.concatenate([[0.0], np.cumsum(solution.interval_times())])
    states = solution.states.T
    if isinstance(vehicle, FrictionCircle):
        forces = solution.point_controls[:, -1, :].T
        first = forces[:, -1:] if track.closed else solution.point_controls[0, 0, :][:, None]
        return circle_lap("target", track, vehicle, mesh.nodes, t, states, np.hstack([first, forces]))
    slips = solution.point_algebraics[:, -1, :].T
    first = slips[:, -1:] if track.closed else _slips_at_start(solution)[:, None]
    return car_lap("target", track, vehicle, mesh.nodes, t, states, np.hstack([first, slips]))


def _slips_at_start(solution: Solution) -> Array:
    """Slip ratios that balance the wheel torques at the first node of an open road."""
    nlp = solution.nlp
    model = nlp.problem.model
    nx, nu = len(model.states), len(model.controls)
    road = nlp.problem.road(nlp.mesh.nodes[:1]).ravel()
    fixed = np.concatenate([solution.x[nlp.layout.nodes[0]], solution.x[nlp.layout.controls[0, 0]]])
    values = solution.p[: len(model.parameters)]

    def balances(z: Array) -> Array:
        rows = np.asarray(nlp.functions.value(np.concatenate([fixed, z]), road, values)[0]).ravel()
        return np.asarray(rows[1 + nx : 1 + nx + len(model.balances)])

    found = fsolve(balances, solution.x[nlp.layout.algebraics[0, 0]], xtol=1e-10)
    return np.asarray(found * nlp.functions.scale[nx + nu :])
