"""Steady states of a car, many at once: what is asked at each point, what is to hold there, and the states that do it.

A point may be fixed, or lie anywhere on a ray or a plane of forces that is asked for; then one or two conditions pick it:
its distance along the ray, a limit of a tyre, or how much of the limits is in use.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.newton import ITERATIONS, TOLERANCE, Newton, Solved
from lapwright.baseline.trim import SCALE, Motion, TrimModel, steady_rows
from lapwright.problem.parameters import as_vector, flatten, substitute
from lapwright.quantities import G
from lapwright.track.road import Array, grip_scale
from lapwright.vehicle.driveline import DriveCurve
from lapwright.vehicle.motion import RoadFrame
from lapwright.vehicle.parameters import Vehicle

Index = NDArray[np.int64]

if hasattr(ca.GlobalOptions, "setNumpyMode"):
    # The formulas are written in numpy's words; keep them symbolic without a notice per call.
    ca.GlobalOptions.setNumpyMode(-1)

SIZE = 9
"""Unknowns of a system: those of the trim, the distance along the ray, the distance beside it."""

FORCE_SCALE = 0.2
"""Typical size of a distance."""

SHARPNESS = 24
"""Power of the norm that stands for the greatest share of a limit in use, as 8 times a power of three."""

NO_BEND = 1e9
"""Curvature [1/m] beyond any."""

_ROAD = 9
_FIELDS = _ROAD + 3 + 3 + 3 + 1
_GOALS = 7 + 6


@dataclass(frozen=True)
class Asked:
    """What the car is asked to do at M points, (_FIELDS, M).

    Rows: the nine numbers of a road frame without bands; offset, direction of the path, speed; acceleration along the path
    at the origin of the ray, its rise along the ray and beside it; curvature likewise; the tightest curvature. Where the
    curvature would be tighter the road is banked outwards instead, so that the tyres give the same force.
    """

    rows: Array

    @property
    def count(self) -> int:
        """Number of points M."""
        return int(self.rows.shape[1])

    def take(self, some: Any) -> Asked:
        """The same at some of the points."""
        return Asked(np.ascontiguousarray(self.rows[:, some]))

    def moved(self, distance: Array) -> Asked:
        """The same with the origin of each ray so much further along it."""
        rows = self.rows.copy()
        rows[12] += distance * rows[13]
        rows[15] += distance * rows[16]
        return Asked(rows)


def asked(
    motion: Motion,
    accel: tuple[Any, Any] = (0.0, 0.0),
    bend: tuple[Any, Any] = (0.0, 0.0),
    tightest: float = NO_BEND,
) -> Asked:
    """What is asked at points of a motion, (M,).

    Parameters
    ----------
    motion
        The motion at the origin of the ray.
    accel, bend
        Rise of acceleration [m/s2] and curvature [1/m] along the ray and beside it, for each unit of distance.
    tightest
        Largest curvature [1/m].
    """
    road = motion.road
    grip = grip_scale(motion.n, road.grip_base, list(road.grip_bands))
    rows = np.empty((_FIELDS, np.size(motion.speed)))
    fields = (
        *road[: _ROAD - 1], grip, motion.n, motion.xi, motion.speed,
        motion.accel, *accel, motion.curvature, *bend, tightest,
    )  # fmt: skip
    for row, value in zip(rows, fields, strict=True):
        row[:] = value
    return Asked(rows)


def at_distance(distance: Array) -> Array:
    """The point so far along the ray; conditions (_GOALS, M)."""
    goal = _on_the_ray(distance.size)
    goal[5], goal[6] = 1.0, distance
    return goal


def at_share(share: Array) -> Array:
    """The point where the norm of the limits in use has a value."""
    goal = _on_the_ray(share.size)
    goal[0], goal[6] = 1.0, share
    return goal


def at_limit(wheel: Index, share: float = 1.0) -> Array:
    """The point where a wheel uses a share of its limit."""
    goal = _on_the_ray(wheel.size)
    goal[1 + wheel, np.arange(wheel.size)] = 1.0
    goal[6] = share
    return goal


def at_two_limits(pair: Index) -> Array:
    """The point on the plane where two wheels, (2, M), are at their limit."""
    count = pair.shape[1]
    goal, every = np.zeros((_GOALS, count)), np.arange(count)
    goal[1 + pair[0], every] = goal[7 + pair[1], every] = 1.0
    goal[6] = goal[12] = 1.0
    return goal


def _on_the_ray(count: int) -> Array:
    goal = np.zeros((_GOALS, count))
    goal[11] = 1.0
    return goal


def share_in_use(use: Array) -> Array:
    """The norm of the limits in use (4, M) that stands for the greatest."""
    power: Array = (use**SHARPNESS).sum(axis=0) ** (1.0 / SHARPNESS)
    return power


class SteadyCar:
    """A car whose steady states can be asked for."""

    def __init__(self, model: TrimModel) -> None:
        vehicle, curve = model.driven_by
        names, values = as_vector(flatten(vehicle))
        knots: tuple[str, ...] = ()
        if curve is not None:
            knots, more = as_vector(flatten(curve))
            values = np.concatenate([values, more])
        self.model, self._numbers = model, values
        line = vehicle.driveline
        self._newton = _program(_Kind(line.driven, line.differential.type, names, knots, vehicle, curve))

    def solve(
        self,
        points: Asked,
        goal: Array,
        start: Array,
        iterations: int = ITERATIONS,
        tolerance: float = TOLERANCE,
    ) -> Solved:
        """Steady states that meet a goal, from first guesses (9, M); the values beside are the limits in use (4, M)."""
        return self._newton.solve(start, (points.rows, goal), self._numbers, iterations, tolerance)

    def use(self, points: Asked, y: Array) -> Array:
        """Share of each wheel's limit in use, (4, M), with unknowns (9, M)."""
        return self._newton.values(y, (points.rows, np.zeros((_GOALS, points.count))), self._numbers)


