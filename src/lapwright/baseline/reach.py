"""The car's whole reach at given speeds, loads and grips: tables over the lateral force, from the boundary's ends.

For each condition: the largest lateral force and the longitudinal force that goes with it; then, at lateral forces
from none to the largest, the largest and least longitudinal force; then steady states between those two, for what engine
and brakes have to give. Left and right are mirror images, so lateral forces are taken to the left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.boundary import Conditions, Ends, march, meet_two, settle, step_inside, walk_out
from lapwright.baseline.steady import Asked, Index, SteadyCar, at_distance
from lapwright.track.road import Array

RAYS = 21
"""Directions looked into from full drive to full braking."""

HALVINGS = 4
"""Times that the bracket of the largest lateral force is halved."""

LATERAL_NODES = 19
"""Lateral forces of the tables, at sin(phi) of the largest for evenly spaced phi: force falls like a cosine of phi."""

INSIDE = (0.9, 0.97, 0.99, 0.997)
"""Shares of a limit from which the far edge is looked for when it was not found directly."""

ROUGH = 0.02
"""Distance from what lies between its neighbours [units of the load] at which an end is looked at again."""

INNER_BY = 0.01
"""An end so far inside of what lies between its neighbours may not be the outermost."""

ASTRAY = 0.1
"""Such a distance at which an end is not the one that is looked for."""

SAME = 1e-4
"""Ends so close [units of the load] are the same one."""

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


def reach(car: SteadyCar, at: Conditions) -> Reach:
    """Everything the car can do in steady state under each of the conditions."""
    count = at.speed.size
    angles = np.linspace(0.0, np.pi, RAYS)
    ends = walk_out(car, _fan(at, angles))
    top, top_missed = _largest_lateral(car, at, ends, angles)
    phi = np.linspace(0.0, 0.5 * np.pi, LATERAL_NODES)
    lat = np.sin(phi)[None, :] * top[8][:, None]
    least = _edge(car, at, ends, angles, top, phi, driving=False)
    most = _edge(car, at, ends, angles, top, phi, driving=True)
    _mend(car, at, lat, least, -1.0)
    _mend(car, at, lat, most, 1.0)
    _look_again(car, at, lat, least, most)
    shape = (count, LATERAL_NODES, len(INNER) + 2)
    states, long = np.empty((7, *shape)), np.empty(shape)
    states[..., 0], states[..., -1] = least.y[:7], most.y[:7]
    long[..., 0], long[..., -1] = least.y[7], most.y[7]
    missed_inner = _fill(car, at, lat, long, states)
    speed = np.broadcast_to(at.speed[:, None, None], shape)
    force = car.model.effort(speed, states[2])
    effort = force / (car.model.vehicle.chassis.mass * at.load[:, None, None])
    guessed = int((~ends.exact).sum()) + top_missed + missed_inner
    guessed += int((~least.exact).sum()) + int((~most.exact).sum())
    return Reach(top[8], lat, long, effort, states, guessed)


def _fan(at: Conditions, angles: Array) -> Asked:
    """Rays from coasting straight ahead in every direction, for each condition."""
    count = at.speed.size
    across = np.where(np.sin(angles) < 1e-12, 0.0, np.sin(angles))
    toward = np.tile(np.cos(angles), count), np.tile(across, count)
    return at.rays(np.repeat(np.arange(count), angles.size), (0.0, 0.0), toward)


def _largest_lateral(car: SteadyCar, at: Conditions, ends: Ends, angles: Array) -> tuple[Array, int]:
    """State (9, P) of the largest lateral force of each condition: the seven unknowns, then the two forces.

    The bracket around the best ray is halved; where different limits are met on its two sides the largest force lies on the
    corner between them, which is solved for.
    """
    count = at.speed.size
    every = np.arange(count)
    y = ends.y.reshape(9, count, angles.size)
    active = ends.active.reshape(count, angles.size)
    best = np.clip(np.argmax(y[7] * np.sin(angles), axis=1), 1, angles.size - 2)
    near = best[:, None] + np.array([-1, 0, 1])
    three = np.stack([y[:, every, near[:, j]] for j in range(3)], axis=2)
    theta, limit = angles[near], np.take_along_axis(active, near, axis=1)
    missed = np.zeros(count, dtype=bool)
    for _ in range(HALVINGS):
        middle = 0.5 * (theta[:, :2] + theta[:, 1:])
        guess = 0.5 * (three[:, :, :2] + three[:, :, 1:])
        rays = at.rays(np.repeat(every, 2), (0.0, 0.0), (np.cos(middle).ravel(), np.sin(middle).ravel()))
        found = _settle_between(car, rays, guess, three, count)
        missed = np.any(~found.exact.reshape(count, 2), axis=1)
        new = found.y.reshape(9, count, 2)
        new[7] = np.where(found.exact.reshape(count, 2), new[7], 0.0)
        five = np.stack([three[:, :, 0], new[:, :, 0], three[:, :, 1], new[:, :, 1], three[:, :, 2]], axis=2)
        angle = np.stack([theta[:, 0], middle[:, 0], theta[:, 1], middle[:, 1], theta[:, 2]], axis=1)
        met = found.active.reshape(count, 2)
        limits = np.stack([limit[:, 0], met[:, 0], limit[:, 1], met[:, 1], limit[:, 2]], axis=1)
        best = np.clip(np.argmax(five[7] * np.sin(angle), axis=1), 1, 3)
        near = best[:, None] + np.array([-1, 0, 1])
        three = np.take_along_axis(five, np.broadcast_to(near, (9, count, 3)), axis=2)
        theta, limit = np.take_along_axis(angle, near, axis=1), np.take_along_axis(limits, near, axis=1)
    best = np.argmax(three[7] * np.sin(theta), axis=1)
    state, angle = three[:, every, best], theta[every, best]
    top = np.vstack([state[:7], state[7] * np.cos(angle), state[7] * np.sin(angle)])
    for left in (0, 1):
        pair = np.stack([limit[:, left], limit[:, left + 1]])
        corner = np.flatnonzero(pair[0] != pair[1])
        if corner.size:
            planes = at.rays(corner, (0.0, 0.0), (1.0, 0.0), (0.0, 1.0))
            found_corner, fine = meet_two(car, planes, top[:, corner], pair[:, corner])
            fine &= found_corner[8] > top[8, corner]
            top[:, corner[fine]] = found_corner[:, fine]
    return top, int(missed.sum())


def _settle_between(car: SteadyCar, rays: Asked, guess: Array, three: Array, count: int) -> Ends:
    """Ends of two rays (9, P, 2) between three others (9, P, 3): from a guess, else from the ray on either side."""
    ends = settle(car, rays, guess.reshape(9, 2 * count))
    for beside in (three[:, :, :2], three[:, :, 1:]):
        again = np.flatnonzero(~ends.exact)
        if again.size:
            found = settle(car, rays.take(again), beside.reshape(9, 2 * count)[:, again])
            ends.y[:, again] = np.where(found.exact, found.y, ends.y[:, again])
            ends.active[again] = np.where(found.exact, found.active, ends.active[again])
            ends.exact[again] = found.exact
    return ends


@dataclass(frozen=True)
class _Edge:
    """Largest or least longitudinal force at each lateral force.

    ``y`` (9, P, K) unknowns and force, ``guess`` the same between the rays, ``exact`` (P, K) which are solved.
    """

    y: Array
    guess: Array
    exact: NDArray[np.bool_]


def _edge(
    car: SteadyCar, at: Conditions, ends: Ends, angles: Array, top: Array, phi: Array, driving: bool
) -> _Edge:
    count, nodes = top.shape[1], phi.size
    guess = _between_rays(ends, angles, top, phi, driving)
    which = np.repeat(np.arange(count), nodes - 1)
    across = (np.sin(phi[:-1]) * top[8][:, None]).ravel()
    found = settle(car, at.rays(which, (0.0, across), (1.0, 0.0)), guess[:, :, :-1].reshape(9, -1))
    edge = guess.copy()
    edge[:, :, :-1] = found.y.reshape(9, count, nodes - 1)
    exact = np.ones((count, nodes), dtype=bool)
    exact[:, :-1] = found.exact.reshape(count, nodes - 1)
    return _Edge(edge, guess, exact)


def _between_rays(ends: Ends, angles: Array, top: Array, phi: Array, driving: bool) -> Array:
    """First guesses (9, P, K) of the states on one side: straight lines over phi between the ends of rays."""
    count = top.shape[1]
    order = slice(None, None, 1 if driving else -1)
    y = ends.y.reshape(9, count, angles.size)[:, :, order]
    along, across = y[7] * np.cos(angles[order]), y[7] * np.sin(angles[order])
    share = across / top[8][:, None]
    place = np.where(
        (share < 1.0) & ((along > top[7][:, None]) == driving), np.arcsin(np.minimum(share, 1.0)), -1.0
    )
    # Ends that fall back behind the one before are passed over: the one before stands in for them.
    rising = np.maximum.accumulate(place, axis=1)
    kept = np.maximum.accumulate(np.where(place >= rising, np.arange(angles.size), 0), axis=1)
    values = np.concatenate([y[:7], along[None], np.zeros_like(along)[None]])
    values = np.take_along_axis(values, kept[None], axis=2)
    values = np.concatenate([values, np.append(top[:8], np.zeros((1, count)), axis=0)[:, :, None]], axis=2)
    nodes = np.append(rising, np.full((count, 1), 0.5 * np.pi), axis=1)
    low = np.clip((nodes[:, :, None] <= phi).sum(axis=1) - 1, 0, angles.size - 1)
    first, second = (np.take_along_axis(nodes, low + step, axis=1) for step in (0, 1))
    ahead = np.clip((phi - first) / np.maximum(second - first, 1e-12), 0.0, 1.0)
    left, right = (np.take_along_axis(values, (low + step)[None], axis=2) for step in (0, 1))
    guess: Array = left + ahead * (right - left)
    return guess


def _mend(car: SteadyCar, at: Conditions, lat: Array, edge: _Edge, sign: float) -> None:
    """Solve again, from its neighbours, what was not solved or does not lie between them; in place.

    Over phi an edge is smooth but for bends where one limit takes over from another. The first guess is what lies between
    the neighbours; then the neighbour on the one side and on the other. Of several ends the outermost counts: ``sign`` is 1
    for the largest force, -1 for the least.
    """
    for side in (0, -1, 1):
        doubtful = ~edge.exact | (np.abs(_roughness(edge.y[7])) > ROUGH)
        doubtful[:, -1] = False
        which, node = np.nonzero(doubtful)
        between = _from_neighbours(edge.y, ~doubtful, which, node)
        inner = ~edge.exact[which, node] | (sign * (between[7] - edge.y[7, which, node]) > INNER_BY)
        which, node, between = which[inner], node[inner], between[:, inner]
        if which.size == 0:
            return
        beside = np.clip(node + side, 0, lat.shape[1] - 1)
        start = edge.y[:, which, beside] if side else between
        found = settle(car, at.rays(which, (0.0, lat[which, node]), (1.0, 0.0)), start)
        now = edge.y[:, which, node]
        outer = ~edge.exact[which, node] | (sign * (found.y[7] - now[7]) > 0.0)
        better = found.exact & outer & (np.abs(found.y[7] - between[7]) < ASTRAY)
        edge.y[:, which, node] = np.where(better, found.y, now)
        edge.exact[which, node] |= better
        edge.guess[:, which, node] = between


def _roughness(values: Array) -> Array:
    """Distance of each value (P, K) from the cubic through two neighbours on each side; values are even about the first.

    The last but one is held against the parabola through three neighbours, the last against nothing.
    """
    wide = np.concatenate([values[:, 2:0:-1], values], axis=1)
    rough = np.zeros_like(values)
    between = (4.0 * (wide[:, 1:-3] + wide[:, 3:-1]) - wide[:, :-4] - wide[:, 4:]) / 6.0
    rough[:, :-2] = values[:, :-2] - between
    rough[:, -2] = values[:, -2] - (values[:, -3] + (values[:, -1] - values[:, -4]) / 3.0)
    return rough


def _from_neighbours(values: Array, good: NDArray[np.bool_], which: Index, node: Index) -> Array:
    """Values (n, Q) at nodes of conditions ``which`` by the cubic through the four nearest good nodes, of (n, P, K)."""
    far = np.abs(np.arange(good.shape[1]) - node[:, None]) + np.where(good[which], 0, good.shape[1])
    near = np.argsort(far, axis=1, kind="stable")[:, :4]
    x = (near - node[:, None]).astype(float)
    weights = np.ones_like(x)
    for i in range(4):
        for j in range(4):
            if i != j:
                weights[:, i] *= x[:, j] / (x[:, j] - x[:, i])
    found: Array = (values[:, which[:, None], near] * weights).sum(axis=2)
    return found


def _look_again(car: SteadyCar, at: Conditions, lat: Array, least: _Edge, most: _Edge) -> None:
    """Walk out from between the two edges where Newton's method found no end, or the end on the other side; in place."""
    middle = 0.5 * (least.guess[7] + most.guess[7])
    for edge, other, side in ((least, most, -1.0), (most, least, 1.0)):
        same = np.abs(edge.y[7] - other.y[7]) < SAME
        wrong = ~edge.exact | (same & (side * (edge.y[7] - middle) <= 0.0))
        wrong[:, -1] = False
        edge.exact[wrong] = False
        for share in INSIDE:
            which, node = np.nonzero(wrong & ~edge.exact & other.exact)
            if which.size == 0:
                break
            across = lat[which, node]
            start, fine = step_inside(
                car, at.rays(which, (0.0, across), (1.0, 0.0)), other.y[:, which, node], share
            )
            rays = at.rays(which, (start[7], across), (side, 0.0))
            ends = march(car, rays, start, np.abs(edge.guess[7, which, node] - start[7]) / 8.0)
            ends.y[7] = start[7] + side * ends.y[7]
            fine &= ends.exact & (np.abs(ends.y[7] - edge.guess[7, which, node]) < ASTRAY)
            edge.y[:, which, node] = np.where(fine, ends.y, edge.guess[:, which, node])
            edge.exact[which, node] = fine


