"""What a sweep found: a record of plain values, and the text on the terminal that is written from it alone."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lapwright.outputs.sweep_fit import UNCERTAIN, Surface, surface, terms_of
from lapwright.outputs.sweep_groups import Group, figure_of, groups_of
from lapwright.outputs.sweep_table import axis_columns
from lapwright.outputs.words import ascii_only, lap_time
from lapwright.quantities import CAUTION
from lapwright.study.cases import FAULT, LOST, NO_SOLUTION, SOLVED, CaseResult, Study

FASTEST = 5
"""Cases in the table of the fastest."""

FIRST = 5
"""Numbers of cases named of those that have no answer for one reason."""

REASONS = 4
"""Reasons of one kind that the text tells."""

SWEEP_KEYS: tuple[tuple[str, str], ...] = (
    ("study.name", "name of the study"),
    ("study.plan", "grid, one at a time, side by side or hypercube"),
    ("study.axes[].column", "what it is called in cases.csv and in `values`"),
    ("study.axes[].name", "what the study calls it"),
    ("study.axes[].label", "what tables and figures call it"),
    ("study.axes[].words", "true for words such as the type of a differential"),
    ("study.axes[].low", "least value of all cases, unit of the file; null for words"),
    ("study.axes[].high", "greatest value"),
    ("counts.cases", "cases, the setups as they are included"),
    ("counts.solved", "cases with an answer"),
    ("counts.no_solution", "cases whose problem has no answer, or none was found"),
    ("counts.fault", "cases whose numbers do not fit together"),
    ("counts.lost", "cases whose process died more than once"),
    ("not_solved[].status", "no solution, fault or lost"),
    ("not_solved[].words", "why, as the first of these cases says it"),
    ("not_solved[].cases", "how many say so, with whatever numbers"),
    ("not_solved[].first[].case", "number of one of the first of them"),
    ("not_solved[].first[].circuit", "its circuit"),
    ("not_solved[].first[].car", "its car"),
    ("groups[].circuit", "track file, without its ending"),
    ("groups[].car", "vehicle file, without its ending"),
    ("groups[].cases", "cases of this circuit and car"),
    ("groups[].solved", "of them with an answer"),
    ("groups[].mesh_error_s", "greatest estimated mesh error of their lap times"),
    ("groups[].current.lap_time_s", "lap time of car and road as they are; null without an answer"),
    ("groups[].current.values", "the varied numbers as the files have them, by column"),
    ("groups[].fastest[].case", "number of one of the five fastest cases, the fastest first"),
    ("groups[].fastest[].lap_time_s", "its lap time"),
    ("groups[].fastest[].change_s", "that less the current setup's; null when that has none"),
    ("groups[].fastest[].values", "its varied numbers, by column"),
    ("groups[].plane.r2", "share of the variance of the lap time that a plane explains"),
    ("groups[].plane.misfit_s", "root mean square of what it leaves"),
    ("groups[].plane.cases", "solved cases through which it was laid, case 0 left out"),
    ("groups[].plane.worth[].column", "an axis"),
    ("groups[].plane.worth[].low", "its least value among these cases; null for words"),
    ("groups[].plane.worth[].high", "its greatest"),
    ("groups[].plane.worth[].slope_s", "what the plane adds from its least to its greatest value; null for words"),
    ("groups[].plane.worth[].words_s", "what each word adds to the fastest; null for numbers"),
    ("groups[].plane.worth[].swing_s", "between its slowest and its fastest place"),
    ("groups[].no_plane", "why there is no plane; null when there is one"),
    ("groups[].curved", "the same as `plane` of a sum of parabolas; null when the cases do not decide it"),
    ("caution", "to be read with every target"),
)  # fmt: skip
"""Keys of sweep.json."""


def sweep_record(study: Study, results: Sequence[CaseResult]) -> dict[str, Any]:
    """The facts of a sweep as plain values, for sweep.json; see ``SWEEP_KEYS``.

    Raises
    ------
    ValueError
        When there is not one result for each case.
    """
    columns = axis_columns(study)
    axes = [
        {
            "column": column,
            "name": axis.name,
            "label": axis.label,
            "words": axis.words,
            "low": None if axis.words else axis.low,
            "high": None if axis.words else axis.high,
        }
        for column, axis in zip(columns, study.axes, strict=True)
    ]
    groups = [_group(group, columns) for group in groups_of(study, results)]
    count = [result.status for result in results].count
    return {
        "study": {"name": study.name, "plan": study.plan, "axes": axes},
        "counts": {
            "cases": len(results),
            "solved": count(SOLVED),
            "no_solution": count(NO_SOLUTION),
            "fault": count(FAULT),
            "lost": count(LOST),
        },
        "not_solved": _reasons(study, results),
        "groups": groups,
        "caution": CAUTION,
    }


def _reasons(study: Study, results: Sequence[CaseResult]) -> list[dict[str, Any]]:
    """Why cases have no answer; words that differ in their numbers alone are one reason."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for case, result in zip(study.cases, results, strict=True):
        if result.status == SOLVED:
            continue
        words = " ".join(result.words.split())
        empty: dict[str, Any] = {"status": result.status, "words": words, "cases": 0, "first": []}
        one = found.setdefault((result.status, re.sub(r"[-+]?\d+(\.\d+)?", "#", words)), empty)
        one["cases"] += 1
        if len(one["first"]) < FIRST:
            one["first"].append({"case": case.number, "circuit": case.circuit, "car": case.car})
    return sorted(found.values(), key=lambda one: -int(one["cases"]))


