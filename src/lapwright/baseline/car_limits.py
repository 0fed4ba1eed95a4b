"""The full car on a line: its envelope laid over every point of the line."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.envelope import TrimEnvelope
from lapwright.baseline.path import PathRoad
from lapwright.track.road import Array
from lapwright.vehicle.car import drive_force
from lapwright.vehicle.driveline import SPEED_MAX

SPEED_NODES = 24
"""Squared speeds tabulated at each point, closer and closer towards the limit, where force falls like a square root."""

DRIVE_STEP = 0.05
"""Spacing of the table of full drive over speed [m/s]."""

BISECTIONS = 44

SCAN = 1600
"""Speeds at which a point is looked at when standing still is not possible there."""


@dataclass(frozen=True)
class _Tables:
    """Longitudinal forces [m/s2] at (points, SPEED_NODES), flattened: of the tyres at their limit (``most``, ``least``) and
    of the engine (``level + rise * full drive``), and ``free``, the acceleration without tyres.
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
        speeds = np.arange(0.0, SPEED_MAX + 2.0 * DRIVE_STEP, DRIVE_STEP)
        vehicle = envelope.vehicle
        self._drive = (drive_force(vehicle, envelope.curve, speeds, 1.0) / vehicle.chassis.mass).tolist()
        self._tables: _Tables | None = None

    def accel(self, point: int, w: float, direction: int) -> float:
        """Greatest (1) or least (-1) acceleration [m/s2] along the line at squared speed ``w``."""
        top = self._top[point]
        room = 1.0 - w / top if top > 0.0 else 0.0
        place = (1.0 - sqrt(room)) * (SPEED_NODES - 1) if room > 0.0 else SPEED_NODES - 1.0
        j = min(int(place), SPEED_NODES - 2)
        ahead = place - j
        j += point * SPEED_NODES
        low = self._least[j] + ahead * (self._least[j + 1] - self._least[j])
        if direction < 0:
            return low
        level = self._level[j] + ahead * (self._level[j + 1] - self._level[j])
        rise = self._rise[j] + ahead * (self._rise[j + 1] - self._rise[j])
        speed = sqrt(w) / DRIVE_STEP
        i = int(speed)
        driven = level + rise * (self._drive[i] + (speed - i) * (self._drive[i + 1] - self._drive[i]))
        most = self._most[j] + ahead * (self._most[j + 1] - self._most[j])
        return max(min(driven, most), low)

    def correct(self, trust: Array) -> None:
        """Take only a share of what the tables promise at each point: what the car has been seen to give there.

        The tables stay as they are over the share of the limit, which moves: enough for shares close to one.
        """
        self.trust = trust
        self.limit = self._highest(0.7 * self.limit, np.minimum(1.3 * self.limit, self._cap))
        self.tabulate()

    def tabulate(self) -> None:
        """Make ready for ``accel``."""
        if self._tables is None:
            self._tables = self._look_up()
        tables = self._tables
        trust = np.repeat(self.trust, SPEED_NODES)
        self._top = self.limit.tolist()
        self._most = (trust * tables.most + tables.free).tolist()
        self._least = (trust * tables.least + tables.free).tolist()
        self._level = (tables.level + tables.free).tolist()
        self._rise = tables.rise.tolist()

    def spare(self, w: Array, rows: NDArray[np.int64] | slice = slice(None)) -> Array:
        """Largest lateral force less the one that the line asks for [m/s2], at squared speeds for some points."""
        road = self.road.take(rows)
        normal = road.normal(w)
        most = self.trust[rows] * self.envelope.lateral_most(np.sqrt(w), normal, road.grip)
        return most - np.abs(road.lateral(w, normal))

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
        """Largest squared speed with the lateral force in reach, between one where it is and one where it may not be."""
        low = low.copy()
        open_ = np.flatnonzero(self.spare(high) < 0.0)
        upper = high[open_]
        for _ in range(BISECTIONS):
            middle = 0.5 * (low[open_] + upper)
            holds = self.spare(middle, open_) >= 0.0
            low[open_] = np.where(holds, middle, low[open_])
            upper = np.where(holds, upper, middle)
        closed = np.setdiff1d(np.arange(low.size), open_)
        low[closed] = high[closed]
        return low

    def _look_up(self) -> _Tables:
        """The envelope at every point over squared speed.

        The engine's force is a straight line through the envelope at the effort that the engine gives there, so that the
        steps from gear to gear keep their place.
        """
        t = np.linspace(0.0, 1.0, SPEED_NODES)
        w = (self.limit[:, None] * (1.0 - (1.0 - t) ** 2)[None, :]).ravel()
        road = self.road.take(np.repeat(np.arange(self.road.s.size), SPEED_NODES))
        speed, normal = np.sqrt(w), road.normal(w)
        envelope = self.envelope
        blend = envelope.blend(speed, normal, road.lateral(w, normal), road.grip)
        pull = road.pull(w, normal)
        full, brakes = envelope.efforts(speed)
        # Wheels spin up with the car, so what the road adds to its acceleration costs effort too.
        line = envelope.vehicle.driveline
        turning = 4.0 * line.wheel_inertia / (line.wheel_radius**2 * envelope.vehicle.chassis.mass) * pull
        driven, rise = blend.at_effort(full - turning)
        held, _ = blend.at_effort(brakes - turning)
        least = np.maximum(blend.long[:, 0], held)
        return _Tables(blend.long[:, -1], least, driven - rise * full, rise, pull - envelope.per_speed[1] * w)
