"""The optimum on the line that the driver took: what his pedals and his hands could have made of it.

The lateral offset is held within a tube about the driver's line, no narrower than the line is known; everything else is
free. The search begins at the driver's own lap, which is all but a way through.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lapwright.driver.session import DriverLap
from lapwright.lap.lap import Array, Lap
from lapwright.problem.lap import lap_problem
from lapwright.problem.model import Corridor, Guess, Problem
from lapwright.problem.section import confined, edges_of
from lapwright.reference.channels import lap_of
from lapwright.reference.kept import KeptLap
from lapwright.solver.solution import Progress, Solution, Start
from lapwright.solver.structured import solve_structured
from lapwright.track.track import Track
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.meshcheck import MeshError, mesh_error, parts
from lapwright.transcription.nlp import Nlp, transcribe
from lapwright.transcription.pointfunctions import PointFunctions
from lapwright.vehicle.parameters import FrictionCircle

NARROWEST = 0.15
"""Half of the narrowest tube [m]: a line is hardly told apart by less, and a search needs room."""

SURE = 2.0
"""Half of the tube over the standard deviation of the line."""

WIDEST = 2.0
"""Half of the widest tube that still says something about a line [m]."""

PATIENCE = 0.02
"""Seconds by which the optimum on a line may be slower than its driver: if it is by more, his line is not known that well."""

WIDER = 1.6
"""How much wider a tube is tried when the search in it failed, or found a lap that is slower than the driver's."""

EASE_OFF = 0.97
"""Share of the driver's speed at which the search begins."""

MOST = 250
"""Iterations of one search."""

TOLERANCE, REFINEMENTS = 0.01, 2
"""Error of the time [s] from which the mesh is split, and how often."""

FREE = 40.0
"""Distance [m] along which the tube closes behind the start of an open road, whose ends are given."""


@dataclass(frozen=True, eq=False)
class LineOptimum:
    """The quickest lap on a driver's line.

    Attributes
    ----------
    lap : its channels
    half : half of the tube's width [m]
    mesh_error : of the time [s]
    beyond : farthest that the driver's line lay off the strip that the car's middle may use [m]; it was brought back so far
    """

    lap: Lap
    half: float
    mesh_error: float
    beyond: float

    @property
    def time(self) -> float:
        """Lap time [s]."""
        return self.lap.time


def optimum_on_line(
    track: Track,
    known: KeptLap,
    drive: DriverLap,
    *,
    functions: PointFunctions | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> LineOptimum | None:
    """The quickest lap within a tube about the driver's line; None when the widest one does not lead to an answer either.

    Nobody is quicker than the optimum on his own line: where the answer says so the noise of the line is to blame, and the
    tube is made wider.

    Parameters
    ----------
    track, known
        The road, and the reference lap on it: its mesh and its ends are used again.
    drive
        A whole lap whose line is known.
    functions
        Point functions of the lap's problem, when somebody has them.
    progress
        Called once an iteration.
    """
    assert drive.lap is not None and "line" in drive.has
    noise = drive.noise.across if drive.noise is not None and np.isfinite(drive.noise.across) else 0.0
    half = max(NARROWEST, SURE * noise)
    problem = lap_problem(track, known.vehicle, known.start, known.end)
    guess = guess_from(drive.lap, known)
    while half <= WIDEST:
        bound, beyond = tube(problem, drive.lap, half)
        nlp = transcribe(confined(problem, [bound]), Mesh(known.nodes), known.degree, functions)
        functions = nlp.functions
        found = _solve(nlp, known.degree, guess, progress)
        if found is not None and found[0].time() <= drive.time + PATIENCE:
            solution, error = found
            return LineOptimum(lap_of(solution, track, known.vehicle), half, error.total, beyond)
        half *= WIDER
    return None


def tube(problem: Problem, lap: Lap, half: float) -> tuple[Corridor, float]:
    """Bounds of the offset ``half`` [m] to both sides of a line, and how far that had to be moved onto the road [m].

    The line is kept ``half`` from the strip that the car's middle may use, so that the tube lies on the road whole.
    """
    from scipy.interpolate import CubicSpline

    edges = edges_of(problem)
    low, high = edges.lower(lap.s) + half, edges.upper(lap.s) - half
    middle = 0.5 * (low + high)
    low, high = np.minimum(low, middle), np.maximum(high, middle)
    kept = np.clip(lap.n, low, high)
    beyond = float(np.max(np.maximum(np.abs(kept - lap.n) - half, 0.0)))
    length = problem.length
    if problem.closed:
        kept = np.append(kept[:-1], kept[0])
        line = CubicSpline(lap.s, kept, bc_type="periodic")
    else:
        line = CubicSpline(lap.s, kept)

    def room(s: Array) -> Array:
        if problem.closed:
            return np.full(np.shape(s), half)
        return half + 20.0 * half * np.maximum(
            1.0 - np.minimum(s - problem.start, problem.end - s) / FREE, 0.0
        )

    def at(s: Array) -> Array:
        inside = problem.start + np.mod(s - problem.start, length) if problem.closed else s
        return np.asarray(line(inside))

    bound = Corridor(
        "n",
        lambda s: at(s) - room(s),
        lambda s: at(s) + room(s),
        "the driver's line, right of it",
        "the driver's line, left of it",
    )
    return bound, beyond


def guess_from(lap: Lap, known: KeptLap) -> Guess:
    """A driven lap as a first guess, a little slower than driven; what was not logged is taken from the reference."""
    reference = known.lap
    s = lap.s

    def channel(name: str) -> Array:
        values = np.asarray(getattr(lap, name), dtype=float)
        known_values = np.interp(s, reference.s, getattr(reference, name))
        return np.where(np.isfinite(values), values, known_values)

    speed = EASE_OFF * channel("speed")
    if isinstance(known.vehicle, FrictionCircle):
        force = np.vstack([np.interp(s, reference.s, row) for row in known.controls])
        return Guess(s, np.vstack([channel("n"), channel("xi"), speed]), force, np.zeros((0, s.size)))
    sideslip = np.interp(s, reference.s, reference.sideslip)
    # A log has the course of the car but hardly its heading: the sideslip of the reference is as good a guess as any.
    states = np.vstack([
        channel("n"),
        channel("xi") - sideslip,
        speed * np.cos(sideslip),
        speed * np.sin(sideslip),
        EASE_OFF * channel("yaw_rate"),
        channel("steering_wheel") / known.vehicle.steering.ratio,
        np.clip(channel("pedal"), -0.95, 0.95),
        channel("accel_long"),
        channel("accel_lat"),
    ])  # fmt: skip
    slips = np.vstack([np.interp(s, reference.s, column) for column in reference.slip_ratio.T])
    controls = np.zeros((known.controls.shape[0], s.size))
    return Guess(s, states, controls, 0.9 * slips)


def _solve(
    nlp: Nlp, degree: int, guess: Guess, progress: Callable[[Progress], None] | None
) -> tuple[Solution, MeshError] | None:
    """A solve, its mesh split until it is fine enough; None when it fails."""
    for number in range(REFINEMENTS + 1):
        solution = solve_structured(nlp, Start(nlp.pack(guess)), max_iterations=MOST, progress=progress)
        if not solution.status.solved:
            return None
        error = mesh_error(nlp, solution.x, solution.row_multipliers, solution.p)
        cut = parts(error, TOLERANCE)
        if np.all(cut == 1) or error.total <= TOLERANCE:
            return solution, error
        if number < REFINEMENTS:
            nlp = transcribe(nlp.problem, nlp.mesh.split(cut), degree, nlp.functions)
    return None
