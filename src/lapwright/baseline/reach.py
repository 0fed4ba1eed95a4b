"""The car's whole reach at given speeds, loads and grips: tables over the lateral force, from the boundary's ends.

For each condition: the largest lateral force and the longitudinal force that goes with it; then, at lateral forces
from none to the largest, the largest and least longitudinal force; then steady states between those two, for what engine
and brakes have to give. Left and right are mirror images, so lateral forces are taken to the left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.boundary import (
    Conditions,
    Ends,
    FlatRays,
    march,
    meet_two,
    settle,
    step_inside,
    walk_out,
)
from lapwright.baseline.newton import solve_many
from lapwright.baseline.trim import SCALE, TrimModel
from lapwright.track.road import Array

RAYS = 21
"""Directions looked into from full drive to full braking."""

HALVINGS = 4
"""Times that the bracket of the largest lateral force is halved."""

LATERAL_NODES = 19
"""Lateral forces of the tables, at sin(phi) of the largest for evenly spaced phi: force falls like a cosine of phi."""

INSIDE = (0.9, 0.97, 0.99, 0.997)
"""Shares of a limit from which the far edge is looked for when it was not found directly."""

INNER = (-0.5, 0.0, 0.5)
"""Longitudinal forces of the states between the least (-1) and the largest (1)."""


@dataclass(frozen=True)
class Reach:
    """Tables for P conditions, K lateral nodes and C = 5 longitudinal nodes; forces in units of the load L.

    Attributes
    ----------
    lat_most : (P,) largest lateral force
    lat : (P, K) lateral forces, from 0 to ``lat_most``
    long : (P, K, C) longitudinal force with drag taken off, from least to largest
    effort : (P, K, C) force of engine and brakes that it takes
    states : (7, P, K, C) the unknowns of the trim
    guessed : number of table entries that were not solved but interpolated or taken from inside
    """

    lat_most: Array
    lat: Array
    long: Array
    effort: Array
    states: Array
    guessed: int


def reach(model: TrimModel, at: Conditions) -> Reach:
    """Everything the car can do in steady state under each of the conditions."""
    count = at.speed.size
    angles = np.linspace(0.0, np.pi, RAYS)
    ends = walk_out(model, _fan(at, angles))
    top, top_missed = _largest_lateral(model, at, ends, angles)
    phi = np.linspace(0.0, 0.5 * np.pi, LATERAL_NODES)
    lat = np.sin(phi)[None, :] * top[8][:, None]
    least = _edge(model, at, ends, angles, top, lat, driving=False)
    most = _edge(model, at, ends, angles, top, lat, driving=True)
    _look_again(model, at, lat, least, most)
    shape = (count, LATERAL_NODES, len(INNER) + 2)
    states, long = np.empty((7, *shape)), np.empty(shape)
    states[..., 0], states[..., -1] = least.y[:7], most.y[:7]
    long[..., 0], long[..., -1] = least.y[7], most.y[7]
    missed_inner = _fill(model, at, lat, long, states)
    which = np.repeat(np.arange(count), shape[1] * shape[2])
    motion = at.motion(which, long.ravel(), np.repeat(lat.ravel(), shape[2]))
    force = model.effort(motion, states[2].ravel()).reshape(shape)
    effort = force / (model.vehicle.chassis.mass * at.load[:, None, None])
    guessed = int((~ends.exact).sum()) + top_missed + missed_inner
    guessed += int((~least.exact).sum()) + int((~most.exact).sum())
    return Reach(top[8], lat, long, effort, states, guessed)


def _fan(at: Conditions, angles: Array) -> FlatRays:
    """Rays from coasting straight ahead in every direction, for each condition."""
    which = np.arange(at.speed.size)
    zero = np.zeros(which.size * angles.size)
    across = np.where(np.sin(angles) < 1e-12, 0.0, np.sin(angles))
    return FlatRays(
        at,
        np.repeat(which, angles.size),
        zero,
        zero,
        np.tile(np.cos(angles), which.size),
        np.tile(across, which.size),
    )


def _largest_lateral(model: TrimModel, at: Conditions, ends: Ends, angles: Array) -> tuple[Array, int]:
    """State (9, P) of the largest lateral force of each condition: the seven unknowns, then the two forces.

    The bracket around the best ray is halved; where different limits are met on its two sides the largest force lies on the
    corner between them, which is solved for.
    """
    count = at.speed.size
    every = np.arange(count)
    y = ends.y.reshape(8, count, angles.size)
    active = ends.active.reshape(count, angles.size)
    best = np.clip(np.argmax(y[7] * np.sin(angles), axis=1), 1, angles.size - 2)
    near = best[:, None] + np.array([-1, 0, 1])
    three = np.stack([y[:, every, near[:, j]] for j in range(3)], axis=2)
    theta, limit = angles[near], np.take_along_axis(active, near, axis=1)
    missed = np.zeros(count, dtype=bool)
    for _ in range(HALVINGS):
        middle = 0.5 * (theta[:, :2] + theta[:, 1:])
        guess = 0.5 * (three[:, :, :2] + three[:, :, 1:])
        zero = np.zeros(2 * count)
        rays = FlatRays(at, np.repeat(every, 2), zero, zero, np.cos(middle).ravel(), np.sin(middle).ravel())
        found = settle(model, rays, guess.reshape(8, 2 * count))
        missed = np.any(~found.exact.reshape(count, 2), axis=1)
        new = found.y.reshape(8, count, 2)
        new[7] = np.where(found.exact.reshape(count, 2), new[7], 0.0)
        five = np.stack([three[:, :, 0], new[:, :, 0], three[:, :, 1], new[:, :, 1], three[:, :, 2]], axis=2)
        angle = np.stack([theta[:, 0], middle[:, 0], theta[:, 1], middle[:, 1], theta[:, 2]], axis=1)
        met = found.active.reshape(count, 2)
        limits = np.stack([limit[:, 0], met[:, 0], limit[:, 1], met[:, 1], limit[:, 2]], axis=1)
        best = np.clip(np.argmax(five[7] * np.sin(angle), axis=1), 1, 3)
        near = best[:, None] + np.array([-1, 0, 1])
        three = np.take_along_axis(five, np.broadcast_to(near, (8, count, 3)), axis=2)
        theta, limit = np.take_along_axis(angle, near, axis=1), np.take_along_axis(limits, near, axis=1)
    best = np.argmax(three[7] * np.sin(theta), axis=1)
    state, angle = three[:, every, best], theta[every, best]
    top = np.vstack([state[:7], state[7] * np.cos(angle), state[7] * np.sin(angle)])
    for left in (0, 1):
        pair = np.stack([limit[:, left], limit[:, left + 1]])
        corner = np.flatnonzero(pair[0] != pair[1])
        if corner.size:
            found_corner, fine = meet_two(model, at, corner, top[:, corner], pair[:, corner])
            fine &= found_corner[8] > top[8, corner]
            top[:, corner[fine]] = found_corner[:, fine]
    return top, int(missed.sum())


@dataclass(frozen=True)
class _Edge:
    """Largest or least longitudinal force at each lateral force.

    ``y`` (8, P, K) unknowns and force, ``guess`` the same between the rays, ``exact`` (P, K) which are solved.
    """

    y: Array
    guess: Array
    exact: NDArray[np.bool_]


def _edge(
    model: TrimModel, at: Conditions, ends: Ends, angles: Array, top: Array, lat: Array, driving: bool
) -> _Edge:
    count, nodes = lat.shape
    y = ends.y.reshape(8, count, angles.size)
    guess = np.empty((8, count, nodes))
    for p in range(count):
        along, across = y[7, p] * np.cos(angles), y[7, p] * np.sin(angles)
        order = np.arange(angles.size) if driving else np.arange(angles.size)[::-1]
        side = [j for j in order if across[j] < top[8, p] and (along[j] > top[7, p]) == driving]
        rising = [j for i, j in enumerate(side) if i == 0 or across[j] > max(across[side[:i]])]
        at_lat = np.append(across[rising], top[8, p])
        for k in range(7):
            guess[k, p] = np.interp(lat[p], at_lat, np.append(y[k, p, rising], top[k, p]))
        guess[7, p] = np.interp(lat[p], at_lat, np.append(along[rising], top[7, p]))
    which = np.repeat(np.arange(count), nodes - 1)
    zero, one = np.zeros(which.size), np.ones(which.size)
    found = settle(
        model, FlatRays(at, which, zero, lat[:, :-1].ravel(), one, zero), guess[:, :, :-1].reshape(8, -1)
    )
    edge = guess.copy()
    edge[:, :, :-1] = found.y.reshape(8, count, nodes - 1)
    exact = np.ones((count, nodes), dtype=bool)
    exact[:, :-1] = found.exact.reshape(count, nodes - 1)
    return _Edge(edge, guess, exact)


def _look_again(model: TrimModel, at: Conditions, lat: Array, least: _Edge, most: _Edge) -> None:
    """Walk out from between the two edges where Newton's method found no end, or the end on the other side; in place."""
    middle = 0.5 * (least.guess + most.guess)
    for edge, other, side in ((least, most, -1.0), (most, least, 1.0)):
        wrong = ~edge.exact | (side * (edge.y[7] - middle[7]) <= 0.0)
        wrong[:, -1] = False
        edge.exact[wrong] = False
        for share in INSIDE:
            which, node = np.nonzero(wrong & ~edge.exact & other.exact)
            if which.size == 0:
                break
            zero, one, across = np.zeros(which.size), np.ones(which.size), lat[which, node]
            start, fine = step_inside(
                model, FlatRays(at, which, zero, across, one, zero), other.y[:, which, node], share
            )
            rays = FlatRays(at, which, start[7], across, side * one, zero)
            ends = march(model, rays, start[:7], np.abs(edge.guess[7, which, node] - start[7]) / 8.0)
            ends.y[7] = start[7] + side * ends.y[7]
            fine &= ends.exact
            edge.y[:, which, node] = np.where(fine, ends.y, edge.guess[:, which, node])
            edge.exact[which, node] = fine


def _fill(model: TrimModel, at: Conditions, lat: Array, long: Array, states: Array) -> int:
    """Solve the states between the two edges, in place; the number that had to be interpolated."""
    count, nodes = lat.shape
    which = np.repeat(np.arange(count), nodes)
    missed = 0
    for c, share in enumerate(INNER, start=1):
        weight = 0.5 * (1.0 + share)
        long[..., c] = (1.0 - weight) * long[..., 0] + weight * long[..., -1]
        guess = ((1.0 - weight) * states[..., 0] + weight * states[..., -1]).reshape(7, -1)
        target, across = long[..., c].ravel(), lat.ravel()

        def residual(
            y: Array, rows: NDArray[np.int64], target: Array = target, across: Array = across
        ) -> Array:
            return model.trim(at.motion(which[rows], target[rows], across[rows]), y).residual

        found, solved = solve_many(residual, guess, SCALE)
        states[..., c] = np.where(solved, found, guess).reshape(7, count, nodes)
        missed += int((~solved).sum())
    return missed
