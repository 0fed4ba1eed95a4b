"""Adhesion that each axle uses when the car brakes in a straight line, and which axle locks first.

The definitions are those of UN Regulation 13-H, annex 5 (equations as in Crolla (ed.), Automotive Engineering, 2009); loads,
downforce, drag and the engine's overrun are the car's own. As in the regulation, wheels have no inertia here and the pedal
can press as hard as is asked. Decelerations ``z`` are in units of g.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from lapwright.errors import InputError
from lapwright.lap.channels import curve_of
from lapwright.lap.lap import Lap
from lapwright.lap.phases import BrakingZone
from lapwright.lap.unrolled import unroll
from lapwright.quantities import G
from lapwright.vehicle.car import drive_force, wheel_torques
from lapwright.vehicle.loads import downforce, drag, wheel_loads
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle, Vehicle

Array = NDArray[np.float64]

ORDER_RANGE = (0.15, 0.80)
"""Decelerations [g] between which the front axle has to use more adhesion than the rear [from memory]."""

LINE_START, LINE_SLOPE, LINE_RANGE = 0.1, 0.7, (0.2, 0.8)
"""z >= start + slope (k - 0.2) for adhesion k in this range: R13-H [from memory; R13 has a slope of 0.85]."""

GRID = 0.005
"""Steps of z [g] between which a change of order is looked for."""

FROM, TO = 0.8, 0.1
"""Shares of the first speed between which a mean deceleration is taken (UN R13, annex 4, 1.1.2)."""


def four_wheels(vehicle: AnyVehicle, share: Any = None) -> Vehicle:
    """The car, with ``share`` as its front brake share where one is given.

    Raises
    ------
    InputError
        The friction-circle car has one tyre; a share is between 0 and 1.
    """
    if isinstance(vehicle, FrictionCircle):
        raise InputError(
            f"{vehicle.name} has no brake share: its model is friction_circle, a point with one tyre; "
            "take a car with four wheels"
        )
    if share is None:
        return vehicle
    share = np.asarray(share, dtype=float)
    if not np.all((share >= 0.0) & (share <= 1.0)):
        worst = share[~((share >= 0.0) & (share <= 1.0))].flat[0]
        raise InputError(f"a front brake share of {worst:g} is not possible, allowed is 0 to 1")
    number: Any = float(share) if share.ndim == 0 else share
    return replace(vehicle, brakes=replace(vehicle.brakes, front_share=number))


def engine_drag(car: Vehicle, speed: Any) -> tuple[Any, Any]:
    """Overrun force [N, positive when it slows] at the contact patches of the front and the rear axle, throttle closed."""
    radius = car.driveline.wheel_radius
    front, rear, _, _ = wheel_torques(car, drive_force(car, curve_of(car), speed, 0.0), 0.0)
    return -front / radius, -rear / radius


def least_deceleration(car: Vehicle, speed: Any, overrun: bool) -> Any:
    """Deceleration [g] that drag, and with ``overrun`` the engine, give without the brakes."""
    slowing = drag(car.aero, speed) + (sum(engine_drag(car, speed)) if overrun else 0.0)
    return slowing / (car.chassis.mass * G)


def axle_loads(car: Vehicle, z: Any, speed: Any) -> tuple[Any, Any]:
    """Loads [N] of the front and the rear axle in a straight line on a level road."""
    loads = wheel_loads(car.chassis, car.aero, speed, car.chassis.mass * G, -z * G, 0.0)
    return loads.fl + loads.fr, loads.rl + loads.rr


def adhesion_used(
    vehicle: AnyVehicle, z: ArrayLike, speed: float = 0.0, overrun: bool = False, share: float | None = None
) -> tuple[Array, Array]:
    """Adhesion utilisation of the front and the rear axle in straight-line braking.

    Parameters
    ----------
    vehicle
        The car.
    z
        Decelerations [g], any shape; drag is part of them.
    speed
        [m/s], for downforce, drag and overrun.
    overrun
        Whether the closed-throttle engine brakes its axle besides.
    share
        Front brake share in place of the car's.

    Returns
    -------
    tuple
        f1 = T1 / (P1 + z P h / E) and f2 = T2 / (P2 - z P h / E) of the shape of ``z``: braking force over load. NaN where
        drag and overrun alone slow the car more than ``z``.

    Raises
    ------
    InputError
        For a friction-circle car, and for a share outside 0 to 1.

    Notes
    -----
    UN Regulation 13-H, annex 5; the loads are ``wheel_loads``, whose smooth lower limit of an axle's load moves them by some
    1e-6 of the weight.
    """
    car = four_wheels(vehicle, share)
    z = np.asarray(z, dtype=float)
    weight, radius = car.chassis.mass * G, car.driveline.wheel_radius
    engine = engine_drag(car, speed) if overrun else (0.0, 0.0)
    brakes = z * weight - drag(car.aero, speed) - sum(engine)
    brakes = np.where(brakes < -1e-9 * weight, np.nan, brakes)
    _, _, front, rear = wheel_torques(car, 0.0, brakes / car.brakes.peak_force)
    load_front, load_rear = axle_loads(car, z, speed)
    return (
        np.asarray((2.0 * front / radius + engine[0]) / load_front),
        np.asarray((2.0 * rear / radius + engine[1]) / load_rear),
    )


def first_lock(
    vehicle: AnyVehicle, mu: float, share: float | None = None, speed: float = 0.0, overrun: bool = False
) -> tuple[float, str]:
    """Deceleration at which the first axle locks on a road of friction ``mu``, and that axle.

    Parameters
    ----------
    vehicle, share, speed, overrun
        As in ``adhesion_used``.
    mu
        Friction coefficient of both axles [-].

    Returns
    -------
    tuple
        z [g] and "front" or "rear". z is NaN where the engine's drag alone is more than its axle can hold.
    """
    car = four_wheels(vehicle, share)
    if not mu > 0.0:
        raise InputError(f"a friction coefficient of {mu:g} is not possible, it has to be above 0")

    def spare(z: float) -> float:
        return float(np.fmax(*adhesion_used(car, z, speed, overrun))) - mu

    low = float(least_deceleration(car, speed, overrun))
    weight = car.chassis.mass * G
    # Both axles at mu give this much, so one of them is at or past it there.
    high = (mu * sum(axle_loads(car, low, speed)) + float(drag(car.aero, speed))) / weight * (1.0 + 1e-6)
    z = low
    if spare(low) < 0.0:
        z = float(brentq(spare, low, high, xtol=1e-12))
    front, rear = adhesion_used(car, z, speed, overrun)
    return (float("nan") if z == low else z), ("front" if front >= rear else "rear")


def share_that_locks_together(vehicle: AnyVehicle, z: ArrayLike, speed: float = 0.0) -> Array:
    """Front brake share at which both axles use the same adhesion at ``z`` [g] and ``speed`` [m/s].

    It is the front's share of the load, N1 / (N1 + N2), since T1 / N1 = T2 / N2 = (T1 + T2) / (N1 + N2); drag changes both
    forces alike.
    """
    front, rear = axle_loads(four_wheels(vehicle), np.asarray(z, dtype=float), speed)
    return np.asarray(front / (front + rear))


def locks_together(vehicle: AnyVehicle, share: float | None = None, speed: float = 0.0) -> float:
    """Deceleration [g] at which both axles use the same adhesion; below it the front uses more, above it the rear.

    NaN where the rear uses more at any deceleration, or the front until the rear carries nothing.
    """
    car = four_wheels(vehicle, share)
    front_share = car.brakes.front_share

    def short(z: float) -> float:
        return float(share_that_locks_together(car, z, speed)) - front_share

    low = float(least_deceleration(car, speed, overrun=False))
    c = car.chassis
    static = (1.0 - c.front_mass_share) * c.mass * G + float(downforce(car.aero, speed)[1])
    high = static * c.wheelbase / (c.cg_height * c.mass * G)
    if low >= high or short(low) >= 0.0 or short(high) <= 0.0:
        return float("nan")
    return float(brentq(short, low, high, xtol=1e-12))


def limit_lines(z: ArrayLike) -> Array:
    """Most adhesion k that an axle may use at ``z`` [g]: z >= 0.1 + 0.7 (k - 0.2) for k from 0.2 to 0.8.

    UN Regulation 13-H [from memory; R13 has 0.85 in place of 0.7]. NaN where there is no line, z below 0.1 or above 0.52.
    """
    k = LINE_RANGE[0] + (np.asarray(z, dtype=float) - LINE_START) / LINE_SLOPE
    inside = (k > LINE_RANGE[0] - 1e-12) & (k < LINE_RANGE[1] + 1e-12)
    return np.where(inside, k, np.nan)


def follows_order(
    vehicle: AnyVehicle, share: float | None = None, speed: float = 0.0, overrun: bool = False
) -> tuple[tuple[float, float], ...]:
    """Stretches of z [g] in which the rear axle uses as much adhesion as the front or more; none when the order is kept.

    The front has to use more for z between 0.15 and 0.80, so that it locks first (UN Regulation 13-H [from memory]). Below
    what drag and overrun alone give nothing is asked.
    """
    car = four_wheels(vehicle, share)
    low = max(ORDER_RANGE[0], float(least_deceleration(car, speed, overrun)) + 1e-9)
    if low >= ORDER_RANGE[1]:
        return ()

    def ahead(z: Any) -> Any:
        front, rear = adhesion_used(car, z, speed, overrun)
        return front - rear

    z = np.linspace(low, ORDER_RANGE[1], 2 + int((ORDER_RANGE[1] - low) / GRID))
    broken = ahead(z) <= 0.0
    ends = [float(low)] if broken[0] else []
    ends += [
        float(brentq(lambda at: float(ahead(at)), z[i], z[i + 1], xtol=1e-12))
        for i in np.flatnonzero(broken[1:] != broken[:-1])
    ]
    if broken[-1]:
        ends.append(ORDER_RANGE[1])
    return tuple(zip(ends[::2], ends[1::2], strict=True))


def mean_fully_developed_deceleration(vb_kmh: float, ve_kmh: float, sb: float, se: float) -> float:
    """Mean fully developed deceleration [m/s2]: (vb^2 - ve^2) / (25.92 (se - sb)).

    UN Regulation 13, annex 4, 1.1.2: vb = 0.8 v0 and ve = 0.1 v0 in km/h, sb and se the distances driven from v0 to there
    [m]; 25.92 = 2 * 3.6^2.
    """
    if not se > sb:
        raise InputError(
            f"a distance of {se:g} m at the end has to be more than the {sb:g} m at the beginning"
        )
    return (vb_kmh**2 - ve_kmh**2) / (25.92 * (se - sb))


def zone_deceleration(lap: Lap, zone: BrakingZone) -> float | None:
    """Mean fully developed deceleration [m/s2] of a braking zone of a lap; None when it does not go down to 0.1 v0.

    v0 is the speed where the brake goes on. Few zones of a circuit go down so far: the definition is one of stops.
    """
    road = unroll(lap)
    start, end = road.span(zone.start, zone.end)
    rows = road.rows(start, end)
    t, speed = road.t[rows], road.speed[rows]
    way = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t))])
    places = []
    for share in (FROM, TO):
        level = share * zone.start_speed
        below = np.flatnonzero(speed <= level)
        if below.size == 0 or below[0] == 0:
            return None
        # Between two rows the deceleration is constant, so the speed falls evenly over time.
        i = int(below[0]) - 1
        part = (speed[i] - level) / (speed[i] - speed[i + 1]) * (t[i + 1] - t[i])
        places.append(float(way[i] + 0.5 * (speed[i] + level) * part))
    v0_kmh = 3.6 * zone.start_speed
    return mean_fully_developed_deceleration(FROM * v0_kmh, TO * v0_kmh, *places)
