"""Forward and backward passes: the fastest speed along a line that the car's limits allow.

With w the squared speed along the line and a its acceleration, dw = 2 a ds along the line. Forward the car drives as hard
as it can from where it is slow, backward it has braked as hard as it can to get there; both stay below the speed
at which the bend takes everything; the lower of the two is the lap (the classical quasi-steady lap: Milliken &
Milliken, Race Car Vehicle Dynamics, 1995, ch. 9 [from memory]; as a problem of time-optimal motion on a given path:
Bobrow, Dubowsky & Gibson, Int. J. Robotics Research 4 (1985) 3 [from memory]). Classical Runge-Kutta steps of order 4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import casadi as ca
import numpy as np

from lapwright.baseline.grid import Grid
from lapwright.compiled.along_lap import AlongLap
from lapwright.errors import NoSolutionError
from lapwright.track.road import Array

LAPS = 300
"""A closed lap that has not settled after as many is given up."""

SETTLED = 1e-9
"""Relative change of the squared speed from lap to lap at which a closed lap has settled."""

Accel = Callable[[ca.SX, ca.SX, ca.SX, ca.SX], ca.SX]
"""Acceleration [m/s2] along the line from numbers of a point, its limit and the squared speed w there, numbers of the car."""


@dataclass(frozen=True)
class Drive:
    """What a pass needs of a car: the program of a step, numbers of the nodes (q, K) and of the middles of the steps
    (q, K - 1), and numbers of the car.
    """

    program: AlongLap
    nodes: Array
    middles: Array
    car: Array


class Limits(Protocol):
    """What a car can do at each point of a grid.

    ``limit`` is the largest squared speed [m2/s2] at each point at which the line can be held.
    """

    limit: Array

    def drive(self, direction: int) -> Drive:
        """What a pass needs to drive as hard as possible (1), or to brake as hard as possible (-1)."""
        ...


@dataclass(frozen=True)
class Sweep:
    """One pass, (K,) each: squared speed w at the nodes, w as stepped before the limit cut it, dw/ds at w."""

    w: Array
    raw: Array
    slope: Array


def step_program(name: str, size: int, car_size: int, accel: Accel, direction: int) -> AlongLap:
    """The program of one step of a pass.

    Parameters
    ----------
    name
        Name of the program.
    size, car_size
        Count of the numbers of a point and of the car.
    accel
        The greatest or least acceleration.
    direction
        1 to step from node to node forward, -1 backward.
    """
    carried = ca.SX.sym("carried", 2)
    cell = ca.SX.sym("cell", 5)
    middle, there, car = ca.SX.sym("middle", size), ca.SX.sym("there", size), ca.SX.sym("car", car_size)
    step, gain_middle, gain_there, limit_middle, limit_there = ca.vertsplit(cell)
    w, first = carried[0], carried[1]

    def rate(point: ca.SX, gain: ca.SX, limit: ca.SX, at: ca.SX) -> ca.SX:
        return gain * accel(point, limit, ca.fmin(ca.fmax(at, 0.0), limit), car)

    second = rate(middle, gain_middle, limit_middle, w + 0.5 * step * first)
    third = rate(middle, gain_middle, limit_middle, w + 0.5 * step * second)
    fourth = rate(there, gain_there, limit_there, w + step * third)
    raw = ca.if_else(step == 0.0, w, w + step * (first + 2.0 * second + 2.0 * third + fourth) / 6.0)
    reached = ca.fmin(raw, limit_there)
    slope = rate(there, gain_there, limit_there, reached)
    function = ca.Function(
        name, [carried, cell, middle, there, car], ca.cse([ca.vertcat(reached, slope), raw])
    )
    return AlongLap(function, carried={0: 0}, shared=(4,), backward=direction < 0)


def sweep(grid: Grid, limits: Limits, direction: int, w_start: float | None = None) -> Sweep:
    """Drive forward (1) from the first node, or brake backwards (-1) from the last one.

    An open road is covered once from squared speed ``w_start``; a closed one (None) is lapped until the lap repeats itself.

    Raises
    ------
    NoSolutionError
        When the car comes to a stand, or a closed lap does not settle.
    """
    run = _Run(grid, limits, direction)
    if w_start is not None:
        return run.cover(w_start)
    begin, end = (0, -1) if direction > 0 else (-1, 0)
    limit = limits.limit[::2]
    w = float(limit[begin])
    for _ in range(LAPS):
        lap = run.cover(w)
        again = min(float(lap.w[end]), float(limit[begin]))
        if abs(again - w) <= SETTLED * w:
            return lap
        w = again
    raise NoSolutionError(
        f"the quasi-steady lap does not settle: after {LAPS} laps the speed still changes from one to the next; "
        "has the car neither drag nor a power limit?"
    )


class _Run:
    """A pass made ready. Its first step has no length: it only looks at the node where the pass starts."""

    def __init__(self, grid: Grid, limits: Limits, direction: int) -> None:
        self.drive, self.direction, self.s = limits.drive(direction), direction, grid.s
        cell = np.zeros((5, grid.s.size))
        inner = slice(1, None) if direction > 0 else slice(None, -1)
        gain = 2.0 * grid.points.metric
        cell[0, inner] = direction * np.diff(grid.s)
        cell[1, inner], cell[2] = gain[1::2], gain[::2]
        cell[3, inner], cell[4] = limits.limit[1::2], limits.limit[::2]
        middles = np.zeros_like(self.drive.nodes)
        middles[:, inner] = self.drive.middles
        self.arguments = [part[:, :, None] for part in (cell, middles, self.drive.nodes)]
        self.stepped = cell[0] != 0.0

    def cover(self, w_start: float) -> Sweep:
        """From squared speed ``w_start`` at the first node of the pass to its last one."""
        start = np.array([[w_start], [0.0]])
        both, raw = self.drive.program(start, *self.arguments, self.drive.car)
        w, slope, raw = both[0, :, 0], both[1, :, 0], raw[0, :, 0]
        stands = np.flatnonzero((raw <= 0.0) & self.stepped)
        if stands.size:
            self.stand(int(stands[0 if self.direction > 0 else -1]))
        return Sweep(w, raw, slope)

    def stand(self, node: int) -> None:
        place = f"at {self.s[node]:.1f} m"
        if self.direction > 0:
            raise NoSolutionError(
                f"the car comes to a stand {place}: with all it can drive it does not climb the road there"
            )
        raise NoSolutionError(
            f"the car cannot be slowed down enough {place}: the road falls more steeply than its brakes or tyres can hold"
        )
