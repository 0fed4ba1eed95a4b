"""The friction circle on a line: what it can do at each point, in closed form."""

from __future__ import annotations

from functools import lru_cache
from math import inf

import casadi as ca
import numpy as np

from lapwright.baseline.passes import Drive, Point, step_program
from lapwright.baseline.path import PathRoad
from lapwright.compiled.along_lap import AlongLap
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
        lift, drag = aero * vehicle.downforce_area, aero * vehicle.drag_area
        drive_most = inf if vehicle.accel_limit is None else vehicle.accel_limit * G
        power = inf if vehicle.power is None else vehicle.power / vehicle.mass
        # Lateral demand p w - q and grip c0 + c1 w are both linear in w.
        p = road.curvature - road.spin_lat - road.tilt_lat * road.normal_rate
        q = road.gravity_lat + road.tilt_lat * road.normal_rest
        grip = vehicle.grip * road.grip
        c0, c1 = grip * road.normal_rest, grip * (road.normal_rate + lift)
        pull0 = road.gravity_long + road.tilt_long * road.normal_rest
        pull1 = road.spin_long + road.tilt_long * road.normal_rate - drag
        self.limit, self.least = _range(p, q, c0, c1)
        self._points = np.stack([p, q, c0, c1, pull0, pull1])
        self._car = np.array([drive_most, power])

    def drive(self, direction: int) -> Drive:
        """What a pass needs; see ``passes.Limits``."""
        points = self._points
        middles = np.zeros((points.shape[0], self.limit.size // 2 + 1))
        middles[:, slice(1, None) if direction > 0 else slice(None, -1)] = points[:, 1::2]
        nodes = np.ascontiguousarray(points[:, ::2])
        return Drive(_program(direction), nodes, middles, np.ones(self.limit.size), self._car)


@lru_cache(maxsize=2)
def _program(direction: int) -> AlongLap:
    accel = _drive if direction > 0 else _brake
    return step_program("circle_step", 6, 2, accel, direction, from_nodes=False)


def _brake(point: Point, w: ca.SX, car: ca.SX) -> ca.SX:
    free, force = _parts(point, w)
    return free - force


def _drive(point: Point, w: ca.SX, car: ca.SX) -> ca.SX:
    free, force = _parts(point, w)
    most, power = car[0], car[1]
    force = ca.fmin(force, most)
    return free + ca.if_else(force * force * w > power * power, power / ca.sqrt(w), force)


def _parts(point: Point, w: ca.SX) -> tuple[ca.SX, ca.SX]:
    """Acceleration without tyres and the tyres' force beside the lateral one [m/s2]."""
    p, q, c0, c1, pull0, pull1 = ca.vertsplit(point.numbers)
    lateral, grip = p * w - q, c0 + c1 * w
    return pull0 + pull1 * w, ca.sqrt(ca.fmax(grip * grip - lateral * lateral, 0.0))


def _range(p: Array, q: Array, c0: Array, c1: Array) -> tuple[Array, Array]:
    """Largest and smallest w >= 0 with |p w - q| <= c0 + c1 w; the largest is at most ``FASTEST`` squared."""
    high, low = np.full_like(p, FASTEST**2), np.zeros_like(p)
    for factor, room in ((p - c1, c0 + q), (-p - c1, c0 - q)):
        # factor * w <= room
        bound = np.divide(room, factor, out=np.zeros_like(room), where=factor != 0.0)
        high = np.where(factor > 0.0, np.minimum(high, bound), high)
        low = np.where((factor < 0.0) & (room < 0.0), np.maximum(low, bound), low)
    return np.maximum(high, 0.0), low
