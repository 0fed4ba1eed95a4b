"""A lap read between its mesh points: on a distance grid, or at any stations."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
from scipy.interpolate import PchipInterpolator

from lapwright.lap.lap import Array, Lap

HELD = ("gear", "limiting_axle")
"""Channels that keep their value until the next row: there is nothing between third gear and fourth."""

LABELS = ("kind", "track_name", "vehicle_name", "closed")


def lap_at(lap: Lap, stations: Array) -> Lap:
    """The lap at other stations [m].

    Numbers run along a monotone cubic through the rows (Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980)
    238, as in ``scipy.interpolate.PchipInterpolator``), which never leaves the range of the two rows beside
    it: no brake above 1, no time that runs backward. Gear and limiting axle keep the value of the row before.
    At a row of the lap the row itself comes back.

    Parameters
    ----------
    lap
        The lap to read.
    stations
        (K,) strictly increasing, inside ``lap.s[0]`` to ``lap.s[-1]``.

    Raises
    ------
    ValueError
        When the stations are not increasing or leave the lap.
    """
    stations = np.asarray(stations, dtype=float)
    if stations.ndim != 1 or stations.size == 0 or np.any(np.diff(stations) <= 0):
        raise ValueError("stations must be one strictly increasing row of numbers")
    slack = 1e-9 * max(abs(lap.s[-1]), 1.0)
    if stations[0] < lap.s[0] - slack or stations[-1] > lap.s[-1] + slack:
        raise ValueError(f"stations must lie between {lap.s[0]:g} and {lap.s[-1]:g} m")
    inside = np.clip(stations, lap.s[0], lap.s[-1])
    before = np.clip(np.searchsorted(lap.s, inside, side="right") - 1, 0, lap.s.size - 1)
    values: dict[str, Any] = {}
    for item in fields(lap):
        if item.name in LABELS:
            continue
        channel = getattr(lap, item.name)
        if item.name == "s":
            values["s"] = inside
        elif item.name in HELD:
            values[item.name] = channel[before] if channel.size else channel
        else:
            values[item.name] = PchipInterpolator(lap.s, channel, axis=0)(inside)
    return replace(lap, **values)


def resample(lap: Lap, step: float) -> Lap:
    """The lap on an even grid whose spacing is ``step`` [m] or the next smaller one that ends on the last
    row.
    """
    if not step > 0:
        raise ValueError(f"step is {step:g} m: a positive distance is needed")
    span = float(lap.s[-1] - lap.s[0])
    intervals = max(1, int(np.ceil(span / step - 1e-9)))
    return lap_at(lap, np.linspace(lap.s[0], lap.s[-1], intervals + 1))


def piece(lap: Lap, start: float, end: float) -> Lap:
    """The rows of a lap from one station to another [m] as an open section; of a closed lap they may run past the line.

    Raises
    ------
    ValueError
        When the section has fewer than two rows.
    """
    length = float(lap.s[-1] - lap.s[0])
    turns = (-1, 0, 1) if lap.closed else (0,)
    index = np.arange(lap.s.size - 1 if lap.closed else lap.s.size)
    stations = np.concatenate([lap.s[index] + turn * length for turn in turns])
    times = np.concatenate([lap.t[index] + turn * lap.time for turn in turns])
    rows = np.flatnonzero((stations >= start) & (stations <= end))
    if rows.size < 2:
        raise ValueError(f"no section from {start:g} to {end:g} m lies in the lap")
    values: dict[str, Any] = {"closed": False}
    for item in fields(lap):
        if item.name not in LABELS:
            channel = getattr(lap, item.name)
            values[item.name] = channel[index[rows % index.size]] if channel.size else channel
    return replace(lap, **values | {"s": stations[rows], "t": times[rows]})
