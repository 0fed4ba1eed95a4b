"""The same lap three ways: the structured solver, IPOPT with lapwright's derivatives, IPOPT behind a general front-end.

The front-end is rockit (package rockit-meco, ``pip install 'lapwright[bench]'``), which states optimal-control problems on
CasADi. Everything that decides the answer is the same for all three: the car's equations, the nodes of the even mesh, Radau
collocation with two points an interval, one control an interval, bounds and limits at the same points, scales of unknowns and
rows, the first guess at every point, tolerance, IPOPT's options, one thread. In rockit's terms:

- The independent variable is the station; the nodes are those of lapwright's mesh (``FunctionGrid``).
- The road enters as parameters of each interval: its numbers at the first point and their slope to the second. A line
  through the two points of an interval is exact at both, and nothing looks at the road between them. Road edges and the first
  guess (a parabola, since the node counts too) are given in the same way.
- Slip ratios are algebraic variables with ``add_alg``; the lap is closed by a boundary condition.
- rockit has a copy of the state at every node and ties it to the last point of the interval before by rows of its own, where
  lapwright has one unknown: so its program has half as many states again.
- Two options of CasADi are on because they are faster: ``expand`` (scalar operations in place of calls, for more memory) and
  ``detect_simple_bounds`` (bounds are not rows). Inequalities are divided by their scales here: given the argument ``scale``,
  rockit prints each of them.

Set-up is everything from the loaded files to the first iteration, IPOPT's solve its own time; the structured solver fetches
its machine code inside its solve, and there it is counted. That code is kept on disk; the row "structured, new" is a computer
that has none yet. Every case runs in a process of its own, the ways in turn; times are medians, ratios are medians of the
ratios to the structured solver in the same turn. ``cost_s`` is what is minimised, ``apart_mm`` the largest distance to the
structured solver's line: where the cost is flat, as on a straight, lines of the same cost lie far apart. A lap time that
differs by more than a millisecond is said and ends in status 1: a minimum-time problem may have several local optima.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROOT = Path(__file__).resolve().parent.parent
CASES = ("marrow-fen:10", "cinder-yard:5")
NEW, STRUCTURED, IPOPT, FRONT_END = "structured, new", "structured", "ipopt", "front-end"
DEGREE = 2
"""Collocation points an interval; the road of an interval is a straight line through two."""
TOLERANCE = 1e-7
MOST = 500
"""Iterations."""
SAME = 1e-3
"""Largest difference of lap times [s] that still counts as the same optimum."""
ROW = "{:<12} {:>6} {:>9} {:<15} {:>8} {:>8} {:>8} {:>8} {:>10} {:>9} {:>9} {:>9} {:>8} {:>11} {:>11} {:>9}"
HEADS = (
    "circuit", "mesh_m", "intervals", "way", "setup_s", "solve_s", "total_s", "cpu_s", "iterations", "cost_s", "lap_s",
    "apart_mm", "peak_MB", "solve_ratio", "total_ratio", "cpu_ratio",
)  # fmt: skip


@dataclass(frozen=True)
class Answer:
    """How one way ended.

    ``solve`` time of the solver [s]; ``ended`` clock and processor time when it had the answer [s]; ``cost`` with the weights
    on effort and ``lap`` time [s]; ``offset`` [m] at all points.
    """

    status: str
    solve: float
    ended: tuple[float, float]
    iterations: int
    cost: float
    lap: float
    offset: Array


def run_case(way: str, circuit: str, step: float, car: str) -> None:
    """One case, in this process; prints its numbers as JSON."""
    from lapwright.inputs.files import load_track, load_vehicle
    from lapwright.problem.lap import EndState, lap_problem
    from lapwright.reference.guess import first_guess
    from lapwright.transcription.mesh import uniform_mesh

    if way == FRONT_END:
        import rockit  # noqa: F401  (imports are not part of any way's time)
    else:
        import lapwright.solver.ipopt
        import lapwright.solver.structured  # noqa: F401

    track = load_track(ROOT / "tracks" / f"{circuit}.yaml")
    vehicle = load_vehicle(ROOT / "vehicles" / f"{car}.yaml")
    began, used = now()
    problem = lap_problem(track, vehicle)
    problem = replace(problem, model=replace(problem.model, controls_per_point=False))
    mesh = uniform_mesh(problem.start, problem.end, step, problem.breaks)
    guess = first_guess(track, vehicle, EndState(), EndState())
    answer = (
        by_front_end(problem, mesh, guess) if way == FRONT_END else by_lapwright(way, problem, mesh, guess)
    )
    ended, spent = answer.ended
    total = ended - began
    numbers = {
        "status": answer.status,
        "intervals": mesh.intervals,
        "setup": total - answer.solve,
        "solve": answer.solve,
        "total": total,
        "cpu": spent - used,
        "iterations": answer.iterations,
        "cost": answer.cost,
        "lap": answer.lap,
        "offset": answer.offset.ravel().tolist(),
        # Kilobytes on Linux, bytes on macOS.
        "memory": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        / (1e6 if sys.platform == "darwin" else 1e3),
    }
    print(json.dumps(numbers))


def now() -> tuple[float, float]:
    """Clock, and processor time of this process and of the ones it started and waited for [s]."""
    spent = os.times()
    return time.perf_counter(), spent.user + spent.system + spent.children_user + spent.children_system


def by_lapwright(way: str, problem: Any, mesh: Any, guess: Any) -> Answer:
    """lapwright's transcription, solved by its own solver or by IPOPT."""
    from lapwright.solver.ipopt import solve_ipopt
    from lapwright.solver.solution import Start
    from lapwright.solver.structured import solve_structured
    from lapwright.transcription.nlp import transcribe

    nlp = transcribe(problem, mesh, DEGREE)
    solve = solve_ipopt if way == IPOPT else solve_structured
    solution = solve(nlp, Start(nlp.pack(guess)), tolerance=TOLERANCE, max_iterations=MOST)
    ended = now()
    offset = solution.point_states[:, :, problem.model.state_index("n")]
    status = solution.status.name
    return Answer(
        status, solution.seconds, ended, solution.iterations, solution.objective, solution.time(), offset
    )