@dataclass(frozen=True)
class _Kind:
    """What tells the equations of one car from those of another; all else is numbers."""

    driven: str
    differential: str
    names: tuple[str, ...]
    knots: tuple[str, ...]
    vehicle: Vehicle = field(compare=False)
    curve: DriveCurve | None = field(compare=False)


@lru_cache(maxsize=16)
def _program(kind: _Kind) -> Newton:
    """Newton's method for cars of a kind; their numbers are symbols, so that one program serves all of them."""
    y, numbers = ca.SX.sym("y", SIZE), ca.SX.sym("car", len(kind.names) + len(kind.knots))
    points, goal = ca.SX.sym("asked", _FIELDS), ca.SX.sym("goal", _GOALS)
    vehicle = substitute(kind.vehicle, {name: numbers[i] for i, name in enumerate(kind.names)})
    curve = kind.curve
    if curve is not None:
        curve = substitute(curve, {name: numbers[i] for i, name in enumerate(kind.knots, len(kind.names))})
    rows, use = steady_rows(vehicle, curve, _motion(points, y[7], y[8]), [y[i] for i in range(7)])
    power = [u * u for u in use]
    power = [p * p * p for p in power]
    power = [(p * p) * (p * p) for p in power]
    norm = ca.exp(ca.log(sum(power)) / SHARPNESS)
    first = goal[0] * norm + sum(goal[1 + i] * use[i] for i in range(4)) + goal[5] * y[7] - goal[6]
    second = sum(goal[7 + i] * use[i] for i in range(4)) + goal[11] * y[8] - goal[12]
    scale = np.append(SCALE, [FORCE_SCALE, FORCE_SCALE])
    return Newton(y, ca.vertcat(*rows, first, second), scale, (points, goal), numbers, ca.vertcat(*use))


def _motion(points: ca.SX, along: ca.SX, beside: ca.SX) -> Motion:
    n, xi, speed = points[9], points[10], points[11]
    accel = points[12] + along * points[13] + beside * points[14]
    wanted = points[15] + along * points[16] + beside * points[17]
    bend = ca.fmin(ca.fmax(wanted, -points[18]), points[18])
    road = RoadFrame._make([*ca.vertsplit(points[:_ROAD]), ()])
    road = road._replace(up_y=road.up_y + (wanted - bend) * speed * speed / G)
    return Motion(road, n, xi, speed, accel, bend)
