"""From the channels of a lap back to the states of the car, and from states to the channels of a lap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.channels import car_lap, frame_of
from lapwright.lap.lap import Lap
from lapwright.replay.equations import STATES, slips_of, spins_of
from lapwright.track.track import Track
from lapwright.vehicle.car import CarState, wheel_kinematics
from lapwright.vehicle.loads import wheel_loads
from lapwright.vehicle.motion import ride
from lapwright.vehicle.parameters import Vehicle

Array = NDArray[np.float64]


def lap_states(track: Track, vehicle: Vehicle, lap: Lap) -> Array:
    """States (12, M) of the car at the rows of a lap.

    The lagged specific forces are read from the wheel loads, which follow from them; spins from the slip
    ratios. The two wheels of a locked axle get their mean spin.
    """
    u, v = lap.speed * np.cos(lap.sideslip), lap.speed * np.sin(lap.sideslip)
    accel_long, accel_lat = lagged_accelerations(track, vehicle, lap)
    delta = lap.steering_wheel / vehicle.steering.ratio
    state = CarState(lap.n, lap.xi, u, v, lap.yaw_rate, delta, lap.pedal, accel_long, accel_lat)
    spins = spins_of(vehicle, state, list(lap.slip_ratio.T))
    line = vehicle.driveline
    if line.differential.type == "locked":
        for first, driven in ((0, line.driven != "rear"), (2, line.driven != "front")):
            if driven:
                spins[first] = spins[first + 1] = 0.5 * (spins[first] + spins[first + 1])
    return np.stack([lap.s, lap.n, lap.xi, u, v, lap.yaw_rate, accel_long, accel_lat, *spins])


def lagged_accelerations(track: Track, vehicle: Vehicle, lap: Lap) -> tuple[Array, Array]:
    """Lagged specific forces [m/s2] that explain the wheel loads of a lap, (M,) each, by Newton's method.

    Where loads no longer tell (both wheels of one side in the air) the specific forces of the moment are
    taken.
    """
    u, v = lap.speed * np.cos(lap.sideslip), lap.speed * np.sin(lap.sideslip)
    normal = vehicle.chassis.mass * ride(frame_of(track.road(lap.s)), lap.n, lap.xi, u, v).normal
    signs = np.array([[1.0, 1.0, -1.0, -1.0], [1.0, -1.0, 1.0, -1.0]])
    wanted = signs @ lap.load.T

    def differences(long: Array, lat: Array) -> Array:
        return signs @ np.stack(wheel_loads(vehicle.chassis, vehicle.aero, u, normal, long, lat))

    long, lat = lap.accel_long.copy(), lap.accel_lat.copy()
    step = 1e-4
    for _ in range(12):
        here = differences(long, lat)
        miss = here - wanted
        by_long = (differences(long + step, lat) - here) / step
        by_lat = (differences(long, lat + step) - here) / step
        determinant = by_long[0] * by_lat[1] - by_lat[0] * by_long[1]
        flat = np.abs(determinant) < 1.0
        safe = np.where(flat, 1.0, determinant)
        d_long = (by_lat[1] * miss[0] - by_lat[0] * miss[1]) / safe
        d_lat = (by_long[0] * miss[1] - by_long[1] * miss[0]) / safe
        long = np.where(flat, lap.accel_long, long - np.clip(d_long, -5.0, 5.0))
        lat = np.where(flat, lap.accel_lat, lat - np.clip(d_lat, -5.0, 5.0))
        if np.max(np.abs(np.where(flat, 0.0, miss))) < 1e-9 * vehicle.chassis.mass:
            break
    return long, lat


def worst_slip(vehicle: Vehicle, x: Array, delta: float) -> float:
    """Largest normalised slip of the four wheels [-, 1 at the peak] in states ``x`` (12,)."""
    state = CarState(x[1], x[2], x[3], x[4], x[5], delta, 0.0, x[6], x[7])
    _, angles = wheel_kinematics(vehicle, state)
    slips = slips_of(vehicle, state, list(x[8:12]))
    tyres = vehicle.tyres
    axle = (tyres.front, tyres.front, tyres.rear, tyres.rear)
    return max(
        float(np.hypot(slips[i] / axle[i].peak_slip_ratio, angles[i] / axle[i].peak_slip_angle))
        for i in range(4)
    )


def trace_of(
    track: Track, vehicle: Vehicle, t: Array, x: Array, delta: Array, pedal: Array, kind: str = "replay"
) -> Lap:
    """Channels of a motion with states ``x`` (12, M) under road-wheel angles and pedals (M,).

    Torques of the wheels need not balance; gears, loads, grip and all the rest are what they are for any
    lap. A trace is a section of road: it does not join itself even on a closed track.
    """
    by = dict(zip(STATES, x, strict=True))
    state = CarState(
        by["n"], by["xi"], by["u"], by["v"], by["r"], delta, pedal, by["accel_long"], by["accel_lat"]
    )
    slips = np.stack(slips_of(vehicle, state, list(x[8:12])))
    lap = car_lap(kind, track, vehicle, by["s"], t, np.stack(state), slips)
    return replace(lap, closed=False)
