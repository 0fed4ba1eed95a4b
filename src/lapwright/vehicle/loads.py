"""Wheel loads: static, aerodynamic, and transferred by acceleration.

Lateral transfer of an axle is a geometric part through its roll centre, an elastic part by its share of the roll
stiffness, and (where known) an unsprung part: Milliken & Milliken, Race Car Vehicle Dynamics (1995) ch. 18 [from
memory]; Barton & Fieldhouse, Automotive Chassis Engineering (2018) p. 174.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from lapwright.quantities import G
from lapwright.vehicle.parameters import Aero, Chassis
from lapwright.vehicle.smooth import positive

LIFT_WIDTH = 0.03
"""Width of the smooth lower limit of a wheel load, as a share of the car's weight."""

TOTAL_WIDTH = 0.002
"""The same for the load of the whole car: it only matters where a crest all but lets the car fly."""


class WheelLoads(NamedTuple):
    """Loads [N] of the four wheels."""

    fl: Any
    fr: Any
    rl: Any
    rr: Any


def longitudinal_transfer(mass: Any, accel_long: Any, cg_height: Any, wheelbase: Any) -> Any:
    """Load moved from the front axle to the rear [N] by a specific force ``accel_long`` [m/s2] (negative in braking).

    Moments about the contact patches: Gillespie, Fundamentals of Vehicle Dynamics (1992) ch. 1 [from memory].
    """
    return mass * accel_long * cg_height / wheelbase


def geometric_transfer(axle_mass: Any, accel_lat: Any, roll_centre: Any, track: Any) -> Any:
    """Load [N] moved to the right wheel of an axle through its roll centre; lateral acceleration [m/s2] positive left."""
    return axle_mass * accel_lat * roll_centre / track


def elastic_transfer(mass: Any, accel_lat: Any, roll_arm: Any, stiffness_share: Any, track: Any) -> Any:
    """Load [N] moved to the right wheel of an axle by its share of the roll moment ``mass * accel_lat * roll_arm``."""
    return mass * accel_lat * roll_arm * stiffness_share / track


def unsprung_transfer(unsprung_mass: Any, accel_lat: Any, unsprung_height: Any, track: Any) -> Any:
    """Load [N] moved to the right wheel of an axle by its own unsprung mass."""
    return unsprung_mass * accel_lat * unsprung_height / track


def downforce(aero: Aero, speed: Any) -> tuple[Any, Any]:
    """Downforce on the front and the rear axle [N] at ``speed`` [m/s]."""
    total = 0.5 * aero.air_density * aero.downforce_area * speed * speed
    return total * aero.downforce_front_share, total * (1.0 - aero.downforce_front_share)


def drag(aero: Aero, speed: Any) -> Any:
    """Aerodynamic drag [N] at ``speed`` [m/s]; its moment is part of the aero balance, as in a wind tunnel."""
    return 0.5 * aero.air_density * aero.drag_area * speed * speed


def lateral_transfers(chassis: Chassis, accel_lat: Any) -> tuple[Any, Any]:
    """Load [N] moved from the left wheel to the right one at the front and the rear axle, before any wheel lifts."""
    share, height = chassis.front_mass_share, chassis.cg_height
    roll_axis = chassis.roll_centre_front * share + chassis.roll_centre_rear * (1.0 - share)
    arm = height - roll_axis
    stiffness = chassis.roll_stiffness_front_share
    front = geometric_transfer(
        chassis.mass * share, accel_lat, chassis.roll_centre_front, chassis.track_front
    )
    rear = geometric_transfer(
        chassis.mass * (1.0 - share), accel_lat, chassis.roll_centre_rear, chassis.track_rear
    )
    front = front + elastic_transfer(chassis.mass, accel_lat, arm, stiffness, chassis.track_front)
    rear = rear + elastic_transfer(chassis.mass, accel_lat, arm, 1.0 - stiffness, chassis.track_rear)
    return front, rear


def share_out(total: Any, difference: Any, width: Any) -> tuple[Any, Any]:
    """Split a load into two parts that differ by ``2 * difference``, neither below zero and together ``total``.

    A part that would be negative goes smoothly to zero and the other carries everything.
    """
    first = positive(0.5 * total - difference, width)
    second = positive(0.5 * total + difference, width)
    scale = total / (first + second)
    return first * scale, second * scale


def wheel_loads(
    chassis: Chassis, aero: Aero, speed: Any, normal: Any, accel_long: Any, accel_lat: Any
) -> WheelLoads:
    """Loads of the four wheels [N].

    Parameters
    ----------
    chassis, aero
        The car.
    speed
        [m/s]
    normal
        Force with which the road carries the car's mass, downforce not counted [N].
    accel_long, accel_lat
        Specific forces [m/s2], lagged as the suspension lets them act.

    Notes
    -----
    Roll moment that an axle can no longer take because its inside wheel has left the road goes to the other axle.
    """
    width = LIFT_WIDTH * chassis.mass * G
    aero_front, aero_rear = downforce(aero, speed)
    total = positive(normal + aero_front + aero_rear, TOTAL_WIDTH * chassis.mass * G)
    moved = longitudinal_transfer(chassis.mass, accel_long, chassis.cg_height, chassis.wheelbase)
    share = chassis.front_mass_share
    imbalance = 0.5 * (normal * (1.0 - 2.0 * share) + aero_rear - aero_front) + moved
    front, rear = share_out(total, imbalance, TOTAL_WIDTH * chassis.mass * G)
    transfer_front, transfer_rear = lateral_transfers(chassis, accel_lat)
    fl, fr = share_out(front, transfer_front, width)
    rl, rr = share_out(rear, transfer_rear, width)
    refused_front = (transfer_front - 0.5 * (fr - fl)) * chassis.track_front
    refused_rear = (transfer_rear - 0.5 * (rr - rl)) * chassis.track_rear
    fl, fr = share_out(front, transfer_front + refused_rear / chassis.track_front, width)
    rl, rr = share_out(rear, transfer_rear + refused_front / chassis.track_rear, width)
    return WheelLoads(fl, fr, rl, rr)
