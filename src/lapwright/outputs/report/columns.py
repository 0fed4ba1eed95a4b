"""The traces of everybody in a report, as columns over the same stations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lapwright.driver.session import DriverLap
from lapwright.lap.lap import Array, Lap
from lapwright.quantities import DEG, KMH, G
from lapwright.track.track import Track

MOST_ROWS = 6000
"""Rows of the traces at most: more than any screen has dots across, and a small file."""

BEYOND = 80.0
"""A corner that runs across the line is shown so far past its end [m]."""

NEEDS = {
    "brake": {"brake"},
    "throttle": {"throttle"},
    "wheel": {"steering"},
    "gear": {"gear"},
    "n": {"line"},
    "x": {"line"},
    "y": {"line"},
    # Accelerations made out of speed and path have peaks that no tyre can do.
    "g": {"accel_long", "accel_lat"},
}
"""What a log must have for a column to be there; the others always are."""

EVERYTHING = frozenset().union(*NEEDS.values())


@dataclass(frozen=True)
class Traces:
    """Columns over stations.

    Attributes
    ----------
    values : "s" [m], "left" and "right" (edges of the road [m], left positive), and for the reference ("ref_") and every
        driver ("d1_", "d2_", ...) "t" [s], "speed" [km/h], "brake", "throttle" [%], "wheel" [deg], "gear", "n" [m], "x",
        "y" [m from ``origin``], "g" [-], "difference" [s]; a column of what was not logged is missing
    rows : those of the lap itself; rows after them repeat its beginning, with time and difference going on
    origin : place from which x and y count [m]
    """

    values: dict[str, Array]
    rows: int
    origin: tuple[float, float]

    def has(self, column: str) -> bool:
        """Whether a column is there."""
        return column in self.values


def traces(
    record: Mapping[str, Any],
    target: Lap,
    track: Track,
    drives: Sequence[DriverLap],
    running: Sequence[Array],
) -> Traces:
    """Everybody's channels, thinned to ``MOST_ROWS``.

    Parameters
    ----------
    record
        See ``compare_record``; says which corners run across the line.
    target, drives, running
        The reference, the drivers' laps and their running time differences [s], all at the same stations.

    Raises
    ------
    ValueError
        When they are not.
    """
    laps = [_checked(drive, target) for drive in drives]
    if any(len(run) != target.s.size for run in running):
        raise ValueError("the running differences must have a row for each row of the reference")
    step = max(1, int(np.ceil(target.s.size / MOST_ROWS)))
    rows = np.unique(np.append(np.arange(0, target.s.size, step), target.s.size - 1))
    more = _repeated(record, target, track, rows)
    s = np.concatenate([target.s[rows], target.s[more] + track.length])
    road = track.road(target.s[rows])
    origin = (float(np.mean(road.x)), float(np.mean(road.y)))
    edges = track.road(np.concatenate([target.s[rows], target.s[more]]))
    values = {"s": s, "left": edges.width_left, "right": -edges.width_right}
    every = np.concatenate([rows, more])
    values |= _columns("ref", target, EVERYTHING, every, origin)
    for number, (drive, lap, run) in enumerate(zip(drives, laps, running, strict=True), 1):
        key = f"d{number}"
        values |= _columns(key, lap, drive.has, every, origin)
        values[f"{key}_difference"] = np.concatenate([run[rows], run[more] + run[-1] - run[0]])
    for key, lap in (("ref", target), *((f"d{k}", lap) for k, lap in enumerate(laps, 1))):
        values[f"{key}_t"][rows.size :] += lap.t[-1] - lap.t[0]
    return Traces(
        {name: np.asarray(column, dtype=np.float32) for name, column in values.items()}, rows.size, origin
    )


def _checked(drive: DriverLap, target: Lap) -> Lap:
    if drive.lap is None or drive.lap.s.size != target.s.size or np.abs(drive.lap.s - target.s).max() > 0.01:
        raise ValueError(f"lap {drive.number} of {drive.file} has not the stations of the reference")
    return drive.lap


def _repeated(record: Mapping[str, Any], target: Lap, track: Track, rows: Any) -> Any:
    """Rows to add after the line, so that a corner that runs across it can be seen in one piece."""
    across = [
        float(part["end_m"])
        for driver in record["drivers"]
        for part in [*driver["parts"], *driver["corners"]]
        if part["start_m"] is not None and part["end_m"] is not None and part["start_m"] > part["end_m"]
    ]
    if not track.closed or not across:
        return rows[:0]
    return rows[1:][target.s[rows[1:]] - target.s[0] <= max(across) + BEYOND]


def _columns(
    key: str, lap: Lap, has: frozenset[str], rows: Any, origin: tuple[float, float]
) -> dict[str, Array]:
    found = {
        "t": lap.t - lap.t[0],
        "speed": KMH * lap.speed,
        "brake": 100.0 * lap.brake,
        "throttle": 100.0 * lap.throttle,
        "wheel": lap.steering_wheel / DEG,
        "gear": np.asarray(lap.gear, dtype=float),
        "n": lap.n,
        "x": lap.x - origin[0],
        "y": lap.y - origin[1],
        "g": np.hypot(lap.accel_long, lap.accel_lat) / G,
    }
    kept = {name: column for name, column in found.items() if NEEDS.get(name, set()) <= has}
    kept = {name: column for name, column in kept.items() if np.isfinite(column).any()}
    if not (kept.get("gear", np.zeros(1)) > 0).any():
        kept.pop("gear", None)
    return {f"{key}_{name}": np.asarray(column)[rows] for name, column in kept.items()}
