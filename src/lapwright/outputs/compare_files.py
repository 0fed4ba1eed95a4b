"""The tables of a comparison: corners.csv (one row a corner, straight or phase) and aligned.csv (one row a metre)."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from lapwright.lap.lap import Array, Lap
from lapwright.outputs.words import ascii_only
from lapwright.quantities import DEG, KMH, G

if TYPE_CHECKING:
    from lapwright.driver.compare import Comparison


class Column(NamedTuple):
    """A column of aligned.csv: name with its unit, decimals, meaning, the channel it needs ("" for none), its values."""

    name: str
    decimals: int
    doc: str
    needs: str
    value: Callable[[Lap], Array]


ALIGNED: tuple[Column, ...] = (
    Column("time_s", 4, "time since the line", "", lambda lap: lap.t - lap.t[0]),
    Column("speed_kmh", 2, "speed", "", lambda lap: lap.speed * KMH),
    Column("brake", 4, "brake, share of peak pressure; of a switch 0 or 1", "brake", lambda lap: lap.brake),
    Column("throttle", 4, "throttle, share of full", "throttle", lambda lap: lap.throttle),
    Column(
        "steering_wheel_deg",
        2,
        "hand-wheel angle, left positive",
        "steering",
        lambda lap: lap.steering_wheel / DEG,
    ),
    Column("gear", 0, "gear", "gear", lambda lap: lap.gear.astype(float)),
    Column("lateral_offset_m", 3, "offset from the centreline, left positive", "line", lambda lap: lap.n),
    Column("x_m", 3, "position, axes of the track file", "line", lambda lap: lap.x),
    Column("y_m", 3, "position, axes of the track file", "line", lambda lap: lap.y),
    Column("accel_long_g", 3, "acceleration forward, as felt", "", lambda lap: lap.accel_long / G),
    Column("accel_lat_g", 3, "acceleration to the left, as felt", "", lambda lap: lap.accel_lat / G),
    Column("yaw_rate_dps", 2, "yaw rate, left positive", "", lambda lap: lap.yaw_rate / DEG),
)
"""Channels of a lap in aligned.csv, each once with ``reference_`` before its name and once for every driver."""

RUNNING: tuple[tuple[str, str], ...] = (
    ("difference_s", "running time difference, driver less reference"),
    (
        "difference_made_s",
        "the same with the missing speed priced by what it costs on the rest of the lap, to first order",
    ),
    ("line_difference_s", "running difference of the optimum on the driver's line"),
)
"""What each driver has besides."""

PARTS: tuple[tuple[str, str], ...] = (
    ("driver", "name of the driver"),
    ("kind", "corner, straight or phase"),
    ("name", "of the corner, or of the straight by the corner it leads to"),
    ("phase", "braking (lift), entry or exit; empty for a whole corner"),
    ("start_m", "where it begins, distance along the centreline"),
    ("end_m", "where it ends; before start_m when it runs across the line"),
    ("driver_s", "the driver's time"),
    ("reference_s", "the reference's time"),
    ("difference_s", "driver less reference"),
    ("line_s", "of that, what the line costs"),
    ("inputs_s", "of that, what pedals and wheel cost on the driver's line"),
    ("caused_s", "what was lost there, the speed missing at its end priced by the rest of the lap"),
)
"""Columns of corners.csv; for a whole corner the readings of both laps follow."""

READINGS: tuple[tuple[str, str], ...] = (
    ("entry", "brake, shared, lift or flat"),
    ("brake_on_before_start_m", "brake on, metres before the corner's start"),
    ("brake_on_landmark", "brake on, told by the nearest landmark"),
    ("brake_on_kmh", "speed there"),
    ("peak_percent", "highest brake, of full pressure"),
    ("release_from_slowest_m", "where the release begins, from the slowest point, + past it"),
    ("brake_off_past_slowest_m", "brake off, from the slowest point"),
    ("turn_in_m", "turn-in, from the corner's start"),
    ("slowest_kmh", "slowest speed"),
    ("slowest_m", "where, from the corner's start"),
    ("pick_up_past_slowest_m", "throttle on, from the slowest point"),
    ("full_past_slowest_m", "full throttle, from the slowest point"),
    ("exit_kmh", "speed at the corner's end"),
    ("min_gap_inside_m", "least distance of the car's middle from the inside edge"),
)
"""What is read of a corner, once with ``driver_`` and once with ``reference_`` before its name."""


def aligned_text(comparison: Comparison) -> str:
    """aligned.csv: everybody on the same stations; cells of what was not logged stay empty."""
    target, drivers = comparison.target, comparison.drivers
    names, columns = ["distance_m"], [_cells(target.s, 3)]
    for column in ALIGNED:
        names.append(f"reference_{column.name}")
        columns.append(_cells(column.value(target), column.decimals))
    for number, one in enumerate(drivers, 1):
        prefix = "driver_" if len(drivers) == 1 else f"driver_{number}_"
        for column in ALIGNED:
            if column.needs and column.needs not in one.drive.has:
                continue
            names.append(prefix + column.name)
            columns.append(_cells(column.value(one.lap), column.decimals))
        for (name, _), values in zip(RUNNING, (one.run.time, one.run.value, one.run.line), strict=True):
            if values is not None:
                names.append(prefix + name)
                columns.append(_cells(values, 4))
    rows = [",".join(row) for row in zip(*columns, strict=True)]
    return "\n".join([",".join(names), *rows]) + "\n"


def _cells(values: Array, decimals: int) -> list[str]:
    return ["" if not np.isfinite(value) else f"{value:.{decimals}f}" for value in values.tolist()]


def parts_text(record: Mapping[str, Any]) -> str:
    """corners.csv of a comparison, from its record."""
    readings = [f"{who}_{name}" for name, _ in READINGS for who in ("driver", "reference")]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*(name for name, _ in PARTS), *readings])
    for driver in record["drivers"]:
        corners = {corner["name"]: corner for corner in driver["corners"]}
        for part in driver["parts"]:
            both = corners.get(part["name"]) if part["kind"] == "corner" else None
            read = [
                both[who][name] if both else None for name, _ in READINGS for who in ("driver", "reference")
            ]
            writer.writerow([*_part_cells(driver["name"], part, part["name"], ""), *map(_plain, read)])
            for phase in part.get("phases", ()):
                cells = _part_cells(driver["name"], phase, part["name"], phase["name"])
                writer.writerow([*cells, *[""] * len(readings)])
    return ascii_only(out.getvalue())


def _part_cells(driver: str, part: Mapping[str, Any], name: str, phase: str) -> Sequence[str]:
    numbers = [_plain(part[key]) for key, _ in PARTS[4:]]
    return [driver, part["kind"], name, phase, *numbers]


def _plain(value: Any) -> str:
    return "" if value is None else str(value)
