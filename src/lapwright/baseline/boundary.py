"""Where steady state ends: the largest specific forces of the full car, found from the inside.

Engine and brakes are taken as unlimited here, so the end is a tyre at its allowed slip.
A steady state is fully determined by the specific forces along and across the path: seven unknowns, seven equations.
Going outwards along a ray from coasting straight ahead, the share of the limit in use rises; the point where it reaches
one is found by Newton's method with that share, not the force, as the thing that is stepped, because near the peak of a
tyre the force hardly changes while the slip still does.

Forces are in units of what presses the car on the road: ``long`` = (f_x + drag) / L and ``lat`` = f_y / L with the specific
load L = normal + downforce. They are friction coefficients and change little from load to load.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.steady import (
    Asked,
    Index,
    SteadyCar,
    asked,
    at_distance,
    at_limit,
    at_share,
    at_two_limits,
    share_in_use,
)
from lapwright.baseline.trim import Motion
from lapwright.quantities import G
from lapwright.track.road import Array
from lapwright.vehicle.motion import RoadFrame
from lapwright.vehicle.parameters import Vehicle

TIGHTEST = 7.0
"""Smallest radius [m] of the bends of the envelope."""

OVER = 5e-4
"""A share of a limit so much above one counts as one: left and right wheel are never quite equal in a Newton solution."""

FIRST_STEP, SMALLEST_STEP = 0.22, 1e-4
"""First and last tried step of the share in use."""

FIRST = 0.05
"""Distance from its starting point at which the walk along a ray begins, in units of the load."""

MARCHES, MARCH_LEAST = 120, 0.02
"""Most steps of a march, and its least first step [units of the load]."""

MARCH_END = 2e-3
"""Steps so short end a march."""

QUICK, ENOUGH = 8, 12
"""Newton steps that are enough from a close guess, and from a fair one; where they are not, something else is tried."""

ROUNDS = 60

ROUGHLY = 1e-3
"""Largest residual of states on the way out."""


class Conditions(NamedTuple):
    """Speed [m/s], normal specific force [m/s2] and grip scale of the road, (P,) each, and what follows for a car:
    specific load L and drag [m/s2].
    """

    speed: Array
    normal: Array
    grip: Array
    load: Array
    drag: Array

    def rays(
        self,
        which: Index,
        origin: tuple[Any, Any],
        toward: tuple[Any, Any],
        beside: tuple[Any, Any] = (0.0, 0.0),
    ) -> Asked:
        """Straight lines in the plane of forces (along, across), units of the load, at conditions ``which``.

        The bends are level unless that made them tighter than ``TIGHTEST``: then they have that radius and are banked
        outwards, so that the tyres give the same force. Otherwise the envelope at low speed would tell of turns on the spot.
        """
        speed, load = self.speed[which], self.load[which]
        bend = load / (speed * speed)
        road = RoadFrame(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, self.normal[which] / G, self.grip[which])
        motion = Motion(road, 0.0, 0.0, speed, origin[0] * load - self.drag[which], origin[1] * bend)
        return asked(
            motion, (toward[0] * load, beside[0] * load), (toward[1] * bend, beside[1] * bend), 1.0 / TIGHTEST
        )


def conditions(vehicle: Vehicle, speed: Array, normal: Array, grip: Array) -> Conditions:
    """Conditions for a car from speed [m/s], normal specific force [m/s2] and grip scale, (P,) each."""
    aero, mass = vehicle.aero, vehicle.chassis.mass
    pressure = 0.5 * aero.air_density * speed * speed / mass
    return Conditions(speed, normal, grip, normal + pressure * aero.downforce_area, pressure * aero.drag_area)


@dataclass(frozen=True)
class Ends:
    """Where rays leave the car's reach.

    ``y`` (9, R) unknowns and distance, ``active`` (R,) the wheel at its limit, ``exact`` (R,) False where the limit was not
    reached and the last steady state within it is given.
    """

    y: Array
    active: Index
    exact: NDArray[np.bool_]


def walk_out(car: SteadyCar, rays: Asked) -> Ends:
    """The end of each ray, from steady state close to its starting point."""
    first = np.zeros((9, rays.count))
    first[7] = FIRST
    start = car.solve(rays, at_distance(first[7]), first)
    y = np.where(start.solved, start.y, first)
    share = np.where(start.solved, share_in_use(start.beside), 1.0)
    y, reached = _continue(car, rays, y, share)
    ends = settle(car, rays, y)
    return Ends(ends.y, ends.active, ends.exact & start.solved & reached)


def _continue(car: SteadyCar, rays: Asked, y: Array, share: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Step the share in use up to one, each ray with its own step, which grows on success and shrinks on failure."""
    before, share_before = y.copy(), share.copy()
    step = np.full(share.size, FIRST_STEP)
    todo = np.flatnonzero(share < 1.0)
    for _ in range(ROUNDS):
        if todo.size == 0:
            break
        target = np.minimum(1.0, share[todo] + step[todo])
        gained = share[todo] - share_before[todo]
        slope = np.divide(
            y[:, todo] - before[:, todo], gained, out=np.zeros((9, todo.size)), where=gained > 0.0
        )
        guess = y[:, todo] + slope * (target - share[todo])
        found = car.solve(rays.take(todo), at_share(target), guess, ENOUGH, ROUGHLY)
        good = todo[found.solved]
        before[:, good], share_before[good] = y[:, good], share[good]
        y[:, good], share[good] = found.y[:, found.solved], target[found.solved]
        step[good] *= 1.4
        step[todo[~found.solved]] *= 0.3
        todo = todo[(share[todo] < 1.0 - 1e-12) & (step[todo] > SMALLEST_STEP)]
    return y, share >= 1.0 - 1e-12


