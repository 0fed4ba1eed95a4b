"""A lap: channels over distance and time, SI units, whoever drove it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
WHEELS = ("fl", "fr", "rl", "rr")


@dataclass(frozen=True)
class Lap:
    """Channels of one lap or section at M stations, in driving order; arrays are (M,) unless said otherwise.

    On a closed track the last row is the first one a lap later (``s[-1] = s[0] + length``).
    Left is positive for offsets, curvature, steering, lateral acceleration and yaw rate.

    Attributes
    ----------
    kind : "target" (the optimum) or "baseline" (quasi-steady)
    closed : True for a whole lap that joins itself
    s : station along the centreline [m in plan]; t : time [s]
    x, y, z : position [m]; n : offset from the centreline [m]; xi : heading of the car from the road's [rad]
    curvature : of the driven line, in the road surface [1/m]
    speed : [m/s]
    pedal : -1 (full brake) to 1 (full throttle); brake, throttle : 0 to 1
    brake_pressure : [Pa]
    steering_wheel : hand-wheel angle [rad]
    gear : number, 0 when the car has no gears; engine_speed : [rad/s], 0 when it has none
    accel_long, accel_lat : specific force along and across the car, in the road plane [m/s2] (what an
        accelerometer feels)
    yaw_rate : [rad/s]; sideslip : atan(v/u) [rad]; slip_angle_front, slip_angle_rear : mean of the axle's
        wheels [rad]
    load : (M, 4) wheel loads [N], in the order of ``WHEELS``
    grip_use : (M, 4) share of each tyre's peak grip in use [0 to 1]
    force_long, force_lat : (M, 4) tyre forces [N] in wheel axes
    grip_long, grip_lat : (M, 4) peak force of each tyre at its load, pure slip [N]
    slip_ratio : (M, 4) [-]
    limiting_axle : "front", "rear", "both" or "none" for each row
    """

    kind: str
    track_name: str
    vehicle_name: str
    closed: bool
    s: Array
    t: Array
    x: Array
    y: Array
    z: Array
    n: Array
    xi: Array
    curvature: Array
    speed: Array
    pedal: Array
    brake: Array
    throttle: Array
    brake_pressure: Array
    steering_wheel: Array
    gear: NDArray[np.int64]
    engine_speed: Array
    accel_long: Array
    accel_lat: Array
    yaw_rate: Array
    sideslip: Array
    slip_angle_front: Array
    slip_angle_rear: Array
    load: Array
    grip_use: Array
    force_long: Array
    force_lat: Array
    grip_long: Array
    grip_lat: Array
    slip_ratio: Array
    limiting_axle: NDArray[np.str_] = field(default_factory=lambda: np.empty(0, dtype="<U5"))

    @property
    def time(self) -> float:
        """Time from the first row to the last [s]."""
        return float(self.t[-1] - self.t[0])

    @property
    def grip_use_front(self) -> Array:
        """Share of the front axle's peak grip in use [0 to 1], each wheel weighted with its own peak."""
        return self._axle_use(0)

    @property
    def grip_use_rear(self) -> Array:
        """Share of the rear axle's peak grip in use [0 to 1]."""
        return self._axle_use(2)

    def axle_force_use(self, axle: str) -> tuple[Array, Array]:
        """Longitudinal and lateral force of an axle over its peak [-1 to 1], for the friction diagram.

        Parameters
        ----------
        axle
            "front" or "rear".
        """
        k = {"front": 0, "rear": 2}[axle]
        wheels = slice(k, k + 2)
        return (
            self.force_long[:, wheels].sum(axis=1) / self.grip_long[:, wheels].sum(axis=1),
            self.force_lat[:, wheels].sum(axis=1) / self.grip_lat[:, wheels].sum(axis=1),
        )

    def _axle_use(self, k: int) -> Array:
        weight = self.grip_lat[:, k : k + 2]
        total = weight.sum(axis=1)
        return np.asarray((self.grip_use[:, k : k + 2] * weight).sum(axis=1) / total)
