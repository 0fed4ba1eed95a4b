"""Brake share in the turn: the split at which both axles work alike, and which wheel is first at its peak.

A wheel's utilisation is sqrt((F_x / P_x)^2 + (F_y / P_y)^2) with its own peaks P, and an axle counts by the wheel that uses
more, since brake torque is equal left and right. The share is that of the brake torque; what acts besides (the engine's
overrun, wheels that slow down with the car) is counted where it acts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lapwright.errors import InputError
from lapwright.lap.channels import AT_THE_LIMIT
from lapwright.lap.lap import WHEELS, Lap
from lapwright.lap.phases import BRAKE_ON
from lapwright.quantities import G
from lapwright.study.adhesion import engine_drag, four_wheels, least_deceleration
from lapwright.vehicle.car import grounded
from lapwright.vehicle.loads import drag, wheel_loads
from lapwright.vehicle.parameters import AnyVehicle, Vehicle
from lapwright.vehicle.tyre import friction

Array = NDArray[np.float64]
Words = NDArray[np.str_]

HALVINGS = 52
"""Halvings of a bracket: to the last digit of a double."""

ALIKE = 1e-9
"""Utilisations of an axle's two wheels that differ by less are the same: the car brakes straight."""


class BrakingLimit(NamedTuple):
    """Deceleration [g] at which the first wheel reaches its peak, its axle ("front", "rear") and the wheel ("fl", "fr", "rl",
    "rr", or "both" of the axle); NaN and "none" where the turn alone needs more than there is.
    """

    z: Array
    axle: Words
    wheel: Words


@dataclass(frozen=True)
class TraceShares:
    """Brake share along a lap, arrays (M,) for its rows; NaN and "none" where the brake is not on.

    Attributes
    ----------
    s : station [m]
    share : the car's own front brake share
    ideal : share at which front and rear utilisation would be equal at the row's brake torque
    locking : share at which both axles would reach their peak together if the pedal went further down, with the lateral
        forces and loads of the row: with less the rear locks first, with more the front
    first : "front" or "rear", the axle that locks first with the car's share
    margin : ``share - locking``: how far the share may go back (positive) before the rear is first, or has to come forward
        (negative) for the front to be first; 0.01 is one share point
    use_front, use_rear : utilisation of each axle's worse wheel
    """

    s: Array
    share: float
    ideal: Array
    locking: Array
    first: Words
    margin: Array
    use_front: Array
    use_rear: Array

    @property
    def at_limit(self) -> NDArray[np.bool_]:
        """Rows (M,) where a wheel is at its peak within 2 %: there ``locking`` and ``margin`` are not an outlook."""
        return np.fmax(self.use_front, self.use_rear) >= AT_THE_LIMIT


@dataclass(frozen=True)
class _Wheels:
    """Braking and turning at any number of points, forces that slow the car positive.

    ``brakes`` (...): force of all brakes at the contact patches [N]; (..., 4) for each wheel: ``besides``, what slows it
    beside its brake [N], ``side``, lateral force over its peak, ``peak``, longitudinal peak force [N].
    """

    brakes: Array
    besides: Array
    side: Array
    peak: Array

    def use(self, share: Any) -> Array:
        """Utilisation (..., 4) at a front brake share (...)."""
        front = 0.5 * self.brakes * share
        rear = 0.5 * self.brakes - front
        force = np.stack([front, front, rear, rear], axis=-1) + self.besides
        return np.asarray(np.hypot(force / self.peak, self.side))

    def axle_use(self, share: Any) -> tuple[Array, Array]:
        """Utilisation of the worse wheel of the front and the rear axle (...)."""
        return _axles(self.use(share), np.max)

    def axle_limits(self) -> tuple[Array, Array]:
        """Brake force [N] of the front and the rear axle at which its first wheel is at its peak; NaN past it by turning."""
        with np.errstate(invalid="ignore"):
            room = self.peak * np.sqrt(1.0 - self.side**2) - self.besides
        front, rear = _axles(room, np.min)
        return 2.0 * front, 2.0 * rear

    def ideal(self) -> Array:
        """Share (...) at which both axles' utilisation is the same; 0 or 1 where the worse axle has to be spared entirely."""

        def front_ahead(share: Array) -> NDArray[np.bool_]:
            front, rear = self.axle_use(share)
            return np.asarray(front > rear)

        zero = np.zeros(self.brakes.shape)
        share = _halve(front_ahead, zero, zero + 1.0)
        known = (self.brakes > 0.0) & (self.side.max(axis=-1) <= 1.0)
        return np.where(known, share, np.nan)


def _axles(wheels: Array, pick: Callable[..., Any]) -> tuple[Array, Array]:
    return pick(wheels[..., :2], axis=-1), pick(wheels[..., 2:], axis=-1)


