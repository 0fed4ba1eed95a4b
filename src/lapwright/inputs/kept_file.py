"""A lap that was solved earlier, read back from the folder that ``lapwright lap`` made."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from lapwright.errors import Fault, InputError
from lapwright.problem.lap import EndState
from lapwright.quantities import DEG
from lapwright.reference.kept import ARRAYS, KeptLap, from_arrays
from lapwright.track.track import Track
from lapwright.vehicle.margin import with_margin
from lapwright.vehicle.parameters import AnyVehicle

SUMMARY, SOLUTION, CHECKSUMS = "summary.json", "solution.npz", "checksums.sha256"

AGAIN = "make it again with: lapwright lap TRACK VEHICLE --out DIR"


def load_kept(folder: str | Path, track: Track, vehicle: AnyVehicle, files: Mapping[str, Path]) -> KeptLap:
    """The lap in a results folder.

    Parameters
    ----------
    folder
        Made by ``lapwright lap``.
    track, vehicle
        Of the files given now.
    files
        These files under "track" and "vehicle": the lap must have been driven with the very same.

    Raises
    ------
    InputError
        When the folder holds no lap, the lap is damaged, or it was driven with other files.
    """
    place = Path(folder)
    missing = [name for name in (SUMMARY, SOLUTION, CHECKSUMS) if not (place / name).is_file()]
    if missing:
        what = (
            "is no folder" if not place.is_dir() else f"holds no solved lap: {', '.join(missing)} not found"
        )
        raise InputError(Fault(f"{what}; {AGAIN}", file=str(folder)))
    summary = _summary(place)
    faults = [*_damage(place), *_other_files(summary, files, str(folder))]
    if faults:
        raise InputError(faults)
    try:
        options = summary["options"]
        driven = with_margin(vehicle, options["grip_margin"])
        return from_arrays(
            _arrays(place / SOLUTION), track, driven, _end(options, "start"), _end(options, "end")
        )
    except (ValueError, KeyError, OSError, zipfile.BadZipFile) as error:
        raise InputError(Fault(f"cannot be used: {error}; {AGAIN}", file=str(place / SOLUTION))) from None


def _summary(place: Path) -> dict[str, Any]:
    try:
        found = json.loads((place / SUMMARY).read_text(encoding="utf-8"))
        if not isinstance(found, dict) or not {"options", "inputs"} <= found.keys():
            raise ValueError("options or inputs are missing")
        return found
    except (ValueError, OSError) as error:
        raise InputError(Fault(f"cannot be read: {error}; {AGAIN}", file=str(place / SUMMARY))) from None


def _damage(place: Path) -> list[Fault]:
    """Files whose sum is not the one that was written down."""
    lines = (place / CHECKSUMS).read_text(encoding="utf-8", errors="replace").splitlines()
    sums = {line[66:]: line[:64] for line in lines}
    return [
        Fault(
            f"is not as lapwright wrote it (its sum differs from {CHECKSUMS}); {AGAIN}",
            file=str(place / name),
        )
        for name in (SUMMARY, SOLUTION)
        if hashlib.sha256((place / name).read_bytes()).hexdigest() != sums.get(name)
    ]


def _other_files(summary: Mapping[str, Any], files: Mapping[str, Path], folder: str) -> list[Fault]:
    faults = []
    for word, path in files.items():
        then = summary["inputs"].get(word, {})
        if hashlib.sha256(path.read_bytes()).hexdigest() != then.get("sha256"):
            message = (
                f"was driven with another {word} file ({then.get('file', 'unknown')}, or an earlier state of it) "
                f"than {path}; {AGAIN}"
            )
            faults.append(Fault(message, file=folder))
    return faults


def _arrays(path: Path) -> dict[str, Any]:
    with np.load(path, allow_pickle=False) as archive:
        return {name: archive[name] for name in (*ARRAYS, "degree", "mesh_error")}


def _end(options: Mapping[str, Any], which: str) -> EndState:
    heading = options[f"{which}_heading_deg"]
    return EndState(
        speed=options[f"{which}_speed_mps"],
        offset=options[f"{which}_offset_m"],
        heading=None if heading is None else heading * DEG,
    )