def by_front_end(problem: Any, mesh: Any, guess: Any) -> Answer:
    """The problem stated in rockit and solved by IPOPT."""
    from lapwright.transcription.radau import radau

    table = radau(DEGREE)
    count, stations = mesh.intervals, mesh.points(table.points)
    road = problem.road(mesh.inside(table.points).ravel()).reshape(-1, count, DEGREE)
    ocp, (x, u, z), pace = stated(problem, mesh, stations, road, guess)
    solution = ocp.solve()
    ended = now()
    stats = solution.stats
    found = [solution.sample(each, grid="integrator_roots")[1].T for each in (x, u, z)]
    share = (mesh.steps[:, None] * table.weights).ravel()
    costs, times = pace.map(count * DEGREE)(*found, road.reshape(-1, count * DEGREE))
    cost, lap = (float(np.asarray(each).ravel() @ share) for each in (costs, times))
    status = "solved" if stats["success"] else stats["return_status"]
    offset = found[0][problem.model.state_index("n")]
    return Answer(status, stats["t_wall_total"], ended, stats["iter_count"], cost, lap, offset)


def stated(problem: Any, mesh: Any, stations: Array, road: Array, guess: Any) -> tuple[Any, Any, Any]:
    """The problem in rockit, its (states, controls, algebraics), and the function of what a metre costs."""
    import casadi as ca
    from rockit import DirectCollocation, Ocp
    from rockit.sampling_method import FunctionGrid

    from lapwright.solver.ipopt import OPTIONS

    model = problem.model
    dynamics, limits, pace = car_functions(model)
    ocp = Ocp(t0=problem.start, T=problem.length)
    x, u, z = (
        make(len(group), scale=ca.DM([v.scale for v in group]))
        for make, group in (
            (ocp.state, model.states), (ocp.control, model.controls), (ocp.algebraic, model.algebraics),
        )
    )  # fmt: skip
    along = Along(ocp, mesh, stations)
    here = along.line(road)
    rates, balances, cost_rate = dynamics(x, u, z, here)
    # Rows as lapwright has them: a rate over its scale and times the interval (here the mean one); a balance as it is,
    # which rockit would divide by the scale of the variable at the same place.
    of_states = ca.DM([v.scale for v in model.states])
    ocp.set_der(x, rates, scale=of_states * mesh.intervals / problem.length)
    ocp.add_alg(balances, scale=1.0 / ca.DM([v.scale for v in model.algebraics]))
    ocp.add_objective(ocp.integral(cost_rate))
    ocp.subject_to(limits(x, u, z, here) <= 0, grid="integrator_roots")
    ocp.subject_to(ocp.at_t0(x) == ocp.at_tf(x), scale=of_states)
    lower, upper = state_bounds(problem, stations)
    for i, variable in enumerate(model.states):
        if np.any(np.isfinite(lower[i]) | np.isfinite(upper[i])):
            edges = along.line(np.stack([lower[i], upper[i]]) / variable.scale)
            ocp.subject_to(edges[0] <= (x[i] / variable.scale <= edges[1]), grid="integrator_roots")
    for i, variable in enumerate(model.controls):
        low, high = variable.lower / variable.scale, variable.upper / variable.scale
        ocp.subject_to(low <= (u[i] / variable.scale <= high), grid="control", include_last=False)
    begin(ocp, along, (x, u, z), guess, (lower, upper))
    options = {"expand": True, "detect_simple_bounds": True, "print_time": False, "record_time": True}
    ocp.solver("ipopt", {**options, "ipopt": OPTIONS | {"tol": TOLERANCE, "max_iter": MOST}})
    nodes = ((mesh.nodes - problem.start) / problem.length).tolist()
    grid = FunctionGrid(lambda _: nodes)
    ocp.method(DirectCollocation(N=mesh.intervals, degree=DEGREE, scheme="radau", grid=grid))
    return ocp, (x, u, z), pace


