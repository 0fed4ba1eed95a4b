"""The full car on a line: its envelope laid over every point of the line."""

from __future__ import annotations

from functools import lru_cache

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.envelope import TrimEnvelope
from lapwright.baseline.grid import Grid
from lapwright.baseline.passes import Drive, Point, step_program
from lapwright.baseline.path import PathRoad
from lapwright.compiled.along_lap import AlongLap
from lapwright.track.road import Array
from lapwright.vehicle.driveline import KNOTS, POWER_SPEED_FLOOR, SPEED_MAX
from lapwright.vehicle.smooth import positive

Index = NDArray[np.int64]

SPEED_NODES = 24
"""Squared speeds tabulated at each node, closer and closer towards the limit, where force falls like a square root."""

SCAN = 1600
"""Speeds at which a point is looked at when standing still is not possible there."""

FALSE_POSITIONS = 60
"""Most steps of the search for a limit."""

HAIR, CLOSE = 1e-10, 1e-14
"""Lateral force [m/s2] left over at a limit, and relative width of its bracket, at which it counts as found."""

FOR_BRAKING, FOR_DRIVING = SPEED_NODES + 2, 4 * SPEED_NODES + 2
"""Numbers of a node that are looked at when braking and when driving."""


class CarLimits:
    """Limits of the full car at every point of a line; see ``passes.Limits``.

    ``least`` is the lowest squared speed at which the line can be held: above zero only on a bank too steep to stand on.
    """

    def __init__(self, envelope: TrimEnvelope, grid: Grid, fastest: float, before: CarLimits | None) -> None:
        self.envelope = envelope
        self.road = road = grid.points
        self._cap = min(fastest, SPEED_MAX) ** 2
        self.trust = np.ones(road.s.size)
        self.limit, self.least = np.full(road.s.size, self._cap), np.zeros(road.s.size)
        new = np.arange(road.s.size)
        if before is not None:
            known = np.flatnonzero(grid.same >= 0)
            self.limit[known] = before.limit[grid.same[known]]
            self.least[known] = before.least[grid.same[known]]
            new = np.flatnonzero(grid.same < 0)
        low, self.least[new] = self._where_it_holds(new)
        self.limit[new] = self._highest(new, low, self.limit[new])
        self._tables: Array | None = None

    def drive(self, direction: int) -> Drive:
        """What a pass needs; see ``passes.Limits``."""
        if self._tables is None:
            self._tables = self._look_up()
        count = self.limit.size // 2 + 1
        size = FOR_BRAKING if direction < 0 else FOR_DRIVING
        tables, first = self._tables, 1 - direction
        nodes, beside = (tables[at : at + size * count].reshape(size, count) for at in (1, first))
        curve, vehicle = self.envelope.curve, self.envelope.vehicle
        mass, line = vehicle.chassis.mass, vehicle.driveline
        if direction < 0:
            car = np.zeros(0)
        elif curve is None:
            power = line.power if line.power is not None else 0.0
            car = np.array([line.efficiency * power / mass])
        else:
            force = np.concatenate([[curve.level, curve.slope], curve.bends]) / mass
            car = np.concatenate([force, curve.knots, curve.widths])
        return Drive(_program(direction, curve is not None), nodes, beside, self.trust, car)

    def correct(self, trust: Array) -> None:
        """Take only a share of what the tables promise at each point: what the car has been seen to give there.

        The tables stay as they are over the share of the limit, which moves: enough for shares close to one.
        """
        self.trust = trust
        every = np.arange(self.limit.size)
        self.limit = self._highest(every, 0.7 * self.limit, np.minimum(1.3 * self.limit, self._cap))

    def _spare(self, road: PathRoad, trust: Array, w: Array) -> Array:
        normal = road.normal(w)
        most = trust * self.envelope.lookup.lateral_most(np.sqrt(w), normal, road.grip)
        return np.asarray(most - np.abs(road.lateral(w, normal)))

    def _where_it_holds(self, rows: Index) -> tuple[Array, Array]:
        """A squared speed at which the line can be held at some points, zero wherever it can, and the least such one."""
        low, least = np.zeros(rows.size), np.zeros(rows.size)
        road, trust = self.road.take(rows), self.trust[rows]
        for i in np.flatnonzero(self._spare(road, trust, low) < 0.0):
            scan, same = np.linspace(0.0, self._cap, SCAN), np.full(SCAN, i)
            holds = self._spare(road.take(same), trust[same], scan) >= 0.0
            low[i] = scan[int(np.argmax(holds))]
            least[i] = low[i] if holds.any() else np.inf
        return low, least

    def _highest(self, rows: Index, low: Array, high: Array) -> Array:
        """Largest squared speed with the lateral force in reach, between one where it is and one where it may not be.

        False position, with the older end's value halved when it stays (the Illinois rule: Dowell & Jarratt, BIT 11 (1971)
        168 [from memory]), until a hair of the force is left over.
        """
        found = high.copy()
        road, trust = self.road.take(rows), self.trust[rows]
        fb = self._spare(road, trust, high)
        at = np.flatnonzero(fb < 0.0)
        road, trust, a, b, fb = road.take(at), trust[at], low[at], high[at], fb[at]
        fa = self._spare(road, trust, a)
        last = np.zeros(at.size)
        for _ in range(FALSE_POSITIONS):
            c = np.clip(a + (fa - 0.5 * HAIR) * (b - a) / np.maximum(fa - fb, HAIR), a, b)
            fc = self._spare(road, trust, c)
            holds = fc >= 0.0
            side = np.where(holds, 1.0, -1.0)
            half = np.where(side == last, 0.5, 1.0)
            a, b, last = np.where(holds, c, a), np.where(holds, b, c), side
            fa, fb = np.where(holds, fc, half * fa), np.where(holds, half * fb, fc)
            going = ((fa > HAIR) | ~holds) & (b - a > CLOSE * b)
            if not going.all():
                found[at[~going]] = a[~going]
                at, road = at[going], road.take(going)
                a, b, fa, fb, trust, last = (part[going] for part in (a, b, fa, fb, trust, last))
            if at.size == 0:
                return found
        found[at] = a
        return found

    def _look_up(self) -> Array:
        """The envelope at every node over squared speed: tables of (SPEED_NODES, nodes) one behind the other.

        In this order: the least acceleration; that without tyres, at rest and its rise with squared speed (one row each);
        the largest; ``level`` and ``rise`` of the engine, whose force is a straight line through the envelope at the effort
        that it gives there, so that the steps from gear to gear keep their place. A number more at either end makes room to
        read the tables one node on.
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
        # Wheels spin up with the car, so what the road adds to its acceleration costs effort too.
        line = envelope.vehicle.driveline
        turning = 4.0 * line.wheel_inertia / (line.wheel_radius**2 * envelope.vehicle.chassis.mass)
        count = road.s.size
        tables = np.zeros(FOR_DRIVING * count + 2)
        rows = tables[1:-1].reshape(FOR_DRIVING, count)
        least, free, most, level, rise = np.split(rows, np.cumsum([SPEED_NODES, 2, SPEED_NODES, SPEED_NODES]))
        least[:] = np.maximum(found.least, found.held).reshape(w.shape)
        free[0] = road.pull(0.0 * road.s, road.normal_rest)
        free[1] = road.spin_long + road.tilt_long * road.normal_rate - envelope.per_speed[1]
        most[:], rise[:] = found.most.reshape(w.shape), found.rise.reshape(w.shape)
        level[:] = found.level.reshape(w.shape) - rise * turning * pull
        return tables


@lru_cache(maxsize=4)
def _program(direction: int, geared: bool) -> AlongLap:
    if direction < 0:
        return step_program("brake_step", FOR_BRAKING, 0, _brake, -1, from_nodes=True)
    if geared:
        return step_program("drive_step", FOR_DRIVING, 2 + 3 * KNOTS, _drive_geared, 1, from_nodes=True)
    return step_program("power_step", FOR_DRIVING, 1, _drive_power, 1, from_nodes=True)


def _brake(point: Point, w: ca.SX, car: ca.SX) -> ca.SX:
    least, free = ca.vertsplit(point.numbers, [0, SPEED_NODES, FOR_BRAKING])
    return point.trust * ca.dot(_hats(point, w), least) + free[0] + free[1] * w


def _drive_geared(point: Point, w: ca.SX, car: ca.SX) -> ca.SX:
    bends, knots, widths = ca.vertsplit(car[2:], KNOTS)
    speed = ca.sqrt(w)
    # The drive curve's formula, all its bends at once.
    full = car[0] + car[1] * speed + ca.dot(bends, positive(speed - knots, widths))
    return _drive(point, w, full)


def _drive_power(point: Point, w: ca.SX, car: ca.SX) -> ca.SX:
    return _drive(point, w, car[0] / positive(ca.sqrt(w), POWER_SPEED_FLOOR))


def _drive(point: Point, w: ca.SX, full: ca.SX) -> ca.SX:
    hats = _hats(point, w)
    braking, driving = ca.vertsplit(point.numbers, [0, FOR_BRAKING, FOR_DRIVING])
    least, free = ca.vertsplit(braking, [0, SPEED_NODES, FOR_BRAKING])
    most, level, rise = (ca.dot(hats, table) for table in ca.vertsplit(driving, SPEED_NODES))
    force = ca.fmax(ca.fmin(level + rise * full, point.trust * most), point.trust * ca.dot(hats, least))
    return force + free[0] + free[1] * w


def _hats(point: Point, w: ca.SX) -> ca.SX:
    """Weights of the tables' nodes at squared speed ``w``: straight lines between neighbours."""
    room = ca.if_else(point.limit > 0.0, 1.0 - w / point.limit, 0.0)
    place = (1.0 - ca.sqrt(ca.fmax(room, 0.0))) * (SPEED_NODES - 1)
    return ca.fmax(1.0 - ca.fabs(place - ca.DM(range(SPEED_NODES))), 0.0)
