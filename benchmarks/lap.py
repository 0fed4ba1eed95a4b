"""What a reference lap costs: seconds, iterations, size and memory, by circuit and mesh, and how they grow with length.

Every case runs in a process of its own, so that its memory is its own and nothing is warm from the case before.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
CIRCUITS = ("cinder-yard", "tarn-bowl", "otter-heath", "marrow-fen")
MESHES = ("10", "5", "2.5", "default")
LENGTHS = (1.3, 2.6, 5.2, 10.4, 20.2)
"""Lengths [km] of the made-up circuits."""
GROWTH_MESH = 7.0
"""Mean interval [m] on the made-up circuits, the same on all."""
ROW = "{:<14} {:>9} {:>8} {:>8} {:>8} {:>8} {:>8} {:>8} {:>10} {:>9} {:>9} {:>9} {:>12}"
HEADS = [
    "circuit",
    "length_m",
    "mesh",
    "start_s",
    "build_s",
    "solve_s",
    "total_s",
    "cpu_s",
    "iterations",
    "unknowns",
    "rows",
    "peak_MB",
    "mesh_error_s",
]


def ring(kilometres: float) -> Any:
    """A made-up circuit of about that length: the same three bends over and over, closed by its symmetry."""
    from lapwright.track.build import build_track
    from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition

    count = max(2, round(kilometres / 0.65))
    last = math.radians(30.0) + 2.0 * math.pi / count
    motif = (
        Straight(160.0),
        Arc(60.0, math.radians(70.0), 20.0, 20.0),
        Straight(60.0),
        Arc(40.0, math.radians(-100.0), 15.0, 15.0),
        Straight(120.0),
        Arc(50.0, last, 15.0, 15.0),
        Straight(80.0),
    )
    half = (Station(0.0, 5.5),)
    return build_track(TrackDefinition(f"ring of {count}", True, ElementLine(motif * count), half, half))


def run_case(circuit: str, mesh: str, car: str) -> None:
    """One case, in this process; prints its numbers as JSON."""
    began = time.perf_counter()
    from lapwright.inputs.files import load_track, load_vehicle
    from lapwright.reference.solve import LapOptions, solve_lap

    vehicle = load_vehicle(ROOT / "vehicles" / f"{car}.yaml")
    if circuit.startswith("ring:"):
        track, options = ring(float(circuit[5:])), LapOptions(mesh=GROWTH_MESH)
    else:
        track = load_track(ROOT / "tracks" / f"{circuit}.yaml")
        # On an even mesh that very mesh is timed, whatever its error: no splitting.
        even = LapOptions(mesh=float(mesh), uniform=True, tolerance=1e9) if mesh != "default" else None
        options = even or LapOptions()
    ready, used = time.perf_counter(), time.process_time()
    result = solve_lap(track, vehicle, options=options)
    total = time.perf_counter() - ready
    layout = result.solution.nlp.layout
    numbers = {
        "length": track.length,
        "start": ready - began,
        "build": total - result.solve_seconds,
        "solve": result.solve_seconds,
        "total": total,
        "cpu": time.process_time() - used,
        "iterations": result.iterations,
        "unknowns": layout.size,
        "rows": layout.rows,
        # Kilobytes on Linux, bytes on macOS.
        "memory": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        / (1e6 if sys.platform == "darwin" else 1e3),
        "mesh_error": result.mesh_error.total,
    }
    print(json.dumps(numbers))


def measured(circuit: str, mesh: str, car: str, repeat: int) -> dict[str, float] | None:
    """Medians over ``repeat`` processes; None, and the reason on standard error, when one of them fails."""
    words = [sys.executable, __file__, "--car", car, "--case", circuit, mesh]
    found = []
    for _ in range(repeat):
        done = subprocess.run(words, capture_output=True, text=True, check=False, env=single_threaded())
        if done.returncode:
            print(f"{circuit}, mesh {mesh}: {done.stderr.strip().splitlines()[-1]}", file=sys.stderr)
            return None
        found.append(json.loads(done.stdout))
    return {key: statistics.median(numbers[key] for numbers in found) for key in found[0]}


def single_threaded() -> dict[str, str]:
    """The environment of the command: one thread for the dense blocks."""
    return {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def show(circuit: str, mesh: str, numbers: dict[str, float]) -> None:
    """One row of the table."""
    seconds = [f"{numbers[key]:.2f}" for key in ("start", "build", "solve", "total", "cpu")]
    sizes = [f"{numbers[key]:.0f}" for key in ("iterations", "unknowns", "rows", "memory")]
    row = (circuit, f"{numbers['length']:.0f}", mesh, *seconds, *sizes, f"{numbers['mesh_error']:.4f}")
    print(ROW.format(*row), flush=True)


def exponent(x: list[float], y: list[float]) -> float:
    """Slope of log y over log x by least squares."""
    return statistics.linear_regression([math.log(v) for v in x], [math.log(v) for v in y]).slope


def grow(car: str, repeat: int, lengths: Sequence[float]) -> bool:
    """The made-up circuits; False when one was not solved."""
    rows = []
    for kilometres in lengths:
        numbers = measured(f"ring:{kilometres:g}", "graded", car, repeat)
        if numbers is None:
            return False
        show("made up", f"{GROWTH_MESH:g}", numbers)
        rows.append(numbers)
    if len(rows) > 1:
        length = [row["length"] for row in rows]
        solve = exponent(length, [row["cpu"] for row in rows])
        pace = exponent(length, [row["cpu"] / row["iterations"] for row in rows])
        print(f"processor time grows as length to the {solve:.2f}, of one iteration to the {pace:.2f}")
    return True


def main() -> int:
    """Run the table, then the growth; 1 when a case was not solved."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--circuits", nargs="*", default=CIRCUITS, help="names of shipped circuits")
    parser.add_argument("--meshes", nargs="+", default=MESHES, help="even steps in m, or 'default'")
    parser.add_argument("--car", default="cup-coupe", help="shipped car (default cup-coupe)")
    parser.add_argument("--repeat", type=int, default=3, help="runs of a case, medians are shown (default 3)")
    parser.add_argument(
        "--lengths-km",
        type=float,
        nargs="*",
        default=LENGTHS,
        help="of the made-up circuits; give none to skip",
    )
    parser.add_argument("--case", nargs=2, metavar=("CIRCUIT", "MESH"), help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.case:
        run_case(*args.case, args.car)
        return 0
    print(ROW.format(*HEADS), flush=True)
    failed = False
    for circuit in args.circuits:
        for mesh in args.meshes:
            numbers = measured(circuit, mesh, args.car, args.repeat)
            failed |= numbers is None
            if numbers is not None:
                show(circuit, mesh, numbers)
    failed |= not grow(args.car, args.repeat, args.lengths_km)
    return int(failed)


if __name__ == "__main__":
    raise SystemExit(main())
