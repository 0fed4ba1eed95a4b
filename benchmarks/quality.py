"""How right the laps are: against a fine even mesh, and of one solver against the other. Tables of ``solver.py``."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import product

import numpy as np

from cases import car, circuit, entry, names, table, timed, title
from lapwright.errors import NoSolutionError
from lapwright.lap.lap import Lap
from lapwright.reference.solve import WAYS, LapOptions, ReferenceLap, solve_lap
from lapwright.solver.solution import Solution, Start
from lapwright.solver.structured import solve_structured
from lapwright.transcription.transfer import carry_multipliers, carry_unknowns

FINE = 1.25
"""Even mesh [m] that laps are held against."""
TIME, SPEED, SAME = 5.0, 0.1, 2.0
"""Aims: lap time [ms] and rms speed [m/s] against the fine mesh, lap time of one solver against the other [ms]."""


def pairs(circuits: list[str], cars: list[str]) -> Iterator[tuple[str, str]]:
    """Every circuit with every car."""
    yield from product(circuits or names("tracks"), cars or names("vehicles"))


def lap(name: str, vehicle: str, options: LapOptions) -> ReferenceLap:
    """A shipped car on a shipped circuit."""
    track = circuit(name)
    return solve_lap(track, car(vehicle), start=entry(track), options=options)


def apart(one: Lap, other: Lap) -> tuple[float, float]:
    """Root mean square and largest difference of speed over distance [m/s]."""
    s = np.arange(0.0, one.s[-1], 0.5)
    difference = np.interp(s, one.s, one.speed) - np.interp(s, other.s, other.speed)
    return float(np.sqrt(np.mean(difference**2))), float(np.max(np.abs(difference)))


def accuracy(circuits: list[str], cars: list[str]) -> bool:
    """Default laps against laps on a fine even mesh; False when an aim is missed.

    ``error_ms``, ``gap_ms`` and ``effort_ms`` are what the summary of the default lap states: error from the mesh, from
    limits not quite reached, and the share of what is minimised that is not lap time.
    """
    title(
        f"Accuracy: default settings against an even mesh of {FINE:g} m; aims {TIME:g} ms and {SPEED:g} m/s rms"
    )
    row = table(
        (
            "circuit", "car", "lap_s", "off_ms", "rms_mps", "most_mps", "error_ms", "gap_ms", "effort_ms", "fine_err_ms",
            "fine_eff_ms", "cpu_s", "fine_cpu_s", "aims",
        ),
        words=(14, 15),
    )  # fmt: skip
    fine_options = LapOptions(mesh=FINE, uniform=True)
    missed, count = 0, 0
    for name, vehicle in pairs(circuits, cars):
        count += 1
        try:
            usual, took = timed(partial(lap, name, vehicle, LapOptions()))
            fine, long = timed(partial(lap, name, vehicle, fine_options))
        except NoSolutionError as error:
            print(f"{name}, {vehicle}: {error}", flush=True)
            missed += 1
            continue
        off = 1e3 * (usual.time - fine.time)
        rms, most = apart(usual.lap, fine.lap)
        good = abs(off) <= TIME and rms <= SPEED
        missed += not good
        stated = usual.mesh_error.total, usual.solution.barrier_gap, usual.effort_cost
        other = fine.mesh_error.total, fine.effort_cost
        fallback = [r.solver for r in (usual, fine) if not r.solver.startswith("structured")]
        row(
            name, vehicle, f"{usual.time:.4f}", f"{off:+.2f}", rms, most, *(1e3 * v for v in stated),
            *(1e3 * v for v in other), took.cpu, long.cpu, ("kept" if good else "MISSED") + "*" * len(fallback),
        )  # fmt: skip
    print(f"aims kept in {count - missed} of {count}; * an answer by the fallback")
    return missed == 0


def on_mesh_of(known: ReferenceLap, other: ReferenceLap) -> Solution:
    """The structured interior point on the mesh of another lap, from the central path of a known one."""
    old, new = known.solution.nlp, other.solution.nlp
    point = next(q for q in known.solution.path if q.barrier <= 2.0 * WAYS["structured"].onward_barrier)
    rows, bounds = carry_multipliers(old, point.row_multipliers, point.bound_multipliers, new)
    return solve_structured(new, Start(carry_unknowns(old, point.x, new), rows, bounds, point.barrier))


def agreement(circuits: list[str], cars: list[str]) -> bool:
    """Default laps by both solvers; False when they are too far apart, or the structured one did not answer alone.

    The solvers' recipes grade their meshes by coarse laps of their own; ``same_ms`` is the difference on the mesh of IPOPT's
    lap, which is the solvers' alone.
    """
    title(f"Agreement of the solvers, default settings; aim {SAME:g} ms")
    row = table(
        (
            "circuit", "car", "structured_s", "ipopt_s", "apart_ms", "same_ms", "rms_mps", "iterations", "by_ipopt", "cpu_s",
            "ipopt_cpu", "aim",
        ),
        words=(14, 15),
    )  # fmt: skip
    missed, count = 0, 0
    for name, vehicle in pairs(circuits, cars):
        count += 1
        try:
            one, took = timed(partial(lap, name, vehicle, LapOptions()))
            other, long = timed(partial(lap, name, vehicle, LapOptions(solver="ipopt")))
        except NoSolutionError as error:
            print(f"{name}, {vehicle}: {error}", flush=True)
            missed += 1
            continue
        off = 1e3 * (one.time - other.time)
        good = abs(off) <= SAME and one.solver != other.solver
        again = on_mesh_of(one, other) if one.solver != other.solver else None
        same = "-"
        if again is not None and again.status.solved:
            same = f"{1e3 * (again.time() - other.solution.time()):+.3f}"
        missed += not good
        row(
            name, vehicle, f"{one.time:.4f}", f"{other.time:.4f}", f"{off:+.3f}", same, apart(one.lap, other.lap)[0],
            one.iterations, other.iterations, took.cpu, long.cpu, "kept" if good else "MISSED",
        )  # fmt: skip
    print(f"aim kept in {count - missed} of {count}")
    return missed == 0
