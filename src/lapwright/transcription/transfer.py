"""A solution carried from one mesh to another, multipliers included.

Multipliers of rows and bounds grow and shrink with the stretch of road that their point stands for, so they are carried as
densities: of defects per quadrature weight, of everything else per metre.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.transcription.nlp import Nlp
from lapwright.transcription.radau import interpolation

Array = NDArray[np.float64]

SMALLEST_ROOM = 1e-9
"""Distance from a bound below which there is none."""


def carry_unknowns(old: Nlp, x: Array, new: Nlp) -> Array:
    """Unknowns of the new mesh: states on the old collocation polynomials, controls as held, the rest linear in between."""
    place, inside = _locate(old, new.stations.ravel())
    found = np.zeros(new.layout.size)
    basis = interpolation(np.array([0.0, *old.collocation.points]), inside)
    values = np.concatenate([x[old.layout.nodes[:-1]][:, None, :], x[old.layout.states]], axis=1)
    found[new.layout.states.reshape(len(place), -1)] = np.einsum("lm,mlx->mx", basis, values[place])
    if not new.problem.closed:
        found[new.layout.nodes[0]] = x[old.layout.nodes[0]]
    if old.problem.model.controls_per_point:
        controls = _between(old, x[old.layout.controls], new)
    else:
        controls = x[old.layout.controls[:, 0]][place].reshape(*new.layout.controls.shape)
    found[new.layout.controls] = controls
    found[new.layout.algebraics] = _between(old, x[old.layout.algebraics], new)
    return _kept_inside(old, x, found, new)


def _kept_inside(old: Nlp, x: Array, found: Array, new: Nlp) -> Array:
    """Unknowns at no less than half of their old distance from each bound.

    A point of the central path keeps off its bounds; a polynomial between two such points may not. Distances are carried by
    their logarithms.
    """
    lower, upper = new.lower.copy(), new.upper.copy()
    for ours, theirs in (
        (old.layout.states, new.layout.states),
        (old.layout.controls, new.layout.controls),
        (old.layout.algebraics, new.layout.algebraics),
    ):
        for bound, sign in ((old.lower, 1.0), (old.upper, -1.0)):
            room = np.log(np.clip(sign * (x[ours] - bound[ours]), SMALLEST_ROOM, 1e6))
            place = lower if sign > 0 else upper
            place[theirs] += sign * 0.5 * np.exp(_between(old, room, new))
    fixed = new.lower == new.upper
    with np.errstate(invalid="ignore"):
        middle = 0.5 * (new.lower + new.upper)
    low, high = np.where(lower < upper, lower, middle), np.where(lower < upper, upper, middle)
    return np.where(fixed, new.lower, np.clip(found, low, high))


def carry_multipliers(old: Nlp, rows: Array, bounds: Array, new: Nlp) -> tuple[Array, Array]:
    """Row and bound multipliers for the new mesh."""
    old_weight, new_weight = _metres(old), _metres(new)
    old_share = np.broadcast_to(old.collocation.weights[None, :, None], (*old.stations.shape, 1))
    new_share = np.broadcast_to(new.collocation.weights[None, :, None], (*new.stations.shape, 1))
    found_rows, found_bounds = np.zeros(new.layout.rows), np.zeros(new.layout.size)
    found_rows[new.layout.defects] = _between(old, rows[old.layout.defects] / old_share, new) * new_share
    for ours, theirs in ((old.layout.balances, new.layout.balances), (old.layout.limits, new.layout.limits)):
        found_rows[theirs] = _between(old, rows[ours] / old_weight, new) * new_weight
    for ours, theirs in (
        (old.layout.states, new.layout.states),
        (old.layout.controls, new.layout.controls),
        (old.layout.algebraics, new.layout.algebraics),
    ):
        found_bounds[theirs] = _between(old, bounds[ours] / old_weight, new) * new_weight
    if not new.problem.closed:
        # The first node is no collocation point: it stands for no road and keeps its multiplier.
        found_bounds[new.layout.nodes[0]] = bounds[old.layout.nodes[0]]
    return found_rows, found_bounds


def _metres(nlp: Nlp) -> Array:
    """(N, d, 1): metres of road that each point stands for."""
    return np.asarray((nlp.mesh.steps[:, None] * nlp.collocation.weights)[:, :, None])


def _locate(nlp: Nlp, s: Array) -> tuple[NDArray[np.int64], Array]:
    place = np.clip(np.searchsorted(nlp.mesh.nodes, s, side="left") - 1, 0, nlp.mesh.intervals - 1)
    return place, (s - nlp.mesh.nodes[place]) / nlp.mesh.steps[place]


def _between(old: Nlp, values: Array, new: Nlp) -> Array:
    """Values (N, d, m) at the old points, linear in between, at the new points."""
    m = values.shape[2]
    flat = values.reshape(old.stations.size, m)
    s = old.stations.ravel()
    found = np.empty((new.stations.size, m))
    for i in range(m):
        found[:, i] = np.interp(new.stations.ravel(), s, flat[:, i])
    return found.reshape(*new.stations.shape, m)