def settle(car: SteadyCar, rays: Asked, y: Array) -> Ends:
    """Ends of rays from guesses close to them: exactly one limit is reached and none is passed."""
    y, count = y.copy(), rays.count
    use = car.use(rays, y)
    active, tried = use.argmax(axis=0), np.zeros(use.shape, dtype=bool)
    exact = np.zeros(count, dtype=bool)
    todo = np.arange(count)
    for _ in range(use.shape[0]):
        tried[active[todo], todo] = True
        found = car.solve(rays.take(todo), at_limit(active[todo]), y[:, todo], ENOUGH)
        fine = found.solved & (found.beside.max(axis=0) <= 1.0 + OVER)
        y[:, todo[fine]] = found.y[:, fine]
        exact[todo[fine]] = True
        # Where another limit comes first it is the next to try; where there is no solution, the next in order of use.
        order = np.where(found.solved, found.beside, use[:, todo])[:, ~fine]
        todo = todo[~fine]
        if todo.size == 0:
            break
        active[todo] = np.where(tried[:, todo], -1.0, order).argmax(axis=0)
    return Ends(y, active, exact)


def step_inside(car: SteadyCar, rays: Asked, y: Array, share: float) -> tuple[Array, NDArray[np.bool_]]:
    """From ends (9, R) of rays to where the same limits are used only to ``share``; and whether that was found.

    A tyre at its peak gives the same force with a little less slip as with a little more: this picks the former.
    """
    active = car.use(rays, y).argmax(axis=0)
    found = car.solve(rays, at_limit(active, share), y, ENOUGH)
    return found.y, found.solved


def march(car: SteadyCar, rays: Asked, start: Array, step: Array) -> Ends:
    """The first end of each ray, by steady states further and further out: slow, and hard to lead astray.

    Parameters
    ----------
    start
        Guesses (9, R) at the starting points; their distances do not count.
    step
        First steps (R,), units of the load; halved whenever the next state does not exist or passes a limit.
    """
    every = np.arange(rays.count)
    y, fine = _state_within(car, rays, start, np.zeros(rays.count))
    distance, step = np.zeros(rays.count), np.maximum(step, MARCH_LEAST)
    began, todo = fine.copy(), every[fine]
    for _ in range(MARCHES):
        if todo.size == 0:
            break
        trial, fine = _state_within(car, rays.take(todo), y[:, todo], distance[todo] + step[todo])
        good = todo[fine]
        y[:, good] = trial[:, fine]
        distance[good] += step[good]
        step[todo[~fine]] *= 0.5
        todo = todo[step[todo] > MARCH_END]
    y[7] = distance
    ends = settle(car, rays, y)
    # The state before the last step is kept where Newton's method leads elsewhere: it is short of the end by that step.
    near = ends.exact & (np.abs(ends.y[7] - distance) <= 2.0 * MARCH_END)
    active = np.where(near, ends.active, car.use(rays, y).argmax(axis=0))
    return Ends(np.where(near, ends.y, y), active, began)


def _state_within(
    car: SteadyCar, rays: Asked, guess: Array, distance: Array
) -> tuple[Array, NDArray[np.bool_]]:
    start = guess.copy()
    start[7] = distance
    found = car.solve(rays, at_distance(distance), start, QUICK)
    return found.y, found.solved & (found.beside.max(axis=0) <= 1.0)


def meet_two(car: SteadyCar, planes: Asked, y: Array, pair: Index) -> tuple[Array, NDArray[np.bool_]]:
    """Points where two limits are reached at once: a corner of the car's reach.

    Parameters
    ----------
    planes
        Points on planes of forces, (Q,).
    y
        Guesses (9, Q).
    pair
        The two limits, (2, Q).

    Returns
    -------
    tuple
        The points (9, Q), and whether they are steady states within every limit.
    """
    found = car.solve(planes, at_two_limits(pair), y)
    return found.y, found.solved & (found.beside.max(axis=0) <= 1.0 + OVER)