def _group(group: Group, columns: Sequence[str]) -> dict[str, Any]:
    times, current = group.times, group.current
    base = None if current is None or not group.solved[current] else round(float(times[current]), 4)
    order = [int(k) for k in np.argsort(times, kind="stable") if np.isfinite(times[k])]
    errors = [r.mesh_error for r in group.results if r.status == SOLVED and r.mesh_error is not None]
    plane, curved = _fit(group, columns, 1), _fit(group, columns, 2)
    return {
        "circuit": group.circuit,
        "car": group.car,
        "cases": len(group.cases),
        "solved": len(order),
        "mesh_error_s": round(max(errors), 5) if errors else None,
        "current": None
        if current is None
        else {"lap_time_s": base, "values": _values(group, current, columns)},
        "fastest": [_fast(group, k, base, columns) for k in order[:FASTEST]],
        "plane": None if isinstance(plane, str) else plane,
        "no_plane": plane if isinstance(plane, str) else None,
        "curved": None if isinstance(curved, str) else curved,
    }


def _values(group: Group, place: int, columns: Sequence[str]) -> dict[str, Any]:
    return dict(zip(columns, group.cases[place].values, strict=True))


def _fast(group: Group, place: int, base: float | None, columns: Sequence[str]) -> dict[str, Any]:
    time = round(float(group.times[place]), 4)
    return {
        "case": group.cases[place].number,
        "lap_time_s": time,
        "change_s": None if base is None else round(time - base, 4) + 0.0,
        "values": _values(group, place, columns),
    }


def _fit(group: Group, columns: Sequence[str], degree: int) -> dict[str, Any] | str:
    found = surface(group, terms_of(group, degree))
    if isinstance(found, str):
        return found
    return {
        "r2": round(found.r_squared, 4),
        "misfit_s": round(found.misfit, 5),
        "cases": found.cases,
        "worth": [_worth(group, found, k, column) for k, column in enumerate(columns)],
    }


