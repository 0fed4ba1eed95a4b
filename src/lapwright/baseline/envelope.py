"""The g-g-speed envelope: what a car can do along and across its path, by speed, vertical load and grip.

Forces are specific (per mass, m/s2), in the directions of the path: ``long`` is what speeds the car up on a level road,
drag included, so at top speed the largest is zero; ``lat`` is what bends its path. ``normal`` is the specific force with
which the road carries the mass (g on a level road), downforce not counted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.boundary import conditions
from lapwright.baseline.lookup import Lookup, bracket
from lapwright.baseline.reach import reach
from lapwright.baseline.steady import SteadyCar
from lapwright.baseline.trim import TrimModel, overrun_force
from lapwright.quantities import G
from lapwright.track.road import Array
from lapwright.vehicle.car import drive_force
from lapwright.vehicle.driveline import SPEED_MAX, DriveCurve, drive_curve
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle, Vehicle

SPEEDS = (5.0, 7.0, 10.0, 14.0, 20.0, 28.0, 38.0, 50.0, 62.0, 76.0, 92.0, 110.0, SPEED_MAX)
"""Speeds of the tables [m/s], as far as the car goes; below the first its tables hold."""

NORMALS = tuple(G * n for n in (0.25, 0.4, 0.6, 0.8, 1.0, 1.3, 1.7, 2.2, 3.0))
"""Normal specific forces of the tables [m/s2]; beyond them friction stays what it is at the last."""

GRIP_RATIO = 1.2
"""Largest ratio of neighbouring grip scales of the tables."""

GRIP_REACH = 1.1
"""Beyond the outermost grip scales of the tables, as far as this factor, forces are taken in proportion to grip."""


@dataclass(frozen=True)
class CircleEnvelope:
    """The friction circle's envelope, in closed form."""

    vehicle: FrictionCircle

    def lateral_most(self, speed: Array, normal: Array, grip: Array | float = 1.0) -> Array:
        """Largest lateral specific force [m/s2]."""
        lift = 0.5 * self.vehicle.air_density * self.vehicle.downforce_area / self.vehicle.mass
        most: Array = self.vehicle.grip * grip * np.maximum(normal + lift * speed * speed, 0.0)
        return most

    def long_range(
        self, speed: Array, normal: Array, lateral: Array, grip: Array | float = 1.0
    ) -> tuple[Array, Array]:
        """Least and largest longitudinal specific force [m/s2] beside a lateral one; NaN where that is out of reach."""
        car = self.vehicle
        most = self.lateral_most(speed, normal, grip)
        left = most * most - np.square(lateral)
        force = np.sqrt(np.where(left >= 0.0, left, np.nan))
        drive = force if car.accel_limit is None else np.minimum(force, car.accel_limit * G)
        if car.power is not None:
            drive = np.minimum(drive, car.power / (car.mass * np.maximum(speed, 1e-9)))
        drag = 0.5 * car.air_density * car.drag_area / car.mass * speed * speed
        return -force - drag, drive - drag


@dataclass(frozen=True)
class Blend:
    """The tables between their nodes, for M points.

    ``load`` L [m/s2]; ``long`` (M, C) longitudinal specific force with drag taken off and ``effort`` (M, C) the force
    of engine and brakes per mass that it takes [m/s2], both rising; ``states`` (7, M, C) or None.
    """

    load: Array
    long: Array
    effort: Array
    states: Array | None

    def at_effort(self, effort: Array) -> tuple[Array, Array]:
        """Longitudinal force at a given effort [m/s2] and its rise per effort, by straight lines between the nodes."""
        rows = np.arange(effort.size)
        place = np.clip((effort[:, None] > self.effort).sum(axis=1) - 1, 0, self.effort.shape[1] - 2)
        e0, e1 = self.effort[rows, place], self.effort[rows, place + 1]
        f0, f1 = self.long[rows, place], self.long[rows, place + 1]
        wide = e1 - e0 > 1e-9
        slope = np.where(wide, (f1 - f0) / np.where(wide, e1 - e0, 1.0), 1.0)
        return f0 + slope * (effort - e0), slope


