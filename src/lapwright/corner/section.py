"""A corner solved again on a fine mesh, and solved again and again with something changed."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lapwright.corner.impose import Imposed
from lapwright.corner.stretch import Stretch
from lapwright.errors import NoSolutionError
from lapwright.lap.lap import Array, Lap
from lapwright.problem.lap import lap_problem
from lapwright.problem.model import Corridor, Problem
from lapwright.problem.section import confined, edges_of, priced_off_road, section_problem
from lapwright.reference.channels import lap_of
from lapwright.reference.failure import why_not
from lapwright.reference.kept import KeptLap
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.solution import Solution, Start
from lapwright.solver.structured import solve_structured
from lapwright.track.track import Track
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.meshcheck import MeshError, mesh_error, parts
from lapwright.transcription.nlp import Nlp, transcribe
from lapwright.transcription.pointfunctions import PointFunctions, point_functions
from lapwright.transcription.transfer import carry_multipliers, carry_unknowns
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

ONWARD = 1e-4
"""Barrier parameter of the point on the central path from which a changed section is solved."""

FAR = 1e-2
"""Barrier parameter of the one whose unknowns, well inside all bounds, a search begins with that may lead far away."""

NEARER = 1e-3
"""Barrier parameter of a second try, from nearer to the guess."""

ACCURACY, REFINEMENTS = 2e-3, 2
"""Error of the time [s] from which the mesh of a section is split, and how often."""

UNFIT = 0.01
"""Error of the time [s] from which an answer does not count."""

MOST, MOST_CHANGED = 250, 160
"""Iterations of the first solve of a section, and of a changed one."""

SLIVER = 0.2
"""Distance [m] from a node below which it is moved rather than another one put beside it."""

EASY = (0.96, 0.88)
"""Grip use up to which a drive can be begun from a state more and more surely."""

ABSURD = 2.0
"""Loss [s] from which such a way is taken for a wrong one: a car that all but stops and begins anew."""

RUN_OFF, BENT = 60.0, 0.6
"""Ground beside the road [m] on which a car that cannot stay on it is looked for, and the share of the way to the middle of a
bend that it reaches at the most."""

OFF_WEIGHTS = (0.005, 0.05, 1.0, 20.0)
"""Costs of that ground [s per m and m2], one after the other: with the first a car far off the road is found, with the last
none leaves it by more than a few millimetres that need not."""

OFF_ROAD = 0.05
"""Distance beyond the edge [m] from which no drivable answer is said to exist: less is the width of a line of paint."""


@dataclass(frozen=True)
class Drive:
    """One way through a section.

    Attributes
    ----------
    lap : its channels from where it differs from the reference; stations may run on past the line of a closed lap
    solution : of the solver
    time : from the start of the section to its end [s]
    cost : that and what the car's state at the end costs on the road ahead [s], against the reference's state there
    mesh_error : of the time [s], estimated
    """

    lap: Lap
    solution: Solution
    time: float
    cost: float
    mesh_error: float


@dataclass(frozen=True)
class Outcome:
    """What became of a changed section: ``status`` is "driven", "off the road" or "not solved".

    ``drive`` is there when it was driven; ``off_by`` [m] and ``off_at`` [m] say how far it leaves the road and where, when
    no way was found to stay on it; ``words`` say more about what was not solved.
    """

    status: str
    drive: Drive | None = None
    off_by: float = 0.0
    off_at: float = 0.0
    words: str = ""
    seconds: float = 0.0
    iterations: int = 0


def onward(solution: Solution, barrier: float = ONWARD) -> Start:
    """The point of a solution's central path from which a changed section is solved; its end when it kept no path."""
    path = solution.path
    if not path:
        return Start(solution.x)
    return next((q for q in path if q.barrier is not None and q.barrier <= 2.0 * barrier), path[-1])


