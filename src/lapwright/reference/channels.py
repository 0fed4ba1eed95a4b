"""From the unknowns of a solved problem to the channels of a lap, one row a mesh node."""

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

    Rows are the mesh nodes, the first included. The values that belong to collocation points (slip ratios, or the forces
    of a friction-circle car) are those of the point that ends each interval; the first node of an open road has no such point
    and takes those of the first one after it, a metre or so ahead.
    """
    mesh = solution.nlp.mesh
    t = np.concatenate([[0.0], np.cumsum(solution.interval_times())])
    states = solution.states.T
    if isinstance(vehicle, FrictionCircle):
        forces = solution.point_controls[:, -1, :].T
        first = forces[:, -1:] if track.closed else solution.point_controls[0, 0, :][:, None]
        return circle_lap("target", track, vehicle, mesh.nodes, t, states, np.hstack([first, forces]))
    slips = solution.point_algebraics[:, -1, :].T
    first = slips[:, -1:] if track.closed else solution.point_algebraics[0, 0, :][:, None]
    return car_lap("target", track, vehicle, mesh.nodes, t, states, np.hstack([first, slips]))