@dataclass(frozen=True, eq=False)
class TrimEnvelope:
    """The full car's envelope: tables from its steady states, S speeds, N loads, R grip scales, K lateral forces.

    Attributes
    ----------
    vehicle, curve : the car and its drive curve
    speeds, normals, grips : the nodes of the tables
    lat_most : (R, S, N) largest lateral force over load and grip scale
    long, effort : (R, S, N, K, C) over load and grip scale, see ``reach.Reach``
    states : (7, R, S, N, K, C) unknowns of the trim
    guessed : entries that were interpolated because no steady state was found there
    """

    vehicle: Vehicle
    curve: DriveCurve | None
    speeds: Array
    normals: Array
    grips: Array
    lat_most: Array
    long: Array
    effort: Array
    states: Array
    guessed: int

    @cached_property
    def per_speed(self) -> tuple[float, float]:
        """Downforce and drag per mass and squared speed [1/m]."""
        aero = self.vehicle.aero
        half = 0.5 * aero.air_density / self.vehicle.chassis.mass
        return half * aero.downforce_area, half * aero.drag_area

    @cached_property
    def lookup(self) -> Lookup:
        """The tables made ready for many look-ups."""
        return Lookup(self)

    def load(self, speed: Array, normal: Array) -> Array:
        """Specific load L on the tyres [m/s2], not below zero."""
        load: Array = np.maximum(normal + self.per_speed[0] * speed * speed, 0.0)
        return load

    def lateral_most(self, speed: Array, normal: Array, grip: Array | float = 1.0) -> Array:
        """Largest lateral specific force [m/s2] with engine and brakes no limit."""
        flat = self.lat_most.ravel()
        most = sum(weight * flat[index] for index, weight in self._corners(speed, normal, grip))
        return np.asarray(most * self.load(speed, normal) * grip)

    def long_range(
        self, speed: Array, normal: Array, lateral: Array, grip: Array | float = 1.0
    ) -> tuple[Array, Array]:
        """Least and largest longitudinal specific force [m/s2] beside a lateral one, with this engine and these brakes.

        NaN where the lateral force is out of reach.
        """
        given = np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in (speed, normal, lateral, grip)))
        v, n, lat, scale = (np.ravel(a) for a in given)
        blend = self.blend(v, n, lat, scale)
        full, brakes = self.efforts(v)
        most = np.minimum(blend.long[:, -1], blend.at_effort(full)[0])
        least = np.maximum(blend.long[:, 0], blend.at_effort(brakes)[0])
        drag = self.per_speed[1] * v * v
        out = np.abs(lat) > self.lateral_most(v, n, scale) * (1.0 + 1e-12)
        least, most = (np.where(out, np.nan, force - drag).reshape(given[0].shape) for force in (least, most))
        return least, np.maximum(most, least)

    def efforts(self, speed: Array) -> tuple[Array, Array]:
        """Largest drive and largest braking effort [m/s2] of engine and brakes: positive and negative."""
        mass = self.vehicle.chassis.mass
        full = drive_force(self.vehicle, self.curve, speed, 1.0) / mass
        overrun = overrun_force(self.vehicle, self.curve, speed)
        return full, -(self.vehicle.brakes.peak_force + overrun) / mass

    def blend(
        self, speed: Array, normal: Array, lateral: Array, grip: Array, with_states: bool = False
    ) -> Blend:
        """The tables at M points; a lateral force out of reach counts as the largest one."""
        corners = self._corners(speed, normal, grip)
        load = self.load(speed, normal)
        flat_most = self.lat_most.ravel()
        most = sum(weight * flat_most[index] for index, weight in corners) * load * grip
        share = np.clip(np.abs(lateral) / np.maximum(most, 1e-9), 0.0, 1.0)
        nodes, wide = self.long.shape[3:]
        place = np.arcsin(share) / (0.5 * np.pi) * (nodes - 1)
        low = np.minimum(place.astype(np.int64), nodes - 2)
        ahead = place - low
        table = self._columns if with_states else self._columns[:, : 2 * wide]
        blended = np.zeros((speed.size, table.shape[1]))
        for index, weight in corners:
            for step, part in ((0, 1.0 - ahead), (1, ahead)):
                blended += (weight * part)[:, None] * table[index * nodes + low + step]
        scale = (load * grip)[:, None]
        long, effort, *states = np.split(blended, range(wide, blended.shape[1], wide), axis=1)
        return Blend(load, long * scale, effort * scale, np.stack(states) if states else None)

    @cached_property
    def _columns(self) -> Array:
        """Force, effort and states side by side, (R S N K, 9 C)."""
        wide = self.long.shape[4]
        tables = [self.long, self.effort, *self.states]
        return np.concatenate([table.reshape(-1, wide) for table in tables], axis=1)

    def _corners(
        self, speed: Array, normal: Array, grip: Array | float
    ) -> list[tuple[NDArray[np.int64], Array]]:
        """Condition numbers around each point and their weights (linear in each axis, held at the ends)."""
        grip = np.broadcast_to(np.asarray(grip, dtype=float), np.shape(speed))
        axes = [
            bracket(self.grips, grip),
            bracket(self.speeds, np.asarray(speed)),
            bracket(self.normals, np.asarray(normal)),
        ]
        corners = []
        for steps in product((0, 1), repeat=3):
            if any(
                step and nodes.size == 1
                for step, nodes in zip(steps, (self.grips, self.speeds, self.normals), strict=True)
            ):
                continue
            index = np.zeros(np.shape(speed), dtype=np.int64)
            weight = np.ones(np.shape(speed))
            for step, (low, ahead), nodes in zip(
                steps, axes, (self.grips, self.speeds, self.normals), strict=True
            ):
                index = index * nodes.size + low + step
                weight = weight * (ahead if step else 1.0 - ahead)
            corners.append((index, weight))
        return corners

    def covers(self, low: float, high: float) -> bool:
        """Whether there are tables for grip scales from ``low`` to ``high``, close enough to each other."""
        inside = self.grips[0] <= low * GRIP_REACH and high / GRIP_REACH <= self.grips[-1]
        first = max(int(np.searchsorted(self.grips, low, side="right")) - 1, 0)
        between = self.grips[first : int(np.searchsorted(self.grips, high)) + 1]
        return bool(inside and np.all(between[1:] / between[:-1] <= GRIP_RATIO * (1.0 + 1e-9)))

    def with_grips(self, grips: tuple[float, ...]) -> TrimEnvelope:
        """The same car's envelope with nodes at further grip scales."""
        missing = [g for g in grips if not np.any(np.isclose(self.grips, g))]
        if not missing:
            return self
        more = _tables(self.vehicle, self.curve, self.speeds, np.array(missing))
        every = np.concatenate([self.grips, more.grips])
        order = np.argsort(every)

        def joined(name: str) -> Array:
            axis = 1 if name == "states" else 0
            parts = np.concatenate([getattr(self, name), getattr(more, name)], axis=axis)
            return np.take(parts, order, axis=axis)

        return replace(
            self,
            grips=every[order],
            lat_most=joined("lat_most"),
            long=joined("long"),
            effort=joined("effort"),
            states=joined("states"),
            guessed=self.guessed + more.guessed,
        )


