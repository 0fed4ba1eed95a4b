"""The files of a balance: balance.json, effects.csv, entries.csv and one table for each entry."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from lapwright.lap.lap import WHEELS, Array
from lapwright.outputs.summary import plain
from lapwright.outputs.sweep_groups import distinct, slug
from lapwright.outputs.words import ascii_only
from lapwright.quantities import DEG, KMH, G
from lapwright.study.balance import Balance
from lapwright.study.entry import Entry

EFFECTS: tuple[tuple[str, str], ...] = (
    ("rank", "1 is the largest"),
    ("key", "the number, as in the vehicle file, with groups"),
    ("words", "what it is"),
    ("unit", "unit of value and step, empty for none"),
    ("value", "of the car"),
    ("step", "one step of it"),
    ("per_step_s", "change of the lap time for one step up, to first order; minus is quicker"),
    ("up_s", "the same, solved; empty when it was not, or there is no solution"),
    ("down_s", "change of the lap time for one step down, solved"),
    ("central_s", "half of the difference of the two"),
    ("agrees", "true when the first order agrees with it, false when not; empty when nothing was solved"),
)
"""Columns of effects.csv before those of the pieces of the lap."""

PIECES: tuple[tuple[str, str], ...] = (
    (
        "*_s",
        "of per_step_s what a piece of the lap adds: `*` is a corner with its phase, or to_ and the corner that a straight "
        "leads to",
    ),
)
"""Columns of the pieces; together they are per_step_s."""

ENTRIES: tuple[tuple[str, str], ...] = (
    ("corner", "its name"),
    ("direction", "left or right"),
    ("start_m", "where the entry begins, distance along the centreline"),
    ("brake_on_m", "brake-on; empty without"),
    ("turn_in_m", "turn-in; empty without"),
    ("brake_off_m", "brake-off; empty without"),
    ("slowest_m", "slowest point"),
    ("end_m", "end of the corner"),
    ("slowest_kmh", "speed at the end of the entry"),
    ("first_limit", "the first axle at its limit: front, rear, both or none"),
    ("time_front_percent", "of the entry's time with the front axle alone at its limit"),
    ("time_rear_percent", "with the rear axle alone"),
    ("time_both_percent", "with both"),
    ("time_none_percent", "with none"),
    ("front_spare_while_rear_limited_N", "side force that the front could add meanwhile, in the mean"),
    ("rear_spare_while_front_limited_N", "the same of the rear while the front is at its limit"),
    ("least_turn_moment_Nm", "least yaw moment into the corner that the front axle has in hand"),
    ("least_hold_moment_Nm", "least yaw moment against it that the rear axle has in hand"),
    (
        "understeer_entry_deg",
        "road-wheel angle more than a neutral car's, mean from turn-in to the slowest point",
    ),
    ("understeer_exit_deg", "the same from there to the corner's end"),
    (
        "nervous_at_m",
        "least stable point with the brake on; empty without a brake, as in the columns after it",
    ),
    ("nervous_to_turn_in_m", "from turn-in to it, minus before turn-in"),
    ("nervous_growth_1ps", "rate at which a disturbance grows there, minus when it dies out"),
    ("nervous_doubling_s", "time in which it doubles; empty when it dies out"),
    ("nervous_brake_percent", "brake there, of full pressure"),
    ("nervous_accel_lat_g", "acceleration to the left there"),
    ("nervous_speed_kmh", "speed there"),
    ("nervous_axle", "axle at its limit there"),
    ("nervous_growing_m", "length of the braking in which disturbances grow"),
)
"""Columns of entries.csv."""


class Column(NamedTuple):
    """A column of entry-*.csv: name with its unit, decimals, meaning, values."""

    name: str
    decimals: int
    doc: str
    value: Callable[[Entry], Array]


ROWS: tuple[Column, ...] = (
    Column("distance_m", 2, "distance along the centreline, on past the line", lambda e: e.s),
    Column("time_s", 4, "time from the first row", lambda e: e.time),
    Column("speed_kmh", 2, "speed", lambda e: e.speed * KMH),
    Column("brake", 4, "share of peak pressure", lambda e: e.brake),
    Column("throttle", 4, "share of full", lambda e: e.throttle),
    Column("accel_long_g", 3, "acceleration forward, as felt", lambda e: e.accel_long / G),
    Column("accel_lat_g", 3, "acceleration to the left, as felt", lambda e: e.accel_lat / G),
    Column("use_front", 4, "share of the front axle's grip in use", lambda e: e.use_front),
    Column("use_rear", 4, "share of the rear axle's grip in use", lambda e: e.use_rear),
    Column("spare_front_N", 0, "side force that the front axle could add", lambda e: e.spare_front),
    Column("spare_rear_N", 0, "side force that the rear axle could add", lambda e: e.spare_rear),
    Column("steer_deg", 3, "road-wheel angle, into the corner positive", lambda e: e.steer / DEG),
    Column("neutral_steer_deg", 3, "that of a neutral car on the same path", lambda e: e.neutral_steer / DEG),
    Column("understeer_deg", 3, "their difference, minus is oversteer", lambda e: e.understeer / DEG),
    Column("growth_1ps", 3, "rate of the fastest growing disturbance", lambda e: e.growth),
    Column("static_margin", 4, "share of the wheelbase, positive is stable", lambda e: e.static_margin),
    Column("yaw_stiffness_Nm_per_deg", 1, "yaw moment back into the way for each degree of sideslip",
           lambda e: e.yaw_stiffness * DEG),
    Column("turn_moment_Nm", 0, "yaw moment into the corner that the front axle has in hand", lambda e: e.turn_moment),
    Column("hold_moment_Nm", 0, "yaw moment against it that the rear axle has in hand", lambda e: e.hold_moment),
)  # fmt: skip
"""Numbers in entry-*.csv; limiting_axle and limiting_wheel come after them."""

WORDS: tuple[tuple[str, str], ...] = (
    ("limiting_axle", "front, rear, both or none"),
    ("limiting_wheel", "fl, fr, rl or rr; empty for none"),
)


def balance_json(record: Mapping[str, Any]) -> str:
    """balance.json (RFC 8259), ASCII."""
    return json.dumps(plain(record), indent=2, allow_nan=False, ensure_ascii=True) + "\n"


def effects_text(record: Mapping[str, Any]) -> str:
    """effects.csv: one row a number, the largest effect first."""
    effects = record["effects"]
    parts = effects[0]["parts"] if effects else []
    pieces = distinct([slug(f"{part['name']} {part['phase']}") for part in parts])
    rows = [
        [
            *(one[name] for name, _ in EFFECTS[:7]),
            *((one["check"] or {}).get(name) for name, _ in EFFECTS[7:]),
            *(part["change_s"] for part in one["parts"]),
        ]
        for one in effects
    ]
    return _csv([*(name for name, _ in EFFECTS), *(f"{piece}_s" for piece in pieces)], rows)


def entries_text(record: Mapping[str, Any]) -> str:
    """entries.csv: one row a corner, in driving order."""
    rows = []
    for one in record["entries"]:
        spot = one["nervous"] or {}
        rows.append(
            [
                spot.get(name.removeprefix("nervous_")) if name.startswith("nervous_") else one[name]
                for name, _ in ENTRIES
            ]
        )
    return _csv([name for name, _ in ENTRIES], rows)


def entry_text(entry: Entry) -> str:
    """entry-*.csv: one entry row by row."""
    numbers = [_cells(column.value(entry), column.decimals) for column in ROWS]
    wheels = [WHEELS[k] if k >= 0 else "" for k in entry.limiting_wheel.tolist()]
    rows = [list(row) for row in zip(*numbers, entry.limiting_axle.tolist(), wheels, strict=True)]
    return _csv([*(column.name for column in ROWS), *(name for name, _ in WORDS)], rows)


def entry_slugs(balance: Balance) -> list[str]:
    """The corners' names as parts of files' names, in the order of ``Balance.entries``, no two alike."""
    return distinct([slug(entry.corner, "-") for entry in balance.entries], "-")


def write_balance(folder: Path, record: Mapping[str, Any], balance: Balance) -> None:
    """Write balance.json, effects.csv, entries.csv and an entry-*.csv for each entry.

    Parameters
    ----------
    folder
        To write into.
    record
        From ``balance_record``.
    balance
        What it was made of; the rows of the entries come from it.
    """
    files = {
        "balance.json": balance_json(record),
        "effects.csv": effects_text(record),
        "entries.csv": entries_text(record),
    }
    for name, entry in zip(entry_slugs(balance), balance.entries, strict=True):
        files[f"entry-{name}.csv"] = entry_text(entry)
    for name, text in files.items():
        (folder / name).write_bytes(text.encode("ascii"))


def _csv(names: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([[_plain(value) for value in row] for row in rows])
    return ascii_only(out.getvalue())


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value and abs(value) < 1e-3:
        return f"{value:.6f}"
    return "" if value is None else str(value)


def _cells(values: Array, decimals: int) -> list[str]:
    return ["" if not np.isfinite(v) else f"{round(v, decimals) + 0.0:.{decimals}f}" for v in values.tolist()]
