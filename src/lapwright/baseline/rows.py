"""The full car at the rows of a quasi-steady lap: its steady state on the real road, with its real engine and brakes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.boundary import OVER, march, settle
from lapwright.baseline.envelope import TrimEnvelope
from lapwright.baseline.newton import solve_many
from lapwright.baseline.path import PathRoad
from lapwright.baseline.profile import SpeedProfile
from lapwright.baseline.trim import SCALE, Motion, TrimModel, overrun_force
from lapwright.lap.channels import car_lap, frame_of
from lapwright.lap.lap import Lap
from lapwright.track.road import Array
from lapwright.vehicle.car import drive_force

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

EVERY = 3
"""Of the rows at the limit one in so many is looked at."""

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


@dataclass(frozen=True)
class _RoadRays:
    """From no tyre force at all (distance 0) to the asked one (distance 1), on the real road; ``origin`` moves the 0."""

    asked: Motion
    free_accel: Array
    free_curvature: Array
    origin: float = 0.0

    @property
    def count(self) -> int:
        return self.free_accel.size

    def motion(self, rows: NDArray[np.int64], distance: Array) -> Motion:
        some = self.asked.take(rows)
        accel, curvature, distance = self.free_accel[rows], self.free_curvature[rows], self.origin + distance
        return some._replace(
            accel=accel + distance * (some.accel - accel),
            curvature=curvature + distance * (some.curvature - curvature),
        )


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
    speed = np.maximum(np.sqrt(profile.w), SLOWEST)
    curvature = road.curvature * profile.w / (speed * speed)
    asked = Motion(frame_of(track.road(profile.s)), road.n, road.xi, speed, profile.accel, curvature)
    states = _steady_states(envelope, asked, road, profile)
    given = _RoadRays(asked, *_free(envelope, road, profile, speed)).motion(
        np.arange(speed.size), np.where(states.solved, states.share, 1.0)
    )
    state = TrimModel(envelope.vehicle, envelope.curve).trim(given, states.y).state
    lap = car_lap("baseline", track, envelope.vehicle, profile.s, profile.t, np.stack(state), states.y[3:7])
    return _as_driven(lap, road, profile), states


def given_share(
    envelope: TrimEnvelope, track: Track, road: PathRoad, profile: SpeedProfile
) -> tuple[NDArray[np.int64], Array]:
    """Share of the asked tyre force that the car really gives, where a profile asks for all there is.

    Returns
    -------
    tuple
        Numbers of the rows looked at (every ``EVERY``-th of those at the limit) and their shares.
    """
    w = profile.w
    speed, normal = np.maximum(np.sqrt(w), SLOWEST), road.normal(w)
    lateral = road.lateral(w, normal)
    blend = envelope.blend(speed, normal, lateral, road.grip)
    force = profile.accel - road.pull(w, normal) + envelope.per_speed[1] * w
    near = NEAR * blend.load
    at_limit = (force >= blend.long[:, -1] - near) | (force <= blend.long[:, 0] + near)
    rows = np.flatnonzero(at_limit & (w > SLOWEST**2))[::EVERY]
    if rows.size == 0:
        return rows, np.ones(0)
    some, picked = road.take(rows), profile.take(rows)
    asked = Motion(frame_of(track.road(picked.s)), some.n, some.xi, speed[rows], picked.accel, some.curvature)
    rays = _RoadRays(asked, *_free(envelope, some, picked, speed[rows]))
    guess = _guess(envelope, some, picked)
    ends = settle(
        TrimModel(envelope.vehicle, envelope.curve), rays, np.vstack([guess, np.ones((1, rows.size))])
    )
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


def _free(envelope: TrimEnvelope, road: PathRoad, profile: SpeedProfile, speed: Array) -> tuple[Array, Array]:
    """Acceleration and curvature of a car whose tyres give nothing."""
    w, normal = profile.w, road.normal(profile.w)
    accel = road.pull(w, normal) - envelope.per_speed[1] * w
    return accel, road.curvature * w / (speed * speed) - road.lateral(w, normal) / (speed * speed)


def _steady_states(envelope: TrimEnvelope, asked: Motion, road: PathRoad, profile: SpeedProfile) -> RowStates:
    model = TrimModel(envelope.vehicle, envelope.curve)
    guess = _guess(envelope, road, profile)
    y, solved = solve_many(lambda trial, rows: model.trim(asked.take(rows), trial).residual, guess, SCALE)
    within = solved & (model.trim(asked, y).use.max(axis=0) <= 1.0 + OVER)
    share = np.ones(within.size)
    free = _free(envelope, road, profile, asked.speed)
    # At the limit the tables may ask for a little more than there is: take what there is in that direction. Where that
    # fails the state of the nearest row that has one is a better guess than the tables.
    for start in (guess, None):
        beyond = np.flatnonzero(~within)
        if beyond.size == 0:
            break
        if start is None:
            start = y[:, _nearest(within)] if within.any() else guess
        rays = _RoadRays(asked.take(beyond), free[0][beyond], free[1][beyond])
        ends = settle(model, rays, np.vstack([start[:, beyond], np.ones((1, beyond.size))]))
        good = ends.exact & (ends.y[7] > LEAST_SHARE)
        y[:, beyond] = np.where(good, ends.y[:7], guess[:, beyond])
        share[beyond] = np.where(good, ends.y[7], 1.0)
        within[beyond] = good
    for origin in INSIDE:
        beyond = np.flatnonzero(~within)
        if beyond.size == 0:
            break
        rays = _RoadRays(asked.take(beyond), free[0][beyond], free[1][beyond], origin)
        ends = march(model, rays, guess[:, beyond], np.full(beyond.size, 0.3 * (1.0 - origin)))
        y[:, beyond] = np.where(ends.exact, ends.y[:7], y[:, beyond])
        share[beyond] = np.where(ends.exact, origin + ends.y[7], share[beyond])
        within[beyond] = ends.exact
    return RowStates(y, share, within)


def _nearest(marked: NDArray[np.bool_]) -> NDArray[np.int64]:
    """For each row the nearest marked one."""
    at = np.flatnonzero(marked)
    every = np.arange(marked.size)
    after = np.clip(np.searchsorted(at, every), 0, at.size - 1)
    before = np.maximum(after - 1, 0)
    closer = np.abs(at[before] - every) < np.abs(at[after] - every)
    return np.where(closer, at[before], at[after])


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
