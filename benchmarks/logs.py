"""Reading a log: time and peak memory.

    python benchmarks/logs.py            # two hours at 100 Hz, 30 columns, in several dressings
    python benchmarks/logs.py --rows 90000 --repeats 5

The files are made in a temporary folder and hold invented numbers. Each reading is a fresh process, so that its peak
memory (Linux: the high-water mark of the process) is its own; the table has the median of the repeats.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

READ = """
import json, re, sys, time
from lapwright.inputs.log_file import load_log
began = time.perf_counter()
log = load_log(sys.argv[1])
print(json.dumps({"time": time.perf_counter() - began, "samples": sum(s.t.size for s in log.signals.values()),
                  "memory": int(re.search(r"VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read()).group(1)) / 1024}))
"""
TITLES = (
    "Time [s],Speed [km/h],Latitude [deg],Longitude [deg],Brake pressure [bar],Throttle [%],Steering wheel [deg],"
    "Accel long [g],Accel lat [g],Yaw rate [deg/s],Gear,Engine speed [rpm]"
)


def columns(rows: int) -> np.ndarray:
    """Two hours of an invented drive, as numbers: the channels of ``TITLES`` and others that are not wanted."""
    random = np.random.default_rng(4)
    t = np.arange(rows) / 100.0
    wave = np.sin(2.0 * np.pi * t / 9.0)
    around = 2.0 * np.pi * t / 95.0
    known = [
        t,
        150.0 + 60.0 * wave + random.normal(0.0, 0.2, rows),
        47.0 + 0.004 * np.sin(around),
        -24.0 + 0.006 * np.cos(around),
        np.maximum(-60.0 * wave, 0.0),
        np.clip(100.0 * wave, 0.0, 100.0),
        -90.0 * np.cos(around) + random.normal(0.0, 0.3, rows),
        0.7 * np.cos(2.0 * np.pi * t / 9.0) + random.normal(0.0, 0.02, rows),
        -1.2 * np.cos(around) + random.normal(0.0, 0.02, rows),
        -20.0 * np.cos(around) + random.normal(0.0, 0.2, rows),
        np.round(4.0 + wave),
        6000.0 + 1000.0 * wave,
    ]
    others = [random.normal(80.0, 5.0, rows) for _ in range(18)]
    return np.column_stack(known + others)


def write(folder: Path, rows: int) -> dict[str, Path]:
    """The files, by what they are."""
    table = columns(rows)
    titles = TITLES.split(",") + [f"Temperature {number} [C]" for number in range(1, 19)]
    formats = ["%.2f", "%.2f", "%.8f", "%.8f", "%.2f", "%.1f", "%.1f", "%.3f", "%.3f", "%.2f", "%d", "%d"] + [
        "%.2f"
    ] * 18
    files = {"comma, point": folder / "comma.csv"}
    np.savetxt(files["comma, point"], table, formats, ",", header=",".join(titles), comments="")
    text = files["comma, point"].read_text()
    semicolons = folder / "semicolon.csv"
    semicolons.write_text("Driver;Made Up\n" + text.replace(",", ";").replace(".", ","))
    files["semicolon, decimal comma"] = semicolons
    wide = folder / "wide.txt"
    wide.write_text(text.replace(",", "\t"), encoding="utf-16")
    files["tab, UTF-16"] = wide
    clock = folder / "clock.csv"
    first, *rest = text.splitlines()
    with clock.open("w") as stream:
        stream.write(first.replace("Time [s]", "Time") + "\n")
        for line in rest:
            at, others = line.split(",", 1)
            hundredths = round(float(at) * 100)
            hours, left = divmod(hundredths, 360_000)
            minutes, left = divmod(left, 6000)
            stream.write(f"{hours}:{minutes:02d}:{left / 100:05.2f},{others}\n")
    files["comma, h:m:s"] = clock
    return files


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rows", type=int, default=720_000)
    parser.add_argument("--repeats", type=int, default=3)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(f"{args.rows} rows, 30 columns, {args.repeats} readings each\n")
        print("| file | size [MB] | time [s] | peak memory [MB] | samples kept |\n|---|---|---|---|---|")
        for name, path in write(Path(folder), args.rows).items():
            runs = [
                json.loads(
                    subprocess.run(
                        [sys.executable, "-c", READ, str(path)], capture_output=True, text=True, check=True
                    ).stdout
                )
                for _ in range(args.repeats)
            ]
            time, memory = (statistics.median(run[key] for run in runs) for key in ("time", "memory"))
            size = path.stat().st_size / 1e6
            print(f"| {name} | {size:.0f} | {time:.2f} | {memory:.0f} | {runs[0]['samples']} |", flush=True)


if __name__ == "__main__":
    main()
