"""What a quasi-steady lap costs: with the car's envelope worked out for it, and with an envelope that is known.

Medians of repeated calls in one process, after a first one that translates or loads the programs. Both columns of each
pair are milliseconds, by the clock and of the processor.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
ROW = "{:<14} {:>8} {:>6} {:<16} {:>9} {:>8} {:>9} {:>8} {:>9} {:>8} {:>9} {:>9}"
HEADS = (
    "circuit", "length_m", "rows", "car", "envelope", "cpu", "included", "cpu", "known", "cpu", "lap_s", "shortfall",
)  # fmt: skip


def names(folder: str) -> list[str]:
    """Names of the files that ship in a folder."""
    return sorted(path.stem for path in (ROOT / folder).glob("*.yaml"))


def median_ms(call: Callable[[], Any], repeat: int) -> tuple[str, str]:
    """Medians of wall time and processor time of a call [ms]."""
    wall, cpu = [], []
    for _ in range(repeat):
        began, worked = time.perf_counter(), time.process_time()
        call()
        wall.append(1e3 * (time.perf_counter() - began))
        cpu.append(1e3 * (time.process_time() - worked))
    return f"{statistics.median(wall):.1f}", f"{statistics.median(cpu):.1f}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--circuits", nargs="*", default=names("tracks"), metavar="NAME")
    parser.add_argument("--cars", nargs="*", default=names("vehicles"), metavar="NAME")
    parser.add_argument("--repeat", type=int, default=7, metavar="N", help="calls of each kind (default 7)")
    args = parser.parse_args()
    # One thread, as the command line has it; numpy reads this when it is imported.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    from lapwright import load_track, load_vehicle, solve_baseline
    from lapwright.baseline.envelope import envelope
    from lapwright.compiled import backend

    print(backend())
    print(ROW.format(*HEADS))
    for circuit in args.circuits:
        track = load_track(ROOT / "tracks" / f"{circuit}.yaml")
        start = None if track.closed else 20.0
        for car in args.cars:
            vehicle = load_vehicle(ROOT / "vehicles" / f"{car}.yaml")
            result = solve_baseline(track, vehicle, start_speed=start)
            known = result.envelope
            lap = partial(solve_baseline, track, vehicle, start_speed=start)
            calls = (partial(envelope, vehicle), lap, partial(lap, envelope=known))
            times = [time for call in calls for time in median_ms(call, args.repeat)]
            sizes = f"{track.length:.0f}", str(result.lap.s.size), car
            print(
                ROW.format(circuit, *sizes, *times, f"{result.time:.3f}", f"{result.shortfall:.4f}"),
                flush=True,
            )


if __name__ == "__main__":
    main()