def car_functions(model: Any) -> tuple[Any, Any, Any]:
    """(rates, balances, cost rate), limits, and (cost rate, time rate) as functions of (x, u, z, road)."""
    import casadi as ca

    sizes = (len(model.states), len(model.controls), len(model.algebraics), model.road_size)
    symbols = [ca.SX.sym(name, size) for name, size in zip("xuzr", sizes, strict=True)]
    found = model.equations(*(ca.vertsplit(each) for each in symbols), model.values.tolist())
    outputs = {
        "dynamics": [ca.vertcat(*found.rates), ca.vertcat(*found.balances), found.cost_rate],
        "limits": [ca.vertcat(*found.limits)],
        "pace": [found.cost_rate, found.time_rate],
    }
    dynamics, limits, pace = (
        ca.Function(name, symbols, values, {"cse": True}) for name, values in outputs.items()
    )
    return dynamics, limits, pace


def state_bounds(problem: Any, stations: Array) -> tuple[Array, Array]:
    """(nx, N, d) bounds of the states at the points."""
    states, shape = problem.model.states, stations.shape
    lower = np.stack([np.full(shape, v.lower) for v in states])
    upper = np.stack([np.full(shape, v.upper) for v in states])
    for corridor in problem.corridors:
        i = problem.model.state_index(corridor.state)
        lower[i] = corridor.lower(stations.ravel()).reshape(shape)
        upper[i] = corridor.upper(stations.ravel()).reshape(shape)
    return lower, upper


class Along:
    """Numbers that change along the road as rockit takes them: parameters of an interval and the station."""

    def __init__(self, ocp: Any, mesh: Any, stations: Array) -> None:
        self.ocp, self.first, self.gap = ocp, stations[:, 0], stations[:, 1] - stations[:, 0]
        self.lead = stations[:, 0] - mesh.nodes[:-1]
        self.station = ocp.t - self.given(self.first[None, :])

    def given(self, values: Array) -> Any:
        """A parameter with a value (m, N) in each interval."""
        parameter = self.ocp.parameter(len(values), grid="control")
        self.ocp.set_value(parameter, values)
        return parameter

    def line(self, values: Array) -> Any:
        """An expression that has the values (m, N, 2) at the two points of each interval."""
        slope = (values[:, :, 1] - values[:, :, 0]) / self.gap
        return self.given(values[:, :, 0]) + self.station * self.given(slope)

    def parabola(self, values: Array) -> Any:
        """An expression that has the values (m, N, 2) at the points, and at each node those of the point it is."""
        node = np.roll(values[:, :, 1], 1, axis=1)
        before = (values[:, :, 0] - node) / self.lead
        after = (values[:, :, 1] - values[:, :, 0]) / self.gap
        bend = (after - before) / (self.lead + self.gap)
        rest = self.given(after - bend * self.gap) + self.station * self.given(bend)
        return self.given(values[:, :, 0]) + self.station * rest


