"""The full car on a line: its envelope laid over every point of the line."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.envelope import TrimEnvelope
from lapwright.baseline.passes import Drive, step_program
from lapwright.baseline.path import PathRoad
from lapwright.compiled.along_lap import AlongLap
from lapwright.track.road import Array
from lapwright.vehicle.driveline import KNOTS, POWER_SPEED_FLOOR, SPEED_MAX, DriveCurve
from lapwright.vehicle.smooth import positive

SPEED_NODES = 24
"""Squared speeds tabulated at each node, closer and closer towards the limit, where force falls like a square root."""

SCAN = 1600
"""Speeds at which a point is looked at when standing still is not possible there."""

FALSE_POSITIONS = 60
"""Most steps of the search for a limit."""

CLOSE = 1e-12
"""Relative width of the bracket of a limit at which it is found."""


@dataclass(frozen=True)
class _Tables:
    """Longitudinal forces [m/s2] at (SPEED_NODES, nodes): of the tyres at their limit (``most``, ``least``) and of the
    engine (``level + rise * full drive``), and ``free``, the acceleration without tyres.
    """

    most: Array
    least: Array
    level: Array
    rise: Array
    free: Array


class CarLimits:
    """Limits of the full car at every point of a line; see ``passes.Limits``.

    ``least`` is the lowest squared speed at which the line can be held: above zero only on a bank too steep to stand on.
    """

    def __init__(self, envelope: TrimEnvelope, road: PathRoad, fastest: float) -> None:
        self.envelope = envelope
        self.road = road
        self._cap = min(fastest, SPEED_MAX) ** 2
        self.trust = np.ones(road.s.size)
        low, self.least = self._where_it_holds()
        self.limit = self._highest(low, np.full(road.s.size, self._cap))
        self._tables: _Tables | None = None

    def drive(self, direction: int) -> Drive:
        """What a pass needs; see ``passes.Limits``."""
        if self._tables is None:
            self._tables = self._look_up()
        tables, trust = self._tables, self.trust[::2]
        least = trust * tables.least + tables.free
        if direction < 0:
            return Drive(_program(-1, False), least, _between(least), np.zeros(0))
        parts = [trust * tables.most + tables.free, least, tables.level + tables.free, tables.rise]
        nodes = np.concatenate(parts)
        curve, vehicle = self.envelope.curve, self.envelope.vehicle
        mass, line = vehicle.chassis.mass, vehicle.driveline
        if curve is None:
            power = line.power if line.power is not None else 0.0
            car = np.array([line.efficiency * power / mass])
        else:
            force = np.concatenate([[curve.level, curve.slope], curve.bends]) / mass
            car = np.concatenate([force, curve.knots, curve.widths])
        return Drive(_program(1, curve is not None), nodes, _between(nodes), car)

    def correct(self, trust: Array) -> None:
        """Take only a share of what the tables promise at each point: what the car has been seen to give there.

        The tables stay as they are over the share of the limit, which moves: enough for shares close to one.
        """
        self.trust = trust
        self.limit = self._highest(0.7 * self.limit, np.minimum(1.3 * self.limit, self._cap))

    def spare(self, w: Array, rows: NDArray[np.int64] | slice = slice(None)) -> Array:
        """Largest lateral force less the one that the line asks for [m/s2], at squared speeds for some points."""
        return self._spare(self.road.take(rows), self.trust[rows], w)

    def _spare(self, road: PathRoad, trust: Array, w: Array) -> Array:
        normal = road.normal(w)
        most = trust * self.envelope.lookup.lateral_most(np.sqrt(w), normal, road.grip)
        return np.asarray(most - np.abs(road.lateral(w, normal)))

    def _where_it_holds(self) -> tuple[Array, Array]:
        """A squared speed at which each point's line can be held, zero wherever it can, and the least such one."""
        low, least = np.zeros(self.road.s.size), np.zeros(self.road.s.size)
        for row in np.flatnonzero(self.spare(low) < 0.0):
            scan = np.linspace(0.0, self._cap, SCAN)
            holds = self.spare(scan, np.full(SCAN, row)) >= 0.0
            low[row] = scan[int(np.argmax(holds))]
            least[row] = low[row] if holds.any() else np.inf
        return low, least

    def _highest(self, low: Array, high: Array) -> Array:
        """Largest squared speed with the lateral force in reach, between one where it is and one where it may not be.

        False position, with the older end's value halved when it stays (the Illinois rule: Dowell & Jarratt, BIT 11 (1971)
        168 [from memory]).
        """
        found = high.copy()
        over = self.spare(high)
        rows = np.flatnonzero(over < 0.0)
        road, trust = self.road.take(rows), self.trust[rows]
        a, b, fb = low[rows], high[rows], over[rows]
        fa = np.maximum(self._spare(road, trust, a), 0.0)
        for _ in range(FALSE_POSITIONS):
            wide = b - a > CLOSE * b
            if not wide.all():
                found[rows[~wide]] = a[~wide]
                rows, a, b, fa, fb, trust = (part[wide] for part in (rows, a, b, fa, fb, trust))
                road = road.take(wide)
            if rows.size == 0:
                return found
            c = np.clip(b - fb * (b - a) / (fb - fa), a, b)
            # A little to either side, so that the bracket closes from both.
            c = np.where(fa < -fb, np.minimum(c + 0.5 * CLOSE * b, b), np.maximum(c - 0.5 * CLOSE * b, a))
            fc = self._spare(road, trust, c)
            holds = fc >= 0.0
            a, b = np.where(holds, c, a), np.where(holds, b, c)
            fa, fb = np.where(holds, fc, 0.5 * fa), np.where(holds, 0.5 * fb, fc)
        found[rows] = a
        return found

    def _look_up(self) -> _Tables:
        """The envelope at every node over squared speed.

        The engine's force is a straight line through the envelope at the effort that the engine gives there, so that the
        steps from gear to gear keep their place.
        """
        road = self.road.take(slice(None, None, 2))
        t = np.linspace(0.0, 1.0, SPEED_NODES)[:, None]
        w = self.limit[::2] * (1.0 - (1.0 - t) ** 2)
        normal = road.normal(w)
        pull = road.pull(w, normal)
        grip = np.broadcast_to(road.grip, w.shape).ravel()
        lateral = road.lateral(w, normal).ravel()
        envelope = self.envelope
        found = envelope.lookup.range(np.sqrt(w.ravel()), normal.ravel(), lateral, grip)
        most, least, level, rise = (
            part.reshape(w.shape) for part in (found.most, found.least, found.level, found.rise)
        )
        # Wheels spin up with the car, so what the road adds to its acceleration costs effort too.
        line = envelope.vehicle.driveline
        turning = 4.0 * line.wheel_inertia / (line.wheel_radius**2 * envelope.vehicle.chassis.mass) * pull
        return _Tables(most, least, level - rise * turning, rise, pull - envelope.per_speed[1] * w)


