"""The full car on a line: its envelope laid over every point of the line."""

from __future__ import annotations

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

SCAN = 40
"""Speeds at which a point is looked at when standing still is not possible there."""


class CarLimits:
    """Limits of the full car at every point of a line; see ``passes.Limits``.

    ``least`` is the lowest squared speed at which the line can be held: above zero only on a bank too steep to stand on.
    """

    def __init__(self, envelope: TrimEnvelope, road: PathRoad, fastest: float) -> None:
        self.envelope = envelope
        self.road = road
        self.limit, self.least = self._speed_range(min(fastest, SPEED_MAX) ** 2)
        speeds = np.arange(0.0, SPEED_MAX + 2.0 * DRIVE_STEP, DRIVE_STEP)
        vehicle = envelope.vehicle
        self._drive = (drive_force(vehicle, envelope.curve, speeds, 1.0) / vehicle.chassis.mass).tolist()

    def accel(self, point: int, w: float, direction: int) -> float:
        """Greatest (1) or least (-1) acceleration [m/s2] along the line at squared speed ``w``."""
        top = self._top[point]
        room = 1.0 - w / top if top > 0.0 else 0.0
        place = (1.0 - sqrt(room)) * (SPEED_NODES - 1) if room > 0.0 else SPEED_NODES - 1.0
        j = min(int(place), SPEED_NODES - 2)
        ahead = place - j
        j += point * SPEED_NODES
        if direction < 0:
            low = self._least[j]
            return low + ahead * (self._least[j + 1] - low)
        grip = self._grip[j] + ahead * (self._grip[j + 1] - self._grip[j])
        level = self._level[j] + ahead * (self._level[j + 1] - self._level[j])
        rise = self._rise[j] + ahead * (self._rise[j + 1] - self._rise[j])
        speed = sqrt(w) / DRIVE_STEP
        i = int(speed)
        full = self._drive[i] + (speed - i) * (self._drive[i + 1] - self._drive[i])
        driven = level + rise * full
        if driven < grip:
            low = self._least[j] + ahead * (self._least[j + 1] - self._least[j])
            return driven if driven > low else low
        return grip

    def demand(self, w: Array, rows: NDArray[np.int64] | slice = slice(None)) -> Array:
        """Largest lateral force less the one that the line asks for [m/s2], at squared speeds for some points."""
        road = self.road.take(rows)
        normal = road.normal(w)
        most = self.envelope.lateral_most(np.sqrt(w), normal, road.grip)
        return most - np.abs(road.lateral(w, normal))

    def _speed_range(self, cap: float) -> tuple[Array, Array]:
        """Largest and smallest squared speed at which the lateral force is within reach."""
        count = self.road.s.size
        every = np.arange(count)
        low, high = np.zeros(count), np.full(count, cap)
        stands = self.demand(low) >= 0.0
        least = np.zeros(count)
        for row in np.flatnonzero(~stands):
            scan = np.linspace(0.0, cap, SCAN**2)
            holds = self.demand(scan, np.full(scan.size, row)) >= 0.0
            first = int(np.argmax(holds))
            least[row] = scan[first] if holds.any() else np.inf
            low[row] = scan[first] if holds.any() else 0.0
        open_ = every[self.demand(high) < 0.0]
        for _ in range(BISECTIONS):
            middle = 0.5 * (low[open_] + high[open_])
            holds = self.demand(middle, open_) >= 0.0
            low[open_] = np.where(holds, middle, low[open_])
            high[open_] = np.where(holds, high[open_], middle)
        low[np.setdiff1d(every, open_)] = cap
        return low, least

    def tabulate(self) -> None:
        """Make ready for ``accel``.

        Greatest and least acceleration at each point over squared speed, pull of the road included. By grip; by engine it is ``level + rise * full drive``, a straight line through the tables at the
        effort that the engine gives there, so that steps from gear to gear keep their place.
        """
        t = np.linspace(0.0, 1.0, SPEED_NODES)
        w = (self.limit[:, None] * (1.0 - (1.0 - t) ** 2)[None, :]).ravel()
        road = self.road.take(np.repeat(np.arange(self.road.s.size), SPEED_NODES))
        speed, normal = np.sqrt(w), road.normal(w)
        envelope = self.envelope
        blend = envelope.blend(speed, normal, road.lateral(w, normal), road.grip)
        pull = road.pull(w, normal)
        free = pull - envelope.per_speed[1] * w
        full, brakes = envelope.efforts(speed)
        # Wheels spin up with the car, so what the road adds to its acceleration costs effort too.
        line = envelope.vehicle.driveline
        turning = 4.0 * line.wheel_inertia / (line.wheel_radius**2 * envelope.vehicle.chassis.mass) * pull
        driven, rise = blend.at_effort(full - turning)
        held, _ = blend.at_effort(brakes - turning)
        self._top = self.limit.tolist()
        self._grip = (blend.long[:, -1] + free).tolist()
        self._least = (np.maximum(blend.long[:, 0], held) + free).tolist()
        self._level = (driven - rise * full + free).tolist()
        self._rise = rise.tolist()