def begin(ocp: Any, along: Along, unknowns: Any, guess: Any, bounds: tuple[Array, Array]) -> None:
    """Give rockit the first guess, inside the bounds as lapwright has it."""
    states, _, _ = unknowns
    stations = along.first[:, None] + along.gap[:, None] * np.array([0.0, 1.0])
    values = np.stack([np.interp(stations, guess.s, row) for row in guess.states])
    ocp.set_initial(states, along.parabola(np.clip(values, *bounds)))
    # rockit begins with noughts where nothing is said, and saying it takes time that grows as the square of the intervals.
    if np.any(guess.controls) or np.any(guess.algebraics):
        raise ValueError("the first guess of controls and slips is not nought: state it")


def measured(way: str, circuit: str, step: str, car: str, cache: str) -> dict[str, Any]:
    """One case in a process of its own, with machine code kept in ``cache``."""
    single = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "LAPWRIGHT_CACHE": cache}
    words = [sys.executable, __file__, "--car", car, "--case", way, circuit, step]
    done = subprocess.run(words, capture_output=True, text=True, check=False, env={**os.environ, **single})
    if done.returncode:
        raise SystemExit(f"{circuit}, {step} m, {way}: {done.stderr.strip().splitlines()[-1]}")
    return dict(json.loads(done.stdout.splitlines()[-1]))


def compare(circuit: str, step: str, car: str, repeat: int, ways: list[str]) -> bool:
    """The rows of one circuit; False when a way did not find the same optimum."""
    found: dict[str, list[dict[str, Any]]] = {way: [] for way in ways}
    for _ in range(repeat):
        with tempfile.TemporaryDirectory() as cache:
            # The new computer comes first and leaves its machine code to the others.
            for way in ways:
                found[way].append(measured(way, circuit, step, car, cache))
    same = True
    for way, runs in found.items():
        print(ROW.format(circuit, step, *cells(way, runs, found[STRUCTURED])), flush=True)
        for run, own in zip(runs, found[STRUCTURED], strict=True):
            late = run["lap"] - own["lap"]
            if run["status"] != "solved" or abs(late) > SAME:
                print(f"{circuit}, {step} m, {way}: {run['status']}, lap {late:+.4f} s", file=sys.stderr)
                same = False
    return same


def cells(way: str, runs: list[dict[str, Any]], own: list[dict[str, Any]]) -> list[str]:
    """What a row says of a way after circuit and mesh."""
    ratios = [
        statistics.median(run[key] / mine[key] for run, mine in zip(runs, own, strict=True))
        for key in ("solve", "total", "cpu")
    ]
    apart = np.max(np.abs(np.array(runs[0]["offset"]) - np.array(own[0]["offset"])))

    def middle(key: str, decimals: int) -> str:
        return f"{statistics.median(run[key] for run in runs):.{decimals}f}"

    return [
        middle("intervals", 0),
        way,
        *(middle(key, 2) for key in ("setup", "solve", "total", "cpu")),
        middle("iterations", 0),
        *(middle(key, 4) for key in ("cost", "lap")),
        f"{1e3 * apart:.1f}",
        middle("memory", 0),
        *(f"{ratio:.2f}" for ratio in ratios),
    ]


def main() -> int:
    """Print the table; 1 when the ways did not agree."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", nargs="+", default=CASES, help="circuit:mesh in m (default %(default)s)")
    parser.add_argument("--car", default="cup-coupe", help="shipped car (default cup-coupe)")
    parser.add_argument("--repeat", type=int, default=3, help="turns, medians are shown (default 3)")
    parser.add_argument("--case", nargs=3, metavar=("WAY", "CIRCUIT", "MESH"), help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.case:
        way, circuit, step = args.case
        run_case(way, circuit, float(step), args.car)
        return 0
    cases = [case.partition(":") for case in args.cases]
    if any(not step for _, _, step in cases):
        parser.error(f"a case is a circuit, a colon and a mesh in m, as in {CASES[0]}")
    ways = [NEW, STRUCTURED, IPOPT]
    if importlib.util.find_spec("rockit"):
        ways.append(FRONT_END)
    else:
        print("rockit-meco is not installed (pip install 'lapwright[bench]'): the front-end is left out.")
    print(ROW.format(*HEADS), flush=True)
    agreed = [compare(circuit, step, args.car, args.repeat, ways) for circuit, _, step in cases]
    return 0 if all(agreed) else 1


if __name__ == "__main__":
    raise SystemExit(main())
