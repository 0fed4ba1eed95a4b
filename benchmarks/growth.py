"""How seconds and memory of a lap grow with the length of the circuit: a table of ``solver.py``.

Every case is a process of its own, so that its memory is its own and nothing is warm from the case before.
"""

from __future__ import annotations

import json
import math
import resource
import statistics
import subprocess
import sys

from cases import car, circuit, environment, table, timed, title
from lapwright.reference.solve import LapOptions, solve_lap

LENGTHS = (1.3, 5.2, 20.2)
"""Kilometres asked of the made-up circuits, which come out at 1.6, 5.4 and 20 km."""
MESH = 7.0
"""Mean interval [m], the same on all."""
HEADS = (
    "solver", "length_m", "start_s", "solve_s", "rest_s", "cpu_s", "iterations", "cpu_ms_each", "unknowns", "peak_MB",
    "start_MB", "error_s",
)  # fmt: skip
KEYS = (
    "length", "start", "solve", "rest", "cpu", "iterations", "pace", "unknowns", "peak", "before", "error",
)  # fmt: skip
"""What stands in the columns after the first."""


def peak() -> float:
    """Most memory that this process has had so far [MB]; the system counts kilobytes on Linux, bytes on macOS."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def case(name: str, vehicle: str, solver: str) -> None:
    """One lap in this process; prints its numbers as JSON."""
    # Splitting would follow the tolerance, which is for a lap and not for a kilometre.
    options = LapOptions(mesh=MESH, solver=solver, tolerance=1e9)
    (track, driven), start = timed(lambda: (circuit(name), car(vehicle)))
    before = peak()
    result, took = timed(lambda: solve_lap(track, driven, options=options))
    numbers = {
        "length": track.length,
        "start": start.wall,
        "solve": result.solve_seconds,
        "rest": took.wall - result.solve_seconds,
        "cpu": took.cpu,
        "iterations": result.iterations,
        "unknowns": result.solution.nlp.layout.size,
        "peak": peak(),
        "before": before,
        "error": result.mesh_error.total,
        "fallback": float(result.solver != result.stages[0].solver),
    }
    print(json.dumps(numbers))


def measured(name: str, vehicle: str, solver: str, repeat: int) -> dict[str, float] | None:
    """Medians over ``repeat`` processes; None, and the reason on standard error, when one of them fails."""
    words = [sys.executable, __file__, name, vehicle, solver]
    found = []
    for _ in range(repeat):
        done = subprocess.run(words, capture_output=True, text=True, check=False, env=environment())
        if done.returncode:
            print(f"{name}, {solver}: {done.stderr.strip().splitlines()[-1]}", file=sys.stderr)
            return None
        found.append(json.loads(done.stdout))
    return {key: statistics.median(numbers[key] for numbers in found) for key in found[0]}


def exponent(rows: list[dict[str, float]], key: str) -> float:
    """Power of the length with which a number grows, by least squares of the logarithms."""
    lengths = [math.log(row["length"]) for row in rows]
    return statistics.linear_regression(lengths, [math.log(row[key]) for row in rows]).slope


def growth(vehicle: str, repeats: dict[str, int]) -> bool:
    """Print the table, ``repeats`` by solver; False when a case was not solved, or not by the solver that was asked."""
    runs = ", ".join(f"{count} by {solver}" for solver, count in repeats.items())
    title(
        f"Growth with length: {vehicle}, made-up circuits, {MESH:g} m, no splitting, a process each; medians of {runs}. "
        "'solve' is inside the solver and the check of the mesh, 'start_MB' the memory before the solve"
    )
    row = table(HEADS)
    fine = True
    for solver, repeat in repeats.items():
        rows = []
        for kilometres in LENGTHS:
            found = measured(f"ring:{kilometres:g}", vehicle, solver, repeat)
            if found is None or found["fallback"]:
                fine = False
                continue
            found["pace"] = 1e3 * found["cpu"] / found["iterations"]
            rows.append(found)
            whole = {key: round(found[key]) for key in ("length", "iterations", "unknowns", "peak", "before")}
            row(solver, *((found | whole)[key] for key in KEYS))
        if len(rows) > 1:
            print(
                f"{solver}: solve_s grows as length to the {exponent(rows, 'solve'):.2f}, cpu_s to the "
                f"{exponent(rows, 'cpu'):.2f}, processor time of an iteration to the {exponent(rows, 'pace'):.2f}"
            )
    return fine


if __name__ == "__main__":
    case(*sys.argv[1:])