def _worth(group: Group, found: Surface, axis: int, column: str) -> dict[str, Any]:
    words = None
    if group.axes[axis].words:
        use = group.solved & group.planned
        seen = [str(word) for word in dict.fromkeys(group.column(axis)[use].tolist()) if word is not None]
        added = found.of_words(axis, seen)
        words = {word: round(float(value), 4) + 0.0 for word, value in zip(seen, added, strict=True)}
    return {
        "column": column,
        "low": None if words is not None else float(found.low[axis]),
        "high": None if words is not None else float(found.low[axis] + found.span[axis]),
        "slope_s": None if words is not None else round(found.slope(axis), 4) + 0.0,
        "words_s": words,
        "swing_s": round(found.swing(axis), 4) + 0.0,
    }


def sweep_terminal(study: Study, results: Sequence[CaseResult], width: int = 120) -> str:
    """The text of a sweep for a terminal, plain ASCII, lines no longer than ``width``; see ``record_text``."""
    return record_text(sweep_record(study, results), width)


def record_text(record: Mapping[str, Any], width: int = 120) -> str:
    """What was run, what has no answer and why, the fastest setups, what the lap time hangs on.

    Parameters
    ----------
    record
        From ``sweep_record``.
    width
        Characters in a line at most.
    """
    lines = [*_wrapped(_asked(record), width), *_wrapped(_solved(record), width), *_unsolved(record, width)]
    for group in record["groups"]:
        lines += ["", *_group_lines(record, group, width)]
    lines += ["", *_wrapped(f"Caution: {record['caution']}", width)]
    return ascii_only("\n".join(lines)) + "\n"


def _wrapped(text: str, width: int, first: str = "", then: str = "") -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=then, break_on_hyphens=False
    ) or [""]


def _many(count: int, one: str, more: str = "") -> str:
    return f"{count} {one if count == 1 else more or one + 's'}"


def _asked(record: Mapping[str, Any]) -> str:
    study, said = record["study"], []
    for axis in study["axes"]:
        reach = "" if axis["words"] else f" {figure_of(axis['low'])} to {figure_of(axis['high'])}"
        said.append(axis["label"] + reach)
    return f"{study['name']}: {study['plan']}, {', '.join(said) or 'nothing varied'}"


def _solved(record: Mapping[str, Any]) -> str:
    counts = record["counts"]
    parts = [f"{_many(counts['cases'], 'case')}, {counts['solved']} solved"]
    parts += [
        f"{counts[key]} {words}"
        for key, words in (
            ("no_solution", "without a solution"),
            ("fault", "with numbers that do not fit together"),
            ("lost", "lost"),
        )
        if counts[key]
    ]
    return ", ".join(parts)


def _unsolved(record: Mapping[str, Any], width: int) -> list[str]:
    several = len(record["groups"]) > 1
    lines: list[str] = []
    for reason in record["not_solved"][:REASONS]:
        named = [
            str(one["case"]) + (f" ({one['circuit']}, {one['car']})" if several else "")
            for one in reason["first"]
        ]
        rest = reason["cases"] - len(named)
        which = ", ".join(named) + (f" and {rest} more" if rest else "")
        text = (
            f"{reason['status'].capitalize()}, {_many(reason['cases'], 'case')} ({which}): {reason['words']}"
        )
        lines += _wrapped(text, width, "  ", "    ")
    left = record["not_solved"][REASONS:]
    if left:
        cases = _many(sum(one["cases"] for one in left), "case")
        lines += _wrapped(
            f"{_many(len(left), 'further reason')} in {cases}, see the words in cases.csv", width, "  "
        )
    return lines


def _group_lines(record: Mapping[str, Any], group: Mapping[str, Any], width: int) -> list[str]:
    lines = [
        f"{group['circuit']} - {group['car']}: {_many(group['cases'], 'case')}, {group['solved']} solved"
    ]
    lines = _wrapped(lines[0], width)
    current = group["current"]
    if current is not None:
        time = current["lap_time_s"]
        lines += _wrapped(f"Current setup  {'not solved' if time is None else lap_time(time)}", width)
    if not group["fastest"]:
        return [*lines, "No case has an answer."]
    lines += [*_wrapped(_best(record, group), width), "", *_fastest(record, group, width)]
    return [*lines, "", *_hangs(record, group, width)]


