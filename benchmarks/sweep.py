"""What a sweep costs: a thousand setups of the main circuit on all cores, and whether its laps are as good as by ``lap``.

One table for the whole sweep, one for what the cases began from, one that holds a sample of them against ``solve_lap``. The
time by the clock counts from the start of the worker processes to the last answer.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Sequence
from dataclasses import replace

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # read when numpy is imported

import numpy as np

from cases import ROOT, number, table, title
from lapwright.compiled import backend
from lapwright.errors import NoSolutionError
from lapwright.inputs.study_file import load_study
from lapwright.reference.solve import solve_lap
from lapwright.study.cases import COLD, COLD_AFTER, NEAR, SOLVED, CaseResult, Study
from lapwright.study.crews import LocalCrew, cores
from lapwright.study.journal import Notes
from lapwright.study.run import run_sweep

STUDY = ROOT / "examples" / "studies" / "five-numbers.yaml"


def cut(study: Study, count: int) -> Study:
    """The first cases of a study."""
    return replace(study, cases=study.cases[: count + 1])


def swept(study: Study, workers: int) -> tuple[tuple[CaseResult, ...], float]:
    """The results of a sweep, and its seconds by the clock."""
    began = time.perf_counter()
    results = run_sweep(study, Notes(), LocalCrew(study, workers))
    return results, time.perf_counter() - began


def table_sweep(study: Study, workers: int) -> tuple[tuple[CaseResult, ...], float]:
    """The whole sweep in one line, then by what the cases began from."""
    results, wall = swept(study, workers)
    solved = [r for r in results if r.status == SOLVED]
    title(f"Sweep: {study.name}, {len(study.axes)} numbers, {workers} processes, evaluation by {backend()}")
    row = table(("cases", "solved", "wall_s", "wall_each", "cpu_each", "worst_error_ms"), words=())
    errors = [r.mesh_error or 0.0 for r in solved]
    each = statistics.median(r.seconds for r in solved)
    row(len(results), len(solved), wall, wall / len(results), each, 1e3 * max(errors))
    title("What the cases began from")
    row = table(("begun", "cases", "share", "cpu_median", "cpu_worst", "iterations", "most"), words=(22,))
    for begun in (COLD, NEAR, COLD_AFTER):
        mine = [r for r in solved if r.begun == begun]
        if mine:
            seconds, count = [r.seconds for r in mine], [r.iterations for r in mine]
            row(
                begun, len(mine), len(mine) / len(solved), statistics.median(seconds), max(seconds),
                f"{statistics.median(count):.0f}", max(count),
            )  # fmt: skip
    return results, wall


def table_accuracy(study: Study, results: Sequence[CaseResult], count: int) -> None:
    """Some cases against the lap that ``solve_lap`` finds from nothing on the mesh of ``lapwright lap``."""
    title(
        f"Accuracy: {count} of the cases against solve_lap from nothing, its mesh finer and another for each car; "
        "'apart' is what is left when the mean difference is taken out: what counts when setups are compared"
    )
    rng = np.random.default_rng(1)
    fit = [i for i, r in enumerate(results) if r.status == SOLVED]
    away = []
    for i in sorted(rng.choice(fit, min(count, len(fit)), replace=False)):
        case = study.cases[int(i)]
        try:
            lap = solve_lap(
                study.tracks[case.track], case.vehicle, start=case.start, end=case.end, options=study.options
            )
        except NoSolutionError:
            continue
        away.append(1e3 * (float(results[int(i)].lap_time) - lap.time))
    found = np.array(away)
    row = table(("cases", "mean_ms", "apart_ms", "worst_apart_ms", "worst_ms"), words=())
    apart = found - found.mean()
    row(len(found), number(found.mean()), apart.std(), np.abs(apart).max(), np.abs(found).max())


def main() -> int:
    """Run; the exit status is 1 when a case was not solved."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000, help="cases")
    parser.add_argument("--workers", type=int, default=cores())
    parser.add_argument("--sample", type=int, default=20, help="cases held against solve_lap")
    args = parser.parse_args()
    study = cut(load_study(STUDY), args.count)
    results, _ = table_sweep(study, args.workers)
    table_accuracy(study, results, args.sample)
    return int(any(r.status != SOLVED for r in results))


if __name__ == "__main__":
    raise SystemExit(main())
