"""A lap as a chain of intervals, cut in pieces that are swept side by side: where each interval stands.

Intervals stand in arrays as (K, L): K stages in each of L pieces, piece after piece along the road, flattened with the piece
running fastest, so that one machine vector holds the same stage of all pieces. Where N is no multiple of L the last stage of
some pieces is an empty one that changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lapwright.transcription.condense import PIECES, Sizes
from lapwright.transcription.nlp import Nlp

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Chain:
    """Where each interval of a transcribed problem stands, and the constants of its points.

    Attributes
    ----------
    interval : (KL,) interval of each place
    place : (N,) where each interval stands
    empty : places that hold no interval of their own
    before : (KL,) place of the interval before
    step : (1, KL) interval lengths, 0 in empty places
    cost_weight : (d, 1, KL) B_j h
    weight : (d, 1, KL) the same over its mean, the barrier's weight of a point: the mesh does not change the central path
    road : (d, road_size, KL)
    lower, upper : (d, ny, KL) bounds
    target : (d, m, KL) weight of each inequality, 0 where there is none
    """

    nlp: Nlp
    sizes: Sizes
    interval: Index
    place: Index
    empty: Index
    before: Index
    step: Array
    cost_weight: Array
    weight: Array
    road: Array
    lower: Array
    upper: Array
    target: Array

    @property
    def stages(self) -> int:
        """K."""
        return len(self.interval) // PIECES

    @property
    def closed(self) -> bool:
        """Whether the last piece joins the first."""
        return self.nlp.problem.closed

    @cached_property
    def first_bounds(self) -> tuple[Array, Array]:
        """(nx,) bounds of the first node of an open road; infinite on a closed one, where the last interval has them."""
        node = self.nlp.layout.nodes[0]
        if self.closed:
            return np.full(len(node), -np.inf), np.full(len(node), np.inf)
        return self.nlp.lower[node], self.nlp.upper[node]

    @cached_property
    def fixed(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """States fixed at the first and at the last node."""
        lower, upper = self.first_bounds
        end = self.nlp.layout.nodes[-1]
        last = np.zeros(len(end), dtype=bool)
        if not self.closed:
            last = self.nlp.lower[end] == self.nlp.upper[end]
        return lower == upper, last

    @cached_property
    def first_target(self) -> Array:
        """(2, nx) weights of the bounds at the first node, 0 where there is none."""
        lower, upper = self.first_bounds
        there = np.isfinite(np.stack([lower, upper])) & ~self.fixed[0]
        return np.where(there, self.weight[0, 0, self.place[0]], 0.0)

    @cached_property
    def real(self) -> Array:
        """(KL,) 1 at a place that holds an interval, 0 at an empty one."""
        found = np.ones(len(self.interval))
        found[self.empty] = 0.0
        return found


def sizes_of(nlp: Nlp) -> Sizes:
    """The sizes of a transcribed problem, with the unknowns that are bounded anywhere."""
    model, layout = nlp.problem.model, nlp.layout
    places = layout.points.reshape(-1, layout.points.shape[2])
    bounds = []
    for sign, values in ((-1, nlp.lower), (1, nlp.upper)):
        bounds += [(int(i), sign) for i in np.flatnonzero(np.any(np.isfinite(values[places]), axis=0))]
    return Sizes(
        len(model.states),
        len(model.controls),
        len(model.algebraics),
        len(model.balances),
        len(model.limits),
        nlp.collocation.degree,
        model.controls_per_point,
        tuple(sorted(bounds)),
    )


def make_chain(nlp: Nlp, sizes: Sizes, p: Array) -> Chain:
    """Lay the intervals of a problem out in pieces."""
    count = nlp.mesh.intervals
    stages = -(-count // PIECES)
    lengths = np.full(PIECES, stages)
    lengths[count - PIECES * (stages - 1) :] -= 1
    starts = np.concatenate([[0], np.cumsum(lengths)[:-1]])
    place = starts[None, :] + np.arange(stages)[:, None]
    empty = np.flatnonzero((np.arange(stages)[:, None] >= lengths[None, :]).ravel())
    interval = np.minimum(place.ravel(), count - 1)
    where = np.empty(count, dtype=np.int64)
    real = np.flatnonzero((np.arange(stages)[:, None] < lengths[None, :]).ravel())
    where[interval[real]] = real
    before = where[(interval - 1) % count]
    before[empty] = where[interval[empty] - 1]
    degree = sizes.degree
    step = nlp.mesh.steps[interval]
    step[empty] = 0.0
    share = nlp.collocation.weights[:, None] * step[None, :]
    points = nlp.layout.points[interval].transpose(1, 2, 0)
    parameters = len(nlp.problem.model.parameters)
    road = p[parameters:].reshape(count, degree, -1)[interval].transpose(1, 2, 0)
    lower, upper = nlp.lower[points], nlp.upper[points]
    weight = share[:, None, :] * (count * degree / nlp.mesh.steps.sum())
    target = np.zeros((degree, sizes.rows, len(interval)))
    target[:, : sizes.nr] = weight
    free = upper > lower
    for k, (i, sign) in enumerate(sizes.bounds):
        there = np.isfinite((upper if sign > 0 else lower)[:, i]) & free[:, i]
        if not sizes.per_point and sizes.nx <= i < sizes.nx + sizes.nu:
            there[1:] = False
        target[:, sizes.nr + k] = np.where(there, weight[:, 0], 0.0)
    _refuse_fixed(nlp, free, where, empty)
    return Chain(
        nlp, sizes, interval, where, empty, before, step[None, :].copy(), share[:, None, :].copy(), weight.copy(),
        np.ascontiguousarray(road), lower, upper, target,
    )  # fmt: skip


def _refuse_fixed(nlp: Nlp, free: NDArray[np.bool_], where: Index, empty: Index) -> None:
    """Only the two ends of an open road may fix a state."""
    fixed = ~free
    fixed[:, :, empty] = False
    if not nlp.problem.closed:
        fixed[-1, :, where[-1]] = False
    if np.any(fixed):
        raise ValueError("an unknown is fixed inside the road: only states at its ends may be")
