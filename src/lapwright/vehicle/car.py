"""The full four-wheel car at one point of the road: forces, motion, and what must hold.

``car_point`` is written once and serves the optimal-control problem (symbols), the quasi-steady envelope and the
channels of a lap (arrays). ISO 8855 axes: x forward, y left, z up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from lapwright.quantities import G
from lapwright.track.road import grip_scale
from lapwright.vehicle.driveline import POWER_SPEED_FLOOR, DriveCurve, differential_transfer
from lapwright.vehicle.loads import WheelLoads, drag, wheel_loads
from lapwright.vehicle.motion import Ride, RoadFrame, ride
from lapwright.vehicle.parameters import Vehicle
from lapwright.vehicle.smooth import positive
from lapwright.vehicle.tyre import TyreForce, tyre_force

PEDAL_BLEND = 0.01
"""Width of the smooth split of the pedal axis: throttle and brake overlap by half a percent at rest, by nothing elsewhere."""

LIGHT_WHEEL = 0.03
"""Load, as a share of the car's weight, below which a wheel no longer follows the car's speed."""


class CarState(NamedTuple):
    """The nine states: offset n [m], heading error xi [rad], velocities u, v [m/s], yaw rate r [rad/s], road-wheel angle
    delta [rad], pedal [-1 full brake to 1 full throttle], lagged specific forces [m/s2].
    """

    n: Any
    xi: Any
    u: Any
    v: Any
    r: Any
    delta: Any
    pedal: Any
    accel_long: Any
    accel_lat: Any


@dataclass(frozen=True)
class CarPoint:
    """Everything about the car at a point.

    Attributes
    ----------
    rates : time derivatives of the first seven and the last two states of ``CarState``; the rates of delta and pedal
        belong to the driver and are not in it
    specific_long, specific_lat : specific force of tyres and air along and across the car [m/s2]: what an accelerometer
        feels and what moves load from wheel to wheel
    loads : wheel loads [N]
    tyres : forces of the four tyres, in the order fl, fr, rl, rr
    slip_angles : [rad] of the four wheels
    spins : wheel speeds [rad/s]
    torque_balance : four rows that are zero when every wheel's torques are in balance [N m]
    drive_torque : into the front and the rear axle [N m]; brake_torque : of one front and one rear wheel [N m]
    ride : how the road carries the body
    normal : force of the road that carries the mass [N], downforce not counted
    brake, throttle : shares of the pedal's travel [-]
    """

    rates: dict[str, Any]
    specific_long: Any
    specific_lat: Any
    loads: WheelLoads
    tyres: tuple[TyreForce, ...]
    slip_angles: tuple[Any, ...]
    spins: tuple[Any, ...]
    torque_balance: tuple[Any, ...]
    drive_torque: tuple[Any, Any]
    brake_torque: tuple[Any, Any]
    ride: Ride
    normal: Any
    brake: Any
    throttle: Any


def split_pedal(pedal: Any) -> tuple[Any, Any]:
    """Brake and throttle [0 to 1] of one pedal axis [-1 to 1]."""
    return positive(-pedal, PEDAL_BLEND), positive(pedal, PEDAL_BLEND)


def drive_force(vehicle: Vehicle, curve: DriveCurve | None, speed: Any, throttle: Any) -> Any:
    """Force [N] at the contact patches of all driven wheels together at ``speed`` [m/s] and throttle [0 to 1]."""
    line = vehicle.driveline
    if curve is None:
        power: Any = line.power
        full = line.efficiency * power / positive(speed, POWER_SPEED_FLOOR)
        overrun = line.overrun_torque / line.wheel_radius
    else:
        full, overrun = curve.forces(speed)
    return throttle * full - (1.0 - throttle) * overrun


def wheel_torques(vehicle: Vehicle, force: Any, brake: Any) -> tuple[Any, Any, Any, Any]:
    """Drive torque into the front and the rear axle and brake torque of one front and one rear wheel [N m]."""
    line, radius = vehicle.driveline, vehicle.driveline.wheel_radius
    share = {"front": 1.0, "rear": 0.0, "all": line.front_torque_share}[line.driven]
    braking = brake * vehicle.brakes.peak_force * radius * 0.5
    front = vehicle.brakes.front_share
    return force * radius * share, force * radius * (1.0 - share), braking * front, braking * (1.0 - front)


def half_shaft_torques(vehicle: Vehicle, torque: Any, spins: tuple[Any, Any]) -> tuple[Any, Any]:
    """Torque [N m] into the left and the right wheel of an axle whose differential gets ``torque`` and is not locked."""
    moved = differential_transfer(vehicle.driveline.differential, torque, spins[0] - spins[1])
    return 0.5 * torque - moved, 0.5 * torque + moved


def axle_balance(
    vehicle: Vehicle,
    driven: bool,
    torque: Any,
    braking: Any,
    forces: tuple[Any, Any],
    spins: tuple[Any, Any],
    inertia_torques: tuple[Any, Any],
) -> tuple[Any, Any]:
    """Two rows [N m] that vanish when the torques of an axle's two wheels balance.

    ``torque`` comes through the differential, ``braking`` acts on each wheel, ``forces`` are the tyres' [N],
    ``inertia_torques`` is what each wheel takes to change its spin with the car.
    """
    radius = vehicle.driveline.wheel_radius
    left = -braking - radius * forces[0] - inertia_torques[0]
    right = -braking - radius * forces[1] - inertia_torques[1]
    if not driven:
        return left, right
    if vehicle.driveline.differential.type == "locked":
        return left + right + torque, (spins[0] - spins[1]) * vehicle.chassis.mass * radius * radius
    drive = half_shaft_torques(vehicle, torque, spins)
    return left + drive[0], right + drive[1]


def wheel_kinematics(vehicle: Vehicle, state: CarState) -> tuple[tuple[Any, ...], tuple[Any, ...]]:
    """Speed along each wheel's heading [m/s] and slip angle [rad] of the four wheels."""
    c = vehicle.chassis
    speeds, angles = [], []
    for x, y, steer in (
        (c.cg_to_front, 0.5 * c.track_front, state.delta),
        (c.cg_to_front, -0.5 * c.track_front, state.delta),
        (-c.cg_to_rear, 0.5 * c.track_rear, None),
        (-c.cg_to_rear, -0.5 * c.track_rear, None),
    ):
        along, across = state.u - state.r * y, state.v + state.r * x
        angle = -np.arctan(across / along)
        if steer is None:
            speeds.append(along)
            angles.append(angle)
        else:
            speeds.append(along * np.cos(steer) + across * np.sin(steer))
            angles.append(steer + angle)
    return tuple(speeds), tuple(angles)


