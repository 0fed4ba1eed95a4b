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
from typing import NamedTuple, Protocol

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

STRETCH = 128
"""Steps after which a second lap is held against the first: where they meet the rest is the same."""

Accel = Callable[["Point", ca.SX, ca.SX], ca.SX]
"""Acceleration [m/s2] along the line at a point with squared speed w, from numbers of the car."""


class Point(NamedTuple):
    """A point as a step sees it: its numbers (q,), the share of them to be trusted, and the limit of w."""

    numbers: ca.SX
    trust: ca.SX
    limit: ca.SX


@dataclass(frozen=True)
class Drive:
    """What a pass needs of a car.

    ``program`` is that of a step. ``nodes`` (q, K) are the numbers of the nodes. ``beside`` (q, K) are for each of them those
    of the middle of the step that leads there, or those of the node before when the program takes the mean of both nodes
    for the middle; at the node where the pass starts they may be anything finite. ``trust`` (2 K - 1) is the share of the
    numbers of each point to be trusted, ``car`` numbers of the car.
    """

    program: AlongLap
    nodes: Array
    beside: Array
    trust: Array
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


def step_program(
    name: str, size: int, car_size: int, accel: Accel, direction: int, from_nodes: bool
) -> AlongLap:
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
    from_nodes
        Whether the middle of a step has the mean of the numbers of its nodes.
    """
    carried = ca.SX.sym("carried", 2)
    cell, car = ca.SX.sym("cell", 7), ca.SX.sym("car", car_size)
    beside, there = ca.SX.sym("beside", size), ca.SX.sym("there", size)
    step, gain_middle, gain_there, *pairs = ca.vertsplit(cell)
    middle = Point(0.5 * (beside + there) if from_nodes else beside, pairs[0], pairs[2])
    end = Point(there, pairs[1], pairs[3])
    w, first = carried[0], carried[1]

    def rate(point: Point, gain: ca.SX, at: ca.SX) -> ca.SX:
        return gain * accel(point, ca.fmin(ca.fmax(at, 0.0), point.limit), car)

    second = rate(middle, gain_middle, w + 0.5 * step * first)
    third = rate(middle, gain_middle, w + 0.5 * step * second)
    fourth = rate(end, gain_there, w + step * third)
    raw = ca.if_else(step == 0.0, w, w + step * (first + 2.0 * second + 2.0 * third + fourth) / 6.0)
    reached = ca.fmin(raw, end.limit)
    slope = rate(end, gain_there, reached)
    function = ca.Function(name, [carried, cell, beside, there, car], [ca.vertcat(reached, slope), raw])
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
    limit = float(limits.limit[begin])
    lap = run.cover(limit)
    for _ in range(LAPS):
        start = min(float(lap.w[end]), limit)
        if abs(start - lap.w[begin]) <= SETTLED * lap.w[begin]:
            return lap
        run.again(lap, start)
    raise NoSolutionError(
        f"the quasi-steady lap does not settle: after {LAPS} laps the speed still changes from one to the next; "
        "has the car neither drag nor a power limit?"
    )


class _Run:
    """A pass made ready. Its first step has no length: it only looks at the node where the pass starts."""

    def __init__(self, grid: Grid, limits: Limits, direction: int) -> None:
        self.drive, self.direction, self.s = limits.drive(direction), direction, grid.s
        cell = np.zeros((7, grid.s.size))
        inner = slice(1, None) if direction > 0 else slice(None, -1)
        cell[0, inner] = direction * np.diff(grid.s)
        both = (2.0 * grid.points.metric, self.drive.trust, limits.limit)
        for row, values in zip((1, 3, 5), both, strict=True):
            cell[row, inner], cell[row + 1] = values[1::2], values[::2]
        self.arguments = [cell, self.drive.beside, self.drive.nodes]
        self.stepped = cell[0] != 0.0

    def cover(self, w_start: float) -> Sweep:
        """From squared speed ``w_start`` at the first node of the pass to its last one."""
        return Sweep(*self._steps(w_start, 0.0, slice(None)))

    def again(self, lap: Sweep, w_start: float) -> None:
        """A closed lap once more from another squared speed, in place, as far as that makes a difference."""
        count = self.s.size
        w, slope = w_start, 0.0
        for first in range(0, count, STRETCH):
            rows = slice(first, min(first + STRETCH, count))
            if self.direction < 0:
                rows = slice(count - rows.stop, count - rows.start)
            end = rows.stop - 1 if self.direction > 0 else rows.start
            was = lap.w[end]
            lap.w[rows], lap.raw[rows], lap.slope[rows] = self._steps(w, slope, rows)
            w, slope = float(lap.w[end]), float(lap.slope[end])
            if abs(w - was) <= SETTLED * was:
                return

    def _steps(self, w: float, slope: float, rows: slice) -> tuple[Array, Array, Array]:
        start = np.array([[w], [slope]])
        parts = (np.ascontiguousarray(part[:, rows])[:, :, None] for part in self.arguments)
        both, raw = self.drive.program(start, *parts, self.drive.car)
        stands = np.flatnonzero((raw[0, :, 0] <= 0.0) & self.stepped[rows])
        if stands.size:
            self.stand(int(stands[0 if self.direction > 0 else -1]) + (rows.start or 0))
        return both[0, :, 0], raw[0, :, 0], both[1, :, 0]

    def stand(self, node: int) -> None:
        place = f"at {self.s[node]:.1f} m"
        if self.direction > 0:
            raise NoSolutionError(
                f"the car comes to a stand {place}: with all it can drive it does not climb the road there"
            )
        raise NoSolutionError(
            f"the car cannot be slowed down enough {place}: the road falls more steeply than its brakes or tyres can hold"
        )
