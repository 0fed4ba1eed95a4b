"""A lap from the channels of a trace file: heading and slip ratios, which the file does not hold, follow from the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.channels import car_lap, curve_of, frame_of
from lapwright.lap.lap import Lap
from lapwright.replay.states import lagged_accelerations
from lapwright.track.locate import lateral_axis
from lapwright.track.track import Track
from lapwright.vehicle.car import CarState, car_point
from lapwright.vehicle.parameters import Vehicle

Array = NDArray[np.float64]

ROUNDS = 40
"""Newton steps for the slip ratios at most."""


def recorded_lap(
    track: Track,
    vehicle: Vehicle,
    *,
    s: Array,
    t: Array,
    n: Array,
    speed: Array,
    sideslip: Array,
    yaw_rate: Array,
    steering_wheel: Array,
    pedal: Array,
    accel_long: Array,
    accel_lat: Array,
    load: Array,
) -> Lap:
    """A lap from channels that a trace file has, in SI units and the signs of ``Lap``; (M,) each, ``load`` (M, 4).

    The heading is the direction of the path, from the offsets, less the sideslip; slip ratios are those that balance
    the wheels' torques under the recorded loads, short of the peak of the tyres. A lap from line to line is closed.
    """
    whole = bool(track.closed and abs(s[-1] - s[0] - track.length) < 1e-3)
    course = _course(track, s, t, n, whole)
    u, v = speed * np.cos(sideslip), speed * np.sin(sideslip)
    delta = steering_wheel / vehicle.steering.ratio
    states = np.stack([n, course - sideslip, u, v, yaw_rate, delta, pedal, accel_long, accel_lat])
    rough = car_lap("recorded", track, vehicle, s, t, states, np.zeros((4, len(s))))
    known = replace(rough, load=load, accel_long=accel_long, accel_lat=accel_lat)
    states[7], states[8] = lagged_accelerations(track, vehicle, known)
    slips = balanced_slips(track, vehicle, s, states)
    return replace(car_lap("recorded", track, vehicle, s, t, states, slips), closed=whole)


def _course(track: Track, s: Array, t: Array, n: Array, whole: bool) -> Array:
    """Direction of the driven path from that of the road [rad]; ``whole`` for a lap that joins itself.

    Taken from the path in space: its direction changes smoothly where the bend of the centreline jumps.
    """
    from scipy.interpolate import CubicSpline

    path = np.stack(track.to_world(s, n))
    if whole:
        path[:, -1] = path[:, 0]
    ahead = CubicSpline(t, path, axis=1, bc_type="periodic" if whole else "not-a-knot")(t, 1)
    road = track.road(s)
    across, rise = lateral_axis(track, track.wrap(s))
    level = np.cos(road.slope)
    along = np.stack([np.cos(road.heading) * level, np.sin(road.heading) * level, np.sin(road.slope)])
    return np.arctan2(np.sum(ahead * [across.real, across.imag, rise], axis=0), np.sum(ahead * along, axis=0))


def balanced_slips(track: Track, vehicle: Vehicle, s: Array, states: Array) -> Array:
    """Slip ratios (4, M) that balance the torques of every wheel in ``states`` (9, M), short of the tyres' peak.

    Where a wheel is asked for more than its tyre has, its slip stops at the peak.
    """
    road, curve, state = frame_of(track.road(s)), curve_of(vehicle), CarState(*states)
    most = np.repeat([vehicle.tyres.front.peak_slip_ratio, vehicle.tyres.rear.peak_slip_ratio], 2)[:, None]
    slips = np.zeros((4, len(s)))
    scale = 0.25 * vehicle.chassis.mass * vehicle.driveline.wheel_radius

    def miss(z: Array) -> Array:
        rows = car_point(vehicle, curve, road, state, z).torque_balance
        return np.stack(np.broadcast_arrays(*rows)) / scale

    step = 1e-6
    for _ in range(ROUNDS):
        here = miss(slips)
        columns = [(miss(slips + step * np.eye(4)[:, [k]]) - here) / step for k in range(4)]
        jacobian = np.moveaxis(np.stack(columns, axis=1), 2, 0)
        # A wheel at its peak answers to nothing: the least step that does something is taken there.
        change = np.einsum("mij,jm->im", np.linalg.pinv(jacobian, rcond=1e-6), here)
        moved = np.clip(slips - np.clip(change, -0.3 * most, 0.3 * most), -most, most)
        done = np.max(np.abs(moved - slips)) < 1e-9
        slips = moved
        if done:
            break
    return slips