def grounded(load: Any, mass: Any) -> Any:
    """Share [0 to 1] in which a wheel's spin follows the car: a wheel about to lift keeps its own spin for a while.

    Without this a wheel with next to no load would have to be spun up by its tyre at once, and would hold back the car.
    """
    light = LIGHT_WHEEL * mass * G
    return load * load / (load * load + light * light)


def car_point(
    vehicle: Vehicle, curve: DriveCurve | None, road: RoadFrame, state: CarState, slips: Any
) -> CarPoint:
    """The car at a point of the road.

    Parameters
    ----------
    vehicle
        The car; its numbers may be symbols.
    curve
        Drive curve of a car with gears, None for a plain power.
    road
        The road under it.
    state
        The nine states.
    slips
        Slip ratios [-] of the four wheels, fl, fr, rl, rr.
    """
    c = vehicle.chassis
    mass = c.mass
    motion = ride(road, state.n, state.xi, state.u, state.v)
    loads = wheel_loads(c, vehicle.aero, state.u, mass * motion.normal, state.accel_long, state.accel_lat)
    grip = grip_scale(state.n, road.grip_base, list(road.grip_bands))
    along, angles = wheel_kinematics(vehicle, state)
    axle_tyres = (vehicle.tyres.front, vehicle.tyres.front, vehicle.tyres.rear, vehicle.tyres.rear)
    tyres = tuple(tyre_force(axle_tyres[i], loads[i], slips[i], angles[i], grip) for i in range(4))
    spins = tuple(along[i] * (1.0 + slips[i]) / vehicle.driveline.wheel_radius for i in range(4))

    cos, sin = np.cos(state.delta), np.sin(state.delta)
    long = [tyres[i].long * cos - tyres[i].lat * sin for i in (0, 1)] + [tyres[2].long, tyres[3].long]
    lat = [tyres[i].lat * cos + tyres[i].long * sin for i in (0, 1)] + [tyres[2].lat, tyres[3].lat]
    specific_long = (sum(long) - drag(vehicle.aero, state.u)) / mass
    specific_lat = sum(lat) / mass
    moment = (
        c.cg_to_front * (lat[0] + lat[1])
        - c.cg_to_rear * (lat[2] + lat[3])
        + 0.5 * c.track_front * (long[1] - long[0])
        + 0.5 * c.track_rear * (long[3] - long[2])
    )
    u_dot = (
        specific_long
        + motion.gravity_long
        + motion.normal * motion.tilt_long
        + motion.spin_long
        + state.v * state.r
    )
    v_dot = (
        specific_lat
        + motion.gravity_lat
        + motion.normal * motion.tilt_lat
        + motion.spin_lat
        - state.u * state.r
    )
    brake, throttle = split_pedal(state.pedal)
    torque_front, torque_rear, braking_front, braking_rear = wheel_torques(
        vehicle, drive_force(vehicle, curve, state.u, throttle), brake
    )
    spin_up = vehicle.driveline.wheel_inertia * u_dot / vehicle.driveline.wheel_radius
    inertia = tuple(spin_up * grounded(load, mass) for load in loads)
    driven = vehicle.driveline.driven
    front = axle_balance(
        vehicle,
        driven != "rear",
        torque_front,
        braking_front,
        (tyres[0].long, tyres[1].long),
        spins[:2],
        inertia[:2],
    )
    rear = axle_balance(
        vehicle,
        driven != "front",
        torque_rear,
        braking_rear,
        (tyres[2].long, tyres[3].long),
        spins[2:],
        inertia[2:],
    )
    rates = {
        "n": motion.n_dot,
        "xi": state.r - motion.road_yaw_rate,
        "u": u_dot,
        "v": v_dot,
        "r": moment / c.yaw_inertia,
        "accel_long": (specific_long - state.accel_long) / c.load_transfer_time,
        "accel_lat": (specific_lat - state.accel_lat) / c.load_transfer_time,
    }
    return CarPoint(
        rates=rates,
        specific_long=specific_long,
        specific_lat=specific_lat,
        loads=loads,
        tyres=tyres,
        slip_angles=angles,
        spins=spins,
        torque_balance=front + rear,
        drive_torque=(torque_front, torque_rear),
        brake_torque=(braking_front, braking_rear),
        ride=motion,
        normal=mass * motion.normal,
        brake=brake,
        throttle=throttle,
    )


def static_loads(vehicle: Vehicle) -> tuple[float, float]:
    """Load of one front and of one rear wheel [N] at rest on a level road."""
    weight, share = vehicle.chassis.mass * G, vehicle.chassis.front_mass_share
    return 0.5 * weight * share, 0.5 * weight * (1.0 - share)
