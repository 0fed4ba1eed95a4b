"""What a sceptic asks of a solution, in plain arrays: how it converged, on which mesh, what holds the lap
back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Array

if TYPE_CHECKING:
    from lapwright.reference.solve import ReferenceLap


@dataclass(frozen=True)
class LimitUse:
    """One named limit of the problem.

    Attributes
    ----------
    name : as the user reads it, e.g. "grip, front left"
    stretches : (start, end) stations [m] where the limit is active
    cost : seconds of lap time that the limit costs to first order, or None when it is not known
    """

    name: str
    stretches: tuple[tuple[float, float], ...]
    cost: float | None = None

    @property
    def length(self) -> float:
        """Length of road on which the limit is active [m]."""
        return float(sum(end - start for start, end in self.stretches))


@dataclass(frozen=True)
class Evidence:
    """The history of a solve and the state of its answer.

    Attributes
    ----------
    solver : its name and version
    objective : (I,) objective of each iteration [s], lap time and the weights on the rates together
    primal_infeasibility, dual_infeasibility : (I,) largest violation, scaled as the solver scales
    barrier : (I,) barrier parameter; zeros or empty for a solver without one
    nodes : (N + 1,) stations of the mesh nodes [m]
    mesh_error : (N,) estimated error of the time of each interval [s], without sign
    tolerance : the error of the lap time that was asked for [s]
    limits : the named limits
    cost_of : what ``LimitUse.cost`` means, for the axis, e.g. "seconds saved if 1 % wider"
    """

    solver: str
    objective: Array
    primal_infeasibility: Array
    dual_infeasibility: Array
    barrier: Array
    nodes: Array
    mesh_error: Array
    tolerance: float
    limits: tuple[LimitUse, ...]
    cost_of: str = "Lap time lost to the limit, first order [s]"


def active_stretches(s: Array, active: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """Stretches of road where a limit is active, from a flag at each of the stations ``s`` [m], both (M,).

    A stretch reaches half-way to the next station that is not active, so that a single active station is
    seen.
    """
    between = np.concatenate([[s[0]], 0.5 * (s[1:] + s[:-1]), [s[-1]]])
    change = np.diff(np.concatenate([[False], active, [False]]).astype(int))
    starts, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    return tuple((float(between[a]), float(between[b])) for a, b in zip(starts, ends, strict=True))


def evidence_of(result: ReferenceLap) -> Evidence:
    """The evidence of a solved reference lap: history of its last solve, mesh and its error, limits."""
    from casadi import CasadiMeta

    from lapwright.reference.limits import COST_OF

    history = result.solution.history
    return Evidence(
        solver=f"{result.solver} (CasADi {CasadiMeta.version()})",
        objective=history["objective"],
        primal_infeasibility=history["violation"],
        dual_infeasibility=history["dual_violation"],
        barrier=history["barrier"],
        nodes=result.solution.nlp.mesh.nodes,
        mesh_error=np.abs(result.mesh_error.lap_time),
        tolerance=result.options.tolerance,
        limits=result.limits,
        cost_of=COST_OF,
    )
