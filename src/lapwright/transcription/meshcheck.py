"""The error of a mesh, found by integrating every interval again with another method.

From each node the states are carried to the next by the fifth-order Runge-Kutta method of Dormand & Prince (J. Comp. Appl.
Math. 6 (1980) 19-26) in short steps, under the controls of the solution, the balances solved anew at every stage. What
arrives differs from the collocated state by a defect; the multipliers say what the defect is worth in lap time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.compiled.tape import PointProgram
from lapwright.problem.model import PointModel
from lapwright.transcription.evaluate import SHARED_PARAMETERS
from lapwright.transcription.nlp import Nlp, interval_times
from lapwright.transcription.radau import interpolation

Array = NDArray[np.float64]

LONGEST_STEP = 0.03
"""Longest Runge-Kutta step [s]."""

FASTEST_STEP = 1.0
"""Longest Runge-Kutta step over the time constant of the fastest motion: the yaw of a light stiff car dies out within a
hundredth of a second, and the method is stable to 3.3 time constants of a decaying motion only [from memory]."""

MOST_STEPS = 100
"""Runge-Kutta steps in an interval at the most: a wheel at its very peak answers without bound."""

FEWEST_STEPS = 2
"""Runge-Kutta steps in an interval at the least: their error stays far below that of the collocation."""

NEWTON_STEPS = 6
"""Most iterations on the balances at a stage."""

NODES = np.array([0.0, 1 / 5, 3 / 10, 4 / 5, 8 / 9, 1.0])
WEIGHTS = np.array([35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84])
STAGES = (
    (),
    (1 / 5,),
    (3 / 40, 9 / 40),
    (44 / 45, -56 / 15, 32 / 9),
    (19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729),
    (9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656),
)


@dataclass(frozen=True)
class MeshError:
    """What the mesh gets wrong.

    Attributes
    ----------
    time : (N,) time of each interval by integration less that by collocation [s]
    states : (N, nx) arriving state by integration less the collocated one, over its scale [-]
    lap_time : (N,) estimated effect of both on the optimal time [s], signed
    """

    time: Array
    states: Array
    lap_time: Array

    @property
    def total(self) -> float:
        """Sum of the intervals' effects without sign [s]: what the mesh may be wrong by at most, to first order."""
        return float(np.sum(np.abs(self.lap_time)))

    @property
    def net(self) -> float:
        """Sum with sign [s]: how much longer the lap would take by the finer integration, to first order."""
        return float(np.sum(self.lap_time))


class _Stepper:
    """Rates of the states with the balances solved, at one point of every interval at once."""

    def __init__(self, nlp: Nlp, p: Array) -> None:
        model = nlp.problem.model
        count = nlp.mesh.intervals
        rates, balances = _stage_functions(model, nlp.functions.scale)
        self.rates = PointProgram(rates, count, SHARED_PARAMETERS)
        self.balances = PointProgram(balances, count, SHARED_PARAMETERS)
        self.nlp, self.count, self.car = nlp, count, p[: len(model.parameters)]

    def __call__(self, s: Array, x: Array, u: Array, z: Array) -> tuple[Array, Array, Array]:
        """Scaled state rates (nx, N), time rates (N,) and solved algebraic unknowns (nz, N)."""
        road = self.nlp.problem.road(s)
        if len(z):
            z = self._solve(x, u, z, road)
        rates, pace = self.rates(np.vstack([x, u, z]), road, self.car)
        return rates.copy(), pace[0].copy(), z

    def _solve(self, x: Array, u: Array, z: Array, road: Array) -> Array:
        nz = len(z)
        for _ in range(NEWTON_STEPS):
            rows, slopes = self.balances(np.vstack([x, u, z]), road, self.car)
            matrices = slopes.reshape(nz, nz, self.count).transpose(2, 1, 0)
            step = _solved(matrices, rows.T[:, :, None])[:, :, 0].T
            z = z - np.clip(step, -0.5, 0.5)
            if np.max(np.abs(step)) < 1e-9:
                break
        return z


