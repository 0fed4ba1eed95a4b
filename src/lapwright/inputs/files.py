"""Track, vehicle and study files as the objects that the rest of the house works with."""

from __future__ import annotations

import difflib
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from lapwright.errors import Fault, InputError, InputNotice
from lapwright.inputs import kinds, tree
from lapwright.inputs.source import read_text
from lapwright.vehicle.parameters import AnyVehicle

if TYPE_CHECKING:
    from lapwright.track.track import Track


Kind = Literal["track", "vehicle", "study"]
KINDS: tuple[Kind, ...] = ("track", "vehicle", "study")


@dataclass(frozen=True)
class Loaded:
    """What a file holds, and notices about it."""

    value: Any
    notices: tuple[Fault, ...]


def load_vehicle(path: str | Path) -> AnyVehicle:
    """The car that a vehicle file (YAML) describes, in SI units.

    Parameters
    ----------
    path
        Vehicle file.

    Returns
    -------
    Vehicle | FrictionCircle
        The latter for ``model: friction_circle``.

    Raises
    ------
    InputError
        With every fault of the file, each with line and column. Odd but possible values are told as
        ``InputNotice`` warnings.
    """
    return _announce(read_vehicle(read_text(path), str(path)))


def load_track(path: str | Path) -> Track:
    """The circuit or road that a track file (YAML, perhaps with a CSV beside it) describes.

    Parameters
    ----------
    path
        Track file; a CSV named in it is looked for beside it.

    Returns
    -------
    Track
        The finished ribbon.

    Raises
    ------
    InputError
        With every fault of the file, each with line and column; faults of the geometry (a gap, a fold) once
        the file itself is sound.
    """
    return _announce(read_track(read_text(path), str(path)))


def _announce(loaded: Loaded) -> Any:
    for notice in loaded.notices:
        warnings.warn(InputNotice(notice), stacklevel=3)
    return loaded.value


def load_any(path: str | Path) -> tuple[Kind, Loaded]:
    """What a file describes, a track, a vehicle or a study, told by its keys.

    Raises
    ------
    InputError
        As ``load_track``, ``load_vehicle`` and ``load_study``, or because the keys are none of theirs.
    """
    file = str(path)
    if file.lower().endswith(".csv"):
        message = "a table of points is checked through the track file that names it (centreline: csv: ...)"
        raise InputError(Fault(message, file=file))
    text = read_text(path)
    root, _ = tree.parse(text, file)
    kind = guess_kind(root)
    if not kind:
        known = dict.fromkeys(key.name for one in KINDS for key in _keys_of(one))
        report = kinds.Report(file)
        kinds.refuse_unknown(root, (), report, tuple(known), "track, vehicle or study files")
        message = (
            "this is neither a track (closed, centreline, ...) nor a vehicle (chassis, tyres, ...) "
            "nor a study (circuits, cars, vary, ...)"
        )
        raise InputError([Fault(message, (), file, root.line, root.column), *report.final_faults()])
    if kind == "study":
        from lapwright.inputs.study_file import read_study

        return kind, read_study(text, file)
    return kind, read_track(text, file) if kind == "track" else read_vehicle(text, file)


def read_vehicle(text: str, file: str = "") -> Loaded:
    """The car described by YAML ``text``; ``file`` is the name used in messages."""
    from lapwright.inputs import vehicle_keys

    root, report = _parse(text, file)
    refuse_other_kind(root, report, "vehicle")
    table = vehicle_keys.FRICTION_CIRCLE if is_circle(root) else vehicle_keys.VEHICLE
    return _finish(table.read(root, (), report), report)


def is_circle(root: tree.Mapping) -> bool:
    """Which model a vehicle file is meant for, also when the key that says so is misspelt or left out."""
    model = root.values.get("model")
    if isinstance(model, tree.Scalar):
        return bool(difflib.get_close_matches(model.text[:60], ["friction_circle"], cutoff=0.7))
    return "grip_g" in root.values and "chassis" not in root.values


def read_definition(text: str, file: str = "") -> tuple[Loaded, tree.Mapping]:
    """What the YAML ``text`` of a track says, before any geometry, and the tree it was read from."""
    from lapwright.inputs import track_file

    root, report = _parse(text, file)
    refuse_other_kind(root, report, "track")
    return _finish(track_file.read_definition(root, report), report), root


def read_track(text: str, file: str = "") -> Loaded:
    """The finished track described by YAML ``text``; ``file`` is its name, in messages and to find a CSV."""
    from lapwright.track.build import build_track

    loaded, root = read_definition(text, file)
    try:
        track = build_track(loaded.value)
    except InputError as error:
        placed = [place_fault(fault, root, file) for fault in error.faults]
        raise InputError(placed) from error
    return Loaded(track, loaded.notices)


def place_fault(fault: Fault, root: tree.Mapping, file: str) -> Fault:
    """The fault with the place of the key that it speaks of, or of the nearest parent that the file has."""
    if fault.line or fault.file:
        return fault
    node = tree.at_path(root, fault.key)
    return Fault(fault.message, fault.key, file, node.line, node.column)


def guess_kind(root: tree.Mapping) -> Kind | None:
    """Whether the keys are those of a track, a vehicle or a study file; None when that cannot be told.

    Misspelt keys count when there are no others, so that their faults can be told.
    """
    known = {kind: {key.name for key in _keys_of(kind)} - {"name"} for kind in KINDS}
    found = set(root.values) - {"name"}
    hits = {kind: len(names & found) for kind, names in known.items()}
    if not any(hits.values()):
        few = [name for name in list(root.values)[:50] if name != "name" and len(name) <= 60]
        hits = {kind: sum(map(_has_near(names), few)) for kind, names in known.items()}
    best = [kind for kind in KINDS if hits[kind] == max(hits.values())]
    return best[0] if len(best) == 1 else None


def _has_near(known: set[str]) -> Callable[[str], bool]:
    return lambda name: bool(difflib.get_close_matches(name, known, n=1, cutoff=0.7))


def _keys_of(kind: Kind) -> tuple[kinds.Key, ...]:
    from lapwright.inputs.study_keys import STUDY
    from lapwright.inputs.track_keys import TRACK
    from lapwright.inputs.vehicle_keys import FRICTION_CIRCLE, VEHICLE

    return {"track": TRACK.keys, "vehicle": (*VEHICLE.keys, *FRICTION_CIRCLE.keys), "study": STUDY.keys}[kind]


def _parse(text: str, file: str) -> tuple[tree.Mapping, kinds.Report]:
    root, form_faults = tree.parse(text, file)
    report = kinds.Report(file)
    report.add_form_faults(form_faults)
    return root, report


def refuse_other_kind(root: tree.Mapping, report: kinds.Report, wanted: Kind) -> None:
    """Raise InputError when the keys are those of another kind of file."""
    found = guess_kind(root)
    if found and found != wanted:
        raise InputError(
            Fault(f"this is a {found} file; a {wanted} file is wanted here", (), report.file, 1, 1)
        )


def _finish(value: Any, report: kinds.Report) -> Loaded:
    faults = report.final_faults()
    if faults:
        raise InputError(faults)
    return Loaded(value, tuple(report.notices))
