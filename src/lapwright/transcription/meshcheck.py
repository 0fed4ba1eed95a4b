"""The error of a mesh, found by integrating every interval again with another method.

From each node the states are carried to the next by the fifth-order Runge-Kutta method of Dormand & Prince (J. Comp. Appl.
Math. 6 (1980) 19-26) in short steps, under the controls of the solution, the balances solved anew at every stage. What
arrives differs from the collocated state by a defect; the multipliers say what the defect is worth in lap time. On the way it
is seen whether limits that hold at the collocation points are broken between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.transcription.again import Run
from lapwright.transcription.nlp import Nlp, interval_times
from lapwright.transcription.stages import stages_of

Array = NDArray[np.float64]
Index = NDArray[np.int64]

LONGEST_STEP = 0.03
"""Longest Runge-Kutta step [s]."""

FASTEST_STEP = 1.0
"""Longest Runge-Kutta step over the time constant of the fastest motion: the yaw of a light stiff car dies out within a
hundredth of a second, and the method is stable to 3.3 time constants of a decaying motion only [from memory]."""

MOST_STEPS = 100
"""Runge-Kutta steps in an interval at the most: a wheel at its very peak answers without bound."""

FEWEST_STEPS = 2
"""Runge-Kutta steps in an interval at the least: their error stays far below that of the collocation."""

SHRINKING = 2.2
"""Power of the number of parts by which the error of an interval falls.

Two points of Radau IIA have 3 where everything is smooth; on seven laps with all intervals cut in two and in three 2.0 to 2.8
were found for full cars, whose limits set in within an interval, and 3.0 for the friction circle.
"""

MOST_PARTS = 4
"""Of an interval at a time."""

OFF = 0.01
"""How far an interval may leave a corridor between its points, in the unit of the state (1 cm of road): a survey's widths
change within metres, and on one shipped circuit edges cut by up to 5 cm made the lap 8 ms too fast."""

GOAL = 1 / 3
"""Share of the tolerance that the parts are to bring the error to."""


@dataclass(frozen=True)
class MeshError:
    """What the mesh gets wrong.

    Attributes
    ----------
    time : (N,) time of each interval by integration less that by collocation [s]
    states : (N, nx) arriving state by integration less the collocated one, over its scale [-]
    lap_time : (N,) estimated effect of both on the optimal time [s], signed
    hidden : (N,) largest violation of a limit within each interval, at the ends of the integration's steps, in the unit of
        the limit's row; 0 without one, infinite where the balances of the car were not solved
    broken : (N,) whether that is too much to be left alone: above ``again.HIDDEN``, or ``again.LEAP`` in rows that hang on
        the algebraic unknowns
    off_road : (N,) how far each interval leaves a corridor of the problem, in the unit of its state; 0 inside
    """

    time: Array
    states: Array
    lap_time: Array
    hidden: Array
    broken: NDArray[np.bool_]
    off_road: Array

    @property
    def total(self) -> float:
        """Sum of the intervals' effects without sign [s]: what the mesh may be wrong by at most, to first order."""
        return float(np.sum(np.abs(self.lap_time)))

    @property
    def net(self) -> float:
        """Sum with sign [s]: how much longer the lap would take by the finer integration, to first order."""
        return float(np.sum(self.lap_time))


def mesh_error(nlp: Nlp, x: Array, row_multipliers: Array, p: Array) -> MeshError:
    """Integrate every interval of a solution again.

    Parameters
    ----------
    nlp, x, row_multipliers, p
        A transcribed problem with its scaled solution, multipliers and parameters.
    """
    layout = nlp.layout
    collocated = interval_times(nlp, x, p)
    with np.errstate(invalid="ignore"):
        wanted = np.maximum(collocated / LONGEST_STEP, _fastest(nlp, x, p) * nlp.mesh.steps / FASTEST_STEP)
    wanted = np.nan_to_num(wanted, nan=MOST_STEPS, posinf=MOST_STEPS)
    run = Run(nlp, x, p, np.clip(np.ceil(wanted), FEWEST_STEPS, MOST_STEPS).astype(np.int64))
    with np.errstate(invalid="ignore", over="ignore"):
        run.integrate()
        wrong_time = run.time - collocated
        wrong_states = run.states - x[layout.nodes[1:]]
        worth = -np.sum(row_multipliers[layout.defects], axis=1)
        effect = wrong_time + np.sum(worth * wrong_states, axis=1)
    # Where the integration comes to no number at all the mesh is as wrong as can be.
    effect = np.where(np.isfinite(effect), effect, np.inf)
    return MeshError(wrong_time, wrong_states, effect, run.hidden, run.broken, run.off_road())


def parts(error: MeshError, tolerance: float, exponent: float = SHRINKING) -> NDArray[np.int64]:
    """In how many equal parts to cut each interval.

    Parameters
    ----------
    error
        What the mesh gets wrong.
    tolerance
        Error of the lap time to be kept [s].
    exponent
        Power of the number of parts by which an interval's error falls.

    Returns
    -------
    (N,) whole numbers from 1 to ``MOST_PARTS``
        The fewest that together bring the error to ``GOAL`` of the tolerance, or near the least that can be reached; all 1
        where the tolerance is kept. ``MOST_PARTS`` where the integration came to no number, no fewer than 2 where a limit is
        broken or a corridor left.

    Raises
    ------
    ValueError
        For a tolerance that is not positive.
    """
    if not tolerance > 0.0:
        raise ValueError(f"tolerance is {tolerance:g} s: it must be positive")
    lost = ~np.isfinite(error.lap_time)
    size = np.where(lost, 0.0, np.abs(error.lap_time))
    found = np.ones(len(size), dtype=np.int64)
    if error.total > tolerance:
        shares = np.arange(1.0, MOST_PARTS + 1.0) ** -exponent
        goal = max(GOAL * tolerance, 1.1 * shares[-1] * float(np.sum(size)))
        # Each further part gains less than the one before, so the largest gains of all may be taken in turn.
        gains = size[:, None] * -np.diff(shares)
        order = np.argsort(-gains, axis=None, kind="stable")
        left = np.sum(size) - np.cumsum(gains.ravel()[order])
        taken = order[: int(np.sum(left > goal)) + 1] if np.sum(size) > goal else order[:0]
        found += np.bincount(taken // gains.shape[1], minlength=len(size))
    found[lost] = MOST_PARTS
    return np.where(error.broken | (error.off_road > OFF), np.maximum(found, 2), found)


def _fastest(nlp: Nlp, x: Array, p: Array) -> Array:
    """(N,) bound of the largest eigenvalue of the motion in each interval [1/m]."""
    model = nlp.problem.model
    nx, nz = len(model.states), len(model.algebraics)
    y, road, car = nlp.evaluator.split(x, p)
    last = len(y) - nz
    fastest = stages_of(nlp).fastest(y[:nx], y[nx:last], y[last:], road, car)
    return np.asarray(fastest.reshape(nlp.stations.shape).max(axis=1))