def mesh_error(nlp: Nlp, x: Array, row_multipliers: Array, p: Array) -> MeshError:
    """Integrate every interval of a solution again.

    Parameters
    ----------
    nlp, x, row_multipliers, p
        A transcribed problem with its scaled solution, multipliers and parameters.
    """
    layout, mesh = nlp.layout, nlp.mesh
    stepper = _Stepper(nlp, p)
    at = nlp.collocation.points
    states = x[layout.nodes[:-1]].T
    controls, algebraics = x[layout.controls], x[layout.algebraics]
    guess = _along(algebraics, at)
    steer = _along(controls, at) if nlp.problem.model.controls_per_point else (lambda _: controls[:, 0].T)
    collocated = interval_times(nlp, x, p)
    wanted = max(np.max(collocated) / LONGEST_STEP, np.max(_fastest(nlp, x, p) * mesh.steps) / FASTEST_STEP)
    substeps = int(np.clip(np.ceil(wanted), FEWEST_STEPS, MOST_STEPS))
    time = np.zeros(mesh.intervals)
    step = mesh.steps / substeps
    z = guess(0.0)
    for k in range(substeps):
        slopes: list[Array] = []
        paces: list[Array] = []
        for i, node in enumerate(NODES):
            position = (k + node) / substeps
            here = states + step * sum(
                (a * f for a, f in zip(STAGES[i], slopes, strict=True)), np.zeros_like(states)
            )
            slope, pace, z = stepper(mesh.inside(np.array([position]))[:, 0], here, steer(position), z)
            slopes.append(slope)
            paces.append(pace)
        states = states + step * sum(w * f for w, f in zip(WEIGHTS, slopes, strict=True))
        time += step * sum(w * f for w, f in zip(WEIGHTS, paces, strict=True))
    wrong_time = time - collocated
    wrong_states = states.T - x[layout.nodes[1:]]
    worth = -np.sum(row_multipliers[layout.defects], axis=1)
    effect = wrong_time + np.sum(worth * wrong_states, axis=1)
    # Where the integration comes to no number at all the mesh is as wrong as can be.
    return MeshError(wrong_time, wrong_states, np.where(np.isfinite(effect), effect, np.inf))


def _solved(matrices: Array, right: Array) -> Array:
    """Solutions of many small linear systems; of a singular one (wheels in the air) the shortest least-squares one."""
    try:
        return np.asarray(np.linalg.solve(matrices, right))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(np.nan_to_num(matrices), rcond=1e-12) @ np.nan_to_num(right))


def _fastest(nlp: Nlp, x: Array, p: Array) -> Array:
    """(N,) largest eigenvalue of the motion in each interval [1/m], the balances kept."""
    model = nlp.problem.model
    nx, nz = len(model.states), len(model.algebraics)
    slopes = nlp.evaluator.point_slopes(x, p)
    motion = slopes[:, :nx, :nx]
    if nz:
        balances = slopes[:, nx : nx + nz]
        motion = motion - slopes[:, :nx, -nz:] @ _solved(balances[:, :, -nz:], balances[:, :, :nx])
    fastest = np.abs(np.linalg.eigvals(motion)).max(axis=1)
    return np.asarray(fastest.reshape(nlp.stations.shape).max(axis=1))


def _along(values: Array, at: Array) -> Callable[[float], Array]:
    """Values (N, d, m) at the points as a function of the position in the interval, (m, N)."""
    return lambda position: np.einsum("kjm,j->mk", values, interpolation(at, np.array([position]))[:, 0])


def _stage_functions(model: PointModel, scale: Array) -> tuple[ca.Function, ca.Function]:
    nx, nu, nz = len(model.states), len(model.controls), len(model.algebraics)
    y = ca.SX.sym("y", nx + nu + nz)
    road, p = ca.SX.sym("road", model.road_size), ca.SX.sym("p", len(model.parameters))
    physical = [y[i] * scale[i] for i in range(len(scale))]
    found = model.equations(
        physical[:nx], physical[nx : nx + nu], physical[nx + nu :], ca.vertsplit(road), ca.vertsplit(p)
    )
    rates = ca.densify(ca.vertcat(*[rate / scale[i] for i, rate in enumerate(found.rates)]))
    balances = ca.densify(ca.vertcat(*found.balances))
    slopes = ca.densify(ca.jacobian(balances, y)[:, nx + nu :]) if nz else ca.SX(0, 0)
    return (
        ca.Function("stage_rates", [y, road, p], [rates, found.time_rate], {"cse": True}),
        ca.Function("stage_balances", [y, road, p], [balances, slopes], {"cse": True}),
    )