def _fill(car: SteadyCar, at: Conditions, lat: Array, long: Array, states: Array) -> int:
    """Solve the states between the two edges, in place; the number that had to be interpolated."""
    count, nodes = lat.shape
    which = np.repeat(np.arange(count), nodes)
    missed = 0
    for c, share in enumerate(INNER, start=1):
        weight = 0.5 * (1.0 + share)
        long[..., c] = (1.0 - weight) * long[..., 0] + weight * long[..., -1]
        guess = np.zeros((9, which.size))
        guess[:7] = ((1.0 - weight) * states[..., 0] + weight * states[..., -1]).reshape(7, -1)
        points = at.rays(which, (long[..., c].ravel(), lat.ravel()), (0.0, 0.0))
        found = car.solve(points, at_distance(guess[7]), guess)
        y, solved = found.y, found.solved
        again = np.flatnonzero(~solved)
        if again.size:
            near = _from_neighbours(
                y.reshape(9, count, nodes), solved.reshape(count, nodes), *divmod(again, nodes)
            )
            found = car.solve(points.take(again), at_distance(near[7]), near)
            y[:, again] = np.where(found.solved, found.y, guess[:, again])
            solved[again] = found.solved
        states[..., c] = y[:7].reshape(7, count, nodes)
        missed += int((~solved).sum())
    return missed
