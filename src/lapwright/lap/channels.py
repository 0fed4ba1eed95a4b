"""All channels of a lap from the motion of the car: the same for the optimum, the quasi-steady lap and a replay."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Lap
from lapwright.quantities import G
from lapwright.track.road import RoadPoints
from lapwright.track.track import Track
from lapwright.vehicle.car import CarPoint, CarState, car_point
from lapwright.vehicle.circle import circle_point
from lapwright.vehicle.driveline import DriveCurve, drive_curve, engine_speed_at, gear_at
from lapwright.vehicle.motion import RoadFrame
from lapwright.vehicle.parameters import FrictionCircle, Vehicle
from lapwright.vehicle.tyre import slip_at_margin

Array = NDArray[np.float64]

AT_THE_LIMIT = 0.98
"""Share of the allowed slip (full car) or force (friction circle) from which an axle counts as limiting."""


def frame_of(points: RoadPoints) -> RoadFrame:
    """The road frame at M stations."""
    bands = tuple((b[:, 0], b[:, 1], b[:, 2]) for b in np.moveaxis(points.grip_bands, 1, 0))
    return RoadFrame(
        points.stretch, points.omega_x, points.omega_y, points.omega_z, points.omega_x_rate,
        points.up_x, points.up_y, points.up_z, points.grip_base, bands,
    )  # fmt: skip


def curve_of(vehicle: Vehicle) -> DriveCurve | None:
    """Drive curve of a car with gears, None for a plain power."""
    return drive_curve(vehicle.driveline) if vehicle.driveline.gear_ratios else None


def car_lap(
    kind: str, track: Track, vehicle: Vehicle, s: Array, t: Array, states: Array, slips: Array
) -> Lap:
    """A full car's lap.

    Parameters
    ----------
    kind
        "target" or "baseline".
    track, vehicle
        Where and with what.
    s, t
        Stations [m] and times [s], (M,).
    states
        (9, M), in the order of ``CarState``.
    slips
        (4, M) slip ratios.
    """
    state = CarState(*states)
    point = car_point(vehicle, curve_of(vehicle), frame_of(track.road(s)), state, slips)
    x, y, z = track.to_world(s, state.n)
    speed = np.hypot(state.u, state.v)
    sideslip_rate = (point.rates["v"] * state.u - point.rates["u"] * state.v) / speed**2
    line = vehicle.driveline
    return Lap(
        kind=kind,
        track_name=track.name,
        vehicle_name=vehicle.name,
        closed=track.closed,
        s=s,
        t=t,
        x=x,
        y=y,
        z=z,
        n=state.n,
        xi=state.xi,
        curvature=(state.r + sideslip_rate) / speed,
        speed=speed,
        pedal=state.pedal,
        # The smooth split of the pedal axis oversteps full travel by some millionths.
        brake=np.minimum(point.brake, 1.0),
        throttle=np.minimum(point.throttle, 1.0),
        brake_pressure=point.brake * vehicle.brakes.peak_pressure,
        steering_wheel=state.delta * vehicle.steering.ratio,
        gear=gear_at(line, state.u),
        engine_speed=engine_speed_at(line, state.u),
        accel_long=point.specific_long,
        accel_lat=point.specific_lat,
        yaw_rate=state.r,
        sideslip=np.arctan2(state.v, state.u),
        slip_angle_front=0.5 * (point.slip_angles[0] + point.slip_angles[1]),
        slip_angle_rear=0.5 * (point.slip_angles[2] + point.slip_angles[3]),
        load=np.column_stack(point.loads),
        grip_use=np.column_stack([tyre.use for tyre in point.tyres]),
        force_long=np.column_stack([tyre.long for tyre in point.tyres]),
        force_lat=np.column_stack([tyre.lat for tyre in point.tyres]),
        grip_long=np.column_stack([tyre.peak_long for tyre in point.tyres]),
        grip_lat=np.column_stack([tyre.peak_lat for tyre in point.tyres]),
        slip_ratio=np.asarray(slips).T.copy(),
        limiting_axle=_limiting_axle(vehicle, point),
    )


def circle_lap(
    kind: str, track: Track, vehicle: FrictionCircle, s: Array, t: Array, states: Array, forces: Array
) -> Lap:
    """A friction-circle car's lap; ``states`` (3, M) n, xi, speed and ``forces`` (2, M) as multiples of m g.

    A point has one tyre: loads and forces are given as a quarter to each wheel, angles and pedals from the force.
    """
    n, xi, speed = states
    point = circle_point(vehicle, frame_of(track.road(s)), n, xi, speed, forces[0], forces[1])
    x, y, z = track.to_world(s, n)
    weight = vehicle.mass * G
    use = np.hypot(forces[0], forces[1]) / point.grip_force
    quarter = 0.25 * weight * np.ones(4)
    zero = np.zeros_like(speed)
    throttle, brake = _circle_pedals(vehicle, speed, forces[0], point.grip_force)
    return Lap(
        kind=kind,
        track_name=track.name,
        vehicle_name=vehicle.name,
        closed=track.closed,
        s=s,
        t=t,
        x=x,
        y=y,
        z=z,
        n=n,
        xi=xi,
        curvature=(point.turn_rate + point.ride.road_yaw_rate) / speed,
        speed=speed,
        pedal=throttle - brake,
        brake=brake,
        throttle=throttle,
        brake_pressure=zero,
        steering_wheel=zero,
        gear=np.zeros(len(s), dtype=np.int64),
        engine_speed=zero,
        accel_long=point.specific_long,
        accel_lat=point.specific_lat,
        yaw_rate=point.turn_rate + point.ride.road_yaw_rate,
        sideslip=zero,
        slip_angle_front=zero,
        slip_angle_rear=zero,
        load=point.normal[:, None] * quarter,
        grip_use=np.repeat(use[:, None], 4, axis=1),
        force_long=forces[0][:, None] * quarter,
        force_lat=forces[1][:, None] * quarter,
        grip_long=point.grip_force[:, None] * quarter,
        grip_lat=point.grip_force[:, None] * quarter,
        slip_ratio=np.zeros((len(s), 4)),
        limiting_axle=np.where(use >= AT_THE_LIMIT, "both", "none"),
    )


def circle_drive(vehicle: FrictionCircle, speed: Array, grip: Array) -> Array:
    """Largest drive force of a friction-circle car [m g] at ``speed`` [m/s], with ``grip`` [m g] on the road."""
    most = grip.copy()
    if vehicle.accel_limit is not None:
        most = np.minimum(most, vehicle.accel_limit)
    if vehicle.power is not None:
        most = np.minimum(most, vehicle.power / (vehicle.mass * G * speed))
    return most


def _circle_pedals(vehicle: FrictionCircle, speed: Array, force: Array, grip: Array) -> tuple[Array, Array]:
    """Throttle as a share of the largest drive force there, brake as a share of the grip there."""
    most = circle_drive(vehicle, speed, grip)
    return np.clip(force / np.maximum(most, 1e-9), 0.0, 1.0), np.clip(
        -force / np.maximum(grip, 1e-9), 0.0, 1.0
    )


def _limiting_axle(vehicle: Vehicle, point: CarPoint) -> NDArray[np.str_]:
    margin = vehicle.driver.grip_margin
    at_limit = []
    for tyre, wheels in ((vehicle.tyres.front, point.tyres[:2]), (vehicle.tyres.rear, point.tyres[2:])):
        most = AT_THE_LIMIT * slip_at_margin(margin, tyre.sliding_grip_ratio)
        at_limit.append(np.maximum(wheels[0].rho_squared, wheels[1].rho_squared) >= most * most)
    front, rear = at_limit
    return np.where(front & rear, "both", np.where(front, "front", np.where(rear, "rear", "none")))