Envelope = CircleEnvelope | TrimEnvelope


def envelope(
    vehicle: AnyVehicle, grips: tuple[float, ...] = (1.0,), speeds: tuple[float, ...] | None = None
) -> Envelope:
    """The envelope of a car; about a tenth of a second for a full car and each grip scale, nothing for a friction circle.

    Parameters
    ----------
    vehicle
        The car; its ``driver.grip_margin`` counts.
    grips
        Grip scales of the road for which the full car is worked out; between them forces are interpolated.
    speeds
        Two or more speeds of the tables [m/s], rising; ``SPEEDS`` as far as the car goes when left out.
    """
    if isinstance(vehicle, FrictionCircle):
        return CircleEnvelope(vehicle)
    curve = drive_curve(vehicle.driveline) if vehicle.driveline.gear_ratios else None
    if speeds is None:
        count = min(int(np.searchsorted(SPEEDS, top_speed(vehicle, curve, -0.1))) + 1, len(SPEEDS))
        speeds = SPEEDS[: max(count, 2)]
    return _tables(vehicle, curve, np.array(speeds), np.array(sorted(set(grips))))


def grip_nodes(low: float, high: float) -> tuple[float, ...]:
    """Grip scales for tables that are to serve roads from ``low`` to ``high``."""
    if low >= 1.0 / GRIP_REACH and high <= GRIP_REACH:
        return (1.0,)
    if high - low < 1e-9:
        return (round(low, 9),)
    count = max(2, int(np.ceil(np.log(high / low) / np.log(GRIP_RATIO))) + 1)
    return tuple(float(g) for g in np.round(np.geomspace(low, high, count), 9))


def top_speed(vehicle: Vehicle, curve: DriveCurve | None, gradient: float = 0.0) -> float:
    """Speed [m/s] at which full throttle just balances drag on a gradient (positive uphill), at most ``SPEED_MAX``."""
    speeds = np.linspace(1.0, SPEED_MAX, 1291)
    drag = 0.5 * vehicle.aero.air_density * vehicle.aero.drag_area * speeds * speeds
    spare = drive_force(vehicle, curve, speeds, 1.0) - drag - vehicle.chassis.mass * G * gradient
    return float(speeds[np.flatnonzero(spare > 0.0)[-1]]) if np.any(spare > 0.0) else float(speeds[0])


def _tables(vehicle: Vehicle, curve: DriveCurve | None, speeds: Array, grips: Array) -> TrimEnvelope:
    normals = np.array(NORMALS)
    shape = (grips.size, speeds.size, normals.size)
    grip, speed, normal = (a.ravel() for a in np.meshgrid(grips, speeds, normals, indexing="ij"))
    car = SteadyCar(TrimModel(vehicle, curve, endless=True))
    found = reach(car, conditions(vehicle, speed, normal, grip))
    tail = found.long.shape[1:]
    scale = grips[:, None, None]
    return TrimEnvelope(
        vehicle=vehicle,
        curve=curve,
        speeds=speeds,
        normals=normals,
        grips=grips,
        lat_most=found.lat_most.reshape(shape) / scale,
        long=found.long.reshape(*shape, *tail) / scale[..., None, None],
        effort=found.effort.reshape(*shape, *tail) / scale[..., None, None],
        states=found.states.reshape(7, *shape, *tail),
        guessed=found.guessed,
    )
