"""What a command costs as a whole process, interpreter and imports included: wall and processor time, medians.

Every run is a process of its own. A first run of each command is not counted: it may translate programs for this processor.
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
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ROW = "{:<44} {:>8} {:>8} {:>8} {:>9}"


def commands(folder: Path, circuit: str, car: str) -> list[list[str]]:
    """The commands that are timed; results go into ``folder``."""
    track, vehicle = (
        str(ROOT / kind / f"{name}.yaml") for kind, name in (("tracks", circuit), ("vehicles", car))
    )
    out = ["--out", str(folder / "out"), "--force", "--no-figures", "--quiet"]
    return [
        ["--help"],
        ["lap", "--help"],
        ["check", track],
        ["check", vehicle],
        ["baseline", track, vehicle, *out],
        ["lap", track, vehicle, *out],
    ]


def run(command: list[str]) -> tuple[float, float, float]:
    """Wall time, processor time, and time to the first byte on standard output [ms] of one process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, "-m", "lapwright", *command], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        assert process.stdout is not None
        process.stdout.read(1)
        word = time.perf_counter()
        process.stdout.read()
        process.wait()
    ended, after = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    if process.returncode != 0:
        raise SystemExit(f"{' '.join(command)} ended with status {process.returncode}")
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return 1e3 * (ended - began), 1e3 * cpu, 1e3 * (word - began)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--circuit", default="marrow-fen", metavar="NAME")
    parser.add_argument("--car", default="cup-coupe", metavar="NAME")
    parser.add_argument(
        "--repeat", type=int, default=7, metavar="N", help="processes for each command (default 7)"
    )
    args = parser.parse_args()
    # Compiled modules of Python are kept, as they are for a user.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    print(ROW.format("command", "wall_ms", "cpu_ms", "word_ms", "least_ms"))
    with tempfile.TemporaryDirectory() as folder:
        for command in commands(Path(folder), args.circuit, args.car):
            run(command)
            wall, cpu, word = zip(*(run(command) for _ in range(args.repeat)), strict=True)
            medians = (f"{statistics.median(times):.0f}" for times in (wall, cpu, word))
            shown = [
                part
                for part in command
                if not part.startswith("/") and part not in ("--out", "--force", "--quiet")
            ]
            print(ROW.format(" ".join(shown[:2]), *medians, f"{min(wall):.0f}"), flush=True)


if __name__ == "__main__":
    main()
