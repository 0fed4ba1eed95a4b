"""A primal-dual interior point method for laps: the loop around the chain's Newton steps.

Bounds and limits become a barrier; its parameter falls as the conditions of each barrier problem are met; a filter decides
how much of a step is taken: Waechter & Biegler, Mathematical Programming 106 (2006) 25-57, whose constants are used unless
said otherwise. The barrier weighs a point by its share of the road, so that the central path does not depend on the mesh.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

import numpy as np

from lapwright.solver.chain import make_chain, sizes_of
from lapwright.solver.filter import Filter
from lapwright.solver.interrupt import Interrupt, noted_interrupts
from lapwright.solver.newton import Array, ChainSolver, Direction, Evaluation, Iterate
from lapwright.solver.solution import Progress, ProgressCallback, Solution, Start
from lapwright.solver.status import (
    INTERRUPTED,
    INVALID,
    NO_STEP,
    NOT_INSIDE,
    SOLVED,
    STALLED,
    TOO_LONG,
    Status,
)
from lapwright.transcription.condense import condensation
from lapwright.transcription.nlp import Nlp

FIRST_BARRIER = 0.1
"""Barrier parameter of a cold start."""

BARRIER_FACTOR, BARRIER_POWER = 0.1, 1.2
"""How the barrier parameter falls: to the smaller of this share and this power of it."""

INNER = 20.0
"""A barrier problem is solved when its error is below this many barrier parameters."""

LAST = 1.0
"""The last one below this many."""

PUSH = 1e-2
"""Least distance from a bound at which a cold solve begins, over the size of the bound or of the room between two."""

CENTRAL = 0.05
"""Least product of slack and multiplier at the end of a barrier problem, over what the central path asks."""

TINY = 1e-10
"""Least slack at a start."""

FIRST_SHIFT, LEAST_SHIFT, MOST_SHIFT = 1e-4, 1e-6, 1e10
"""What is added to the Hessian when its curvature is wrong: at first, when it counts as nothing, when to give up."""

RAISE_FIRST, RAISE, LOWER = 100.0, 4.0, 3.0
"""Factors by which that rises within an iteration (the first time in a solve, later) and falls from one to the next."""

KEEP = 0.95
"""Share of the way to a bound that a step may go at the most; nearer, single bounds hold the whole lap back."""

WORST = 0.3
"""A step may not raise the largest violation above this, nor above twice what it was."""

FAR = 1e-2
"""Largest violation at which a solve that ends without an answer is still short of speed rather than of room."""

HALVINGS = 12
"""Of a step before the search along it has failed."""

FAILURES = 8
"""Failed searches before the solve is given up; after each, half of the longest step is taken."""

STUCK, SHORT = 15, 1e-3
"""So many steps in a row, each shorter than this share of a Newton step, lead nowhere."""

SPREAD = 1e10
"""Largest ratio of an inequality's multiplier to the one on the central path."""


@dataclass(frozen=True)
class _Measures:
    """What is right and wrong with an iterate.

    ``total`` and ``worst`` of the violations; ``dual`` largest slope of the Lagrangian over the point's weight; ``least`` and
    ``most`` of slack times multiplier over the point's weight; ``scale`` of the multipliers.
    """

    cost: float
    total: float
    worst: float
    dual: float
    least: float
    most: float
    scale: float

    def error(self, barrier: float) -> float:
        """Error of the conditions of a barrier problem."""
        gap = max(self.most - barrier, barrier - self.least)
        return max(self.worst, self.dual / self.scale, gap / self.scale)


def solve_structured(
    nlp: Nlp,
    start: Start,
    *,
    p: Array | None = None,
    tolerance: float = 1e-7,
    barrier_target: float = 0.0,
    max_iterations: int = 500,
    progress: ProgressCallback | None = None,
) -> Solution:
    """Solve a transcribed problem.

    Parameters
    ----------
    nlp, start
        The problem and where to begin. A start with a barrier parameter goes on along the central path from there.
    p
        Parameters, when not those of the problem.
    tolerance
        Last barrier parameter.
    barrier_target
        Stop on the central path at this barrier parameter; 0 goes all the way.
    max_iterations
        After which the solve is given up.
    progress
        Called once an iteration; may raise KeyboardInterrupt.

    Returns
    -------
    Solution
        Always; its status says whether it may be used.
    """
    began = time.perf_counter()
    values = nlp.parameters if p is None else np.asarray(p, dtype=float)
    with noted_interrupts() as interrupt:
        run = _Run(nlp, values, start, max(tolerance, barrier_target))
        status = run.solve(max_iterations, progress, interrupt)
    return run.solution(status, values, time.perf_counter() - began)


