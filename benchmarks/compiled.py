"""What a call of the car's point functions costs: by CasADi, by numpy, by machine code; and what translating them costs."""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import casadi as ca
import numpy as np

from lapwright.compiled import backend, store
from lapwright.compiled.along_lap import AlongLap
from lapwright.compiled.over_points import OverPoints
from lapwright.compiled.rows import Rows
from lapwright.compiled.stepping import Stepping

ROOT = Path(__file__).resolve().parent.parent
NAMES = ("value", "jacobian", "hessian", "derivatives", "by_parameter")
PARAMETERS = 2
"""Position of the car's numbers among the inputs, the same at every point."""
ROW = "{:<14} {:>12} {:>10} {:>10} {:>10} {:>10} {:>10} {:>8}"
HEADS = ("function", "instructions", "first_ms", "disk_ms", "casadi_ms", "numpy_ms", "machine_ms", "ratio")
STEPS = 1000


def median_ms(call: Callable[[], Any], repeat: int) -> float:
    """Median time of a call [ms], the first one not counted."""
    call()
    found = []
    for _ in range(repeat):
        began = time.perf_counter()
        call()
        found.append(1e3 * (time.perf_counter() - began))
    return statistics.median(found)


def first_and_from_disk(make: Callable[[], Callable[[], Any]], repeat: int) -> tuple[float, float]:
    """Median times of a program's first call [ms]: nothing on disk, and everything there."""
    kinds: tuple[list[float], list[float]] = [], []
    for _ in range(repeat):
        with tempfile.TemporaryDirectory() as folder:
            os.environ[store.VARIABLE] = folder
            for found in kinds:
                call = make()
                began = time.perf_counter()
                call()
                found.append(1e3 * (time.perf_counter() - began))
    os.environ[store.VARIABLE] = store.OFF
    return statistics.median(kinds[0]), statistics.median(kinds[1])


def car_functions(circuit: str, car: str) -> tuple[list[ca.Function], np.ndarray]:
    """The point functions of a car, and its numbers."""
    from lapwright.inputs.files import load_track, load_vehicle
    from lapwright.problem.lap import lap_problem
    from lapwright.transcription.pointfunctions import point_functions

    track, vehicle = (
        load_track(ROOT / "tracks" / f"{circuit}.yaml"),
        load_vehicle(ROOT / "vehicles" / f"{car}.yaml"),
    )
    model = lap_problem(track, vehicle).model
    functions = point_functions(model)
    return [getattr(functions, name) for name in NAMES], np.asarray(model.values, dtype=float)


def casadi_map(function: ca.Function, arguments: list[np.ndarray], count: int) -> Callable[[], Any]:
    """CasADi's own way over many points, without any conversion of arrays."""
    mapped = function.map("mapped", "serial", count, [PARAMETERS], [])
    buffer: Any
    buffer, run = mapped.buffer()
    inputs = [np.ascontiguousarray(a.T) for a in arguments]
    results = [np.empty((count, function.nnz_out(o))) for o in range(function.n_out())]
    for i, array in enumerate(inputs):
        buffer.set_arg(i, array.data)
    for o, array in enumerate(results):
        buffer.set_res(o, array.data)

    def call() -> Any:
        run()
        return mapped, buffer, inputs, results  # what run works with has to stay

    return call


def over_points(functions: list[ca.Function], numbers: np.ndarray, count: int, repeat: int) -> None:
    """The table of the point functions."""
    rng = np.random.default_rng(1)
    print(ROW.format(*HEADS))
    for function in functions:
        arguments = [
            numbers if i == PARAMETERS else rng.uniform(0.3, 0.9, (function.nnz_in(i), count))
            for i in range(function.n_in())
        ]
        out = [np.empty((function.nnz_out(o), count)) for o in range(function.n_out())]

        def make(function=function, arguments=arguments, out=out) -> Callable[[], Any]:
            program = OverPoints(function, (PARAMETERS,))
            return lambda: program(*arguments, out=out)

        first, disk = first_and_from_disk(make, max(3, repeat // 10))
        rows = Rows(function, (PARAMETERS,))
        slow = median_ms(casadi_map(function, arguments, count), repeat)
        middle = median_ms(lambda rows=rows, a=arguments, out=out: rows(a, out, count), repeat)
        quick = median_ms(make(), repeat)
        figures = (f"{v:.2f}" for v in (first, disk, slow, middle, quick))
        print(
            ROW.format(function.name(), function.n_instructions(), *figures, f"{slow / quick:.0f}"),
            flush=True,
        )


def riccati(n: int) -> ca.Function:
    """One step of the Riccati recursion, n states and two controls."""
    after, a, b = ca.SX.sym("P", n, n), ca.SX.sym("A", n, n), ca.SX.sym("B", n, 2)
    along = ca.mtimes([b.T, after, a])
    gain = ca.mtimes(ca.inv(ca.SX.eye(2) + ca.mtimes([b.T, after, b])), along)
    before = ca.SX.eye(n) + ca.mtimes([a.T, after, a]) - ca.mtimes(along.T, gain)
    return ca.Function(f"riccati {n}".replace(" ", "_"), [after, a, b], [ca.densify(before)], {"cse": True})


def along_steps(repeat: int) -> None:
    """The table of a recursion, per step and lane."""
    head = "{:<14} {:>12} {:>6} {:>10} {:>10} {:>16} {:>16}"
    print(head.format("recursion", "instructions", "lanes", "first_ms", "disk_ms", "casadi_us", "machine_us"))
    rng = np.random.default_rng(2)
    for n in (4, 8):
        function = riccati(n)
        for lanes in (1, 8):
            start = np.repeat(np.eye(n).reshape(-1, 1), lanes, axis=1)
            arguments = [start] + [rng.normal(0.0, 0.3, (function.nnz_in(i), STEPS, lanes)) for i in (1, 2)]
            out = [np.empty((n * n, STEPS, lanes))]

            def make(function=function, arguments=arguments, out=out) -> Callable[[], Any]:
                program = AlongLap(function, {0: 0})
                return lambda: program(*arguments, out=out)

            first, disk = first_and_from_disk(make, max(3, repeat // 10))
            stepping = Stepping(function, {0: 0}, (), False)
            slow = median_ms(lambda s=stepping, a=arguments, o=out, m=lanes: s(a, o, STEPS, m), 3)
            quick = median_ms(make(), repeat)
            each = (f"{1e3 * v / (STEPS * lanes):.3f}" for v in (slow, quick))
            times = (f"{v:.2f}" for v in (first, disk))
            print(head.format(function.name(), function.n_instructions(), lanes, *times, *each), flush=True)


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--circuit", default="marrow-fen")
    parser.add_argument("--car", default="cup-coupe")
    parser.add_argument("--points", type=int, default=1200)
    parser.add_argument("--repeat", type=int, default=50)
    args = parser.parse_args()
    os.environ[store.VARIABLE] = store.OFF
    print(f"{backend()}; {args.points} points; medians of {args.repeat} calls")
    over_points(*car_functions(args.circuit, args.car), args.points, args.repeat)
    along_steps(args.repeat)


if __name__ == "__main__":
    main()
