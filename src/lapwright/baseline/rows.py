"""The full car at the rows of a quasi-steady lap: its steady state on the real road, with its real engine and brakes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.boundary import OVER, march, settle
from lapwright.baseline.envelope import TrimEnvelope
from lapwright.baseline.path import PathRoad
from lapwright.baseline.profile import SpeedProfile
from lapwright.baseline.steady import Asked, SteadyCar, asked, at_distance
from lapwright.baseline.trim import Motion, TrimModel, overrun_force, steady_state
from lapwright.lap.channels import car_lap
from lapwright.lap.lap import Lap
from lapwright.track.road import Array
from lapwright.vehicle.car import drive_force
from lapwright.vehicle.motion import RoadFrame

if TYPE_CHECKING:
    from lapwright.track.track import Track

SLOWEST = 3.0
"""Below this speed [m/s] the car's angles are those of this speed at the same forces: at rest they have no meaning."""

LEAST_SHARE = 0.5
"""A steady state that gives less of the asked force is not the one looked for."""

INSIDE = (0.97, 0.9, 0.75)
"""Shares of the asked force from which the way out is walked where it was not found directly."""

NEAR = 0.03
"""A force so close to the end of the tables, in units of the load, counts as all there is."""

MIRROR = np.array([0, 1, 2, 4, 3, 6, 5])
MIRROR_SIGN = np.array([-1.0, -1.0, 1.0, 1.0, 1.0, 1.0, 1.0])


@dataclass(frozen=True)
class RowStates:
    """Steady states of M rows: ``y`` (7, M) see ``trim.UNKNOWNS``; ``share`` (M,) of the asked tyre force that the car gives
    (one, but for what the envelope's tables miss between their nodes); ``solved`` which rows are steady states.
    """

    y: Array
    share: Array
    solved: NDArray[np.bool_]


def car_rows(
    track: Track, envelope: TrimEnvelope, road: PathRoad, profile: SpeedProfile
) -> tuple[Lap, RowStates]:
    """The lap of a speed profile along a line, every channel from the car's steady state.

    Parameters
    ----------
    track
        The road.
    envelope
        The car's envelope; gives the first guess of each steady state.
    road
        The road along the line at the profile's stations.
    profile
        The speed profile.
    """
    motion, free = _motion(envelope, road, profile)
    states = _steady_states(envelope, motion, free, road, profile)
    share = np.where(states.solved, states.share, 1.0)
    given = motion._replace(
        accel=free[0] + share * (motion.accel - free[0]),
        curvature=free[1] + share * (motion.curvature - free[1]),
    )
    state = steady_state(given, states.y)
    lap = car_lap("baseline", track, envelope.vehicle, profile.s, profile.t, np.stack(state), states.y[3:7])
    return _as_driven(lap, road, profile), states


def given_share(
    envelope: TrimEnvelope, road: PathRoad, profile: SpeedProfile
) -> tuple[NDArray[np.int64], Array]:
    """Share of the asked tyre force that the car really gives, where a profile asks for all there is.

    Returns
    -------
    tuple
        Numbers of those rows and their shares.
    """
    w = profile.w
    speed, normal = np.maximum(np.sqrt(w), SLOWEST), road.normal(w)
    between = envelope.lookup.range(speed, normal, road.lateral(w, normal), road.grip)
    force = profile.accel - road.pull(w, normal) + envelope.per_speed[1] * w
    near = NEAR * envelope.load(speed, normal)
    at_limit = (force >= between.most - near) | (force <= between.least + near)
    rows = np.flatnonzero(at_limit & (w > SLOWEST**2))
    if rows.size == 0:
        return rows, np.ones(0)
    some, picked = road.take(rows), profile.take(rows)
    motion, free = _motion(envelope, some, picked)
    start = _at_all(_guess(envelope, some, picked))
    ends = settle(_car(envelope), _toward(motion, free), start)
    good = ends.exact & (ends.y[7] > LEAST_SHARE)
    return rows[good], ends.y[7, good]


def _as_driven(lap: Lap, road: PathRoad, profile: SpeedProfile) -> Lap:
    """Speed, curvature and yaw rate as the passes have them; pedals within their travel."""
    speed = np.sqrt(profile.w)
    return replace(
        lap,
        speed=speed,
        curvature=road.curvature,
        yaw_rate=speed * road.curvature,
        pedal=np.clip(lap.pedal, -1.0, 1.0),
        brake=np.clip(lap.brake, 0.0, 1.0),
        throttle=np.clip(lap.throttle, 0.0, 1.0),
    )


def _car(envelope: TrimEnvelope) -> SteadyCar:
    return SteadyCar(TrimModel(envelope.vehicle, envelope.curve))


