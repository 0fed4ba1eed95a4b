"""cases.csv and cases.parquet of a sweep: one row for each case, solved or not."""

from __future__ import annotations

import csv
import importlib.util
import io
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright.outputs.sweep_groups import Group, distinct, groups_of, slug
from lapwright.outputs.words import ascii_only
from lapwright.quantities import KMH
from lapwright.study.cases import SOLVED, CaseResult, CornerNumbers, Study

if TYPE_CHECKING:
    import pandas as pd

BEFORE: tuple[tuple[str, str], ...] = (
    ("case", "number of the case, 0 for car and road as their files have them; unique with circuit and car"),
    ("circuit", "track file, without its ending"),
    ("car", "vehicle file, without its ending"),
)

VARIED: tuple[tuple[str, str], ...] = (
    (
        "*",
        "a varied number or word, named as in the study without `vehicle.` (with it when two would be called the same), in "
        "the unit of the file; in row 0 what the file has, empty when it does not say",
    ),
)

OUTCOME: tuple[tuple[str, str], ...] = (
    ("status", "solved, no solution, fault (the numbers do not fit together) or lost (its process died)"),
    ("lap_time_s", "lap time"),
    ("change_s", "that less the lap time of case 0 of the same circuit and car; empty when that has none"),
    ("mesh_error_s", "estimated error of the lap time from the mesh"),
    ("iterations", "of the solver, in all solves of the case; empty when it took none"),
    ("begun", "what it was begun from: cold, neighbour or cold after neighbour; empty when it was not"),
)

OF_CORNER: tuple[tuple[str, str], ...] = (
    ("*_time_s", "time from a corner's start to its end; `*` is its name in small letters, digits and _"),
    (
        "*_brake_on_before_m",
        "from brake-on to that corner's start, negative in the corner; empty without braking",
    ),
    ("*_slowest_kmh", "slowest speed in that corner"),
)

AFTER: tuple[tuple[str, str], ...] = (("words", "why there is no answer; empty when there is one"),)

CASE_COLUMNS: tuple[tuple[str, str], ...] = (*BEFORE, *VARIED, *OUTCOME, *OF_CORNER, *AFTER)
"""Columns of cases.csv in their order: name, or ``*`` in place of what differs, and meaning."""

DECIMALS: tuple[tuple[str, int], ...] = (
    (r"lap_time_s|change_s", 4),
    (r"mesh_error_s", 5),
    (r"case|iterations", 0),
    (r".+_time_s", 4),
    (r".+_brake_on_before_m|.+_slowest_kmh", 2),
)
"""Decimals of the columns by pattern; the first that fits the whole name."""

EXACT = 1e-9
"""A varied number is written to this share of the largest of its column."""

MOST_DECIMALS = 15


def axis_columns(study: Study) -> list[str]:
    """What the columns of the axes are called, in their order.

    The name in the study without "vehicle." where that is unique: "brakes.front_share" for "vehicle.brakes.front_share".
    """
    fixed = [name for name, _ in (*BEFORE, *OUTCOME, *AFTER)]
    short = [axis.name.removeprefix("vehicle.") for axis in study.axes]
    return [
        axis.name if [*fixed, *short].count(name) > 1 else name
        for axis, name in zip(study.axes, short, strict=True)
    ]


def corner_columns(study: Study) -> dict[str, str]:
    """The corners that the table tells, by name, with what their columns begin with, in driving order."""
    names = list(dict.fromkeys(corner.name for track in study.tracks for corner in track.corners))
    told = [name for name in names if not study.corners or name in study.corners]
    return dict(zip(told, distinct([slug(name) for name in told]), strict=True))


def table_of(study: Study, results: Sequence[CaseResult]) -> pd.DataFrame:
    """A row for each case in the order of the study, never a missing one.

    Parameters
    ----------
    study
        What was asked.
    results
        One for each case, in the order of ``study.cases``.

    Returns
    -------
    pandas.DataFrame
        Columns as in ``CASE_COLUMNS``; what there is not is missing (NaN, None), never zero.

    Raises
    ------
    ValueError
        When there is not one result for each case.
    """
    import pandas as pd

    of_current = {(g.circuit, g.car): _current_time(g) for g in groups_of(study, results)}
    named, corners = axis_columns(study), corner_columns(study)
    rows = [
        {
            "case": case.number,
            "circuit": case.circuit,
            "car": case.car,
            **dict(zip(named, case.values, strict=True)),
            **_outcome(result, of_current[case.circuit, case.car]),
            **_corner_cells(result, corners),
            "words": " ".join(result.words.split()) or None,
        }
        for case, result in zip(study.cases, results, strict=True)
    ]
    words = {"circuit", "car", "status", "begun", "words"}
    words |= {name for name, axis in zip(named, study.axes, strict=True) if axis.words}
    columns = _order(named, corners)
    made = {name: _typed([row[name] for row in rows], name, name in words) for name in columns}
    return pd.DataFrame(made, columns=columns)


