"""The reference lap, from two objects to a checked answer.

A coarse even mesh is solved to a point on the central path; a mesh graded by that answer is solved all the way from there;
every interval is integrated again by another method; where that disagrees by more than was asked the mesh is split and solved
anew. An answer that fails any of this is not returned.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lapwright.errors import InputError, NoSolutionError
from lapwright.lap.lap import Lap
from lapwright.problem.lap import EndState, lap_problem
from lapwright.problem.model import Problem
from lapwright.problem.parameters import same_form
from lapwright.reference.channels import lap_of
from lapwright.reference.evidence import LimitUse
from lapwright.reference.failure import too_fast, why_not
from lapwright.reference.grading import follow
from lapwright.reference.guess import first_guess
from lapwright.reference.limits import limit_uses
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.log import log_text
from lapwright.solver.solution import Progress, Solution, Start
from lapwright.solver.structured import solve_structured
from lapwright.track.track import Track
from lapwright.transcription.mesh import Mesh, uniform_mesh
from lapwright.transcription.meshcheck import MeshError, mesh_error, parts
from lapwright.transcription.nlp import Nlp, transcribe
from lapwright.transcription.pointfunctions import PointFunctions
from lapwright.transcription.transfer import carry_multipliers, carry_unknowns
from lapwright.vehicle.margin import with_margin
from lapwright.vehicle.parameters import AnyVehicle

StageCallback = Callable[[str, Progress], None]


@dataclass(frozen=True)
class _Way:
    """A solver and what suits it.

    ``name`` as the user reads it; ``coarse`` step of the coarse mesh over the asked one; ``path_barrier`` at which the
    coarse solve stops, near the answer and not yet pressed against its bounds; ``onward_barrier`` with which the graded mesh
    goes on; ``quick`` whether one more try is cheap.
    """

    name: str
    solve: Callable[..., Solution]
    coarse: float
    path_barrier: float
    onward_barrier: float
    quick: bool


WAYS = {
    "structured": _Way("structured interior point", solve_structured, 2.0, 1e-4, 1e-4, True),
    "ipopt": _Way("IPOPT", solve_ipopt, 1.5, 2e-4, 5e-5, False),
}
"""The solvers by the name of the option."""

GUESS_SHARES = (0.9, 0.8, 0.7)
"""Shares of the quasi-steady speed tried as first guesses, one after the other."""


@dataclass(frozen=True)
class LapOptions:
    """How to solve.

    Attributes
    ----------
    mesh : mean length of an interval [m]; None lets the length of the road decide: 2 m up to 1.2 km, 5.5 m from 3.3 km on
    degree : collocation points an interval
    tolerance : largest mesh error of the lap time [s], the errors of all intervals added without sign
    uniform : True for an even mesh with no coarse stage
    refinements : how often the mesh may be split
    max_iterations : of one solve
    solver : "structured", with IPOPT when that does not converge, or "ipopt"
    """

    mesh: float | None = None
    degree: int = 2
    tolerance: float = 0.01
    uniform: bool = False
    refinements: int = 3
    max_iterations: int = 400
    solver: str = "structured"

    def __post_init__(self) -> None:
        faults = []
        if self.mesh is not None and not 0.25 <= self.mesh <= 50.0:
            faults.append(f"mesh is {self.mesh:g} m: 0.25 to 50 m are allowed")
        if not 1 <= self.degree <= 5:
            faults.append(f"degree is {self.degree}: 1 to 5 are allowed")
        if not self.tolerance > 0.0:
            faults.append(f"tolerance is {self.tolerance:g} s: it must be positive")
        if not self.max_iterations >= 1:
            faults.append(f"max_iterations is {self.max_iterations}: at least 1 is needed")
        if not self.refinements >= 0:
            faults.append(f"refinements is {self.refinements}: 0 or more are allowed")
        if self.solver not in WAYS:
            faults.append(f"solver is {self.solver}: {' or '.join(WAYS)} are allowed")
        if faults:
            raise InputError("; ".join(faults))

    def step(self, length: float) -> float:
        """Mean length of an interval [m] on a road of ``length`` [m]."""
        return float(np.clip(length / 600.0, 2.0, 5.5)) if self.mesh is None else self.mesh


@dataclass(frozen=True)
class Stage:
    """One solve on the way: what for, by which solver, on how many intervals, how it went."""

    name: str
    solver: str
    intervals: int
    status: str
    iterations: int
    seconds: float
    lap_time: float
    mesh_error: float | None = None


@dataclass(frozen=True)
class ReferenceLap:
    """A solved and checked reference lap.

    Attributes
    ----------
    lap : its channels
    solution : unknowns, multipliers and history of the last solve
    mesh_error : by interval
    limits : where each limit is active and what it costs
    stages : the solves that led there
    options : as asked
    effort_cost : seconds of the objective that belong to the weights on pedal and wheel rates, not to the lap time
    log : every iteration of every solve, as a text to be read
    vehicle, start, end : what was driven, and how the road is entered and left
    """

    lap: Lap
    solution: Solution
    mesh_error: MeshError
    limits: tuple[LimitUse, ...]
    stages: tuple[Stage, ...]
    options: LapOptions
    effort_cost: float
    log: str
    vehicle: AnyVehicle
    start: EndState
    end: EndState

    @property
    def time(self) -> float:
        """Lap time [s]."""
        return self.lap.time

    @property
    def solver(self) -> str:
        """The solver that the answer is from."""
        return self.stages[-1].solver

    @property
    def iterations(self) -> int:
        """Iterations of all stages."""
        return sum(stage.iterations for stage in self.stages)

    @property
    def solve_seconds(self) -> float:
        """Seconds inside the solver, all stages."""
        return sum(stage.seconds for stage in self.stages)


def solve_lap(
    track: Track,
    vehicle: AnyVehicle,
    *,
    start: EndState | None = None,
    end: EndState | None = None,
    options: LapOptions | None = None,
    grip_margin: float | None = None,
    progress: StageCallback | None = None,
) -> ReferenceLap:
    """The fastest lap of a closed track, or the fastest run over an open road.

    Parameters
    ----------
    track, vehicle
        From ``load_track`` and ``load_vehicle``.
    start, end
        How an open road is entered and left.
    options
        Mesh and tolerances.
    grip_margin
        Share of the peak grip left unused, in place of the vehicle's own.
    progress
        Called with the name of the stage once an iteration.

    Raises
    ------
    InputError
        For an end state that does not fit the road, or an option out of range.
    NoSolutionError
        When there is no answer, or none was found: says which limit, where, and what to try.
    """
    start, end, options = start or EndState(), end or EndState(), options or LapOptions()
    vehicle = with_margin(vehicle, grip_margin)
    work = Work(track, vehicle, start, end, options, progress)
    return _told(work, *work.solve())


def solve_again(
    known: ReferenceLap,
    track: Track,
    vehicle: AnyVehicle,
    *,
    progress: StageCallback | None = None,
) -> ReferenceLap:
    """The reference lap of a slightly changed car or road, from a lap that is known.

    The mesh of the known lap is used again, and the search begins where the known one came by on the central path. When that
    leads nowhere, or the mesh turns out too coarse for the changed lap, it is solved from the beginning.

    Parameters
    ----------
    known
        From ``solve_lap`` or this function: same ends of the road, same options.
    track, vehicle
        What to drive now: a road of the same length, any car of the same kind.
    progress
        As for ``solve_lap``.

    Raises
    ------
    InputError, NoSolutionError
        As ``solve_lap``.
    """
    work = Work(track, vehicle, known.start, known.end, known.options, progress)
    found = work.again(known) if known.options.solver == "structured" else None
    solution, error = found or work.solve()
    return _told(work, solution, error)


def _told(work: Work, solution: Solution, error: MeshError) -> ReferenceLap:
    return ReferenceLap(
        lap=lap_of(solution, work.track, work.vehicle),
        solution=solution,
        mesh_error=error,
        limits=limit_uses(solution, work.vehicle),
        stages=tuple(work.stages),
        options=work.options,
        effort_cost=solution.objective - solution.time(),
        log="\n".join(work.log),
        vehicle=work.vehicle,
        start=work.start,
        end=work.end,
    )


class _NotConvergedError(Exception):
    """One solver came to no answer; ``words`` say why."""

    def __init__(self, words: str, hopeless: bool = False) -> None:
        super().__init__(words)
        self.words, self.hopeless = words, hopeless


def _path_point(solution: Solution, barrier: float) -> Solution | None:
    """The solution as it was on the central path at about ``barrier``, when it was kept."""
    kept = [
        point for point in solution.path if point.barrier is not None and 0.5 < point.barrier / barrier < 2.0
    ]
    if not kept:
        return None
    point = kept[-1]
    assert point.row_multipliers is not None and point.bound_multipliers is not None
    return replace(
        solution, x=point.x, row_multipliers=point.row_multipliers, bound_multipliers=point.bound_multipliers
    )


class Work:
    """The stages of one reference lap.

    Parameters
    ----------
    track, vehicle, start, end, options, progress
        As for ``solve_lap``; the car as it is driven, its margin included.
    functions
        Point functions of the car's form, when they exist already.
    """

    def __init__(
        self,
        track: Track,
        vehicle: AnyVehicle,
        start: EndState,
        end: EndState,
        options: LapOptions,
        progress: StageCallback | None,
        functions: PointFunctions | None = None,
    ) -> None:
        self.track, self.vehicle, self.start, self.end = track, vehicle, start, end
        self.options, self.progress = options, progress
        self.problem: Problem = lap_problem(track, vehicle, start, end)
        self.stages: list[Stage] = []
        self.functions = functions
        self.log: list[str] = []

    def solve(self) -> tuple[Solution, MeshError]:
        """The solution on the last mesh, and what that mesh gets wrong."""
        if self.options.solver == "structured":
            try:
                return self._solve_by(WAYS["structured"])
            except _NotConvergedError as failure:
                if failure.hopeless:
                    raise NoSolutionError(failure.words) from None
        try:
            return self._solve_by(WAYS["ipopt"])
        except _NotConvergedError as failure:
            raise NoSolutionError(failure.words) from None

    def _solve_by(self, way: _Way) -> tuple[Solution, MeshError]:
        options = self.options
        step = options.step(self.problem.length)
        if options.uniform:
            solution = self._cold(way, step, 0.0, "even mesh")
            error = self._check(solution)
            path = None
        else:
            path = self._cold(way, way.coarse * step, way.path_barrier, "coarse mesh")
            solution, error = self._finish(way, path, follow(path, step), "graded mesh")
        for number in range(1, options.refinements + 1):
            cut = parts(error, options.tolerance)
            if np.all(cut == 1):
                return solution, error
            if path is None:
                path = self._cold(way, way.coarse * step, way.path_barrier, "coarse mesh")
            path = _path_point(solution, way.onward_barrier) or path
            solution, error = self._finish(way, path, solution.nlp.mesh.split(cut), f"mesh split {number}")
        if error.total <= options.tolerance:
            return solution, error
        # Another solver would need a finer mesh as well.
        raise _NotConvergedError(self._too_coarse(solution, error), hopeless=True)

    def again(self, known: ReferenceLap) -> tuple[Solution, MeshError] | None:
        """The solution on a known lap's mesh, from its central path; None when that does not lead to a good answer."""
        old, way = known.solution.nlp, WAYS["structured"]
        points = [
            q for q in known.solution.path if q.barrier is not None and q.barrier <= 2.0 * way.onward_barrier
        ]
        fits = (
            points
            and abs(self.problem.length - old.problem.length) < 1e-9 * old.problem.length
            and self.problem.model.road_size == old.problem.model.road_size
            and self.problem.model.parameters == old.problem.model.parameters
            and same_form(known.vehicle, self.vehicle)
        )
        if not fits:
            return None
        nlp = transcribe(self.problem, old.mesh, self.options.degree, old.functions)
        self.functions = old.functions
        solution = self._run(way, nlp, points[0], 0.0, "known mesh")
        if not solution.status.solved:
            return None
        error = self._check(solution)
        return (solution, error) if error.total <= self.options.tolerance else None

    def _transcribe(self, mesh: Mesh) -> Nlp:
        nlp = transcribe(self.problem, mesh, self.options.degree, self.functions)
        self.functions = nlp.functions
        return nlp

    def _run(self, way: _Way, nlp: Nlp, start: Start, barrier: float, name: str) -> Solution:
        report = None if self.progress is None else lambda p: self.progress(name, p)  # type: ignore[misc]
        solution = way.solve(
            nlp, start, barrier_target=barrier, max_iterations=self.options.max_iterations, progress=report
        )
        self.log.append(f"{name}, {nlp.mesh.intervals} intervals, {way.name}\n{log_text(solution)}")
        self.stages.append(
            Stage(
                name,
                way.name,
                nlp.mesh.intervals,
                solution.status.name,
                solution.iterations,
                solution.seconds,
                solution.time(),
            )
        )
        return solution

    def _cold(self, way: _Way, step: float, barrier: float, name: str) -> Solution:
        """Solve an even mesh from a first guess; other guesses when one leads nowhere."""
        nlp = self._transcribe(uniform_mesh(self.problem.start, self.problem.end, step, self.problem.breaks))
        solution = self._by_guesses(way, nlp, barrier, name)
        if solution.status.solved:
            return solution
        hopeless = bool(too_fast(self.track, self.vehicle, self.start))
        raise _NotConvergedError(why_not(solution, self.track, self.vehicle, self.start), hopeless)

    def _by_guesses(self, way: _Way, nlp: Nlp, barrier: float, name: str) -> Solution:
        """Solve from one first guess after the other, until one leads to an answer."""
        solution = None
        for share in GUESS_SHARES:
            guess = first_guess(self.track, self.vehicle, self.start, self.end, share)
            label = name if share == GUESS_SHARES[0] else f"{name}, guess at {share:.0%}"
            solution = self._run(way, nlp, Start(nlp.pack(guess)), barrier, label)
            if solution.status.solved or too_fast(self.track, self.vehicle, self.start):
                break
        assert solution is not None
        return solution

    def _finish(self, way: _Way, path: Solution, mesh: Mesh, name: str) -> tuple[Solution, MeshError]:
        """Solve a finer mesh all the way, from a coarse solution on the central path."""
        nlp = self._transcribe(mesh)
        x = carry_unknowns(path.nlp, path.x, nlp)
        rows, bounds = carry_multipliers(path.nlp, path.row_multipliers, path.bound_multipliers, nlp)
        solution = self._run(way, nlp, Start(x, rows, bounds, way.onward_barrier), 0.0, name)
        if not solution.status.solved:
            solution = self._run(way, nlp, Start(x), 0.0, f"{name}, afresh")
        if not solution.status.solved and way.quick:
            solution = self._by_guesses(way, nlp, 0.0, f"{name}, afresh")
        if not solution.status.solved:
            raise _NotConvergedError(why_not(solution, self.track, self.vehicle, self.start))
        return solution, self._check(solution)

    def _check(self, solution: Solution) -> MeshError:
        began = time.perf_counter()
        error = mesh_error(solution.nlp, solution.x, solution.row_multipliers, solution.p)
        last = self.stages[-1]
        self.stages[-1] = replace(
            last, mesh_error=error.total, seconds=last.seconds + time.perf_counter() - began
        )
        return error

    def _too_coarse(self, solution: Solution, error: MeshError) -> str:
        worst = int(np.argmax(np.abs(error.lap_time)))
        return (
            f"no solution to the asked accuracy: the mesh error is {error.total:.4f} s, "
            f"asked are {self.options.tolerance:g} s.\n"
            f"Most of it lies near {solution.nlp.mesh.nodes[worst]:.0f} m.\n"
            "What to try: a finer mesh (--mesh-m), or a larger --tolerance-s."
        )
