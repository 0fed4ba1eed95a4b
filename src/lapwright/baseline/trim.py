"""The car in steady state: sideslip, steering, pedal and slip ratios that hold a given motion.

Steady means that sideslip and yaw rate do not change while the speed may: the body turns with the line and all its forces
follow from where the line goes. The car is ``vehicle.car.car_point`` itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from lapwright.quantities import G
from lapwright.track.road import Array
from lapwright.vehicle.car import CarState, car_point, drive_force, split_pedal
from lapwright.vehicle.driveline import KNOTS, DriveCurve
from lapwright.vehicle.motion import RoadFrame, ride
from lapwright.vehicle.parameters import Vehicle
from lapwright.vehicle.tyre import slip_at_margin

UNKNOWNS = ("sideslip", "road-wheel angle", "pedal", "slip fl", "slip fr", "slip rl", "slip rr")

SCALE = np.array([0.02, 0.02, 0.2, 0.02, 0.02, 0.02, 0.02])
"""Typical sizes of the unknowns."""

ENDLESS = 0.5
"""Drive and brake force at pedal one, in weights of the car, of a car whose engine and brakes are no limit; its pedal goes as
far as it takes. Small, because the smooth split of the pedal leaves a little throttle on while braking."""


class Motion(NamedTuple):
    """What the car is asked to do: (M,) each, or symbols.

    ``road`` under it, offset ``n`` [m] and direction of its path ``xi`` [rad] on it; ``speed`` [m/s], ``accel`` along the
    path [m/s2], ``curvature`` of the path in the surface [1/m].
    """

    road: RoadFrame
    n: Any
    xi: Any
    speed: Any
    accel: Any
    curvature: Any


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
    def driven_by(self) -> tuple[Vehicle, DriveCurve | None]:
        """The car with the engine and the brakes that count, and its drive curve."""
        if not self.endless:
            return self.vehicle, self.curve
        force = ENDLESS * self.vehicle.chassis.mass * G
        brakes = replace(self.vehicle.brakes, peak_pressure=force / self.vehicle.brakes.force_per_pressure)
        return replace(self.vehicle, brakes=brakes), _endless_curve(self.vehicle, self.curve, force)

    def effort(self, speed: Array, pedal: Array) -> Array:
        """Force [N] of engine and brakes together at the contact patches, positive forward."""
        vehicle, curve = self.driven_by
        brake, throttle = split_pedal(pedal)
        force: Array = drive_force(vehicle, curve, speed, throttle) - brake * vehicle.brakes.peak_force
        return force


def _endless_curve(vehicle: Vehicle, curve: DriveCurve | None, force: float) -> DriveCurve:
    """The same drive force at every speed, the overrun of the car."""
    if curve is not None:
        return replace(curve, level=force, slope=0.0, bends=np.zeros_like(np.asarray(curve.bends)))
    overrun = vehicle.driveline.overrun_torque / vehicle.driveline.wheel_radius
    none = np.zeros(KNOTS)
    return DriveCurve(force, 0.0, none, overrun, 0.0, none, none, none + 1.0)


def steady_state(motion: Motion, y: Any) -> CarState:
    """The car's states with unknowns ``y``, in the order of ``UNKNOWNS``, in a motion."""
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
    return CarState(motion.n, xi, u, v, r, delta, pedal, along, across)


def steady_rows(
    vehicle: Vehicle, curve: DriveCurve | None, motion: Motion, y: Any
) -> tuple[list[Any], list[Any]]:
    """Seven rows that vanish in steady state, and the slip of each wheel over the slip allowed; arrays or symbols."""
    chassis = vehicle.chassis
    state = steady_state(motion, y)
    point = car_point(vehicle, curve, motion.road, state, (y[3], y[4], y[5], y[6]))
    weight = chassis.mass * G
    torque = 0.25 * weight * vehicle.driveline.wheel_radius
    rows = [
        (point.specific_long - state.accel_long) / G,
        (point.specific_lat - state.accel_lat) / G,
        point.rates["r"] * chassis.yaw_inertia / (weight * chassis.wheelbase),
        *(row / torque for row in point.torque_balance),
    ]
    tyres = vehicle.tyres
    limits = [
        slip_at_margin(vehicle.driver.grip_margin, tyre.sliding_grip_ratio)
        for tyre in (tyres.front, tyres.front, tyres.rear, tyres.rear)
    ]
    use = [np.sqrt(point.tyres[i].rho_squared / limits[i] ** 2 + 1e-16) for i in range(4)]
    return rows, use


def overrun_force(vehicle: Vehicle, curve: DriveCurve | None, speed: Array) -> Array:
    """Force [N, positive] of the closed-throttle engine at the contact patches."""
    if curve is None:
        return np.full(np.shape(speed), vehicle.driveline.overrun_torque / vehicle.driveline.wheel_radius)
    overrun: Array = curve.forces(speed)[1]
    return overrun


def _given(gravity: Any, tilt: Any, spin: Any, normal: Any) -> Any:
    """Acceleration that is there without tyres or air."""
    return gravity + tilt * normal + spin