def carried(solution: Solution, nlp: Nlp, barrier: float = ONWARD) -> Start:
    """The point of a solution's central path where a changed section begins, on the mesh of that."""
    point, old = onward(solution, barrier), solution.nlp
    if nlp.mesh is old.mesh:
        return point
    x = carry_unknowns(old, point.x, _free_controls(nlp))
    if point.row_multipliers is None or point.bound_multipliers is None:
        return Start(x)
    rows, bounds = carry_multipliers(old, point.row_multipliers, point.bound_multipliers, nlp)
    return Start(x, rows, bounds, point.barrier)


def _free_controls(nlp: Nlp) -> Nlp:
    """A problem without the bounds that were imposed on its controls.

    What is carried keeps half of its distance from a bound; from one that a control never came near, that is far too much.
    """
    lower, upper = nlp.lower.copy(), nlp.upper.copy()
    for i, control in enumerate(nlp.problem.model.controls):
        place = nlp.layout.controls[..., i]
        lower[place], upper[place] = control.lower / control.scale, control.upper / control.scale
    return replace(nlp, lower=lower, upper=upper)


class Section:
    """A section of a known lap, ready to be solved for changed cars and with further limits.

    Parameters
    ----------
    track, known
        The road and the lap on it.
    stretch
        Where.
    step
        Interval of the mesh in the corner [m]; None lets the length of the corner decide.
    functions
        Point functions of the section's model, when another section has them already.
    """

    def __init__(
        self,
        track: Track,
        known: KeptLap,
        stretch: Stretch,
        step: float | None = None,
        functions: PointFunctions | None = None,
    ) -> None:
        self.track, self.known, self.stretch = track, known, stretch
        self.problem = self._problem(known.vehicle)
        mesh = stretch.mesh(step, self.problem.breaks)
        self.nlp = transcribe(
            self.problem, mesh, known.degree, functions or point_functions(self.problem.model)
        )
        self.iterations, self.solves = 0, 0
        self.worth = known.at_node(stretch.end)[1]
        self._final: Array | None = None
        solution, error = self._first()
        self.base = self._drive(solution, known.vehicle, 0, error)

    # -- problems --------------------------------------------------------------------------------------------------

    def _problem(self, vehicle: AnyVehicle) -> Problem:
        known, stretch = self.known, self.stretch
        whole = lap_problem(self.track, vehicle, known.start, known.end)
        names = [state.name for state in whole.model.states]
        first, last = known.at_node(stretch.start)[0], known.at_node(stretch.end)
        at_start = stretch.start <= known.lap.s[0] and not known.lap.closed
        start_values = whole.start_values if at_start else dict(zip(names, map(float, first), strict=True))
        if stretch.last:
            end_values, worth = whole.end_values, {}
        else:
            values = dict(zip(names, map(float, last[0]), strict=True))
            end_values = {name: values[name] for name in ("n", "xi")}
            worth = {
                name: float(price)
                for name, price in zip(names, last[1], strict=True)
                if name not in end_values
            }
        begin = None
        if vehicle is not known.vehicle:
            model = self.problem.model
            begin = dict(zip(model.parameters, map(float, model.values), strict=True))
        return section_problem(whole, stretch.start, stretch.end, start_values, end_values, worth, begin)

    # -- solves ----------------------------------------------------------------------------------------------------

    def _run(self, solve: Callable[..., Solution], nlp: Nlp, start: Start, most: int = MOST) -> Solution:
        solution = solve(nlp, start, max_iterations=most)
        self.iterations += solution.iterations
        self.solves += 1
        return solution

    def _first(self) -> tuple[Solution, MeshError]:
        """The section as the lap drives it, on a mesh that is fine enough for ``ACCURACY``."""
        solution = self._fresh(self.nlp.pack(self.known.guess()))
        for number in range(REFINEMENTS + 1):
            error = mesh_error(solution.nlp, solution.x, solution.row_multipliers, solution.p)
            cut = parts(error, ACCURACY)
            if np.all(cut == 1) or number == REFINEMENTS:
                break
            nlp = transcribe(self.problem, self.nlp.mesh.split(cut), self.known.degree, self.nlp.functions)
            x = carry_unknowns(self.nlp, solution.x, nlp)
            self.nlp = nlp
            solution = self._fresh(x)
        if error.total > UNFIT:
            raise NoSolutionError(
                f"no solution to the asked accuracy: the mesh error of the section is {error.total:.4f} s, allowed are "
                f"{UNFIT:g} s.\nWhat to try: a finer mesh (--mesh-m)."
            )
        return solution, error

    def _fresh(self, x: Array) -> Solution:
        """Solve the section from unknowns that are near its answer."""
        for start in (Start(x), Start(x, barrier=NEARER)):
            solution = self._run(solve_structured, self.nlp, start)
            if solution.status.solved:
                return solution
        solution = self._run(solve_ipopt, self.nlp, Start(x))
        if not solution.status.solved:
            raise NoSolutionError(why_not(solution, self.track, self.known.vehicle, self.known.start))
        # Only a solve by the structured method leaves a path that changed sections can begin from.
        known = Start(solution.x, solution.row_multipliers, solution.bound_multipliers, FAR)
        again = self._run(solve_structured, self.nlp, known)
        return again if again.status.solved else solution

    def changed(
        self,
        imposed: Imposed | None = None,
        vehicle: AnyVehicle | None = None,
        look_beside: bool = True,
        near: Drive | None = None,
    ) -> Outcome:
        """Solve the section with a further bound, or for a changed car.

        Parameters
        ----------
        imposed
            A bound that holds besides those of the section, and where it begins to matter.
        vehicle
            The car, when it is not the lap's own.
        look_beside
            Whether to find out, for a section that was not solved, if and how far the car leaves the road.
        near
            A drive of the whole section that the answer is expected to be nearer to than to the base.
        """
        began, before = time.perf_counter(), self.iterations
        vehicle = vehicle or self.known.vehicle
        problem = self.problem if vehicle is self.known.vehicle else self._problem(vehicle)
        if imposed is not None:
            problem = confined(problem, [imposed.bound])
        for first in self._nodes_before(None if imposed is None else imposed.begin):
            piece = self._from_node(problem, first)
            mesh = self._mesh(first, None if imposed is None else imposed.corner)
            nlp = transcribe(piece, mesh, self.known.degree, self.nlp.functions)
            origin = (near or self.base).solution
            solution = self._run(solve_structured, nlp, carried(origin, nlp), MOST_CHANGED)
            if solution.status.solved:
                break
        if solution.status.solved:
            outcome = self._checked(self._drive(solution, vehicle, first))
        elif look_beside:
            outcome = self._off_road(piece, mesh, solution, vehicle, first)
        else:
            outcome = Outcome("not solved", words=solution.status.words)
        return replace(outcome, seconds=time.perf_counter() - began, iterations=self.iterations - before)

    def _checked(self, drive: Drive) -> Outcome:
        """A drive counts when the mesh of the section is fine enough for it too."""
        if drive.mesh_error > UNFIT:
            return Outcome(
                "not solved", words="the mesh of the section is too coarse for it: try a finer one (--mesh-m)"
            )
        return Outcome("driven", drive)

    def _nodes_before(self, station: float | None) -> list[int]:
        """Nodes to begin a drive from: the last at or before a station, then the last that is off the limit (see ``EASY``).

        From a state at the very limit there may be no way on; from an earlier one the driver knows of his mistake for longer.
        """
        if station is None:
            return [0]
        nodes = self.nlp.mesh.nodes
        last = max(int(np.searchsorted(nodes, station, "right")) - 1, 0)
        if isinstance(self.known.vehicle, FrictionCircle):
            # Its force may change at once, so there is a way on from anywhere.
            return [last]
        lap = self.base.lap
        use = np.maximum(lap.grip_use_front, lap.grip_use_rear)[:: self.known.degree]
        found = [last]
        for most in EASY:
            fit = np.flatnonzero(use[: last + 1] <= most)
            found.append(int(fit[-1]) if fit.size else 0)
        return list(dict.fromkeys(found))

    def _from_node(self, problem: Problem, first: int) -> Problem:
        """The rest of a problem from a node on, entered as the base comes by there."""
        if first == 0:
            return problem
        names = [state.name for state in problem.model.states]
        values = dict(zip(names, map(float, self.base.solution.states[first]), strict=True))
        return replace(problem, start=float(self.nlp.mesh.nodes[first]), start_values=values)

    def _mesh(self, first: int, corner: float | None) -> Mesh:
        """The mesh from a node on, with a node where a bound has its corner."""
        nodes = self.nlp.mesh.nodes[first:]
        if corner is None or not nodes[1] < corner < nodes[-2]:
            return Mesh(nodes) if first else self.nlp.mesh
        nearest = int(np.argmin(np.abs(nodes - corner)))
        if abs(nodes[nearest] - corner) < SLIVER:
            nodes = nodes.copy()
            nodes[nearest] = corner
            return Mesh(nodes)
        return Mesh(np.insert(nodes, np.searchsorted(nodes, corner), corner))

    def _beside(self, problem: Problem) -> Corridor:
        """The road with ground beside it."""
        edges = edges_of(problem)

        def bound(s: Array, side: float) -> Array:
            edge = side * (edges.upper(s) if side > 0 else edges.lower(s))
            bend = np.maximum(side * self.track.road(s).curvature, 1e-9)
            return np.asarray(side * np.minimum(edge + RUN_OFF, np.maximum(edge + 0.1, BENT / bend)))

        return replace(edges, lower=lambda s: bound(s, -1.0), upper=lambda s: bound(s, 1.0))

    def _off_road(
        self, problem: Problem, mesh: Mesh, failed: Solution, vehicle: AnyVehicle, first: int
    ) -> Outcome:
        """Whether a section that was not solved can be driven at all: with run-off beside the road, at a price."""
        beside, found, steepest = self._beside(problem), None, 0.0
        start: Start | None = None
        for weight in OFF_WEIGHTS:
            priced = priced_off_road(problem, beside, weight)
            nlp = transcribe(priced, mesh, self.known.degree, self.nlp.functions)
            # The car may come to be far from where it was: from a fresh start that is found more surely.
            solution = self._run(
                solve_structured, nlp, start or Start(carried(self.base.solution, nlp, FAR).x)
            )
            if not solution.status.solved:
                break
            found, start, steepest = solution, onward(solution), weight
        if found is None:
            return Outcome("not solved", words=failed.status.words)
        lap = lap_of(found, self.track, vehicle)
        edges = edges_of(problem)
        beyond = np.maximum(lap.n - edges.upper(lap.s), edges.lower(lap.s) - lap.n)
        worst = int(np.argmax(beyond))
        if beyond[worst] >= OFF_ROAD:
            return Outcome("off the road", off_by=float(beyond[worst]), off_at=float(lap.s[worst]))
        if steepest == OFF_WEIGHTS[-1]:
            # On the road after all: found with the edges as a steep price, where the search with edges as limits had failed.
            drive = self._drive(found, vehicle, first)
            if drive.cost - self.base.cost < ABSURD:
                return self._checked(drive)
        return Outcome(
            "not solved", words="a way on the road exists, but was not found to the asked accuracy"
        )

    def _drive(
        self, solution: Solution, vehicle: AnyVehicle, first: int = 0, error: MeshError | None = None
    ) -> Drive:
        last = solution.states[-1]
        if self._final is None:
            self._final = last
        before = float(self.base.solution.interval_times()[:first].sum()) if first else 0.0
        error = error or mesh_error(solution.nlp, solution.x, solution.row_multipliers, solution.p)
        spent = before + solution.time()
        cost = spent + (0.0 if self.stretch.last else float(self.worth @ (last - self._final)))
        lap = lap_of(solution, self.track, vehicle)
        return Drive(replace(lap, t=lap.t + before), solution, spent, cost, error.total)
