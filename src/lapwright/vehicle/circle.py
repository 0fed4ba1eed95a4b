"""The teaching car: a point mass with a friction circle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lapwright.quantities import G
from lapwright.track.road import grip_scale
from lapwright.vehicle.motion import Ride, RoadFrame, ride
from lapwright.vehicle.parameters import FrictionCircle


@dataclass(frozen=True)
class CirclePoint:
    """The point mass at a point of the road.

    Attributes
    ----------
    speed_rate : change of speed [m/s2]; turn_rate : change of direction against the road [rad/s]
    ride : how the road carries it
    normal : load on the tyre, downforce included, as a multiple of m g [-]
    grip_force : largest tyre force as a multiple of m g [-]
    specific_long, specific_lat : specific force along and across the path [m/s2], drag included
    """

    speed_rate: Any
    turn_rate: Any
    ride: Ride
    normal: Any
    grip_force: Any
    specific_long: Any
    specific_lat: Any


def circle_point(
    vehicle: FrictionCircle, road: RoadFrame, n: Any, xi: Any, speed: Any, force_long: Any, force_lat: Any
) -> CirclePoint:
    """The point mass at a point of the road.

    Parameters
    ----------
    vehicle
        The car; its numbers may be symbols.
    road
        The road under it.
    n, xi, speed
        Offset [m], direction of travel against the road's [rad], speed [m/s].
    force_long, force_lat
        Tyre force along and across the path as multiples of m g [-], positive forward and left.
    """
    aero = 0.5 * vehicle.air_density / vehicle.mass * speed * speed
    motion = ride(road, n, xi, speed, 0.0)
    normal = (motion.normal + aero * vehicle.downforce_area) / G
    specific_long = G * force_long - aero * vehicle.drag_area
    specific_lat = G * force_lat
    speed_rate = specific_long + motion.gravity_long + motion.tilt_long * motion.normal + motion.spin_long
    sideways = specific_lat + motion.gravity_lat + motion.tilt_lat * motion.normal + motion.spin_lat
    turn_rate = sideways / speed - motion.road_yaw_rate
    grip = vehicle.grip * grip_scale(n, road.grip_base, list(road.grip_bands))
    return CirclePoint(speed_rate, turn_rate, motion, normal, grip * normal, specific_long, specific_lat)
