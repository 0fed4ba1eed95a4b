"""The car's equations of motion with the spin of each wheel as a state.

Forces, loads and torques are those of ``car_point``, the same that the optimiser uses. There a wheel's slip
ratio is whatever balances its torques; here it follows from the wheel's spin, which obeys

    J omega' = drive - brake - R F_x,      kappa = (omega R - V) / V,

so that a wheel can also run past the peak of its tyre, and lock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.replay.table import frame_from
from lapwright.vehicle.car import CarPoint, CarState, car_point, half_shaft_torques, wheel_kinematics
from lapwright.vehicle.driveline import DriveCurve, drive_curve
from lapwright.vehicle.parameters import Vehicle
from lapwright.vehicle.smooth import positive, sign

Array = NDArray[np.float64]

STATES = (
    "s",
    "n",
    "xi",
    "u",
    "v",
    "r",
    "accel_long",
    "accel_lat",
    "spin_fl",
    "spin_fr",
    "spin_rl",
    "spin_rr",
)
"""Order of the states: station, offset, heading, velocities, yaw rate, lagged specific forces, spins."""

BRAKE_WIDTH = 0.5
"""Spin [rad/s] over which brake torque changes its direction: a locked wheel creeps by less than this."""

CREEP = 0.5
"""Speed along the wheel [m/s] below which the slip ratio is no longer divided by it."""


def slips_of(vehicle: Vehicle, state: CarState, spins: Sequence[Any]) -> list[Any]:
    """Slip ratios [-] of the four wheels from their spins [rad/s]."""
    radius = vehicle.driveline.wheel_radius
    along, _ = wheel_kinematics(vehicle, state)
    return [(spins[i] * radius - along[i]) / positive(along[i], CREEP) for i in range(4)]


def spins_of(vehicle: Vehicle, state: CarState, slips: Sequence[Any]) -> list[Any]:
    """Spins [rad/s] of the four wheels from their slip ratios: the inverse of ``slips_of``."""
    radius = vehicle.driveline.wheel_radius
    along, _ = wheel_kinematics(vehicle, state)
    return [(along[i] + slips[i] * positive(along[i], CREEP)) / radius for i in range(4)]


def spin_rates(vehicle: Vehicle, point: CarPoint, spins: Sequence[Any]) -> list[Any]:
    """Change of the wheels' spins [rad/s2]; the two wheels of a locked axle change theirs together."""
    line = vehicle.driveline
    rates: list[Any] = []
    for axle, driven in ((0, line.driven != "rear"), (1, line.driven != "front")):
        pair = (2 * axle, 2 * axle + 1)
        left, right = (
            -point.brake_torque[axle] * sign(spins[i], BRAKE_WIDTH) - line.wheel_radius * point.tyres[i].long
            for i in pair
        )
        torque = point.drive_torque[axle]
        if driven and line.differential.type == "locked":
            left = right = 0.5 * (left + right + torque)
        elif driven:
            drive = half_shaft_torques(vehicle, torque, (spins[pair[0]], spins[pair[1]]))
            left, right = left + drive[0], right + drive[1]
        rates += [left / line.wheel_inertia, right / line.wheel_inertia]
    return rates


def rates_of(
    vehicle: Vehicle, curve: DriveCurve | None, road: Any, x: Sequence[Any], delta: Any, pedal: Any
) -> list[Any]:
    """Time derivatives of ``STATES`` under road-wheel angle ``delta`` [rad] and ``pedal`` [-1 to 1]."""
    state = CarState(x[1], x[2], x[3], x[4], x[5], delta, pedal, x[6], x[7])
    spins = list(x[8:12])
    point = car_point(vehicle, curve, frame_from(road), state, slips_of(vehicle, state, spins))
    r = point.rates
    motion = [point.ride.s_dot, r["n"], r["xi"], r["u"], r["v"], r["r"], r["accel_long"], r["accel_lat"]]
    return motion + spin_rates(vehicle, point, spins)


@dataclass(frozen=True, eq=False)
class Equations:
    """The equations of one car on roads with so many quantities, quick to call.

    ``rates(x, delta, pedal, road)`` returns (12,), ``jacobian`` of it by the states (12, 12) with the road
    taken as it is: the change of the road over the station is left to the next call. Both return the same
    array each time.
    """

    vehicle: Vehicle
    road_size: int
    rates: Any
    jacobian: Any


def equations(vehicle: Vehicle, road_size: int) -> Equations:
    """Build the equations of a car.

    Parameters
    ----------
    vehicle
        The full four-wheel car.
    road_size
        Number of road quantities, ``CubicTable.size``.
    """
    import casadi as ca

    if hasattr(ca.GlobalOptions, "setNumpyMode"):
        ca.GlobalOptions.setNumpyMode(-1)
    curve = drive_curve(vehicle.driveline) if vehicle.driveline.gear_ratios else None
    x, controls, road = ca.SX.sym("x", 12), ca.SX.sym("c", 2), ca.SX.sym("road", road_size)
    rates = ca.vertcat(*rates_of(vehicle, curve, road, [x[i] for i in range(12)], controls[0], controls[1]))
    jacobian = ca.densify(ca.jacobian(rates, x))
    inputs = [x, controls, road]
    return Equations(
        vehicle,
        road_size,
        _Call(ca.Function("rates", inputs, [rates], {"cse": True}), (12, 2, road_size), (12,)),
        _Call(ca.Function("jacobian", inputs, [jacobian], {"cse": True}), (12, 2, road_size), (12, 12)),
    )


class _Call:
    """A CasADi function called through fixed buffers, which spares most of the cost of a call."""

    def __init__(self, function: Any, sizes: tuple[int, int, int], shape: tuple[int, ...]) -> None:
        self._x, self._controls, self._road = (np.zeros(size) for size in sizes)
        # CasADi stores columns one after the other.
        self._out = np.zeros(shape, order="F")
        self._flat = self._out.reshape(-1, order="F")
        self._buffer, self._run = function.buffer()
        for k, array in enumerate((self._x, self._controls, self._road)):
            self._buffer.set_arg(k, array.data)
        self._buffer.set_res(0, self._flat.data)
        self._function = function

    def __call__(self, x: Array, delta: float, pedal: float, road: Array) -> Array:
        self._x[:] = x
        self._controls[0], self._controls[1] = delta, pedal
        self._road[:] = road
        self._run()
        return self._out
