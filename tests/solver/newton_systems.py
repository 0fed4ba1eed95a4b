"""Newton systems of transcribed problems, put together whole from the general evaluator.

With slacks s of the inequalities c <= 0, multipliers lam of the equations e = 0 and nu of the inequalities, and a barrier mu
that weighs each inequality by w, a step solves (Nocedal & Wright, Numerical Optimization, 2006, eq. (19.6) [from memory])

    H dx + Je' (lam + dlam) + Jc' (nu + dnu) = -gradient of the cost
    Je dx = -e,    Jc dx + ds = -(c + s),    s (nu + dnu) + nu ds = mu w.

Nothing in here knows of stages or pieces: only ``nlp.layout`` and ``nlp.evaluator``.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy import sparse

from lapwright import load_vehicle
from lapwright.problem.lap import EndState, lap_problem
from lapwright.problem.model import Problem
from lapwright.solver.chain import Chain, make_chain, sizes_of
from lapwright.solver.newton import ChainSolver, Direction, Iterate
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.track.track import Track
from lapwright.transcription.condense import condensation
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.nlp import Nlp, transcribe
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

VEHICLES = Path(__file__).parents[2] / "vehicles"
WIDTH = (Station(0.0, 6.0),)


@lru_cache
def track_of(closed: bool) -> Track:
    """A ring with hills, or a banked, climbing bend."""
    if closed:
        line = ElementLine(tuple(Arc(60.0, np.pi / 2.0) for _ in range(4)))
    else:
        line = ElementLine((Straight(40.0), Arc(45.0, -1.2, 15.0, 15.0), Straight(60.0)))
    heights = (Station(0.0, 0.0), Station(60.0, 3.0), Station(120.0, 1.0))
    banks = (Station(0.0, 0.0), Station(70.0, -0.08), Station(120.0, 0.02))
    return build_track(TrackDefinition("Bend", closed, line, WIDTH, WIDTH, elevation=heights, bank=banks))


@lru_cache
def car_of(kind: str) -> AnyVehicle:
    if kind == "circle":
        return FrictionCircle("Point", 1.3, 900.0, 0.8, 120e3, 0.7, 0.9)
    return load_vehicle(VEHICLES / "cup-coupe.yaml")


@lru_cache
def problem_of(kind: str, ends: str, per_point: bool | None) -> Problem:
    """``ends``: closed, or how an open road is left; None leaves the controls as the model has them."""
    start = None if ends == "closed" else EndState(30.0, 0.5, 0.02)
    end = {"fixed": EndState(25.0, -0.5), "pinned": EndState(25.0, -0.5, 0.05)}.get(ends)
    problem = lap_problem(track_of(ends == "closed"), car_of(kind), start, end)
    if per_point is None:
        return problem
    return replace(problem, model=replace(problem.model, controls_per_point=per_point))


@lru_cache
def nlp_of(kind: str, ends: str, per_point: bool | None, degree: int, intervals: int) -> Nlp:
    """An uneven mesh."""
    problem = problem_of(kind, ends, per_point)
    shares = np.random.default_rng(intervals).uniform(0.6, 1.4, intervals)
    nodes = problem.start + problem.length * np.concatenate([[0.0], np.cumsum(shares) / shares.sum()])
    nodes[-1] = problem.end
    known = (
        nlp_of(kind, "closed", per_point, 1, 3).functions
        if (ends, degree, intervals) != ("closed", 1, 3)
        else None
    )
    return transcribe(problem, Mesh(nodes), degree, known)


def solver_of(nlp: Nlp) -> ChainSolver:
    sizes = sizes_of(nlp)
    car = nlp.parameters[: len(nlp.problem.model.parameters)]
    return ChainSolver(make_chain(nlp, sizes, nlp.parameters), condensation(nlp.functions, sizes), car)


def somewhere(nlp: Nlp, rng: np.random.Generator) -> np.ndarray:
    """Scaled unknowns that no solution resembles, within the bounds and within reach of the formulas."""
    x = rng.uniform(-0.3, 0.3, nlp.layout.size)
    u = nlp.problem.model.state_index("u")
    speeds = np.concatenate([nlp.layout.nodes[:, u], nlp.layout.states[..., u].ravel()])
    x[speeds] = rng.uniform(0.7, 1.3, len(speeds))
    return np.clip(x, nlp.lower, nlp.upper)


def random_iterate(chain: Chain, seed: int, curvature: float) -> Iterate:
    """Slacks and multipliers at random; ``curvature`` is the size of the equations' multipliers."""
    rng, sizes, nlp = np.random.default_rng(seed), chain.sizes, chain.nlp
    x = somewhere(nlp, rng)
    shape, count = chain.target.shape, len(chain.interval)
    there, first_there = chain.target > 0.0, chain.first_target > 0.0
    defect = curvature * rng.normal(size=(sizes.degree, sizes.nx, count)) * chain.real
    balance = curvature * rng.normal(size=(sizes.degree, sizes.na, count)) * chain.real
    return Iterate(
        first=x[nlp.layout.nodes[0]],
        y=np.ascontiguousarray(x[nlp.layout.points[chain.interval]].transpose(1, 2, 0)),
        slack=np.where(there, rng.uniform(0.05, 1.5, shape), 1.0),
        multiplier=np.where(there, rng.uniform(0.1, 2.0, shape), 0.0),
        defect=defect,
        balance=balance,
        first_slack=np.where(first_there, rng.uniform(0.1, 1.5, (2, sizes.nx)), 1.0),
        first_multiplier=np.where(first_there, rng.uniform(0.1, 2.0, (2, sizes.nx)), 0.0),
    )


