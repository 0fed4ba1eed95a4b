"""A closed lap laid out three times in a row, so that nothing that crosses the start line is a special
case.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from lapwright.lap.lap import Array, Lap


@dataclass(frozen=True)
class Unrolled:
    """The channels that the reading of corners needs, (M,) each, over a station that keeps growing; ``use`` is the larger of
    both axles' grip use.

    A closed lap appears as the lap before, the lap itself and the lap after (stations ``s[0] - length`` to
    ``s[0] + 2 length``); an open one once, with ``length`` 0. Units and signs are those of ``Lap``.
    """

    length: float
    s: Array
    t: Array
    speed: Array
    brake: Array
    throttle: Array
    wheel: Array
    curvature: Array
    accel_lat: Array
    n: Array
    gear: Array
    use: Array

    def at(self, channel: str, station: float) -> float:
        """Value of a channel at a station, straight line between rows."""
        return float(np.interp(station, self.s, getattr(self, channel)))

    def gear_at(self, station: float) -> int:
        """Gear at a station: that of the row before it."""
        return int(self.gear[max(int(np.searchsorted(self.s, station, side="right")) - 1, 0)])

    def rows(self, start: float, end: float) -> slice:
        """Rows with ``start <= s <= end``."""
        return slice(int(np.searchsorted(self.s, start, "left")), int(np.searchsorted(self.s, end, "right")))

    def wrap(self, station: float) -> float:
        """A station brought back into the lap; open laps keep theirs."""
        return float(station % self.length) if self.length else float(station)

    def span(self, start: float, end: float) -> tuple[float, float]:
        """A stretch of road of a closed lap with its end beyond its start, beginning within the lap."""
        if self.length:
            start = start % self.length
            end = start + (end - start) % self.length
        return start, end


def unroll(lap: Lap) -> Unrolled:
    """Lay out a lap for reading (see ``Unrolled``)."""
    channels: dict[str, Any] = {
        "s": lap.s,
        "t": lap.t,
        "speed": lap.speed,
        "brake": lap.brake,
        "throttle": lap.throttle,
        "wheel": lap.steering_wheel,
        "curvature": lap.curvature,
        "accel_lat": lap.accel_lat,
        "n": lap.n,
        "gear": lap.gear,
        "use": np.maximum(lap.grip_use_front, lap.grip_use_rear),
    }
    if not lap.closed:
        return Unrolled(length=0.0, **channels)
    step = {"s": float(lap.s[-1] - lap.s[0]), "t": lap.time}
    tiled: dict[str, Any] = {}
    for name, values in channels.items():
        once, shift = values[:-1], step.get(name, 0)
        tiled[name] = np.concatenate([once - shift, once, once + shift, [values[-1] + shift]])
    return Unrolled(length=step["s"], **tiled)


def crossing(s: Array, values: Array, level: float, row: int) -> float:
    """Station between ``row`` and ``row + 1`` where ``values`` passes ``level``, straight line between
    rows.
    """
    a, b = values[row], values[row + 1]
    return float(s[row] + (level - a) / (b - a) * (s[row + 1] - s[row]))


def first_rise(s: Array, values: Array, level: float) -> float | None:
    """First station at which ``values`` reaches ``level`` from below; the first row when it starts there."""
    if values.size == 0:
        return None
    if values[0] >= level:
        return float(s[0])
    up = np.flatnonzero((values[:-1] < level) & (values[1:] >= level))
    return crossing(s, values, level, int(up[0])) if up.size else None


def last_rise(s: Array, values: Array, level: float) -> float | None:
    """Last station at which ``values`` reaches ``level`` from below; None when it never does."""
    up = np.flatnonzero((values[:-1] < level) & (values[1:] >= level))
    return crossing(s, values, level, int(up[-1])) if up.size else None


def last_fall(s: Array, values: Array, level: float) -> float | None:
    """Last station at which ``values`` leaves ``level`` downward; None when it never does."""
    down = np.flatnonzero((values[:-1] >= level) & (values[1:] < level))
    return crossing(s, values, level, int(down[-1])) if down.size else None
