"""A primal-dual interior point method for laps: the loop around the chain's Newton steps.

Bounds and limits become a barrier; its parameter falls as the conditions of each barrier problem are met; a filter on
(violation, barrier objective) decides how much of a step is taken: Waechter & Biegler, Mathematical Programming 106 (2006)
25-57, whose constants are used. The barrier weighs a point by its share of the road, so that the central path does not depend
on the mesh.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

import numpy as np

from lapwright.solver.chain import (
    PIECES,
    Array,
    Chain,
    ChainSolver,
    Direction,
    Evaluation,
    Iterate,
    make_chain,
    sizes_of,
)
from lapwright.solver.solution import Progress, ProgressCallback, Solution, Start
from lapwright.solver.status import SOLVED, Status
from lapwright.transcription.condense import condensation
from lapwright.transcription.nlp import Nlp

FIRST_BARRIER = 1.0
BARRIER_FACTOR = 0.1
BARRIER_POWER = 1.2
INNER = 10.0
"""A barrier problem is solved when its error is below this many barrier parameters."""

PUSH = 1e-2
"""Least distance from a bound at which a cold solve begins, over the size of the bound or of the room between two."""

FIRST_SHIFT, LEAST_SHIFT, MOST_SHIFT = 1e-4, 1e-6, 1e12
RAISE_FIRST, RAISE, LOWER = 100.0, 4.0, 3.0

WORST_DEFECT = 0.3
"""A step may not raise the largest violation above this, nor above twice what it was."""


@dataclass
class _Filter:
    """Pairs of violation and barrier objective that a step must beat (Waechter & Biegler, section 2.3)."""

    most: float
    pairs: list[tuple[float, float]] = field(default_factory=list)

    def accepts(self, violation: float, objective: float) -> bool:
        return violation < self.most and all(
            violation < (1.0 - 1e-5) * v or objective < o - 1e-5 * v for v, o in self.pairs
        )

    def add(self, violation: float, objective: float) -> None:
        self.pairs.append((violation, objective))


class _Run:
    """One solve."""

    def __init__(self, nlp: Nlp, p: Array, start: Start) -> None:
        sizes = sizes_of(nlp)
        self.nlp, self.sizes = nlp, sizes
        self.chain: Chain = make_chain(nlp, sizes, p)
        self.solver = ChainSolver(self.chain, condensation(nlp.functions, sizes))
        self.car = p[: len(nlp.problem.model.parameters)]
        self.barrier = FIRST_BARRIER if start.barrier is None else start.barrier
        self.shift = np.zeros((1, len(self.chain.interval)))
        self.tries = 0
        self.at = self._begin(start)
        self.regularised = 0

    # -- the start -------------------------------------------------------------------------------------------------

    def _begin(self, start: Start) -> Iterate:
        chain, nlp, sizes = self.chain, self.nlp, self.sizes
        x = np.clip(start.x, nlp.lower, nlp.upper)
        if start.barrier is None:
            x = _pushed(x, nlp.lower, nlp.upper)
        y = x[nlp.layout.points[chain.interval].transpose(1, 2, 0)]
        first = x[nlp.layout.nodes[0]]
        lower, upper = chain.first_bounds
        room = np.stack([first - lower, upper - first])
        there = self.solver._first_target() > 0.0
        first_slack = np.where(there, np.maximum(room, 1e-9), 1.0)
        rows = self.solver.values(y, self.car)
        slack = self._room(y)
        least = PUSH if start.barrier is None else 1e-9
        for j in range(sizes.degree):
            slack[j, : sizes.nr] = np.maximum(-rows[j][1 + sizes.nx + sizes.na :], least)
        slack = np.maximum(slack, 1e-9)
        multiplier = self.barrier * chain.target / slack
        shape = (sizes.degree, sizes.nx, len(chain.interval))
        defect, balance = np.zeros(shape), np.zeros((sizes.degree, sizes.na, len(chain.interval)))
        if start.row_multipliers is not None:
            layout = nlp.layout
            defect = start.row_multipliers[layout.defects[chain.interval]].transpose(1, 2, 0).copy()
            balance = start.row_multipliers[layout.balances[chain.interval]].transpose(1, 2, 0).copy()
            defect[:, :, chain.empty], balance[:, :, chain.empty] = 0.0, 0.0
        return Iterate(
            first, np.ascontiguousarray(y), slack, multiplier, defect, balance,
            first_slack, self.barrier * self.solver._first_target() / first_slack,
        )  # fmt: skip

    def _room(self, y: Array) -> Array:
        """Slacks of the bounds; 1 where there is none, and for the limits."""
        chain, sizes = self.chain, self.sizes
        found = np.ones((sizes.degree, sizes.rows, y.shape[2]))
        for k, (i, sign) in enumerate(sizes.bounds):
            room = y[:, i] - chain.lower[:, i] if sign < 0 else chain.upper[:, i] - y[:, i]
            found[:, sizes.nr + k] = np.where(chain.target[:, sizes.nr + k] > 0.0, room, 1.0)
        return found

    # -- measures --------------------------------------------------------------------------------------------------

    def cost(self, rows: list[Array]) -> float:
        return sum(float(np.sum(w * r[:1])) for w, r in zip(self.chain.cost_weight, rows, strict=True))

    def missed(self, first: Array, y: Array, slack: Array, rows: list[Array]) -> tuple[Array, float, float]:
        """Defects; sum and largest of all violations without sign."""
        sizes = self.sizes
        defects = self.solver.defects(first, y, rows)
        total, worst = float(np.sum(np.abs(defects))), float(np.max(np.abs(defects)))
        for j, r in enumerate(rows):
            balances = r[1 + sizes.nx : 1 + sizes.nx + sizes.na]
            limits = r[1 + sizes.nx + sizes.na :] + slack[j, : sizes.nr]
            for part in (balances, limits):
                part = np.abs(np.delete(part, self.chain.empty, axis=1) if len(self.chain.empty) else part)
                total += float(np.sum(part))
                worst = max(worst, float(np.max(part, initial=0.0)))
        return defects, total, worst

    def hindrance(self, slack: Array, first_slack: Array) -> float:
        """Sum of weight log slack."""
        return float(np.sum(self.chain.target * np.log(slack))) + float(
            np.sum(self.solver._first_target() * np.log(first_slack))
        )


def _pushed(x: Array, lower: Array, upper: Array) -> Array:
    """Inside the bounds (Waechter & Biegler, section 3.6); what is fixed stays."""
    with np.errstate(invalid="ignore"):
        room = PUSH * (upper - lower)
        low = lower + np.minimum(PUSH * np.maximum(1.0, np.abs(lower)), room)
        high = upper - np.minimum(PUSH * np.maximum(1.0, np.abs(upper)), room)
    low, high = np.where(np.isfinite(lower), low, -np.inf), np.where(np.isfinite(upper), high, np.inf)
    return np.asarray(np.where(upper > lower, np.clip(x, low, high), x))


import os
WINDOW = int(os.environ.get("WIN", "1000000"))


def _where_bent(chain, pivots, window):
    """Places of the stretches of road whose curvature made a pivot fail; all when the join failed."""
    if pivots is None:
        return np.ones((1, len(chain.interval)), dtype=bool)
    bad = ~(pivots > 0.0)
    count = chain.nlp.mesh.intervals
    marked = np.zeros(count, dtype=bool)
    for piece in np.flatnonzero(bad.any(axis=0)):
        stage = np.flatnonzero(bad[:, piece])[-1]
        at = chain.interval[stage * PIECES + piece]
        reach = np.arange(at - 2, at + window)
        marked[reach % count if chain.closed else np.clip(reach, 0, count - 1)] = True
    return marked[chain.interval][None, :]


def _longest(values: Array, steps: Array, keep: float) -> float:
    """Largest step at most 1 that leaves ``1 - keep`` of every positive value."""
    worst = float(np.min(steps / values))
    return 1.0 if worst >= -keep else -keep / worst


def solve_structured(
    nlp: Nlp,
    start: Start,
    *,
    p: Array | None = None,
    tolerance: float = 1e-7,
    barrier_target: float = 0.0,
    max_iterations: int = 500,
    progress: ProgressCallback | None = None,
    trace: bool = False,
) -> Solution:
    """Solve a transcribed problem; the same call as ``solve_ipopt``."""
    began = time.perf_counter()
    values = nlp.parameters if p is None else np.asarray(p)
    run = _Run(nlp, values, start)
    at, solver, chain, sizes = run.at, run.solver, run.chain, run.sizes
    final = max(barrier_target, tolerance)
    history = {k: [] for k in ("objective", "violation", "dual_violation", "barrier", "step", "shift")}
    rows = solver.values(at.y, run.car)
    filt = None
    status = None
    iterations = 0
    fails = 0
    while True:
        found = solver.evaluate(at, run.car)
        defects, total, worst = run.missed(at.first, at.y, at.slack, found.rows)
        slope, first_slope = solver.stationarity(at, found)
        dual = float(np.max(np.abs(slope / chain.weight.clip(1e-12))) if True else 0)
        dual = max(dual, float(np.max(np.abs(first_slope), initial=0.0)))
        def comp(mu):
            return float(np.max(np.abs(at.slack * at.multiplier - mu * chain.target) / np.maximum(chain.target, 1e-12) * (chain.target > 0)))
        scale = max(100.0, float(np.mean(np.abs(at.defect)))) / 100.0
        def err(mu):
            return max(dual / scale, worst, comp(mu) / scale)
        cost = run.cost(found.rows)
        history["objective"].append(cost); history["violation"].append(worst); history["dual_violation"].append(dual); history["barrier"].append(run.barrier)
        if progress is not None:
            progress(Progress(iterations, cost, worst))
        if trace:
            print(f"{iterations:4d} {cost:12.6f} pr {worst:9.2e} du {dual:9.2e} mu {run.barrier:8.1e} a {history['step'][-1] if history['step'] else 0:8.2e} sh {history['shift'][-1] if history['shift'] else 0:8.1e} tries {run.tries} n {np.count_nonzero(run.shift)} comp {comp(run.barrier):8.1e}")
        reached = run.barrier <= final * 1.0001 and err(run.barrier) <= INNER * run.barrier
        if reached:
            status = SOLVED
            break
        if not np.isfinite(cost + worst + dual):
            status = Status("invalid number", "a formula gave no number"); break
        if iterations >= max_iterations:
            status = Status("not converged", "the iterations ran out"); break
        while run.barrier > final and err(run.barrier) <= INNER * run.barrier:
            run.barrier = max(final, min(BARRIER_FACTOR * run.barrier, run.barrier**BARRIER_POWER))
            filt = None
        if filt is None:
            filt = _Filter(1e4 * max(1.0, total))
            least = 1e-4 * max(1.0, total)
        mu = run.barrier
        # direction
        shift = np.where(run.shift < LEAST_SHIFT, 0.0, run.shift / LOWER)
        tried = 0
        while True:
            direction = solver.direction(at, found, defects, mu, shift)
            if direction is not None:
                break
            tried += 1
            where = _where_bent(chain, solver.pivots, WINDOW)
            first = np.where(run.shift == 0.0, FIRST_SHIFT, np.maximum(LEAST_SHIFT, run.shift))
            factor = np.where(run.shift == 0.0, RAISE_FIRST, RAISE)
            shift = np.where(where, np.where(shift == 0.0, first, factor * shift), shift)
            if np.max(shift) > MOST_SHIFT:
                break
        if direction is None:
            status = Status("failed", "no usable step was found"); break
        run.shift = shift
        run.tries += tried
        keep = max(0.99, 1.0 - mu)
        longest = min(_longest(at.slack, direction.slack, keep), _longest(at.first_slack, direction.first_slack, keep))
        dual_step = min(_longest(np.where(chain.target > 0, at.multiplier, 1.0), direction.multiplier, keep),
                        _longest(np.where(at.first_multiplier > 0, at.first_multiplier, 1.0), direction.first_multiplier, keep))
        phi = cost - mu * run.hindrance(at.slack, at.first_slack)
        dphi = direction.cost_slope - mu * float(np.sum(chain.target * direction.slack / at.slack)) - mu * float(np.sum(solver._first_target() * direction.first_slack / at.first_slack))
        if trace and longest < 1e-2:
            r = direction.slack/at.slack; k=np.unravel_index(np.argmin(r), r.shape)
            r2 = direction.first_slack/at.first_slack
            print('   block', k, 's',at.slack[k],'ds',direction.slack[k],'nu',at.multiplier[k],'dnu',direction.multiplier[k],'target',mu*chain.target[k], 'dual step', dual_step, r.min(), r2.min(), 'n', chain.interval[k[2]], k[2] in chain.empty)
        a = longest
        accepted = False
        for back in range(25):
            y = at.y + a * direction.y
            first = at.first + a * direction.first
            slack = at.slack + a * direction.slack
            first_slack = at.first_slack + a * direction.first_slack
            trial = solver.values(y, run.car)
            _, t_total, t_worst = run.missed(first, y, slack, trial)
            t_phi = run.cost(trial) - mu * run.hindrance(slack, first_slack)
            ok = np.isfinite(t_total + t_phi) and t_worst <= max(2.0 * worst, WORST_DEFECT)
            if ok:
                switching = dphi < 0 and a * (-dphi) ** 2.3 > total**1.1
                if total <= least and switching:
                    ok = t_phi <= phi + 1e-8 * a * dphi + 1e-12 * abs(phi)
                    armijo = True
                else:
                    armijo = False
                    ok = t_total <= (1 - 1e-5) * total or t_phi <= phi - 1e-5 * total
                ok = ok and filt.accepts(t_total, t_phi)
            if ok:
                accepted = True
                if not armijo:
                    filt.add((1 - 1e-5) * total, phi - 1e-5 * total)
                break
            a *= 0.5
        if not accepted:
            fails += 1
            if trace: print('  line search failed', longest, dphi)
            a = 0.5 * longest
            y = at.y + a * direction.y
            first = at.first + a * direction.first
            slack = at.slack + a * direction.slack
            first_slack = at.first_slack + a * direction.first_slack
            filt = None
        # bounds stay exact
        exact = run._room(y)
        slack[:, sizes.nr:] = np.maximum(exact[:, sizes.nr:], 1e-300)
        mult = at.multiplier + dual_step * direction.multiplier
        # keep near the path
        target = mu * chain.target
        mult = np.clip(mult, target / slack / 1e10, 1e10 * target / slack)
        at = Iterate(first, y, slack, mult, at.defect + a * direction.defect, at.balance + a * direction.balance,
                     first_slack, at.first_multiplier + dual_step * direction.first_multiplier)
        history["step"].append(a); history["shift"].append(float(shift.max()))
        iterations += 1
    x = np.empty(nlp.layout.size)
    pts = nlp.layout.points
    x[nlp.layout.nodes[0]] = at.first
    x[pts] = at.y[:, :, chain.place].transpose(2, 0, 1)
    rm = np.zeros(nlp.layout.rows)
    rm[nlp.layout.defects] = at.defect[:, :, chain.place].transpose(2, 0, 1)
    rm[nlp.layout.balances] = at.balance[:, :, chain.place].transpose(2, 0, 1)
    rm[nlp.layout.limits] = at.multiplier[:, :sizes.nr, chain.place].transpose(2, 0, 1)
    bm = np.zeros(nlp.layout.size)
    for k, (i, sign) in enumerate(sizes.bounds):
        np.add.at(bm, pts[:, :, i], sign * at.multiplier[:, sizes.nr + k, chain.place].T)
    return Solution(status, nlp, x, rm, bm, values, cost, iterations, time.perf_counter() - began, {k: np.array(v) for k, v in history.items()})
