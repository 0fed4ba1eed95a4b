"""Forward and backward passes: the fastest speed along a line that the car's limits allow.

With w the squared speed along the line and a its acceleration, dw = 2 a ds along the line. Forward the car drives as hard
as it can from where it is slow, backward it has braked as hard as it can to get there; both stay below the speed
at which the bend takes everything; the lower of the two is the lap (the classical quasi-steady lap: Milliken &
Milliken, Race Car Vehicle Dynamics, 1995, ch. 9 [from memory]; as a problem of time-optimal motion on a given path:
Bobrow, Dubowsky & Gibson, Int. J. Robotics Research 4 (1985) 3 [from memory]). Classical Runge-Kutta steps of order 4.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from lapwright.baseline.grid import Grid
from lapwright.errors import NoSolutionError
from lapwright.track.road import Array

LAPS = 300
"""A closed lap that has not settled after as many is given up."""

SETTLED = 1e-9
"""Relative change of the squared speed from lap to lap at which a closed lap has settled."""


class Limits(Protocol):
    """What a car can do at each point of a grid.

    ``limit`` is the largest squared speed [m2/s2] at each point at which the line can be held.
    """

    limit: Array

    def accel(self, point: int, w: float, direction: int) -> float:
        """Greatest (1) or least (-1) acceleration [m/s2] along the line at squared speed ``w`` <= ``limit``."""
        ...


@dataclass(frozen=True)
class Sweep:
    """One pass, (K,) each: squared speed w at the nodes, w as stepped before the limit cut it, dw/ds at w."""

    w: Array
    raw: Array
    slope: Array


def sweep(grid: Grid, limits: Limits, direction: int, start: int, w_start: float, closed: bool) -> Sweep:
    """Drive (1) or brake backwards (-1) from node ``start`` with squared speed ``w_start``.

    An open road is covered from ``start`` to its end; a closed one is lapped until the lap repeats itself.

    Raises
    ------
    NoSolutionError
        When the car comes to a stand, or a closed lap does not settle.
    """
    run = _Run(grid, limits, direction)
    run.w[start] = run.raw[start] = w_start
    last = grid.s.size - 1
    if not closed:
        run.cover(range(start, last) if direction > 0 else range(start - 1, -1, -1))
        return run.finish()
    if start == 0:
        run.w[last] = w_start
    around = [*range(start, last), *range(start)]
    around = around if direction > 0 else around[::-1]
    for _ in range(LAPS):
        before = run.w[start]
        run.cover(around, last)
        if abs(run.w[start] - before) <= SETTLED * before:
            return run.finish()
    raise NoSolutionError(
        f"the quasi-steady lap does not settle: after {LAPS} laps the speed still changes from one to the next; "
        "has the car neither drag nor a power limit?"
    )


class _Run:
    """The state of a pass; plain lists, because one step needs the step before."""

    def __init__(self, grid: Grid, limits: Limits, direction: int) -> None:
        self.direction = direction
        self.accel = limits.accel
        self.limit = limits.limit.tolist()
        self.gain = (2.0 * grid.points.metric).tolist()
        self.s = grid.s.tolist()
        self.w = [np.inf] * grid.s.size
        self.raw = [np.inf] * grid.s.size
        self.slope = [0.0] * grid.s.size

    def rate(self, point: int, w: float) -> float:
        """dw/ds at a point, at the limit's rate above the limit."""
        w = min(max(w, 0.0), self.limit[point])
        return self.gain[point] * self.accel(point, w, self.direction)

    def cover(self, cells: Sequence[int], join: int = 0) -> None:
        """Step through cells in turn; ``join`` is the last node of a closed lap, which is its first one too."""
        forward = self.direction > 0
        for cell in cells:
            here, there = (cell, cell + 1) if forward else (cell + 1, cell)
            self.step(here, there)
            if join and forward and there == join:
                self.w[0] = self.raw[0] = min(self.w[join], self.limit[0])
            elif join and not forward and there == 0:
                self.w[join] = self.raw[join] = min(self.w[0], self.limit[-1])

    def step(self, here: int, there: int) -> None:
        w, h, point = self.w[here], self.s[there] - self.s[here], 2 * here
        middle = here + there
        self.slope[here] = k1 = self.rate(point, w)
        reach = w
        if h != 0.0:
            k2 = self.rate(middle, w + 0.5 * h * k1)
            k3 = self.rate(middle, w + 0.5 * h * k2)
            k4 = self.rate(2 * there, w + h * k3)
            reach = w + h * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0
            if reach <= 0.0:
                self.stand(there)
        self.raw[there] = reach
        self.w[there] = min(reach, self.limit[2 * there])

    def stand(self, node: int) -> None:
        place = f"at {self.s[node]:.1f} m"
        if self.direction > 0:
            raise NoSolutionError(
                f"the car comes to a stand {place}: with all it can drive it does not climb the road there"
            )
        raise NoSolutionError(
            f"the car cannot be slowed down enough {place}: the road falls more steeply than its brakes or tyres can hold"
        )

    def finish(self) -> Sweep:
        """The pass as arrays; the far end of an open road gets its slope."""
        end = len(self.w) - 1 if self.direction > 0 else 0
        if np.isfinite(self.w[end]):
            self.slope[end] = self.rate(2 * end, self.w[end])
        return Sweep(np.array(self.w), np.array(self.raw), np.array(self.slope))
