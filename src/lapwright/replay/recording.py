"""What hands and feet did: hand wheel and pedal as polylines."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Lap
from lapwright.replay.integrate import Controls
from lapwright.vehicle.parameters import Vehicle

Array = NDArray[np.float64]
Axis = Literal["time", "distance"]

INSIDE = 6
"""Points for each interval of a lap whose pedal and hand wheel are read over distance."""


@dataclass(frozen=True, eq=False)
class Recording:
    """Hand wheel and pedal as polylines over time or distance, level beyond their ends.

    Attributes
    ----------
    axis : "time" or "distance"
    at : (M,) rising times [s] or stations [m]
    delta : (M,) road-wheel angles [rad]; pedal : (M,) -1 (full brake) to 1 (full throttle)
    """

    axis: Axis
    at: Array
    delta: Array
    pedal: Array

    def controls(self) -> Controls:
        """Road-wheel angle and pedal for the integrator."""
        at, delta, pedal = self.at.tolist(), self.delta.tolist(), self.pedal.tolist()
        last = len(at) - 2
        over_time = self.axis == "time"

        def controls(t: float, x: Array) -> tuple[float, float]:
            place = t if over_time else float(x[0])
            k = min(max(bisect_right(at, place) - 1, 0), last)
            share = min(max((place - at[k]) / (at[k + 1] - at[k]), 0.0), 1.0)
            return delta[k] + share * (delta[k + 1] - delta[k]), pedal[k] + share * (pedal[k + 1] - pedal[k])

        return controls

    def read(self, t: Array, s: Array) -> tuple[Array, Array]:
        """Road-wheel angles and pedals (K,) at times [s] and stations [m]."""
        place = t if self.axis == "time" else s
        return np.interp(place, self.at, self.delta), np.interp(place, self.at, self.pedal)


def recording_of(lap: Lap, vehicle: Vehicle, axis: Axis = "time") -> Recording:
    """The pedal and the hand wheel of a lap.

    Between the rows of a lap both run straight over time, as the optimiser has them. Read over distance they
    are bent where the speed changes, which a few points inside each interval follow.
    """
    delta = lap.steering_wheel / vehicle.steering.ratio
    if axis == "time":
        return Recording(axis, lap.t, delta, lap.pedal)
    from scipy.interpolate import CubicSpline

    parts = np.linspace(0.0, 1.0, INSIDE, endpoint=False)
    t = np.append((lap.t[:-1, None] + np.diff(lap.t)[:, None] * parts).ravel(), lap.t[-1])
    s = np.maximum.accumulate(CubicSpline(lap.t, lap.s)(t))
    keep = np.append(True, np.diff(s) > 0.0)
    return Recording(axis, s[keep], np.interp(t, lap.t, delta)[keep], np.interp(t, lap.t, lap.pedal)[keep])
