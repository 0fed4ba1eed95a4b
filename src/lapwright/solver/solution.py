"""What a solver gives back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.solver.status import Status
from lapwright.transcription.nlp import Nlp, interval_times

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Progress:
    """One iteration: number, objective [s], largest violation of a row [scaled]."""

    iteration: int
    objective: float
    violation: float


ProgressCallback = Callable[[Progress], None]


@dataclass(frozen=True)
class Start:
    """Where a solver starts: unknowns, and multipliers with the barrier parameter when they are known."""

    x: Array
    row_multipliers: Array | None = None
    bound_multipliers: Array | None = None
    barrier: float | None = None


@dataclass(frozen=True)
class Solution:
    """The end of a solve, good or bad; look at ``status.solved`` first.

    Attributes
    ----------
    x : scaled unknowns, in the order of ``nlp.layout``
    row_multipliers : (rows,) of L = cost + multipliers . rows; positive on an active limit
    bound_multipliers : (size,), positive on an upper bound, negative on a lower one
    p : the parameter vector solved with
    objective : cost with the weights on effort [s]
    history : by iteration: "objective", "violation", "dual_violation", "barrier"
    path : points on the central path that the solve came by, from large barrier parameters to small ones
    """

    status: Status
    nlp: Nlp
    x: Array
    row_multipliers: Array
    bound_multipliers: Array
    p: Array
    objective: float
    iterations: int
    seconds: float
    history: dict[str, Array]
    path: tuple[Start, ...] = ()

    @property
    def states(self) -> Array:
        """(N + 1, nx) states at the nodes, physical units."""
        return np.asarray(self.physical[self.nlp.layout.nodes])

    @property
    def point_states(self) -> Array:
        """(N, d, nx) states at the collocation points, physical units."""
        return np.asarray(self.physical[self.nlp.layout.states])

    @property
    def point_controls(self) -> Array:
        """(N, d, nu) controls at the collocation points, physical units."""
        return np.asarray(self.physical[self.nlp.layout.controls])

    @property
    def point_algebraics(self) -> Array:
        """(N, d, nz) algebraic unknowns at the collocation points, physical units."""
        return np.asarray(self.physical[self.nlp.layout.algebraics])

    @property
    def barrier_gap(self) -> float:
        """How far the cost lies above the optimum because its limits are not quite reached [s], to first order.

        Each active inequality costs its slack times its multiplier (Nocedal & Wright, Numerical Optimization, 2006, section
        19.1 [from memory]); active is one whose multiplier is larger than its slack, both of order one as scaled.
        """
        nlp = self.nlp
        below, above = self.x - nlp.lower, nlp.upper - self.x
        pull = np.abs(self.bound_multipliers)
        room = np.where(self.bound_multipliers > 0.0, above, below)
        room[nlp.lower == nlp.upper] = 0.0
        limits = nlp.layout.limits.ravel()
        slack = np.concatenate([room, -nlp.evaluator.rows(self.x, self.p)[limits]])
        pull = np.concatenate([pull, self.row_multipliers[limits]])
        active = np.isfinite(slack) & (pull > slack)
        return float(np.sum(np.maximum(slack[active], 0.0) * pull[active]))

    @property
    def physical(self) -> Array:
        """All unknowns in physical units."""
        return np.asarray(self.x * self.nlp.scale)

    def time(self) -> float:
        """Lap time [s], without the weights on effort."""
        return float(np.sum(self.interval_times()))

    def interval_times(self) -> Array:
        """(N,) time spent in each interval [s]."""
        return interval_times(self.nlp, self.x, self.p)