def _best(record: Mapping[str, Any], group: Mapping[str, Any]) -> str:
    best = group["fastest"][0]
    if best["case"] == 0:
        return "Fastest        the current setup: no case is quicker"
    labels = {axis["column"]: axis["label"] for axis in record["study"]["axes"]}
    change = best["change_s"]
    against = "" if change is None else f" ({change:+.3f} s against the current setup)"
    values = ", ".join(f"{labels[column]} {figure_of(value)}" for column, value in best["values"].items())
    text = f"Fastest        {lap_time(best['lap_time_s'])}{against}, case {best['case']}: {values}"
    error = group["mesh_error_s"]
    if change is not None and error is not None and abs(change) < error:
        text += f"; that is within the mesh error of {error:.4f} s"
    return text


def _fastest(record: Mapping[str, Any], group: Mapping[str, Any], width: int) -> list[str]:
    """The table of the fastest; axes for which there is no room are left to cases.csv, and that is said."""
    head = ["Case", "Lap time", "Change s", *(axis["label"] for axis in record["study"]["axes"])]
    rows = [
        [
            str(one["case"]) if one["case"] else "current",
            lap_time(one["lap_time_s"]),
            "" if one["change_s"] is None else f"{one['change_s']:+.3f}",
            *(figure_of(value) for value in one["values"].values()),
        ]
        for one in group["fastest"]
    ]
    widths = [max(len(ascii_only(row[k])) for row in (head, *rows)) for k in range(len(head))]
    kept = 3
    while kept < len(head) and sum(widths[: kept + 1]) + 2 * kept <= width:
        kept += 1
    lines = [_row(head, widths, kept), "  ".join("-" * w for w in widths[:kept])]
    lines += [_row(row, widths, kept) for row in rows]
    if kept < len(head):
        lines += _wrapped(f"In cases.csv besides: {', '.join(head[kept:])}", width)
    return lines


def _row(cells: Sequence[str], widths: Sequence[int], kept: int) -> str:
    return "  ".join(ascii_only(cell).rjust(w) for cell, w in zip(cells[:kept], widths, strict=False))


def _hangs(record: Mapping[str, Any], group: Mapping[str, Any], width: int) -> list[str]:
    """What the lap time hangs on, the strongest first."""
    plane, curved = group["plane"], group["curved"]
    if plane is None:
        return _wrapped(f"What the lap time hangs on is not told: {group['no_plane']}.", width)
    axes = {axis["column"]: axis for axis in record["study"]["axes"]}
    swings = {one["column"]: one["swing_s"] for one in (curved or plane)["worth"]}
    lines = ["What the lap time hangs on, over the whole range of each"]
    for one in sorted(plane["worth"], key=lambda one: -float(swings[one["column"]])):
        axis, swing = axes[one["column"]], swings[one["column"]]
        if one["words_s"] is not None:
            added = sorted(one["words_s"].items(), key=lambda both: both[1])
            text = f"{axis['label']}: " + ", ".join(f"{word} {value:+.3f} s" for word, value in added)
        else:
            reach = f"{figure_of(one['low'])} to {figure_of(one['high'])}"
            text = f"{axis['label']}: {one['slope_s']:+.3f} s from {reach} by the plane"
            text += f", {swing:.3f} s between slowest and fastest by a parabola" if curved else ""
        lines += _wrapped(text, width, "  ", "    ")
    fits = f"A plane through {_many(plane['cases'], 'solved case')} explains {_share(plane['r2'])} of the differences"
    fits += f", parabolas added up {_share(curved['r2'])}" if curved else ""
    if (curved or plane)["r2"] < UNCERTAIN:
        fits += "; that is little, so these numbers say little"
    return [*lines, *_wrapped(f"{fits}.", width)]


def _share(value: float) -> str:
    return f"{100.0 * value:.1f} %"
