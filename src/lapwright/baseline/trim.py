"""The car in steady state: sideslip, steering, pedal and slip ratios that hold a given motion.

Steady means that sideslip and yaw rate do not change while the speed may: the body turns with the line and all its forces
follow from where the line goes. The car is ``vehicle.car.car_point`` itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from lapwright.quantities import G
from lapwright.track.road import Array
from lapwright.vehicle.car import CarPoint, CarState, car_point, split_pedal
from lapwright.vehicle.driveline import SPEED_MAX, DriveCurve
from lapwright.vehicle.motion import RoadFrame, ride
from lapwright.vehicle.parameters import Vehicle
from lapwright.vehicle.tyre import slip_at_margin

UNKNOWNS = ("sideslip", "road-wheel angle", "pedal", "slip fl", "slip fr", "slip rl", "slip rr")

SCALE = np.array([0.02, 0.02, 0.2, 0.02, 0.02, 0.02, 0.02])
"""Typical sizes of the unknowns."""

TIGHTEST = 7.0
"""Smallest radius [m] of the bends of the envelope."""

ENDLESS = 0.5
"""Drive and brake force at pedal one, in weights of the car, of a car whose engine and brakes are no limit; its pedal goes as
far as it takes. Small, because the smooth split of the pedal leaves a little throttle on while braking."""


class Motion(NamedTuple):
    """What the car is asked to do: (M,) each.

    ``road`` under it, offset ``n`` [m] and direction of its path ``xi`` [rad] on it; ``speed`` [m/s], ``accel`` along the
    path [m/s2], ``curvature`` of the path in the surface [1/m].
    """

    road: RoadFrame
    n: Array
    xi: Array
    speed: Array
    accel: Array
    curvature: Array

    def take(self, rows: Any) -> Motion:
        """The same for some of the points."""

        def part(value: Any) -> Any:
            return value if np.ndim(value) == 0 else np.asarray(value)[rows]

        bands = tuple((part(a), part(b), part(c)) for a, b, c in self.road.grip_bands)
        road = RoadFrame(*map(part, self.road[:-1]))._replace(grip_bands=bands)
        return Motion(road, *(part(value) for value in self[1:]))


@dataclass(frozen=True)
class Trim:
    """The car in a motion.

    ``residual`` (7, M), zero in steady state; ``use`` (4, M), slip of each wheel over the slip allowed; ``point``
    everything about the car; ``state`` its states.
    """

    residual: Array
    use: Array
    point: CarPoint
    state: CarState


@dataclass(frozen=True)
class _EndlessDrive:
    """A drive curve of a car with force to spare; ``overrun`` is the real one [N], (M,)."""

    full: float
    overrun: Any

    def forces(self, speed: Any) -> tuple[Any, Any]:
        return self.full + 0.0 * speed, self.overrun


@dataclass(frozen=True)
class TrimModel:
    """A car to be trimmed.

    ``curve`` is the drive curve, None for a plain power. ``endless`` takes engine and brakes as unlimited, so that the tyres
    alone limit the car; the overrun stays.
    """

    vehicle: Vehicle
    curve: DriveCurve | None
    endless: bool = False

    @property
    def slip_limits(self) -> Array:
        """Largest normalised slip [-] of the four wheels."""
        margin, tyres = self.vehicle.driver.grip_margin, self.vehicle.tyres
        front = float(slip_at_margin(margin, tyres.front.sliding_grip_ratio))
        rear = float(slip_at_margin(margin, tyres.rear.sliding_grip_ratio))
        return np.array([front, front, rear, rear])

    @property
    def lock(self) -> float:
        """Largest road-wheel angle [rad]."""
        return self.vehicle.steering.max_wheel / self.vehicle.steering.ratio

    @property
    def endless_force(self) -> float:
        """Drive and brake force [N] at pedal one when they are no limit."""
        return ENDLESS * self.vehicle.chassis.mass * G

    def trim(self, motion: Motion, y: Array) -> Trim:
        """The car with unknowns ``y`` (7, M), in the order of ``UNKNOWNS``, in a motion."""
        vehicle, curve = self._car(motion.speed)
        chassis = vehicle.chassis
        sideslip, delta, pedal = y[0], y[1], y[2]
        cos, sin = np.cos(sideslip), np.sin(sideslip)
        u, v, r = motion.speed * cos, motion.speed * sin, motion.speed * motion.curvature
        xi = motion.xi - sideslip
        carried = ride(motion.road, motion.n, xi, u, v)
        # The specific forces that give a steady sideslip; they also move the load.
        along = (
            motion.accel * cos
            - v * r
            - _given(carried.gravity_long, carried.tilt_long, carried.spin_long, carried.normal)
        )
        across = (
            motion.accel * sin
            + u * r
            - _given(carried.gravity_lat, carried.tilt_lat, carried.spin_lat, carried.normal)
        )
        state = CarState(motion.n, xi, u, v, r, delta, pedal, along, across)
        point = car_point(vehicle, curve, motion.road, state, (y[3], y[4], y[5], y[6]))
        weight = chassis.mass * G
        torque = 0.25 * weight * vehicle.driveline.wheel_radius
        rows = [
            (point.specific_long - along) / G,
            (point.specific_lat - across) / G,
            point.rates["r"] * chassis.yaw_inertia / (weight * chassis.wheelbase),
            *(row / torque for row in point.torque_balance),
        ]
        limits = self.slip_limits
        use = [point.tyres[i].rho_squared / limits[i] ** 2 for i in range(4)]
        return Trim(np.stack(rows), np.sqrt(np.stack(use) + 1e-16), point, state)

    def effort(self, motion: Motion, pedal: Array) -> Array:
        """Force [N] of engine and brakes together at the contact patches, positive forward."""
        from lapwright.vehicle.car import drive_force

        vehicle, curve = self._car(motion.speed)
        brake, throttle = split_pedal(pedal)
        force: Array = drive_force(vehicle, curve, motion.speed, throttle) - brake * vehicle.brakes.peak_force
        return force

    def _car(self, speed: Array) -> tuple[Vehicle, Any]:
        if not self.endless:
            return self.vehicle, self.curve
        force = self.endless_force
        brakes = replace(self.vehicle.brakes, peak_pressure=force / self.vehicle.brakes.force_per_pressure)
        overrun = np.interp(speed, *self._overrun)
        return replace(self.vehicle, brakes=brakes), _EndlessDrive(force, overrun)

    @cached_property
    def _overrun(self) -> tuple[Array, Array]:
        speeds = np.linspace(0.0, SPEED_MAX, 1301)
        return speeds, overrun_force(self.vehicle, self.curve, speeds)


def overrun_force(vehicle: Vehicle, curve: DriveCurve | None, speed: Array) -> Array:
    """Force [N, positive] of the closed-throttle engine at the contact patches."""
    if curve is None:
        return np.full(np.shape(speed), vehicle.driveline.overrun_torque / vehicle.driveline.wheel_radius)
    overrun: Array = curve.forces(speed)[1]
    return overrun


def bend_motion(speed: Array, normal: Array, grip: Array | float, long: Array, lat: Array) -> Motion:
    """A bend that presses with the specific force ``normal`` [m/s2] and asks for ``long`` and ``lat`` of the car [m/s2].

    The bend is level unless that made it tighter than ``TIGHTEST``: then it has that radius and is banked outwards, so that
    the tyres give the same force. Otherwise the envelope at low speed would tell of turns on the spot.
    """
    curvature = np.clip(lat / (speed * speed), -1.0 / TIGHTEST, 1.0 / TIGHTEST)
    gravity_lat = curvature * speed * speed - lat
    road = RoadFrame(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, -gravity_lat / G, normal / G, grip)
    zero = np.zeros_like(speed)
    return Motion(road, zero, zero, speed, long, curvature)


def _given(gravity: Any, tilt: Any, spin: Any, normal: Any) -> Any:
    """Acceleration that is there without tyres or air."""
    return gravity + tilt * normal + spin
