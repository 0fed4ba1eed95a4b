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
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.newton import solve_many
from lapwright.baseline.trim import SCALE, Motion, Trim, TrimModel, bend_motion
from lapwright.track.road import Array

Index = NDArray[np.int64]

SHARPNESS = 24
"""Power of the norm that stands for the greatest share on the way out; the end itself uses the greatest."""

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

QUICK = 8
"""Newton steps that are enough from a close guess; where they are not, a shorter step is tried instead."""

ROUNDS = 60
FORCE_SCALE = 0.2


class Conditions(NamedTuple):
    """Speed [m/s], normal specific force [m/s2] and grip scale of the road, (P,) each, and what follows for a car:
    specific load L and drag [m/s2].
    """

    speed: Array
    normal: Array
    grip: Array
    load: Array
    drag: Array

    def motion(self, which: Index, long: Array, lat: Array) -> Motion:
        """Motion at conditions ``which`` with forces in units of the load."""
        load = self.load[which]
        return bend_motion(
            self.speed[which],
            self.normal[which],
            self.grip[which],
            long * load - self.drag[which],
            lat * load,
        )


def conditions(model: TrimModel, speed: Array, normal: Array, grip: Array) -> Conditions:
    """Conditions for a car from speed [m/s], normal specific force [m/s2] and grip scale, (P,) each."""
    aero, mass = model.vehicle.aero, model.vehicle.chassis.mass
    pressure = 0.5 * aero.air_density * speed * speed / mass
    return Conditions(speed, normal, grip, normal + pressure * aero.downforce_area, pressure * aero.drag_area)


class Rays(Protocol):
    """Ways out from the inside of the car's reach."""

    @property
    def count(self) -> int:
        """Number of rays R."""
        ...

    def motion(self, rows: Index, distance: Array) -> Motion:
        """Motion at a distance along each of some rays."""
        ...


@dataclass(frozen=True)
class FlatRays:
    """Straight lines in the plane of forces, (R,): condition, starting point and direction, units of the load."""

    at: Conditions
    which: Index
    long: Array
    lat: Array
    toward_long: Array
    toward_lat: Array

    @property
    def count(self) -> int:
        """Number of rays R."""
        return self.which.size

    def motion(self, rows: Index, distance: Array) -> Motion:
        """Motion at a distance along each of some rays."""
        long = self.long[rows] + distance * self.toward_long[rows]
        lat = self.lat[rows] + distance * self.toward_lat[rows]
        return self.at.motion(self.which[rows], long, lat)


@dataclass(frozen=True)
class Ends:
    """Where rays leave the car's reach.

    ``y`` (8, R) unknowns and distance, ``active`` (R,) the wheel at its limit, ``exact`` (R,) False where the limit was not
    reached and the last steady state within it is given.
    """

    y: Array
    active: Index
    exact: NDArray[np.bool_]


def walk_out(model: TrimModel, rays: Rays) -> Ends:
    """The end of each ray, from steady state close to its starting point."""
    count = rays.count
    every = np.arange(count)
    start, started = solve_many(
        lambda y, rows: model.trim(rays.motion(rows, np.full(rows.size, FIRST)), y).residual,
        np.zeros((7, count)),
        SCALE,
    )
    y = np.vstack([start, np.full((1, count), FIRST)])
    y[:, ~started] = 0.0
    share = np.where(started, _norm(_trim(model, rays, every, y).use), 1.0)
    y, reached = _continue(model, rays, y, share)
    ends = settle(model, rays, y)
    return Ends(ends.y, ends.active, ends.exact & started & reached)


