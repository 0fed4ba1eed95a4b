"""A log split into laps and laid on the road."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.log import Log
from lapwright.lap.lap import Lap

Array = NDArray[np.float64]

STEP = 1.0
"""Distance between the rows of a driven lap [m], or a little less so that the last one lies on the line."""

WHOLE = "whole"
"""Status of a lap that can be compared."""


@dataclass(frozen=True)
class Noise:
    """One standard deviation of what is left in a driven lap after smoothing; NaN where it was not measured.

    Attributes
    ----------
    across : of the place across the road [m]; ``raw`` before smoothing [m]
    along : of the station at a given time [m]
    speed : [m/s]
    curvature : [1/m]
    brake, throttle : [share]
    steering : of the hand wheel [rad]
    """

    across: float = np.nan
    raw: float = np.nan
    along: float = np.nan
    speed: float = np.nan
    curvature: float = np.nan
    brake: float = np.nan
    throttle: float = np.nan
    steering: float = np.nan


@dataclass(frozen=True)
class Alignment:
    """How a lap came to lie on the road.

    Attributes
    ----------
    method : "position", or "distance and speed" without one
    stretch : distance driven by the speed channel over distance on the road, less one [-]
    closing : what the clock or the distance was off by at the line and was spread over the lap [m]
    clock : by how much the times of the line crossings were moved against the log's own lap times [s]; NaN without
    median_off, worst_off : distance of the raw fixes from the road's edges, 0 on it [m]
    delay : delay of the smoothing filter [s]: 0 for one that looks both ways
    filter : the filter in words, with its bandwidth
    """

    method: str
    stretch: float
    closing: float
    clock: float
    median_off: float
    worst_off: float
    delay: float
    filter: str


@dataclass(frozen=True, eq=False)
class DriverLap:
    """One lap out of a log.

    Attributes
    ----------
    driver, file : whose, and from which log
    number : in the log, from 1, every lap counted
    started : time of the log at which it begins [s]
    status : ``WHOLE``, "out-lap", "in-lap", "stopped", "missing piece", "off the road", "wrong way"; ``words`` say why
    time : from line to line [s]; NaN for a lap that has no two
    lap : channels over the road, rows ``STEP`` apart, from the line (station 0, time 0) to the line (the road's length,
        ``time``), or from end to end of an open road; NaN in what was not logged; None unless ``WHOLE``
    has : channels of ``lap`` that come from the log: "line" (``n``, ``x``, ``y``), "brake", "throttle", "steering",
        "speed", "accel_long", "accel_lat", "yaw_rate", "gear", "engine_speed"
    brake_switch : True when the brake is only known to be on or off
    noise, alignment : see there; None unless ``WHOLE``
    """

    driver: str
    file: str
    number: int
    started: float
    status: str
    words: str
    time: float
    lap: Lap | None
    has: frozenset[str]
    brake_switch: bool = False
    noise: Noise | None = None
    alignment: Alignment | None = None

    @property
    def whole(self) -> bool:
        """Whether it can be compared."""
        return self.status == WHOLE


@dataclass(frozen=True, eq=False)
class Session:
    """A log and its laps in driving order."""

    log: Log
    laps: tuple[DriverLap, ...]
    notices: tuple[str, ...] = ()

    @property
    def best(self) -> DriverLap | None:
        """The quickest whole lap."""
        return min((lap for lap in self.laps if lap.whole), key=lambda lap: lap.time, default=None)
