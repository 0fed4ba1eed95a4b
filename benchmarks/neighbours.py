"""Laps from a known lap of nearly the same car: one after the other, and many on all cores. Tables of ``solver.py``."""

from __future__ import annotations

import argparse
import multiprocessing
import os
import statistics
import time
from dataclasses import dataclass
from typing import Any

import numpy as np

from cases import FAR, NEAR, SEED, TEN, Took, car, changed, circuit, drawn, medians, table, title
from lapwright.errors import NoSolutionError
from lapwright.reference.solve import ReferenceLap, solve_again, solve_lap

WAYS_ROUND = "from the beginning", "by IPOPT", "failed"
"""What becomes of a solve that does not end on the known mesh."""
SETUP = 0.05
"""Largest change of a number in the table ``setups``."""


@dataclass(frozen=True)
class Again:
    """One solve from a known lap; ``way`` is "known mesh", "from the beginning", "by IPOPT" or "failed"."""

    way: str
    took: Took
    solver: float
    iterations: int
    lap: float


def once_more(known: ReferenceLap, track: Any, vehicle: Any) -> Again:
    """Solve a changed car from a known lap."""
    began, worked = time.perf_counter(), time.process_time()
    try:
        found = solve_again(known, track, vehicle)
    except NoSolutionError:
        took = Took(time.perf_counter() - began, time.process_time() - worked)
        return Again("failed", took, 0.0, 0, float("nan"))
    took = Took(time.perf_counter() - began, time.process_time() - worked)
    way = "known mesh" if len(found.stages) == 1 else "from the beginning"
    if found.solver != known.solver:
        way = "by IPOPT"
    return Again(way, took, found.solve_seconds, found.iterations, found.time)


def table_again(args: argparse.Namespace) -> bool:
    """Solves from a known lap after small changes of the car."""
    title(
        f"Again: {args.circuit}, {args.car}, each number changed by {NEAR:.0%} to {FAR:.0%}, up or down (seed {SEED}). 'all' "
        "is the whole call with channels and limits, 'solver' the search and the check of the mesh alone"
    )
    row = table(
        ("changed", "cases", "failed", "begun_anew",
            "by_ipopt", "all_ms", "all_cpu_ms", "all_worst", "solver_ms", "iterations", "most"),
        words=(20,),
    )  # fmt: skip
    track, vehicle = circuit(args.circuit), car(args.car)
    known = solve_lap(track, vehicle)
    rng = np.random.default_rng(SEED)
    together = [drawn(rng, NEAR, FAR) for _ in range(5 if args.quick else 20)]
    single = [{name: factors[name]} for factors in together[: 1 if args.quick else 2] for name in TEN]
    once_more(known, track, changed(vehicle, together[0]))
    fine = True
    for name, cases in (("one number", single), ("ten numbers", together)):
        found = [once_more(known, track, changed(vehicle, factors)) for factors in cases]
        anew, fallback, failed = (sum(a.way == w for a in found) for w in WAYS_ROUND)
        took, counts = medians([a.took for a in found]), [a.iterations for a in found]
        worst, inside = max(a.took.wall for a in found), statistics.median(a.solver for a in found)
        times = (1e3 * v for v in (took.wall, took.cpu, worst, inside))
        row(name, len(found), failed, anew, fallback, *times, f"{statistics.median(counts):.0f}", max(counts))
        fine &= not failed
    return fine


_ready: list[Any] = []
"""In a worker: track, vehicle and known lap."""


def prepare(name: str, vehicle: str, all_ready: Any) -> None:
    """Give a worker its known lap, and wait for the others."""
    track, driven = circuit(name), car(vehicle)
    _ready[:] = [track, driven, solve_lap(track, driven)]
    all_ready.wait()


def setup(factors: dict[str, float]) -> Again:
    """One setup, in a worker."""
    track, vehicle, known = _ready
    return once_more(known, track, changed(vehicle, factors))


def table_setups(args: argparse.Namespace) -> bool:
    """Many setups of one car on all cores."""
    count = 40 if args.quick else 200
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    title(
        f"Setups: {count} of {args.car} on {args.circuit}, ten numbers each within {SETUP:.0%} (seed {SEED}), on {cores} "
        "cores. Every process solves the known lap for itself"
    )
    rng = np.random.default_rng(SEED)
    cases = [drawn(rng, 0.0, SETUP) for _ in range(count)]
    began = time.perf_counter()
    context = multiprocessing.get_context("spawn")
    all_ready = context.Barrier(cores + 1)
    with context.Pool(cores, prepare, (args.circuit, args.car, all_ready)) as pool:
        all_ready.wait()
        ready = time.perf_counter()
        found = pool.map(setup, cases, chunksize=1)
        ended = time.perf_counter()
    anew, fallback, failed = (sum(a.way == w for a in found) for w in WAYS_ROUND)
    laps = np.array([a.lap for a in found if a.way != "failed"])
    took = medians([a.took for a in found])
    whole, begun = (ended - ready) / count, (ended - began) / count
    worst, counts = max(a.took.wall for a in found), [a.iterations for a in found]
    print(f"seconds a setup          {whole:.4f}, with the start of the processes {begun:.4f}")
    print(
        f"one setup on its core    wall {1e3 * took.wall:.0f} ms, cpu {1e3 * took.cpu:.0f} ms, worst {1e3 * worst:.0f} ms"
    )
    print(f"iterations               median {statistics.median(counts):.0f}, most {max(counts)}")
    print(f"failed                   {failed}; solved from the beginning {anew}, by IPOPT {fallback}")
    low, middle, high = np.quantile(laps, (0.0, 0.5, 1.0))
    print(
        f"lap times [s]            {low:.3f} to {high:.3f}, median {middle:.3f}, standard deviation {laps.std():.3f}"
    )
    return failed == 0
