"""A lap of a straight road in which feet and hands do as they are told."""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from lapwright.lap.lap import Lap

SPEED, RATE = 40.0, 100.0


def lap_with(seconds, **channels):
    """A lap of ``seconds`` at 40 m/s; ``channels`` are functions of the time."""
    t = np.arange(0.0, seconds, 1.0 / RATE)
    none = np.full(t.size, np.nan)
    values = {field.name: none for field in fields(Lap)}
    four = np.full((t.size, 4), np.nan)
    values |= {
        name: four
        for name in ("load", "grip_use", "force_long", "force_lat", "grip_long", "grip_lat", "slip_ratio")
    }
    values |= {
        "kind": "driver", "track_name": "", "vehicle_name": "", "closed": False, "s": SPEED * t, "t": t,
        "speed": np.full(t.size, SPEED), "gear": np.zeros(t.size, dtype=int), "limiting_axle": np.full(t.size, "none"),
    }  # fmt: skip
    values |= {name: np.asarray(trace(t), dtype=float) for name, trace in channels.items()}
    return Lap(**values)


def corners(*points):
    """A trace of straight lines through (time, value) points."""
    at, values = zip(*points, strict=True)
    return lambda t: np.interp(t, at, values)
