"""The friction circle on a line: what it can do at each point, in closed form."""

from __future__ import annotations

from math import inf, sqrt

import numpy as np

from lapwright.baseline.path import PathRoad
from lapwright.quantities import G
from lapwright.track.road import Array
from lapwright.vehicle.parameters import FrictionCircle

FASTEST = 400.0
"""Speed [m/s] that stands for "as fast as you like"."""


class CircleLimits:
    """Limits of the teaching car at every point of a line; see ``passes.Limits``.

    ``least`` is the lowest squared speed at which the line can be held: above zero only on a bank too steep to stand on.
    """

    def __init__(self, vehicle: FrictionCircle, road: PathRoad) -> None:
        aero = 0.5 * vehicle.air_density / vehicle.mass
        self.lift = aero * vehicle.downforce_area
        self.drag = aero * vehicle.drag_area
        self.drive_most = inf if vehicle.accel_limit is None else vehicle.accel_limit * G
        self.power = inf if vehicle.power is None else vehicle.power / vehicle.mass
        # Lateral demand p w - q and grip c0 + c1 w are both linear in w.
        p = road.curvature - road.spin_lat - road.tilt_lat * road.normal_rate
        q = road.gravity_lat + road.tilt_lat * road.normal_rest
        grip = vehicle.grip * road.grip
        c0, c1 = grip * road.normal_rest, grip * (road.normal_rate + self.lift)
        pull0 = road.gravity_long + road.tilt_long * road.normal_rest
        pull1 = road.spin_long + road.tilt_long * road.normal_rate - self.drag
        self.limit, self.least = _range(p, q, c0, c1)
        self._points = list(zip(*(part.tolist() for part in (p, q, c0, c1, pull0, pull1)), strict=True))

    def tabulate(self) -> None:
        """Nothing: everything is in closed form."""

    def accel(self, point: int, w: float, direction: int) -> float:
        """Greatest (1) or least (-1) acceleration [m/s2] along the line at squared speed ``w``."""
        p, q, c0, c1, pull0, pull1 = self._points[point]
        lateral, grip = p * w - q, c0 + c1 * w
        left = grip * grip - lateral * lateral
        force = sqrt(left) if left > 0.0 else 0.0
        free = pull0 + pull1 * w
        if direction < 0:
            return free - force
        if force > self.drive_most:
            force = self.drive_most
        if force * force * w > self.power * self.power:
            force = self.power / sqrt(w)
        return free + force


def _range(p: Array, q: Array, c0: Array, c1: Array) -> tuple[Array, Array]:
    """Largest and smallest w >= 0 with |p w - q| <= c0 + c1 w; the largest is at most ``FASTEST`` squared."""
    high, low = np.full_like(p, FASTEST**2), np.zeros_like(p)
    for factor, room in ((p - c1, c0 + q), (-p - c1, c0 - q)):
        # factor * w <= room
        bound = np.divide(room, factor, out=np.zeros_like(room), where=factor != 0.0)
        high = np.where(factor > 0.0, np.minimum(high, bound), high)
        low = np.where((factor < 0.0) & (room < 0.0), np.maximum(low, bound), low)
    return np.maximum(high, 0.0), low
