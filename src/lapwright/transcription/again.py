"""Every interval of a solution integrated again, side by side, and what is seen on the way.

The method is the fifth-order one of Dormand & Prince (J. Comp. Appl. Math. 6 (1980) 19-26).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lapwright.transcription.nlp import Nlp
from lapwright.transcription.radau import interpolation
from lapwright.transcription.stages import Motion, stages_of

Array = NDArray[np.float64]
Index = NDArray[np.int64]

HIDDEN = 0.05
"""Largest violation of a limit between two points, in the unit of its row, that is left alone.

On 25 laps (five circuits, five cars, 11,354 intervals) no row that hangs on states, controls and road alone is broken by more
than 0.04. That of the wheels on the ground is never broken there, and at 0.05 no weight is left on the wheels of a full car.
"""

LEAP = 2.0
"""The same for a row that hangs on the algebraic unknowns, such as the squared slip of a tyre less its bound.

A tyre's force is flat at its peak, so that the slip leaps where a wheel is asked for a little more than there is: on the 20
laps of full cars (9,094 intervals) the squared slip exceeds its bound by 0.02 in 6 % of the intervals (0 to 14 % by lap), by
0.25 in 49, by 0.5 in 19, by 1 in 5, and by 1.42 at the most. What that is worth is in the effect on the lap time already.
"""

BALANCED = 0.25
"""Largest vector of balances, scaled, that may be left at a stage where they count as solved: a quarter of what the weight on
one wheel could pull. On those laps more than 0.01 is left in 113 intervals, more than 0.1 in 11, and 0.22 at the most."""

NODES = np.array([0.0, 1 / 5, 3 / 10, 4 / 5, 8 / 9, 1.0])
WEIGHTS = np.array([35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84])
STAGES = (
    (1 / 5,),
    (3 / 40, 9 / 40),
    (44 / 45, -56 / 15, 32 / 9),
    (19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729),
    (9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656),
)


class Run:
    """All intervals integrated side by side, each in its own number of equal steps.

    Intervals stand in the order of falling numbers of steps, so that those under way are always the first ones. A block is
    one position within a step, of all intervals under way: the start of the road, then ``NODES[1:]`` of each step, the last
    of them its end.

    Attributes
    ----------
    states, time : (N, nx) and (N,) at the end of each interval, once integrated
    hidden, broken : (N,) as in ``MeshError``
    """

    def __init__(self, nlp: Nlp, x: Array, p: Array, substeps: Index) -> None:
        self.nlp, self.x, self.car = nlp, x, p[: len(nlp.problem.model.parameters)]
        self.motion = stages_of(nlp)
        self.order = np.argsort(-substeps, kind="stable")
        self.substeps = substeps[self.order]
        self.under_way = [int(np.sum(self.substeps > k)) for k in range(int(self.substeps[0]))]
        self.states = x[nlp.layout.nodes[:-1]]
        self.time = np.zeros(nlp.mesh.intervals)
        self.hidden = np.zeros(nlp.mesh.intervals)
        self.broken = np.zeros(nlp.mesh.intervals, dtype=bool)
        self._allowed = np.where(self.motion.limits_see_algebraics, LEAP, HIDDEN)[:, None]
        self._ends: list[Array] = []
        self._road = _RoadInSteps(self)
        self._inner = _Blocks(self, NODES[1:])

    def integrate(self) -> None:
        """Carry all intervals from their nodes to the next ones."""
        layout, model = self.nlp.layout, self.nlp.problem.model
        controls = self._inner.along(self.x[layout.controls], steady=not model.controls_per_point)
        algebraics = self._inner.along(self.x[layout.algebraics])
        lengths = self.nlp.mesh.steps[self.order] / self.substeps
        x = self.states[self.order].T
        now = self.motion(x, controls[0], algebraics[0], self._road(0, 0), self.car)
        off, missed = now.algebraics - algebraics[0], now.missed
        for k, count in enumerate(self.under_way):
            x, step, off, missed = x[:, :count], lengths[:count], off[:, :count], missed[:count]
            rates = np.empty((len(NODES), len(x), count))
            pace = np.empty((len(NODES), count))
            rates[0], pace[0] = now.rates[:, :count], now.pace[:count]
            for i, weights in enumerate((*STAGES, WEIGHTS), 1):
                here = x + step * np.tensordot(np.asarray(weights), rates[:i], 1)
                node = min(i, len(STAGES))
                block = len(STAGES) * k + node
                road = self._road(k, node)
                now = self.motion(here, controls[block], algebraics[block] + off, road, self.car)
                off, missed = now.algebraics - algebraics[block], np.maximum(missed, now.missed)
                if i < len(NODES):
                    rates[i], pace[i] = now.rates, now.pace
            x = here
            self.time[self.order[:count]] += step * (WEIGHTS @ pace)
            self.states[self.order[:count]] = x.T
            self._look(k, x, controls[block], now, missed)
            missed = now.missed

    def _look(self, k: int, x: Array, controls: Array, now: Motion, missed: Array) -> None:
        """Note where limits are broken at the end of step ``k``."""
        here, limits = self.order[: self.under_way[k]], now.limits
        if self.motion.limits_see_controls:
            values = self.x[self.nlp.layout.controls][here]
            held = np.clip(controls.T, values.min(axis=1), values.max(axis=1)).T
            road = self._road(k, len(STAGES))
            limits = self.motion(x, held, now.algebraics, road, self.car).limits
        worst = np.max(limits, axis=0, initial=0.0)
        known = (missed < BALANCED) & np.isfinite(worst)
        self.hidden[here] = np.maximum(self.hidden[here], np.where(known, worst, np.inf))
        self.broken[here] |= ~known | np.any(limits > self._allowed, axis=0)
        self._ends.append(x)

    def off_road(self) -> Array:
        """(N,) how far the states at the ends of the steps lie outside the corridors, once integrated."""
        nlp, model = self.nlp, self.nlp.problem.model
        which, stations = self._inner.ends()
        found = np.zeros(nlp.mesh.intervals)
        names = [state.name for state in model.states]
        for corridor in nlp.problem.corridors:
            if corridor.state not in names:
                continue  # controls are held between their own bounds
            i = names.index(corridor.state)
            value = np.concatenate([x[i] for x in self._ends]) * model.states[i].scale
            out = np.maximum(corridor.lower(stations) - value, value - corridor.upper(stations))
            np.maximum.at(found, which, np.where(np.isnan(out), np.inf, out))
        return found


class _Blocks:
    """The points of a run at given positions within each step, and at the start of each interval before them all."""

    def __init__(self, run: Run, nodes: Array) -> None:
        self.nlp, self.per_step = run.nlp, len(nodes)
        counts = run.under_way
        sizes = [len(run.order), *np.repeat(counts, len(nodes))]
        self.edges = np.concatenate([[0], np.cumsum(sizes)])
        self.which = np.concatenate([run.order[:size] for size in sizes])
        inside = [(k + node) / run.substeps[:count] for k, count in enumerate(counts) for node in nodes]
        self.positions = np.concatenate([np.zeros(len(run.order)), *inside])

    @property
    def stations(self) -> Array:
        """Stations of the points [m], a hair inside their intervals as in ``Mesh.inside``."""
        mesh = self.nlp.mesh
        return mesh.nodes[self.which] + mesh.steps[self.which] * np.clip(self.positions, 1e-9, 1.0 - 1e-9)

    def cut(self, values: Array) -> list[Array]:
        """Values (m, points) block by block."""
        return [np.ascontiguousarray(values[:, a:b]) for a, b in pairwise(self.edges)]

    def along(self, values: Array, steady: bool = False) -> list[Array]:
        """Values (N, d, m) of the collocation points on their polynomial, or the first ones everywhere, block by block."""
        parts = np.ascontiguousarray(values.transpose(1, 2, 0))
        if steady:
            return self.cut(parts[0][:, self.which])
        basis = interpolation(self.nlp.collocation.points, self.positions)
        found = np.zeros((values.shape[2], len(self.which)))
        for weight, part in zip(basis, parts, strict=True):
            found += weight * part[:, self.which]
        return self.cut(found)

    def ends(self) -> tuple[Index, Array]:
        """Interval and station of the end of each step, step by step."""
        last = range(self.per_step, len(self.edges) - 1, self.per_step)
        index = np.concatenate([np.arange(self.edges[b], self.edges[b + 1]) for b in last])
        return self.which[index], self.stations[index]


class _RoadInSteps:
    """The road at every stage, on the parabola through its values at the start, the middle and the end of the step.

    Asking for the road at every stage would take longer than the integration.
    """

    def __init__(self, run: Run) -> None:
        blocks = _Blocks(run, np.array([0.5, 1.0]))
        self._values = blocks.cut(run.nlp.problem.road(blocks.stations))
        self._weights = interpolation(np.array([0.0, 0.5, 1.0]), NODES).T

    def __call__(self, k: int, node: int) -> Array:
        """(road_size, M) at ``NODES[node]`` of step ``k`` of the intervals under way."""
        if node == 0:
            return self._values[2 * k]
        middle, end = self._values[2 * k + 1], self._values[2 * k + 2]
        if node == len(NODES) - 1:
            return end
        a, b, c = self._weights[node]
        return np.asarray(a * self._values[2 * k][:, : end.shape[1]] + b * middle + c * end)