class _Run:
    """One solve."""

    def __init__(self, nlp: Nlp, p: Array, start: Start, final: float) -> None:
        self.nlp, self.sizes, self.final = nlp, sizes_of(nlp), final
        self.chain = make_chain(nlp, self.sizes, p)
        car = p[: len(nlp.problem.model.parameters)]
        self.solver = ChainSolver(self.chain, condensation(nlp.functions, self.sizes), car)
        self.there = self.chain.target > 0.0
        self.bounded = np.array([i for i, _ in self.sizes.bounds], dtype=np.int64)
        self.bound_sign, self.bound = self._bounds()
        self.first_there = self.chain.first_target > 0.0
        self.absent = 1.0 - self.there
        self.over_weight = self.chain.real / np.where(self.chain.weight > 0.0, self.chain.weight, 1.0)
        self.barrier = FIRST_BARRIER if start.barrier is None else start.barrier
        self.shift, self.shifted, self.failures = 0.0, False, 0
        self.filter: Filter | None = None
        self.history: dict[str, list[float]] = {
            name: []
            for name in (
                "objective",
                "violation",
                "dual_violation",
                "barrier",
                "step",
                "shift",
                "factorisations",
            )
        }
        self.path: list[Start] = []
        self.at = self._begin(start)

    # -- beginning and end -----------------------------------------------------------------------------------------

    def _begin(self, start: Start) -> Iterate:
        chain, nlp, sizes, cold = self.chain, self.nlp, self.sizes, start.barrier is None
        x = np.clip(start.x, nlp.lower, nlp.upper)
        if cold:
            x = _pushed(x, nlp.lower, nlp.upper)
        if not cold and start.bound_multipliers is not None:
            x = self._kept_off(x, start.bound_multipliers)
        y = np.ascontiguousarray(x[nlp.layout.points[chain.interval].transpose(1, 2, 0)])
        first = x[nlp.layout.nodes[0]]
        lower, upper = chain.first_bounds
        first_slack = np.where(
            self.first_there, np.maximum(np.stack([first - lower, upper - first]), TINY), 1.0
        )
        slack = np.maximum(self._room(y), TINY)
        layout, shape = nlp.layout, (sizes.degree, sizes.nx, len(chain.interval))
        defect, balance = np.zeros(shape), np.zeros((sizes.degree, sizes.na, len(chain.interval)))
        if cold or start.row_multipliers is None:
            rows, _ = self.solver.values(first, y)
            slack[:, : sizes.nr] = np.maximum(-rows[:, 1 + sizes.nx + sizes.na :], PUSH if cold else TINY)
        else:
            # On the central path a limit's slack is told by its multiplier.
            pull = self._gather(start.row_multipliers, layout.limits)
            slack[:, : sizes.nr] = np.maximum(self.barrier * chain.weight / np.maximum(pull, 1e-300), TINY)
            slack[:, : sizes.nr] = np.minimum(slack[:, : sizes.nr], 1e4)
        if start.row_multipliers is not None:
            defect = self._gather(start.row_multipliers, layout.defects) * chain.real
            balance = self._gather(start.row_multipliers, layout.balances) * chain.real
        slack[:, : sizes.nr, chain.empty] = 1.0
        multiplier = self.barrier * chain.target / slack
        if not cold and start.bound_multipliers is not None:
            self._keep_pull(start.bound_multipliers, multiplier)
        return Iterate(
            first, y, slack, multiplier, defect, balance,
            first_slack, self.barrier * chain.first_target / first_slack,
        )  # fmt: skip

    def _kept_off(self, x: Array, multipliers: Array) -> Array:
        """Unknowns not much nearer to a bound than the central path, whose distance is told by the multiplier."""
        nlp = self.nlp
        weight = np.full(len(x), np.mean(self.chain.weight))
        weight[nlp.layout.points] = self.chain.weight[:, 0, self.chain.place].T[:, :, None]
        away = CENTRAL * self.barrier * weight / np.maximum(np.abs(multipliers), 1e-300)
        with np.errstate(invalid="ignore"):
            away = np.minimum(away, np.minimum(PUSH, 0.25 * (nlp.upper - nlp.lower)))
        low = np.where(multipliers < 0.0, nlp.lower + away, nlp.lower)
        high = np.where(multipliers > 0.0, nlp.upper - away, nlp.upper)
        return np.asarray(np.where(nlp.lower < nlp.upper, np.clip(x, low, high), x))

    def _keep_pull(self, known: Array, multiplier: Array) -> None:
        """Put the known multipliers of active bounds in place of the central ones, as far as they are near them."""
        pull = self._gather(known, self.nlp.layout.points)
        for k, (i, sign) in enumerate(self.sizes.bounds):
            place = multiplier[:, self.sizes.nr + k]
            place[:] = np.where(
                sign * pull[:, i] > place, np.minimum(sign * pull[:, i], INNER * place), place
            )

    def _bounds(self) -> tuple[Array, Array]:
        """Signs and values (d, bounds, KL): value - sign * y is the distance to a bound; 0 and 1 where there is none."""
        chain, there = self.chain, self.there[:, self.sizes.nr :]
        sign = np.array([s for _, s in self.sizes.bounds], dtype=float)[:, None]
        value = np.where(sign > 0.0, chain.upper[:, self.bounded], -chain.lower[:, self.bounded])
        return np.where(there, sign, 0.0), np.where(there, value, 1.0)

    def _gather(self, values: Array, index: np.ndarray) -> Array:
        """Row values (N, d, rows) by their index, in the order of the chain (d, rows, KL)."""
        return np.ascontiguousarray(values[index[self.chain.interval]].transpose(1, 2, 0))

    def _room(self, y: Array) -> Array:
        """Slacks of the bounds (d, m, KL); 1 where there is none, and in the rows of the limits."""
        sizes = self.sizes
        found = np.ones((sizes.degree, sizes.rows, y.shape[2]))
        found[:, sizes.nr :] = self._bound_room(y)
        return found

    def _bound_room(self, y: Array) -> Array:
        """(d, bounds, KL) distances to the bounds; 1 where there is none."""
        room = y[:, self.bounded] * self.bound_sign
        np.subtract(self.bound, room, out=room)
        return room

    def _as_vectors(self) -> tuple[Array, Array, Array]:
        """Unknowns and multipliers of rows and bounds as flat vectors."""
        layout, place, sizes, at = self.nlp.layout, self.chain.place, self.sizes, self.at
        x, rows, bounds = np.empty(layout.size), np.empty(layout.rows), np.zeros(layout.size)
        x[layout.nodes[0]] = at.first
        x[layout.points] = at.y[:, :, place].transpose(2, 0, 1)
        for index, values in (
            (layout.defects, at.defect),
            (layout.balances, at.balance),
            (layout.limits, at.multiplier[:, : sizes.nr]),
        ):
            rows[index] = values[:, :, place].transpose(2, 0, 1)
        for k, (i, sign) in enumerate(sizes.bounds):
            np.add.at(bounds, layout.points[:, :, i], sign * at.multiplier[:, sizes.nr + k, place].T)
        if not self.chain.closed:
            bounds[layout.nodes[0]] = at.first_multiplier[1] - at.first_multiplier[0]
        return x, rows, bounds

    def solution(self, status: Status, p: Array, seconds: float) -> Solution:
        """What is handed back."""
        x, rows, bounds = self._as_vectors()
        return Solution(
            status=status,
            nlp=self.nlp,
            x=x,
            row_multipliers=rows,
            bound_multipliers=bounds,
            p=p,
            objective=self.history["objective"][-1],
            iterations=len(self.history["step"]),
            seconds=seconds,
            history={name: np.array(values) for name, values in self.history.items()},
            path=tuple(self.path),
        )

    # -- the loop --------------------------------------------------------------------------------------------------

    def solve(self, most: int, progress: ProgressCallback | None, interrupt: Interrupt) -> Status:
        """Iterate to the end; says how it ended."""
        while True:
            values = self.solver.evaluate(self.at)
            measures = self._measure(values)
            self._note(measures)
            if progress is not None:
                try:
                    progress(Progress(len(self.history["step"]), measures.cost, measures.worst))
                except KeyboardInterrupt:
                    interrupt.ask()
            if interrupt.asked:
                return INTERRUPTED
            if not np.isfinite(measures.cost + measures.worst + measures.dual):
                return INVALID
            if self._lowered(measures):
                return SOLVED
            if len(self.history["step"]) >= most:
                return TOO_LONG
            direction = self._direction(values)
            if direction is None:
                return NO_STEP if measures.worst < FAR else NOT_INSIDE
            if not self._advance(direction, measures):
                return STALLED if measures.worst < FAR else NOT_INSIDE

    def _note(self, measures: _Measures) -> None:
        for name, value in (
            ("objective", measures.cost),
            ("violation", measures.worst),
            ("dual_violation", measures.dual),
            ("barrier", self.barrier),
        ):
            self.history[name].append(value)

    def _lowered(self, measures: _Measures) -> bool:
        """Lower the barrier parameter as far as the iterate allows; True when the last barrier problem is solved."""
        while (
            measures.least >= CENTRAL * self.barrier
            and measures.error(self.barrier) <= (LAST if self.barrier <= self.final else INNER) * self.barrier
        ):
            x, rows, bounds = self._as_vectors()
            self.path.append(Start(x, rows, bounds, self.barrier))
            if self.barrier <= self.final:
                return True
            self.barrier = min(BARRIER_FACTOR * self.barrier, self.barrier**BARRIER_POWER)
            if self.barrier < 1.01 * self.final:
                self.barrier = self.final
            self.filter = None
        return False

    def _measure(self, values: Evaluation) -> _Measures:
        at, chain = self.at, self.chain
        slope, first_slope = self.solver.stationarity(at, values)
        product = at.slack * at.multiplier
        product *= self.over_weight
        first = (at.first_slack * at.first_multiplier)[self.first_there] / chain.first_target[
            self.first_there
        ]
        total, worst = self._missed(at.slack, values.rows, values.defects)
        return _Measures(
            cost=self._cost(values.rows),
            total=total,
            worst=worst,
            dual=max(
                float(np.max(np.abs(slope * self.over_weight))),
                float(np.max(np.abs(first_slope), initial=0.0)),
            ),
            least=min(
                float(np.min(product + self.barrier * self.absent)),
                float(np.min(first, initial=self.barrier)),
            ),
            most=max(float(np.max(product)), float(np.max(first, initial=0.0))),
            scale=max(100.0, float(np.mean(np.abs(at.defect)))) / 100.0,
        )

    def _cost(self, rows: Array) -> float:
        return float(np.sum(self.chain.cost_weight[:, 0] * rows[:, 0]))

    def _missed(self, slack: Array, rows: Array, defects: Array) -> tuple[float, float]:
        """Sum and largest of all violations."""
        sizes = self.sizes
        missed = rows[:, 1:].copy()
        missed[:, : sizes.nx] = defects
        missed[:, sizes.nx + sizes.na :] += slack[:, : sizes.nr]
        np.abs(missed, out=missed)
        missed *= self.chain.real
        return float(missed.sum()), float(missed.max())

    def _hindrance(self, slack: Array, first_slack: Array) -> float:
        """Sum of weight times log slack."""
        with np.errstate(invalid="ignore"):
            return float(np.sum(self.chain.target * np.log(slack))) + float(
                np.sum(self.chain.first_target * np.log(first_slack))
            )

    def _direction(self, values: Evaluation) -> Direction | None:
        """A Newton step in a direction of descent: the Hessian is stiffened until its curvature is right."""
        shift = 0.0 if self.shift < LEAST_SHIFT else self.shift / LOWER
        tried = 1
        self.solver.prepare(self.at, values, self.barrier)
        while (direction := self.solver.direction(shift)) is None:
            if shift == 0.0:
                shift = max(LEAST_SHIFT, self.shift) if self.shifted else FIRST_SHIFT
            else:
                shift *= RAISE if self.shifted else RAISE_FIRST
            if shift > MOST_SHIFT:
                return None
            tried += 1
        self.shift, self.shifted = shift, self.shifted or shift > 0.0
        self.history["shift"].append(shift)
        self.history["factorisations"].append(tried)
        return direction

    def _advance(self, direction: Direction, measures: _Measures) -> bool:
        """Take as much of a step as the bounds and the filter allow; False when the search has failed too often."""
        at, chain, barrier = self.at, self.chain, self.barrier
        keep = KEEP
        longest = min(
            _longest(at.slack, direction.slack, keep), _longest(at.first_slack, direction.first_slack, keep)
        )
        dual_step = min(
            _longest(at.multiplier + self.absent, direction.multiplier, keep),
            _longest(np.where(self.first_there, at.first_multiplier, 1.0), direction.first_multiplier, keep),
        )
        slope = direction.cost_slope - barrier * (
            float(np.sum(chain.target * direction.slack / at.slack))
            + float(np.sum(chain.first_target * direction.first_slack / at.first_slack))
        )
        here = (measures.total, measures.cost - barrier * self._hindrance(at.slack, at.first_slack))
        if self.filter is None:
            self.filter = Filter(measures.total)
        step = longest
        for _ in range(HALVINGS):
            moved = _moved(at, direction, step)
            rows, defects = self.solver.values(moved.first, moved.y)
            total, worst = self._missed(moved.slack, rows, defects)
            merit = self._cost(rows) - barrier * self._hindrance(moved.slack, moved.first_slack)
            if (
                np.isfinite(total + merit)
                and worst <= max(2.0 * measures.worst, WORST)
                and self.filter.takes(here, (total, merit), slope, step)
            ):
                break
            step *= 0.5
        else:
            self.failures += 1
            if self.failures > FAILURES:
                return False
            step, self.filter = 0.5 * longest, None
            moved = _moved(at, direction, step)
        self.history["step"].append(step)
        if len(self.history["step"]) >= STUCK and max(self.history["step"][-STUCK:]) < SHORT:
            return False
        self.at = self._settled(moved, direction, dual_step)
        return True

    def _settled(self, moved: Iterate, direction: Direction, dual_step: float) -> Iterate:
        """The next iterate: bounds' slacks to the last digit, multipliers moved and kept near the central path."""
        at, sizes, chain = self.at, self.sizes, self.chain
        slack = moved.slack
        np.maximum(self._bound_room(moved.y), 1e-300, out=slack[:, sizes.nr :])
        on_path = self.barrier * chain.target / slack
        multiplier = at.multiplier + dual_step * direction.multiplier
        np.clip(multiplier, on_path / SPREAD, on_path * SPREAD, out=multiplier)
        return replace(
            moved,
            multiplier=multiplier,
            first_multiplier=at.first_multiplier + dual_step * direction.first_multiplier,
        )


