"""What reference laps cost: the structured interior point and IPOPT, as solves, as processes, from neighbours, in numbers.

Tables of medians; ``--only`` picks some. ``wall`` is by the clock, ``cpu`` of the processor; one thread. Further tables
take minutes and are printed alone: ``--accuracy`` (laps against a fine even mesh) and ``--agreement`` (of the two solvers).

solve       a lap from nothing in a process that has everything ready: files read, graphs built, machine code loaded
processes   ``python -m lapwright lap`` from start to end of the process, with the machine code on disk and with none
again       solves from a known lap after ten of the car's numbers changed by 1 to 3 %, one at a time and all at once
corner      400 m of road in intervals of 1 m, from nothing and from its neighbours
setups      two hundred setups of one car on all cores, from one known lap
growth      circuits of 1.6, 5.4 and 20 km

The quasi-steady lap is timed by ``baseline.py``, the other commands by ``start.py``.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # read when numpy is imported

import numpy as np

from cases import (
    FAR,
    NEAR,
    ROOT,
    SEED,
    SOLVERS,
    Took,
    car,
    changed,
    circuit,
    drawn,
    environment,
    medians,
    number,
    table,
    timed,
    title,
)
from growth import growth
from lapwright.compiled import backend, store
from lapwright.problem.lap import EndState, lap_problem
from lapwright.problem.model import Problem
from lapwright.reference import solve as recipe
from lapwright.reference.guess import first_guess
from lapwright.reference.solve import WAYS, LapOptions, ReferenceLap, solve_lap
from lapwright.solver.solution import Solution, Start
from lapwright.transcription.mesh import uniform_mesh
from lapwright.transcription.meshcheck import mesh_error
from lapwright.transcription.nlp import Nlp, transcribe
from neighbours import table_again, table_setups
from quality import accuracy, agreement

SECTION = 560.0, 960.0
"""Stations [m] of Marrow Fen between which lie a straight, a corner of 38 m radius and the way out of it."""


# -- solve -----------------------------------------------------------------------------------------------------------------


@contextmanager
def noted() -> Iterator[list[tuple[str, Took, Any]]]:
    """Inside, every solve and every check of a mesh that the recipe makes is noted: kind, what it took, what it returned."""
    notes: list[tuple[str, Took, Any]] = []

    def noting(kind: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*args: Any, **words: Any) -> Any:
            found, took = timed(partial(call, *args, **words))
            notes.append((kind, took, found))
            return found

        return wrapped

    ways = {name: replace(way, solve=noting("solve", way.solve)) for name, way in WAYS.items()}
    with patch.dict(WAYS, ways), patch.object(recipe, "mesh_error", noting("check", recipe.mesh_error)):
        yield notes


def table_solve(args: argparse.Namespace) -> bool:
    """A lap from nothing, stage by stage, by both solvers."""
    title(
        f"Solve: {args.circuit}, {args.car}, default settings, everything ready. A stage is one call of the solver with "
        "its set-up; 'guess, meshes' is what lies between: first guess, problems put on meshes, solutions carried over"
    )
    row = table(
        ("solver", "stage", "intervals", "iterations", "wall_ms", "cpu_ms", "cpu_each"), words=(12, 28)
    )
    track, vehicle = circuit(args.circuit), car(args.car)
    sums = {}
    for solver in args.solvers:
        options, known = LapOptions(solver=solver), None
        runs: list[tuple[Took, list[tuple[str, Took, Any]]]] = []
        for number_of_run in range(1 + args.repeat_of(solver)):
            # The recipe in place of solve_lap: it can be given graphs and programs that exist already.
            work = recipe.Work(track, vehicle, EndState(), EndState(), options, None)
            work.functions = known
            with noted() as notes:
                (solution, _), took = timed(work.solve)
            known = solution.nlp.functions
            if number_of_run:
                runs.append((took, notes))
        sums[solver] = medians([took for took, _ in runs])
        stages = [stage for stage in work.stages]
        solves = [[(took, found) for kind, took, found in notes if kind == "solve"] for _, notes in runs]
        for i, stage in enumerate(stages):
            took = medians([solves_of_run[i][0] for solves_of_run in solves])
            each = 1e3 * took.cpu / max(stage.iterations, 1)
            row(solver, stage.name, stage.intervals, stage.iterations, 1e3 * took.wall, 1e3 * took.cpu, each)
        checks = medians([_sum(t for kind, t, _ in notes if kind == "check") for _, notes in runs])
        rest = medians([_less(took, _sum(t for _, t, _ in notes)) for took, notes in runs])
        row(solver, "checks of the mesh", "", "", 1e3 * checks.wall, 1e3 * checks.cpu, "")
        row(solver, "guess, meshes", "", "", 1e3 * rest.wall, 1e3 * rest.cpu, "")
        count = sum(stage.iterations for stage in stages)
        row(solver, "all", "", count, 1e3 * sums[solver].wall, 1e3 * sums[solver].cpu, "")
    if len(sums) == 2:
        ratio = _ratio(sums["ipopt"], sums["structured"])
        print(f"IPOPT takes {ratio} times as long (wall, cpu)")
    return True


def _sum(times: Iterator[Took]) -> Took:
    found = list(times)
    return Took(sum(t.wall for t in found), sum(t.cpu for t in found))


def _less(whole: Took, part: Took) -> Took:
    return Took(whole.wall - part.wall, whole.cpu - part.cpu)


def _ratio(one: Took, other: Took) -> str:
    return f"{number(one.wall / other.wall)}, {number(one.cpu / other.cpu)}"


# -- processes -------------------------------------------------------------------------------------------------------------


def process(words: Sequence[str], variables: dict[str, str]) -> Took:
    """What a process of its own takes."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "lapwright", *words],
        check=True,
        stdout=subprocess.DEVNULL,
        env=environment() | variables,
    )
    wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    return Took(wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)