def _halve(past: Callable[[Array], NDArray[np.bool_]], low: Array, high: Array) -> Array:
    """Where ``past`` becomes true between ``low`` and ``high``, for arrays; the last value where it is not yet true."""
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        over = past(middle)
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return low


def _wheels(car: Vehicle, speed: Array, z: Array, accel_lat: Array, overrun: bool) -> _Wheels:
    """Wheels of the car in a steady turn on a level road, slowing down at ``z`` [g]."""
    c, line = car.chassis, car.driveline
    weight = c.mass * G
    wheel_load = wheel_loads(c, car.aero, speed, weight, -z * G, accel_lat)
    load = np.stack(np.broadcast_arrays(*wheel_load), axis=-1)
    front, rear = friction(car.tyres.front, load[..., :2]), friction(car.tyres.rear, load[..., 2:])
    peak_long, peak_lat = (np.concatenate([front[i], rear[i]], axis=-1) * load for i in (0, 1))
    # No yaw moment in a steady turn: the front axle takes its share of the mass.
    turning = np.abs(c.mass * accel_lat)
    side = np.stack(
        [
            turning * share / peak_lat[..., wheels].sum(axis=-1)
            for share, wheels in (
                (c.front_mass_share, slice(0, 2)),
                (1.0 - c.front_mass_share, slice(2, 4)),
            )
            for _ in range(2)
        ],
        axis=-1,
    )
    # A wheel that slows with the car gives its spin back: so much of its torque never reaches the road.
    spin = (z * G * line.wheel_inertia / line.wheel_radius**2)[..., None] * grounded(load, c.mass)
    engine = engine_drag(car, speed) if overrun else (np.zeros(z.shape), np.zeros(z.shape))
    halves = np.stack(np.broadcast_arrays(*(0.5 * engine[i] for i in (0, 0, 1, 1))), axis=-1)
    brakes = z * weight - drag(car.aero, speed) - engine[0] - engine[1] + spin.sum(axis=-1)
    return _Wheels(np.asarray(brakes), halves - spin, side, peak_long)


def _points(*values: ArrayLike) -> list[Array]:
    """Numbers or arrays of one shape."""
    return [np.array(v) for v in np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in values))]


def wheel_use(
    vehicle: AnyVehicle,
    speed: ArrayLike,
    z: ArrayLike,
    accel_lat: ArrayLike,
    share: ArrayLike | None = None,
    overrun: bool = True,
) -> Array:
    """Utilisation (..., 4) of the wheels fl, fr, rl, rr; arguments as in ``ideal_share`` and ``limit_deceleration``."""
    car = four_wheels(vehicle, share)
    speed, z, accel_lat = _points(speed, z, accel_lat)
    return _wheels(car, speed, z, accel_lat, overrun).use(car.brakes.front_share)


def ideal_share(
    vehicle: AnyVehicle, speed: ArrayLike, z: ArrayLike, accel_lat: ArrayLike, overrun: bool = True
) -> Array:
    """Front share of the brake torque at which front and rear utilisation are equal, braking in a steady turn.

    Parameters
    ----------
    vehicle
        The car.
    speed
        [m/s]; arrays of one shape here and below, or numbers.
    z
        Deceleration [g] along the car: that of tyres and air together.
    accel_lat
        Lateral acceleration [m/s2], left positive; the answer is that of either hand.
    overrun
        Whether the closed-throttle engine brakes its axle besides.

    Returns
    -------
    numpy.ndarray
        0 to 1. At 0 or 1 the worse axle would still use more without any brake of its own. NaN where the turn alone needs
        more than an axle has, and where ``z`` needs no brake.

    Raises
    ------
    InputError
        For a friction-circle car.

    Notes
    -----
    Level road of grip 1. The axle's lateral force follows from moments about the centre of gravity and is shared between its
    wheels by their lateral peaks; the steering angle is left out of the balance, and so is what a differential moves from
    one wheel to the other. Straight, with equal tyres and without load sensitivity, downforce and wheel inertia the share is
    the front's share of the load, front_mass_share + z h / L.
    """
    speed, z, accel_lat = _points(speed, z, accel_lat)
    return _wheels(four_wheels(vehicle), speed, z, accel_lat, overrun).ideal()


def _bracket(car: Vehicle, speed: Array, overrun: bool) -> tuple[Array, Array]:
    """Decelerations [g] without any brake, and beyond what the tyres can do."""
    weight = car.chassis.mass * G
    low = np.broadcast_to(least_deceleration(car, speed, overrun), speed.shape)
    loads = wheel_loads(car.chassis, car.aero, speed, weight, 0.0, 0.0)
    tyres = (car.tyres.front, car.tyres.rear)
    most = max(float(friction(tyre, 0.0)[0]) for tyre in tyres)
    # Friction only falls with load, so all of the load at the friction of none is more than there is.
    return np.array(low), 1.01 * (most * sum(loads) + drag(car.aero, speed)) / weight + low


