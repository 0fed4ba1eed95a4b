"""A long log read, split and compared: time and peak memory of each step.

    python benchmarks/compare.py                # two hours at 100 Hz, 30 columns: 82 laps of the main circuit
    python benchmarks/compare.py --minutes 20 --repeats 3

The log is made from the reference lap, a little slower from lap to lap in places and with a receiver's noise, in a temporary
folder. Each repeat is a fresh process that has the solved lap at hand (as with ``--lap``), so that its peak memory (Linux:
the high-water mark) is its own; the table has the median of the repeats.
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

ROOT = Path(__file__).resolve().parents[1]
TRACK, VEHICLE = ROOT / "tracks" / "marrow-fen.yaml", ROOT / "vehicles" / "cup-coupe.yaml"
STEPS = ("read", "split", "compare", "report")
RUN = """
import json, re, sys, time
from pathlib import Path
from lapwright.inputs.files import load_track, load_vehicle
from lapwright.inputs.kept_file import load_kept
track_file, vehicle_file, folder, log_file, out = map(Path, sys.argv[1:6])
track, vehicle = load_track(track_file), load_vehicle(vehicle_file)
known = load_kept(folder, track, vehicle, {"track": track_file, "vehicle": vehicle_file})
marks = [time.perf_counter()]
from lapwright.inputs.log_file import load_log
log = load_log(log_file)
marks.append(time.perf_counter())
from lapwright.driver.sessions import session_of
session = session_of(log, track, vehicle, known.lap)
marks.append(time.perf_counter())
from lapwright.driver.compare import compare
found = compare(track, known, [session])
marks.append(time.perf_counter())
from lapwright.outputs.compare_record import compare_record
from lapwright.outputs.report.page import write_report
record = compare_record(found)
write_report(out, record, found.target, track, [one.drive for one in found.drivers], [one.run.time for one in found.drivers])
marks.append(time.perf_counter())
peak = int(re.search(r"VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read()).group(1)) / 1024
print(json.dumps({"steps": [b - a for a, b in zip(marks, marks[1:])], "memory": peak,
                  "laps": sum(lap.whole for lap in session.laps), "findings": len(found.drivers[0].findings)}))
"""


def write_log(path: Path, lap_folder: Path, minutes: float) -> int:
    """A log of so many minutes as a CSV with 30 columns; how many rows."""
    from lapwright.inputs.files import load_track, load_vehicle
    from lapwright.inputs.kept_file import load_kept

    track, vehicle = load_track(TRACK), load_vehicle(VEHICLE)
    lap = load_kept(lap_folder, track, vehicle, {"track": TRACK, "vehicle": VEHICLE}).lap
    random = np.random.default_rng(9)
    t = np.arange(0.0, 60.0 * minutes, 0.01)
    slower = 1.01 + 0.004 * np.sin(t / 700.0)
    at = np.cumsum(np.concatenate([[30.0], np.diff(t) / slower[1:]])) % lap.time
    channel = {
        name: np.interp(at, lap.t, getattr(lap, name))
        for name in ("speed", "x", "y", "brake_pressure", "throttle")
    }
    channel |= {
        name: np.interp(at, lap.t, getattr(lap, name))
        for name in ("steering_wheel", "accel_long", "accel_lat", "yaw_rate")
    }
    gear = np.interp(at, lap.t, lap.gear).round()
    columns = {
        "Time [s]": (t, 2),
        "Speed [km/h]": (3.6 * channel["speed"] / slower + 0.2 * random.standard_normal(t.size), 2),
        "X [m]": (channel["x"] + 0.5 * random.standard_normal(t.size), 2),
        "Y [m]": (channel["y"] + 0.5 * random.standard_normal(t.size), 2),
        "Brake pressure [bar]": (channel["brake_pressure"] / 1e5, 2),
        "Throttle [%]": (100.0 * channel["throttle"], 1),
        "Steering wheel [deg]": (np.degrees(channel["steering_wheel"]), 1),
        "Accel long [g]": (channel["accel_long"] / 9.80665, 3),
        "Accel lat [g]": (channel["accel_lat"] / 9.80665, 3),
        "Yaw rate [deg/s]": (np.degrees(channel["yaw_rate"]), 2),
        "Gear": (gear, 0),
    }
    for number in range(30 - len(columns)):
        columns[f"Spare {number + 1}"] = (50.0 + random.standard_normal(t.size), 2)
    table = np.column_stack([values for values, _ in columns.values()])
    formats = [f"%.{decimals}f" for _, decimals in columns.values()]
    np.savetxt(path, table, formats, ",", header=",".join(columns), comments="")
    return t.size


def main() -> None:
    """Make the log, run it, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=120.0)
    parser.add_argument("--repeats", type=int, default=3)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        lap, log = work / "lap", work / "log.csv"
        command = [
            sys.executable,
            "-m",
            "lapwright",
            "lap",
            TRACK,
            VEHICLE,
            "--out",
            lap,
            "--no-figures",
            "--quiet",
        ]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        rows = write_log(log, lap, args.minutes)
        print(f"{rows} rows, 30 columns, {log.stat().st_size / 1e6:.0f} MB")
        runs = []
        for _ in range(args.repeats):
            done = subprocess.run(
                [sys.executable, "-c", RUN, TRACK, VEHICLE, lap, log, work / "report.html"],
                check=True, capture_output=True, text=True,
            )  # fmt: skip
            runs.append(json.loads(done.stdout))
    print(f"{runs[0]['laps']} whole laps, {runs[0]['findings']} findings")
    print("| step | time [s] |\n|---|---|")
    for number, step in enumerate(STEPS):
        print(f"| {step} | {statistics.median(run['steps'][number] for run in runs):.1f} |")
    print(f"| all | {statistics.median(sum(run['steps']) for run in runs):.1f} |")
    print(f"\npeak memory {statistics.median(run['memory'] for run in runs):.0f} MB")


if __name__ == "__main__":
    main()