def table_processes(args: argparse.Namespace) -> bool:
    """Whole processes, with the machine code on disk and with none."""
    title(
        f"Processes: lap {args.circuit} {args.car} --no-figures, and --help; Python's own compiled modules are there"
    )
    row = table(("command", "machine code", "runs", "wall_ms", "cpu_ms", "least_wall"), words=(24, 14))
    files = [str(ROOT / "tracks" / f"{args.circuit}.yaml"), str(ROOT / "vehicles" / f"{args.car}.yaml")]
    with tempfile.TemporaryDirectory() as folder:
        lap = ["lap", *files, "--no-figures", "--quiet", "--force", "--out", str(Path(folder) / "out")]
        kinds = [("--help", ["--help"], False, args.repeat), ("lap", lap, False, args.repeat)]
        kinds.append(("lap", lap, True, max(2, args.repeat // 2)))
        if "ipopt" in args.solvers:
            kinds.append(("lap --solver ipopt", [*lap, "--solver", "ipopt"], False, args.repeat_of("ipopt")))
        for name, words, empty, repeat in kinds:
            times = []
            for run in range(repeat + 1):
                with tempfile.TemporaryDirectory() as cache:
                    times.append(process(words, {store.VARIABLE: cache} if empty else {}))
                if run == 0 and not empty:
                    times.clear()  # it may have translated something
            took = medians(times)
            least = 1e3 * min(t.wall for t in times)
            kept = "none" if empty else "on disk"
            row(name, kept, len(times), 1e3 * took.wall, 1e3 * took.cpu, least)
    return True


# -- corner ----------------------------------------------------------------------------------------------------------------


def corner(known: ReferenceLap, problem: Problem) -> Problem:
    """``SECTION`` as an open road: entered as on the known lap, left at its place and heading, at any speed."""
    solution = known.solution
    nodes, states = solution.nlp.mesh.nodes, solution.states
    first, last = (
        {v.name: float(np.interp(at, nodes, states[:, i])) for i, v in enumerate(problem.model.states)}
        for at in SECTION
    )
    return replace(
        problem,
        start=SECTION[0],
        end=SECTION[1],
        closed=False,
        start_values=first,
        end_values={name: last[name] for name in ("n", "xi")},
    )


def table_corner(args: argparse.Namespace) -> bool:
    """A corner on a fine mesh, from nothing and from its neighbours."""
    title(
        f"Corner: marrow-fen from {SECTION[0]:g} to {SECTION[1]:g} m, {args.car}, intervals of 1 m, everything ready. "
        f"Neighbours: ten numbers changed by {NEAR:.0%} to {FAR:.0%}"
    )
    row = table(
        ("solver", "from", "cases", "failed", "wall_ms", "cpu_ms", "worst", "iterations", "most"),
        words=(12, 14),
    )
    track, vehicle = circuit("marrow-fen"), car(args.car)
    whole = lap_problem(track, vehicle)
    problem = corner(solve_lap(track, vehicle), whole)
    nlp = transcribe(problem, uniform_mesh(problem.start, problem.end, 1.0, problem.breaks))
    start = Start(nlp.pack(first_guess(track, vehicle, EndState(), EndState())))
    rng = np.random.default_rng(SEED)
    values = [
        nlp.with_values(lap_problem(track, changed(vehicle, drawn(rng, NEAR, FAR))).model.values)
        for _ in range(5 if args.quick else 20)
    ]
    cold = {}
    fine = True
    for solver in args.solvers:
        solve = WAYS[solver].solve
        solve(nlp, start)
        runs = [timed(partial(solve, nlp, start)) for _ in range(args.repeat_of(solver))]
        cold[solver] = medians([took for _, took in runs])
        fine &= show_corner(row, solver, "nothing", runs)
        if solver == "structured":
            known = runs[0][0]
            point = next(q for q in known.path if q.barrier <= 2.0 * WAYS[solver].onward_barrier)
            near = [timed(partial(solve, nlp, point, p=p)) for p in values]
            fine &= show_corner(row, solver, "a neighbour", near)
            print(checked(nlp, known))
    if len(cold) == 2:
        print(
            f"IPOPT takes {_ratio(cold['ipopt'], cold['structured'])} times as long from nothing (wall, cpu)"
        )
    return fine


def show_corner(
    row: Callable[..., None], solver: str, origin: str, runs: Sequence[tuple[Solution, Took]]
) -> bool:
    """A row of the table; False when a solve failed."""
    took, counts = medians([t for _, t in runs]), [solution.iterations for solution, _ in runs]
    failed = sum(not solution.status.solved for solution, _ in runs)
    worst = max(t.wall for _, t in runs)
    times = (1e3 * v for v in (took.wall, took.cpu, worst))
    row(solver, origin, len(runs), failed, *times, f"{statistics.median(counts):.0f}", max(counts))
    return not failed


def checked(nlp: Nlp, solution: Solution) -> str:
    """What the mesh of the corner gets wrong, and what looking for that takes."""
    look = partial(mesh_error, nlp, solution.x, solution.row_multipliers, solution.p)
    look()
    error, took = timed(look)
    return (
        f"{nlp.mesh.intervals} intervals, {solution.time():.4f} s, mesh error {1e3 * error.total:.2f} ms, "
        f"its check {1e3 * took.wall:.0f} ms"
    )


# -- the script ------------------------------------------------------------------------------------------------------------


def table_growth(args: argparse.Namespace) -> bool:
    """Circuits of three lengths; IPOPT once, and not at all in a hurry."""
    repeats = {"structured": 1 if args.quick else 3, "ipopt": 0 if args.quick else 1}
    return growth(args.car, {solver: repeats[solver] for solver in args.solvers if repeats[solver]})


TABLES: dict[str, Callable[[argparse.Namespace], bool]] = {
    "solve": table_solve,
    "processes": table_processes,
    "again": table_again,
    "corner": table_corner,
    "setups": table_setups,
    "growth": table_growth,
}


def main() -> int:
    """Print the tables; 1 when a solve failed or an aim of the further tables was missed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", nargs="+", choices=TABLES, default=list(TABLES), help="these tables alone")
    parser.add_argument("--circuit", default="marrow-fen", metavar="NAME")
    parser.add_argument("--car", default="cup-coupe", metavar="NAME", help="a full car")
    parser.add_argument("--solvers", nargs="+", choices=SOLVERS, default=SOLVERS)
    parser.add_argument("--repeat", type=int, default=9, metavar="N", help="runs of each case (default 9)")
    parser.add_argument("--quick", action="store_true", help="3 runs, 1 by IPOPT; fewer cases")
    parser.add_argument("--accuracy", action="store_true", help="laps against a fine even mesh")
    parser.add_argument(
        "--agreement", action="store_true", help="laps of one solver against those of the other"
    )
    parser.add_argument(
        "--circuits", nargs="*", default=[], metavar="NAME", help="for these two (default all)"
    )
    parser.add_argument("--cars", nargs="*", default=[], metavar="NAME", help="likewise")
    args = parser.parse_args()
    args.solvers = tuple(args.solvers)
    args.repeat = 3 if args.quick else args.repeat
    args.repeat_of = lambda solver: max(1, args.repeat // 3) if solver == "ipopt" else args.repeat
    print(f"{backend()}; medians of {args.repeat} runs, of {args.repeat_of('ipopt')} by IPOPT")
    if args.accuracy or args.agreement:
        results = [
            judge(args.circuits, args.cars)
            for judge, asked in ((accuracy, args.accuracy), (agreement, args.agreement))
            if asked
        ]
    else:
        results = [TABLES[name](args) for name in args.only]
    return 0 if all(results) else 1


if __name__ == "__main__":
    raise SystemExit(main())
