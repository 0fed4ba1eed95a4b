"""How a car, left alone at a point of a trace, would go on: linearised lateral motion with wheel and pedals held.

States are the sideways velocity v, the yaw rate r, the lagged lateral specific force that moves load from side to side, and
the spins of the four wheels: a wheel that is braked hard loses side force as it slows, and that is where trail braking makes
a car nervous. Speed and everything else that changes slowly stand still. Fixed-control stability is that of Milliken &
Milliken, Race Car Vehicle Dynamics (1995), ch. 5 and 6, and of Gillespie, Fundamentals of Vehicle Dynamics (1992), ch. 6
[both from memory]; there the car has two lateral states, which are what is left of these seven when loads and spins follow
at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import casadi as ca
import numpy as np

from lapwright.compiled.over_points import OverPoints
from lapwright.lap.channels import curve_of
from lapwright.lap.lap import Array, Lap
from lapwright.problem.car import car_parameters
from lapwright.problem.parameters import as_vector, substitute
from lapwright.problem.road import road_frame, road_numbers
from lapwright.replay.equations import slips_of, spin_rates, spins_of
from lapwright.replay.states import lap_states
from lapwright.track.track import Track
from lapwright.vehicle.car import CarState, car_point
from lapwright.vehicle.parameters import Vehicle

LATERAL = ("v", "r", "accel_lat", "spin_fl", "spin_fr", "spin_rl", "spin_rr")
"""Order of the lateral states."""

MOTION, LOADS, SPINS = slice(0, 2), slice(2, 3), slice(3, 7)

TOGETHER = 1e3
"""Rate [1/s] at which a difference between the spins of a locked axle's wheels is let die out. Nothing drives such a
difference, so that any rate leaves the car's own motion as it is; without one the axle's wheels could not follow."""


@dataclass(frozen=True, eq=False)
class LateralMotion:
    """Deviations e of ``LATERAL`` from M points of a motion: e' = a e + b delta, with the road-wheel angle delta [rad].

    Attributes
    ----------
    a : (M, 7, 7); b : (M, 7)
    speed : (M,) u [m/s]
    mass, yaw_inertia, wheelbase : of the car [kg], [kg m2], [m]
    """

    a: Array
    b: Array
    speed: Array
    mass: float
    yaw_inertia: float
    wheelbase: float

    def following(self, *states: slice) -> tuple[Array, Array]:
        """Motion of v and r when other states follow at once: a (M, 2, 2) and b (M, 2).

        ``states`` that are not named stand still. NaN where a wheel cannot follow, being at the very peak of its tyre.
        """
        index = np.concatenate([np.arange(7)[s] for s in states]) if states else np.arange(0)
        a, b = self.a[:, MOTION, MOTION].copy(), self.b[:, MOTION].copy()
        if not index.size:
            return a, b
        inner = self.a[:, index[:, None], index]
        outer = self.a[:, MOTION][:, :, index]
        right = np.concatenate([self.a[:, index, MOTION], self.b[:, index, None]], axis=2)
        with np.errstate(all="ignore"):
            fine = np.abs(np.linalg.det(inner / np.abs(inner).max(axis=(1, 2), keepdims=True))) > 1e-12
            inner = np.where(fine[:, None, None], inner, np.eye(index.size))
            moved = outer @ np.linalg.solve(inner, right)
        a -= moved[:, :, :2]
        b -= moved[:, :, 2]
        a[~fine], b[~fine] = np.nan, np.nan
        return a, b

    @cached_property
    def growth(self) -> Array:
        """(M,) rate of the fastest growing deviation [1/s]; negative where each dies out. It doubles in ln 2 / growth."""
        rates: Array = np.linalg.eigvals(self.a).real.max(axis=1)
        return rates

    @cached_property
    def yaw_stiffness(self) -> Array:
        """(M,) yaw moment for each radian of sideslip [N m/rad], wheels' torques held, loads as they are: positive when
        it turns the car back into the direction that it travels in.
        """
        a, _ = self.following(SPINS)
        return np.asarray(self.yaw_inertia * self.speed * a[:, 1, 0])

    @cached_property
    def side_stiffness(self) -> Array:
        """(M,) side force for each radian of sideslip [N/rad], negative: against the sideslip."""
        a, _ = self.following(SPINS)
        return np.asarray(self.mass * self.speed * a[:, 0, 0])

    def static_margin(self, weakest: float = 0.0) -> Array:
        """(M,) distance from the centre of gravity back to the neutral steer point, over the wheelbase.

        Positive is stable (Milliken & Milliken, ch. 5 [from memory]): SM = -N_beta / (L Y_beta). NaN where side force hardly
        answers to sideslip, ``weakest`` [N/rad] or less: there is no such point then.
        """
        side = self.side_stiffness
        with np.errstate(divide="ignore", invalid="ignore"):
            margin = -self.yaw_stiffness / (self.wheelbase * side)
        return np.where(-side > weakest, margin, np.nan)

    def yaw_gain(self) -> Array:
        """(M,) yaw rate for each radian of road-wheel angle [1/s], in the steady state: -A^-1 b of the two lateral states."""
        a, b = self.following(slice(2, 7))
        return np.asarray(-np.linalg.solve(a, b[:, :, None])[:, 1, 0])


def lateral_motion(track: Track, vehicle: Vehicle, lap: Lap) -> LateralMotion:
    """The linearised lateral motion at every row of a lap or section of the full car.

    Parameters
    ----------
    track, vehicle
        What it was driven on and with.
    lap
        A lap with all its channels: a target, a baseline or a replay.
    """
    # What moves the load about lags behind the accelerations of the lap by a tenth of a second.
    x = lap_states(track, vehicle, lap)
    states = np.vstack([x[1:6], lap.steering_wheel / vehicle.steering.ratio, lap.pedal, x[6:8]])
    stations = np.mod(lap.s, track.length) if track.closed else lap.s
    return motion_at(vehicle, states, lap.slip_ratio.T, road_numbers(track.road(stations)))


def motion_at(vehicle: Vehicle, states: Array, slips: Array, road: Array) -> LateralMotion:
    """The linearised lateral motion at any points.

    Parameters
    ----------
    vehicle
        The full car.
    states
        (9, M) in the order of ``CarState``; what moves load about is taken from them.
    slips
        (4, M) slip ratios.
    road
        (road_size, M) numbers of the road, see ``problem.road``.
    """
    _, values = as_vector(car_parameters(vehicle, curve_of(vehicle)))
    program = _program(_form(vehicle), road.shape[0])
    state = CarState(*states)
    spins = np.vstack(spins_of(vehicle, state, list(slips)))
    a, b = program(np.vstack([states, spins]), np.ascontiguousarray(road), values)
    c = vehicle.chassis
    return LateralMotion(
        a=a.T.reshape(-1, 7, 7).transpose(0, 2, 1),
        b=b.T,
        speed=np.asarray(states[2], dtype=float),
        mass=c.mass,
        yaw_inertia=c.yaw_inertia,
        wheelbase=c.wheelbase,
    )


@dataclass(frozen=True)
class _Form:
    """A car that stands for all of the same form: only what is not a number of it decides the formulas."""

    vehicle: Vehicle
    mark: tuple[Any, ...]

    def __hash__(self) -> int:
        return hash(self.mark)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Form) and self.mark == other.mark


def _form(vehicle: Vehicle) -> _Form:
    line = vehicle.driveline
    mark = (
        line.driven, line.power is None, len(line.gear_ratios), len(line.engine_speed), line.differential.type
    )  # fmt: skip
    return _Form(vehicle, mark)


@lru_cache(maxsize=16)
def _program(form: _Form, road_size: int) -> OverPoints:
    """Derivatives of the lateral states' rates by themselves and by the road-wheel angle, for all cars of a form."""
    if hasattr(ca.GlobalOptions, "setNumpyMode"):
        ca.GlobalOptions.setNumpyMode(-1)
    curve = curve_of(form.vehicle)
    names, _ = as_vector(car_parameters(form.vehicle, curve))
    x, road, p = ca.SX.sym("x", 13), ca.SX.sym("road", road_size), ca.SX.sym("p", len(names))
    symbols = dict(zip(names, [p[i] for i in range(len(names))], strict=True))
    car = substitute(form.vehicle, symbols)
    drive = None if curve is None else substitute(curve, symbols, "drive.")
    state, spins = CarState(*(x[i] for i in range(9))), [x[9 + i] for i in range(4)]
    frame = road_frame([road[i] for i in range(road_size)])
    point = car_point(car, drive, frame, state, slips_of(car, state, spins))
    spun = _as_one(form.vehicle, spin_rates(car, point, spins), spins)
    rates = ca.vertcat(point.rates["v"], point.rates["r"], point.rates["accel_lat"], *spun)
    lateral = ca.vertcat(x[3], x[4], x[8], x[9:13])
    # Derivatives by parts of x: all of it, then the columns that are wanted.
    jacobian = ca.densify(ca.jacobian(rates, x))
    columns = [3, 4, 8, 9, 10, 11, 12]
    assert lateral.numel() == len(columns) == len(LATERAL)
    function = ca.Function(
        "lateral_motion", [x, road, p], [jacobian[:, columns], jacobian[:, 5]], {"cse": True}
    )
    return OverPoints(function, (2,))


def _as_one(vehicle: Vehicle, rates: Sequence[Any], spins: Sequence[Any]) -> list[Any]:
    """Rates of the spins, those of a locked axle with its wheels brought together."""
    line, found = vehicle.driveline, list(rates)
    for left, driven in ((0, line.driven != "rear"), (2, line.driven != "front")):
        if driven and line.differential.type == "locked":
            apart = spins[left] - spins[left + 1]
            found[left] -= TOGETHER * apart
            found[left + 1] += TOGETHER * apart
    return found