def _continue(model: TrimModel, rays: Rays, y: Array, share: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Step the share in use up to one, each ray with its own step, which grows on success and shrinks on failure."""
    before, share_before = y.copy(), share.copy()
    step = np.full(share.size, FIRST_STEP)
    todo = np.flatnonzero(share < 1.0)
    scale = np.append(SCALE, FORCE_SCALE)
    for _ in range(ROUNDS):
        if todo.size == 0:
            break
        target = np.minimum(1.0, share[todo] + step[todo])
        gained = share[todo] - share_before[todo]
        slope = np.divide(
            y[:, todo] - before[:, todo], gained, out=np.zeros((8, todo.size)), where=gained > 0.0
        )
        guess = y[:, todo] + slope * (target - share[todo])

        def residual(trial: Array, rows: Index, todo: Index = todo, target: Array = target) -> Array:
            trim = _trim(model, rays, todo[rows], trial)
            return np.vstack([trim.residual, (_norm(trim.use) - target[rows])[None]])

        found, solved = solve_many(residual, guess, scale, iterations=2 * QUICK)
        good = todo[solved]
        before[:, good], share_before[good] = y[:, good], share[good]
        y[:, good], share[good] = found[:, solved], target[solved]
        step[good] *= 1.4
        step[todo[~solved]] *= 0.3
        todo = todo[(share[todo] < 1.0 - 1e-12) & (step[todo] > SMALLEST_STEP)]
    return y, share >= 1.0 - 1e-12


def settle(model: TrimModel, rays: Rays, y: Array) -> Ends:
    """Ends of rays from guesses close to them: exactly one limit is reached and none is passed."""
    y = y.copy()
    count = rays.count
    every = np.arange(count)
    order = np.argsort(-_trim(model, rays, every, y).use, axis=0)
    active, tries = order[0].copy(), np.zeros(count, dtype=np.int64)
    exact = np.zeros(count, dtype=bool)
    todo = every
    for _ in range(8):
        found, solved = _meet(model, rays, y[:, todo], todo, active[todo])
        use = _trim(model, rays, todo, found).use
        fine = solved & (use.max(axis=0) <= 1.0 + OVER)
        y[:, todo[fine]] = found[:, fine]
        exact[todo[fine]] = True
        # Another limit comes first: it is the next to try. No solution at all: the next in order of use.
        passed, failed = todo[solved & ~fine], todo[~solved]
        active[passed] = use[:, solved & ~fine].argmax(axis=0)
        tries[failed] += 1
        active[failed] = order[tries[failed] % 4, failed]
        todo = todo[~fine]
        if todo.size == 0:
            break
    return Ends(y, active, exact)


def step_inside(model: TrimModel, rays: Rays, y: Array, share: float) -> tuple[Array, NDArray[np.bool_]]:
    """From ends (8, R) of rays to where the same limits are used only to ``share``; and whether that was found.

    A tyre at its peak gives the same force with a little less slip as with a little more: this picks the former.
    """
    every = np.arange(rays.count)
    active = _trim(model, rays, every, y).use.argmax(axis=0)
    return _meet(model, rays, y, every, active, share)


def _meet(
    model: TrimModel, rays: Rays, y: Array, todo: Index, active: Index, share: float = 1.0
) -> tuple[Array, NDArray[np.bool_]]:
    def residual(trial: Array, rows: Index) -> Array:
        trim = _trim(model, rays, todo[rows], trial)
        return np.vstack([trim.residual, (trim.use[active[rows], np.arange(rows.size)] - share)[None]])

    return solve_many(residual, y, np.append(SCALE, FORCE_SCALE), iterations=2 * QUICK)


def march(model: TrimModel, rays: Rays, start: Array, step: Array) -> Ends:
    """The first end of each ray, by steady states further and further out: slow, and hard to lead astray.

    Parameters
    ----------
    start
        Guesses (7, R) at the starting points.
    step
        First steps (R,), units of the load; halved whenever the next state does not exist or passes a limit.
    """
    count = rays.count
    every = np.arange(count)
    y, fine = _state_within(model, rays, start, np.zeros(count), every)
    distance, step = np.zeros(count), np.maximum(step, MARCH_LEAST)
    began, todo = fine.copy(), every[fine]
    for _ in range(MARCHES):
        if todo.size == 0:
            break
        trial, fine = _state_within(model, rays, y[:, todo], distance[todo] + step[todo], todo)
        good = todo[fine]
        y[:, good] = trial[:, fine]
        distance[good] += step[good]
        step[todo[~fine]] *= 0.5
        todo = todo[step[todo] > MARCH_END]
    reached = np.vstack([y, distance])
    ends = settle(model, rays, reached)
    # The state before the last step is kept where Newton's method leads elsewhere: it is short of the end by that step.
    near = ends.exact & (np.abs(ends.y[7] - distance) <= 2.0 * MARCH_END)
    active = np.where(near, ends.active, model.trim(rays.motion(every, distance), y).use.argmax(axis=0))
    return Ends(np.where(near, ends.y, reached), active, began)


def _state_within(
    model: TrimModel, rays: Rays, guess: Array, distance: Array, which: Index
) -> tuple[Array, NDArray[np.bool_]]:
    y, solved = solve_many(
        lambda trial, rows: model.trim(rays.motion(which[rows], distance[rows]), trial).residual,
        guess,
        SCALE,
        iterations=QUICK,
    )
    use = model.trim(rays.motion(which, distance), y).use
    return y, solved & (use.max(axis=0) <= 1.0)


def meet_two(
    model: TrimModel, at: Conditions, which: Index, y: Array, pair: Index
) -> tuple[Array, NDArray[np.bool_]]:
    """Points where two limits are reached at once: a corner of the car's reach.

    Parameters
    ----------
    which
        Conditions, (Q,).
    y
        Guesses (9, Q): the seven unknowns, then forces along and across in units of the load.
    pair
        The two limits, (2, Q).

    Returns
    -------
    tuple
        The points (9, Q), and whether they are steady states within every limit.
    """

    def residual(trial: Array, rows: Index) -> Array:
        trim = model.trim(at.motion(which[rows], trial[7], trial[8]), trial[:7])
        met = trim.use[pair[:, rows], np.arange(rows.size)] - 1.0
        return np.vstack([trim.residual, met])

    found, solved = solve_many(residual, y, np.concatenate([SCALE, [FORCE_SCALE, FORCE_SCALE]]))
    use = model.trim(at.motion(which, found[7], found[8]), found[:7]).use
    return found, solved & (use.max(axis=0) <= 1.0 + OVER)


def _trim(model: TrimModel, rays: Rays, rows: Index, y: Array) -> Trim:
    return model.trim(rays.motion(rows, y[7]), y[:7])


def _norm(use: Array) -> Array:
    power: Array = (use**SHARPNESS).sum(axis=0) ** (1.0 / SHARPNESS)
    return power