def limit_deceleration(
    vehicle: AnyVehicle,
    speed: ArrayLike,
    accel_lat: ArrayLike,
    share: ArrayLike | None = None,
    overrun: bool = True,
) -> BrakingLimit:
    """Deceleration at which the first wheel reaches its peak, and which wheel that is.

    Parameters
    ----------
    vehicle, speed, accel_lat, overrun
        As in ``ideal_share``.
    share
        Front brake share in place of the car's.

    Returns
    -------
    BrakingLimit
        Its arrays have the common shape of the arguments.
    """
    car = four_wheels(vehicle, share)
    speed, accel_lat, given = _points(speed, accel_lat, car.brakes.front_share)

    def use(z: Array) -> Array:
        return _wheels(car, speed, z, accel_lat, overrun).use(given)

    low, high = _bracket(car, speed, overrun)
    known = use(low).max(axis=-1) < 1.0
    z = _halve(lambda at: use(at).max(axis=-1) > 1.0, low, high)
    wheels = use(z)
    worst = wheels.argmax(axis=-1)
    pair = np.where((worst < 2)[..., None], wheels[..., :2], wheels[..., 2:])
    wheel = np.where(np.abs(pair[..., 0] - pair[..., 1]) < ALIKE, "both", np.asarray(WHEELS)[worst])
    return BrakingLimit(
        np.where(known, z, np.nan),
        np.where(known, np.where(worst < 2, "front", "rear"), "none"),
        np.where(known, wheel, "none"),
    )


def locking_shares(
    vehicle: AnyVehicle, speed: ArrayLike, accel_lat: ArrayLike, overrun: bool = True
) -> Array:
    """Front brake share at which front and rear reach their peak together: below it the rear locks first, above it the front.

    Parameters
    ----------
    vehicle, speed, accel_lat, overrun
        As in ``ideal_share``; ``accel_lat`` 0 is straight-line braking.

    Returns
    -------
    numpy.ndarray
        1 where the rear is first whatever the share, 0 where the front is; NaN where the turn and the engine's drag alone
        need more than there is.
    """
    car = four_wheels(vehicle)
    speed, accel_lat = _points(speed, accel_lat)

    def wheels(z: Array) -> _Wheels:
        return _wheels(car, speed, z, accel_lat, overrun)

    def too_much(z: Array) -> NDArray[np.bool_]:
        at = wheels(z)
        front, rear = at.axle_limits()
        return np.asarray(~(front + rear >= at.brakes))

    low, high = _bracket(car, speed, overrun)
    known = ~too_much(low)
    at = wheels(_halve(too_much, low, high))
    share = 1.0 - at.axle_limits()[1] / at.brakes
    return np.where(known, np.clip(share, 0.0, 1.0), np.nan)


def along(lap: Lap, vehicle: AnyVehicle) -> TraceShares:
    """Ideal and locking brake share at every row of a lap where the brake is on (``BRAKE_ON``).

    Parameters
    ----------
    lap
        A lap of this car that has wheel forces: the optimum, the quasi-steady lap or a replay.
    vehicle
        The car that drove it.

    Raises
    ------
    InputError
        For a friction-circle car, and for a logged lap: nobody measured its wheel forces.

    Notes
    -----
    Loads, lateral forces and peaks are the row's own. What slows a wheel beside its brake (engine, differential, its own
    inertia) is the row's longitudinal force less its brake's. Where no wheel is near its peak, more pedal would also move
    more load forward, most of all while the brake goes on, and ``locking`` is too low by that: see ``at_limit``.
    """
    car = four_wheels(vehicle)
    if not np.all(np.isfinite(lap.force_long)):
        raise InputError(f"the lap of {lap.vehicle_name} has no wheel forces, as a logged lap has none")
    share, on = car.brakes.front_share, lap.brake >= BRAKE_ON
    brakes = lap.brake[on] * car.brakes.peak_force
    own = 0.5 * np.array([share, share, 1.0 - share, 1.0 - share]) * brakes[:, None]
    wheels = _Wheels(
        brakes, -lap.force_long[on] - own, np.abs(lap.force_lat[on]) / lap.grip_lat[on], lap.grip_long[on]
    )
    front, rear = wheels.axle_limits()
    locking = front / (front + rear)
    used = wheels.axle_use(share)

    def everywhere(values: Array) -> Array:
        rows = np.full(lap.s.size, np.nan)
        rows[on] = values
        return rows

    first = np.full(lap.s.size, "none", dtype="<U5")
    first[on] = np.where(share > locking, "front", "rear")
    return TraceShares(
        s=lap.s,
        share=share,
        ideal=everywhere(wheels.ideal()),
        locking=everywhere(locking),
        first=first,
        margin=everywhere(share - locking),
        use_front=everywhere(used[0]),
        use_rear=everywhere(used[1]),
    )