def _motion(
    envelope: TrimEnvelope, road: PathRoad, profile: SpeedProfile
) -> tuple[Motion, tuple[Array, Array]]:
    """What is asked at the rows, and the acceleration and curvature of a car whose tyres give nothing."""
    w, normal = profile.w, road.normal(profile.w)
    speed = np.maximum(np.sqrt(w), SLOWEST)
    square = speed * speed
    curvature = road.curvature * w / square
    accel = road.pull(w, normal) - envelope.per_speed[1] * w
    frame = RoadFrame._make([*road.frame.T, ()])
    motion = Motion(frame, road.n, road.xi, speed, profile.accel, curvature)
    return motion, (accel, curvature - road.lateral(w, normal) / square)


def _toward(motion: Motion, free: tuple[Array, Array]) -> Asked:
    """From no tyre force at all (distance 0) to the asked one (distance 1), on the real road."""
    rise = motion.accel - free[0], motion.curvature - free[1]
    return asked(motion._replace(accel=free[0], curvature=free[1]), (rise[0], 0.0), (rise[1], 0.0))


def _at_all(states: Array) -> Array:
    """Unknowns (9, M) of states (7, M) that give the whole of the asked force."""
    one = np.ones(states.shape[1])
    return np.vstack([states, one, 0.0 * one])


def _steady_states(
    envelope: TrimEnvelope, motion: Motion, free: tuple[Array, Array], road: PathRoad, profile: SpeedProfile
) -> RowStates:
    car, rays = _car(envelope), _toward(motion, free)
    guess = _at_all(_guess(envelope, road, profile))
    found = car.solve(rays, at_distance(guess[7]), guess)
    y, within = found.y, found.solved & (found.beside.max(axis=0) <= 1.0 + OVER)
    # At the limit the tables may ask for a little more than there is: take what there is in that direction. Where that
    # fails the state of the nearest row that has one, before or after, is a better guess than the tables.
    for side in (0, -1, 1):
        beyond = np.flatnonzero(~within)
        if beyond.size == 0:
            break
        start = guess[:, beyond]
        if side and within.any():
            start = y[:, _nearest(within, beyond, side)]
            start[7] = 1.0
        ends = settle(car, rays.take(beyond), start)
        good = ends.exact & (ends.y[7] > LEAST_SHARE)
        y[:, beyond] = np.where(good, ends.y, guess[:, beyond])
        within[beyond] = good
    for origin in INSIDE:
        beyond = np.flatnonzero(~within)
        if beyond.size == 0:
            break
        inside = rays.take(beyond).moved(np.full(beyond.size, origin))
        ends = march(car, inside, guess[:, beyond], np.full(beyond.size, 0.3 * (1.0 - origin)))
        ends.y[7] += origin
        y[:, beyond] = np.where(ends.exact, ends.y, y[:, beyond])
        within[beyond] = ends.exact
    return RowStates(y[:7], y[7], within)


def _nearest(marked: NDArray[np.bool_], rows: NDArray[np.int64], side: int) -> NDArray[np.int64]:
    """For some rows the nearest marked one before (-1) or after (1), or the last or first of all."""
    at = np.flatnonzero(marked)
    after = np.searchsorted(at, rows)
    return at[np.clip(after - 1 if side < 0 else after, 0, at.size - 1)]


def _guess(envelope: TrimEnvelope, road: PathRoad, profile: SpeedProfile) -> Array:
    """Steady states between the nodes of the tables, with the pedal of the real engine and brakes."""
    w = profile.w
    speed, normal = np.sqrt(w), road.normal(w)
    lateral = road.lateral(w, normal)
    blend = envelope.blend(speed, normal, lateral, road.grip, with_states=True)
    assert blend.states is not None
    force = profile.accel - road.pull(w, normal) + envelope.per_speed[1] * w
    rows, last = np.arange(w.size), blend.long.shape[1] - 1
    place = np.clip((force[:, None] > blend.long).sum(axis=1) - 1, 0, last - 1)
    low, high = blend.long[rows, place], blend.long[rows, place + 1]
    ahead = np.clip((force - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)
    y = (1.0 - ahead) * blend.states[:, rows, place] + ahead * blend.states[:, rows, place + 1]
    effort = (1.0 - ahead) * blend.effort[rows, place] + ahead * blend.effort[rows, place + 1]
    y[2] = _pedal(envelope, speed, effort * envelope.vehicle.chassis.mass)
    return np.where(lateral < 0.0, MIRROR_SIGN[:, None] * y[MIRROR], y)


def _pedal(envelope: TrimEnvelope, speed: Array, force: Array) -> Array:
    """Pedal that gives a force [N] of engine and brakes together."""
    vehicle = envelope.vehicle
    overrun = overrun_force(vehicle, envelope.curve, speed)
    span = drive_force(vehicle, envelope.curve, speed, 1.0) + overrun
    throttle = np.clip((force + overrun) / np.maximum(span, 1.0), 0.0, 1.0)
    brake = np.clip(-(force + overrun) / vehicle.brakes.peak_force, 0.0, 1.0)
    return np.where(force > -overrun, throttle, -brake)