def _between(nodes: Array) -> Array:
    """Tables of the middles of the steps: over the share of the limit they change little from node to node."""
    return np.asarray(0.5 * (nodes[:, 1:] + nodes[:, :-1]))


@lru_cache(maxsize=4)
def _program(direction: int, geared: bool) -> AlongLap:
    if direction < 0:
        return step_program("brake_step", SPEED_NODES, 0, _brake, -1)
    if geared:
        return step_program("drive_step", 4 * SPEED_NODES, 2 + 3 * KNOTS, _drive_geared, 1)
    return step_program("power_step", 4 * SPEED_NODES, 1, _drive_power, 1)


def _brake(point: ca.SX, limit: ca.SX, w: ca.SX, car: ca.SX) -> ca.SX:
    return ca.dot(_hats(limit, w), point)


def _drive_geared(point: ca.SX, limit: ca.SX, w: ca.SX, car: ca.SX) -> ca.SX:
    bends, knots, widths = ca.vertsplit(car[2:], KNOTS)
    curve = DriveCurve(car[0], car[1], bends, 0.0, 0.0, np.zeros(KNOTS), knots, widths)
    return _drive(point, limit, w, curve.forces(ca.sqrt(w))[0])


def _drive_power(point: ca.SX, limit: ca.SX, w: ca.SX, car: ca.SX) -> ca.SX:
    return _drive(point, limit, w, car[0] / positive(ca.sqrt(w), POWER_SPEED_FLOOR))


def _drive(point: ca.SX, limit: ca.SX, w: ca.SX, full: ca.SX) -> ca.SX:
    hats = _hats(limit, w)
    most, least, level, rise = (ca.dot(hats, part) for part in ca.vertsplit(point, SPEED_NODES))
    return ca.fmax(ca.fmin(level + rise * full, most), least)


def _hats(limit: ca.SX, w: ca.SX) -> ca.SX:
    """Weights of the tables' nodes at squared speed ``w``: straight lines between neighbours."""
    room = ca.if_else(limit > 0.0, 1.0 - w / limit, 0.0)
    place = (1.0 - ca.sqrt(ca.fmax(room, 0.0))) * (SPEED_NODES - 1)
    return ca.fmax(1.0 - ca.fabs(place - ca.DM(range(SPEED_NODES))), 0.0)