def _moved(at: Iterate, direction: Direction, step: float) -> Iterate:
    """An iterate some way along a step; the multipliers of the equations go with it, those of inequalities stay."""
    return Iterate(
        first=at.first + step * direction.first,
        y=at.y + step * direction.y,
        slack=at.slack + step * direction.slack,
        multiplier=at.multiplier,
        defect=at.defect + step * direction.defect,
        balance=at.balance + step * direction.balance,
        first_slack=at.first_slack + step * direction.first_slack,
        first_multiplier=at.first_multiplier,
    )


def _pushed(x: Array, lower: Array, upper: Array) -> Array:
    """Inside the bounds (Waechter & Biegler, section 3.6); what is fixed stays."""
    with np.errstate(invalid="ignore"):
        room = PUSH * (upper - lower)
        low = lower + np.minimum(PUSH * np.maximum(1.0, np.abs(lower)), room)
        high = upper - np.minimum(PUSH * np.maximum(1.0, np.abs(upper)), room)
    low, high = np.where(np.isfinite(lower), low, -np.inf), np.where(np.isfinite(upper), high, np.inf)
    return np.asarray(np.where(upper > lower, np.clip(x, low, high), x))


def _longest(values: Array, steps: Array, keep: float) -> float:
    """Largest step, at most 1, that leaves the share ``1 - keep`` of every positive value."""
    worst = float(np.min(steps / values))
    return 1.0 if worst >= -keep else -keep / worst