@dataclass(frozen=True)
class Inequalities:
    """All inequalities as rows: slopes in x, residuals, slacks, multipliers, weights on the barrier."""

    slopes: sparse.csr_matrix
    missed: np.ndarray
    slack: np.ndarray
    multiplier: np.ndarray
    target: np.ndarray


@dataclass(frozen=True)
class Whole:
    """A Newton system over the whole road; ``free`` unknowns are those that are not fixed, ``equations`` are rows."""

    nlp: Nlp
    x: np.ndarray
    row_multipliers: np.ndarray
    hessian: sparse.csc_matrix
    jacobian: sparse.csr_matrix
    gradient: np.ndarray
    rows: np.ndarray
    inequalities: Inequalities
    free: np.ndarray
    equations: np.ndarray

    def reduced(self) -> np.ndarray:
        """Dense matrix in dx and the equations' multipliers, slacks and multipliers of inequalities eliminated."""
        c = self.inequalities
        barrier = c.slopes.T @ sparse.diags(c.multiplier / c.slack) @ c.slopes
        top = (self.hessian + barrier)[self.free][:, self.free].toarray()
        low = self.jacobian[self.equations][:, self.free].toarray()
        return np.block([[top, low.T], [low, np.zeros((len(low), len(low)))]])

    def step(self, barrier: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """dx, steps of the equations' multipliers, of the slacks and of the inequalities' multipliers: one sparse solve."""
        c, free = self.inequalities, self.free
        h, je, jc = self.hessian[free][:, free], self.jacobian[self.equations][:, free], c.slopes[:, free]
        n, m = len(c.slack), len(self.equations)
        matrix = sparse.block_array(
            [
                [h, None, je.T, jc.T],
                [None, sparse.diags(c.multiplier), None, sparse.diags(c.slack)],
                [je, None, None, None],
                [jc, sparse.eye(n), None, None],
            ],
            format="csc",
        )
        right = np.concatenate(
            [-self.gradient[free], barrier * c.target, -self.rows[self.equations], -c.missed]
        )
        found = sparse.linalg.spsolve(matrix, right)
        parts = np.split(found, np.cumsum([len(free), n, m]))
        dx = np.zeros(len(self.x))
        dx[free] = parts[0]
        return dx, parts[2] - self.row_multipliers[self.equations], parts[1], parts[3] - c.multiplier


def flat(chain: Chain, at: Iterate | Direction, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unknowns and row multipliers in the order of the layout; ``x`` gives the shape."""
    layout, place, sizes = chain.nlp.layout, chain.place, chain.sizes
    found, rows = np.zeros_like(x), np.zeros(layout.rows)
    found[layout.nodes[0]] = at.first
    found[layout.points] = at.y[:, :, place].transpose(2, 0, 1)
    for index, values in (
        (layout.defects, at.defect),
        (layout.balances, at.balance),
        (layout.limits, at.multiplier[:, : sizes.nr]),
    ):
        rows[index] = values[:, :, place].transpose(2, 0, 1)
    return found, rows


def listed(chain: Chain, along: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Values of all inequalities that exist: by row of a point, interval and point, then those of the first node."""
    there = (chain.target > 0.0)[:, :, chain.place]
    return np.concatenate([along[:, :, chain.place][there], first[chain.first_target > 0.0]])


def inequalities(chain: Chain, at: Iterate, rows: np.ndarray, jacobian: sparse.csr_matrix) -> Inequalities:
    """Limits c + s = 0; bounds, whose slack is their room by definition: nothing is missed there."""
    nlp, sizes, layout = chain.nlp, chain.sizes, chain.nlp.layout
    count, size = len(chain.place), nlp.layout.size
    there = (chain.target > 0.0)[:, :, chain.place]
    slopes: list[sparse.csr_matrix] = []
    missed: list[float] = []
    for j, row, k in zip(*np.nonzero(there), strict=True):
        if row < sizes.nr:
            at_row = layout.limits[k, j, row]
            slopes.append(jacobian[[at_row]])
            missed.append(rows[at_row] + at.slack[j, row, chain.place[k]])
        else:
            i, sign = sizes.bounds[row - sizes.nr]
            slopes.append(sparse.csr_matrix(([float(sign)], ([0], [layout.points[k, j, i]])), (1, size)))
            missed.append(0.0)
    for side, i in zip(*np.nonzero(chain.first_target > 0.0), strict=True):
        sign = -1.0 if side == 0 else 1.0
        slopes.append(sparse.csr_matrix(([sign], ([0], [layout.nodes[0, i]])), (1, size)))
        missed.append(0.0)
    assert count == nlp.mesh.intervals
    return Inequalities(
        sparse.csr_matrix(sparse.vstack(slopes)),
        np.array(missed),
        listed(chain, at.slack, at.first_slack),
        listed(chain, at.multiplier, at.first_multiplier),
        listed(chain, chain.target, chain.first_target),
    )


def whole(chain: Chain, at: Iterate, shift: float) -> Whole:
    """The system at an iterate; ``shift`` times an interval's weight stiffens its left node and its controls."""
    nlp, layout = chain.nlp, chain.nlp.layout
    e, p, size = nlp.evaluator, nlp.parameters, layout.size
    x, multipliers = flat(chain, at, np.zeros(size))
    pattern = e.hessian_pattern
    upper = sparse.csc_matrix(
        (e.hessian(x, p, 1.0, multipliers), pattern.rows, pattern.starts), shape=pattern.shape
    )
    stiff = np.zeros(size)
    # An interval's share of the road times its number of points, over the mean: written out here once more.
    weight = nlp.mesh.steps / nlp.mesh.steps.mean() * nlp.collocation.degree
    np.add.at(stiff, layout.nodes[:-1], weight[:, None])
    controls = layout.controls if chain.sizes.per_point else layout.controls[:, :1]
    np.add.at(stiff, controls, np.broadcast_to(weight[:, None, None], controls.shape))
    hessian = upper + sparse.triu(upper, 1).T + shift * sparse.diags(stiff)
    pattern = e.jacobian_pattern
    jacobian = sparse.csc_matrix(
        (e.jacobian(x, p), pattern.rows, pattern.starts), shape=pattern.shape
    ).tocsr()
    rows = e.rows(x, p)
    return Whole(
        nlp=nlp,
        x=x,
        row_multipliers=multipliers,
        hessian=sparse.csc_matrix(hessian),
        jacobian=jacobian,
        gradient=e.gradient(x, p),
        rows=rows,
        inequalities=inequalities(chain, at, rows, jacobian),
        free=np.flatnonzero(nlp.lower < nlp.upper),
        equations=np.concatenate([layout.defects.ravel(), layout.balances.ravel()]),
    )


def copied(direction: Direction) -> Direction:
    """A step whose arrays no later step writes to."""
    return Direction(*(np.copy(getattr(direction, field.name)) for field in fields(direction)))  # type: ignore[arg-type]
