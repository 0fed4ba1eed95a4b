"""Time to lay long logs on the road, and how exactly known laps come back from noisy ones.

python benchmarks/laps_from_logs.py
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "driver"))

from faulty_laps import reference, target  # noqa: E402
from logs_from_laps import log_of  # noqa: E402

from lapwright.driver.log import Log  # noqa: E402
from lapwright.driver.session import DriverLap  # noqa: E402
from lapwright.driver.sessions import session_of  # noqa: E402
from lapwright.driver.shares import running  # noqa: E402

SEEDS = range(8)


def best_of(log: Log) -> DriverLap:
    """The best lap of a made log."""
    track, result, known, _ = reference()
    best = session_of(log, track, result.vehicle, known.lap).best
    assert best is not None
    return best


def exactness(words: str, **noise: float) -> None:
    """A row of errors over the seeds."""
    known = reference()[2]
    rows = []
    for seed in SEEDS:
        drive = best_of(log_of(known.lap, seed=seed, **noise))
        apart = running(drive.lap, target(), known).time
        rows.append(
            (
                (drive.time - known.lap.time) ** 2,
                np.mean(apart**2),
                np.max(np.abs(apart)) ** 2,
                np.mean((drive.lap.n - target().n) ** 2),
            )
        )
    lap, usual, worst, offset = np.sqrt(np.mean(rows, axis=0))
    print(
        f"{words:22s} lap {1e3 * lap:6.2f} ms   running {1e3 * usual:6.2f} ms, greatest {1e3 * worst:6.1f} ms   "
        f"offset {offset:.3f} m"
    )


def main() -> None:
    """All of it."""
    exactness("exact")
    exactness("white 0.3 m, 10 Hz", white=0.3, speed_noise=0.05)
    exactness("white 1 m, 5 Hz", white=1.0, fixes=5.0, speed_noise=0.05)
    exactness("white 1 m, 10 Hz", white=1.0, speed_noise=0.05)
    exactness("white 1 m, 25 Hz", white=1.0, fixes=25.0, speed_noise=0.05)
    exactness("white 2 m, 10 Hz", white=2.0, speed_noise=0.05)
    track, result, known, _ = reference()
    for laps in (1.0, 10.0, 82.0):
        log = log_of(known.lap, laps=laps, white=0.5, speed_noise=0.05)
        begun = time.perf_counter()
        found = session_of(log, track, result.vehicle, known.lap)
        took = time.perf_counter() - begun
        print(
            f"{log.signals['speed'].t.size:8d} rows, {sum(lap.whole for lap in found.laps):3d} laps: {took:6.2f} s"
        )


if __name__ == "__main__":
    main()