def _order(named: Sequence[str], corners: Mapping[str, str]) -> list[str]:
    before, outcome, after = ([name for name, _ in part] for part in (BEFORE, OUTCOME, AFTER))
    of_corners = [pattern.replace("*", start) for start in corners.values() for pattern, _ in OF_CORNER]
    return [*before, *named, *outcome, *of_corners, *after]


def _current_time(group: Group) -> float | None:
    place = group.current
    return None if place is None or not group.solved[place] else float(group.times[place])


def _outcome(result: CaseResult, current: float | None) -> dict[str, Any]:
    time = result.lap_time if result.status == SOLVED else None
    return {
        "status": result.status,
        "lap_time_s": time,
        "change_s": None if time is None or current is None else time - current,
        "mesh_error_s": result.mesh_error if result.status == SOLVED else None,
        "iterations": result.iterations or None,
        "begun": result.begun or None,
    }


def _corner_cells(result: CaseResult, corners: Mapping[str, str]) -> dict[str, float | None]:
    found = {corner.name: corner for corner in result.corners} if result.status == SOLVED else {}
    cells: dict[str, float | None] = {}
    for name, start in corners.items():
        values = _numbers(found[name]) if name in found else (None,) * len(OF_CORNER)
        for (pattern, _), value in zip(OF_CORNER, values, strict=True):
            cells[pattern.replace("*", start)] = value
    return cells


def _numbers(corner: CornerNumbers) -> tuple[float | None, ...]:
    return corner.time, corner.brake_on_before_start, KMH * corner.slowest_speed


def _typed(values: list[Any], name: str, words: bool) -> Any:
    """A column in the type that it keeps in both files, whatever is missing in it."""
    import pandas as pd

    if words:
        return pd.array(values, dtype="string")
    if name == "case":
        return np.array(values, dtype=np.int64)
    if name == "iterations":
        return pd.array(values, dtype="Int64")
    return np.array([np.nan if value is None else value for value in values], dtype=float)


def write_cases(folder: Path, frame: pd.DataFrame) -> bool:
    """Write cases.csv, and cases.parquet when pyarrow is there.

    cases.csv is ASCII in the form of RFC 4180 (a heading, lines that end with CR LF) with fixed decimals in each column,
    the same bytes for the same content; an empty field for what there is not.

    Parameters
    ----------
    folder
        To write into.
    frame
        From ``table_of``.

    Returns
    -------
    bool
        Whether cases.parquet was written: False when pyarrow is not installed.
    """
    (folder / "cases.csv").write_bytes(_csv(frame).encode("ascii"))
    if importlib.util.find_spec("pyarrow") is None:
        return False
    frame.to_parquet(folder / "cases.parquet", engine="pyarrow", index=False)
    return True


def _csv(frame: pd.DataFrame) -> str:
    names = [str(name) for name in frame.columns]
    varied = range(len(BEFORE), names.index(OUTCOME[0][0]))
    columns = [_cells("*" if k in varied else name, frame[name]) for k, name in enumerate(names)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([ascii_only(name) for name in names])
    writer.writerows(zip(*columns, strict=True))
    return text.getvalue()


def _cells(name: str, values: pd.Series) -> list[str]:
    import pandas as pd

    missing = values.isna().tolist()
    if not pd.api.types.is_numeric_dtype(values.dtype):
        return ["" if gone else ascii_only(v) for v, gone in zip(values.tolist(), missing, strict=True)]
    known = [float(value) for value, gone in zip(values.tolist(), missing, strict=True) if not gone]
    decimals = _decimals(name, known)
    return [
        "" if gone else f"{round(float(v), decimals) + 0.0:.{decimals}f}"
        for v, gone in zip(values.tolist(), missing, strict=True)
    ]


def _decimals(name: str, known: Sequence[float]) -> int:
    """Of a varied number as few as tell all of its column."""
    for pattern, decimals in DECIMALS:
        if re.fullmatch(pattern, name):
            return decimals
    allowed = EXACT * max((abs(value) for value in known), default=0.0)
    for decimals in range(MOST_DECIMALS):
        if all(abs(round(value, decimals) - value) <= allowed for value in known):
            return decimals
    return MOST_DECIMALS
