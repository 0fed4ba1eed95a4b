"""The logs of invented drivers in examples/logs, made anew: python3 tools/make_logs.py [DRIVER ...] [--out FOLDER].

Every driver is invented, and so are his faults. The quickest lap with the faults in it is solved, the replay car drives it
with a trembling hand, invented sensors listen in, and what they hear is written in the clothes of many loggers, with the
truth beside it (truth.yaml). The random numbers have fixed seeds: the same machine makes the same files.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import yaml

sys.path.insert(0, str(Path(__file__).parent))

from demo_logs.dress import write_sheet
from demo_logs.drive import ROOT
from demo_logs.drivers import DRIVERS, Driven, drive
from demo_logs.sensors import NONE, Errors, sense
from demo_logs.truth import whole_truth
from demo_logs.wardrobe import EXACT, EXACT_FILE, FILES, Dressed

from lapwright.inputs.files import load_track, load_vehicle
from lapwright.lap.lap import Lap
from lapwright.reference.solve import solve_lap

HEAD = """# What was put into the logs in this folder, and what the drives really did.
# Made by tools/make_logs.py; drivers, drives and faults are invented.
# "put_in" is what was asked. "driven" was measured on the drive, without noise, against the quickest lap on the tyres of
# that lap; "driver" and "reference" are what it was read from: stations in m, gaps to the edge in m, speeds in km/h.
# "against_full_grip" is the same against the quickest lap on tyres with all the grip of the vehicle file.
# Laps are counted from the start of the log: what comes before the first crossing of the line is lap 1.
"""


def reference_lap() -> Lap:
    """The quickest lap as the commands solve it."""
    track = load_track(ROOT / "tracks" / "marrow-fen.yaml")
    return solve_lap(track, load_vehicle(ROOT / "vehicles" / "cup-coupe.yaml")).lap


def dress(driven: Driven, file: Dressed, folder: Path) -> dict[str, Any]:
    """Write one file of a drive; what is to be said about it."""
    number = [other.file for other in FILES].index(file.file)
    sensed = sense(driven.traces, file.rate, Errors(), 1000 * driven.driver.seed + 5 + number)
    file.write(folder / file.file, sensed)
    return {
        "file": file.file,
        "key": driven.driver.key,
        "rate_Hz": file.rate,
        "line_crossed_at_s": [round(moment, 4) for moment in sensed.crossings],
        "words": file.words,
    }


def make(folder: Path, keys: Sequence[str]) -> None:
    """Write the logs of these drivers, the reference as a log, and the truth."""
    folder.mkdir(parents=True, exist_ok=True)
    reference = reference_lap()
    write_sheet(folder / EXACT_FILE, sense([reference], 100.0, NONE, 0, last=True), EXACT)
    files: list[dict[str, Any]] = [
        {
            "file": EXACT_FILE,
            "key": "reference",
            "rate_Hz": 100.0,
            "line_crossed_at_s": [0.0, round(reference.time, 4)],
            "words": "the quickest lap itself from line to line, no errors: nothing may be found in it",
        }
    ]
    drives = []
    for driver in DRIVERS:
        if driver.key in keys:
            print(f"{driver.name} drives", flush=True)
            drives.append(drive(driver))
            files += [dress(drives[-1], file, folder) for file in FILES if file.driver == driver.key]
    text = yaml.safe_dump(
        whole_truth(drives, files, reference), sort_keys=False, allow_unicode=True, width=120
    )
    (folder / "truth.yaml").write_text(HEAD + text, encoding="utf-8")


def main() -> int:
    """Read the command line and make what it asks for."""
    known = [driver.key for driver in DRIVERS]
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("drivers", nargs="*", help=f"all of them when left out: {', '.join(known)}")
    parser.add_argument("--out", type=Path, default=ROOT / "examples" / "logs")
    args = parser.parse_args()
    strangers = [key for key in args.drivers if key not in known]
    if strangers:
        parser.error(f"no driver {', '.join(strangers)}: there are {', '.join(known)}")
    make(args.out, args.drivers or known)
    return 0


if __name__ == "__main__":
    sys.exit(main())
