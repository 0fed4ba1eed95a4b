"""Motion of a body on a banked, sloping, twisting road, in the frame of the road.

The road frame turns by Omega = (omega_x, omega_y, omega_z) per plan metre (Perantoni & Limebeer, ASME J. Dyn. Sys.
Meas. Control 137 (2015) 051018, from memory). A body at offset n on a road that twists also rises with the road
(velocity w = n omega_x s_dot along the road's normal) and leans against a surface that is tilted by that twist.
Both are kept, so that energy is conserved off the centreline as well.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from lapwright.quantities import G


class RoadFrame(NamedTuple):
    """The road at one station, or at many: numbers, arrays or symbols. Fields as in ``track.road.RoadPoints``."""

    stretch: Any
    omega_x: Any
    omega_y: Any
    omega_z: Any
    omega_x_rate: Any
    up_x: Any
    up_y: Any
    up_z: Any
    grip_base: Any
    grip_bands: tuple[tuple[Any, Any, Any], ...] = ()


FLAT = RoadFrame(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0)
"""A level straight road of full grip."""


class Ride(NamedTuple):
    """How the body moves with the road.

    Attributes
    ----------
    s_dot, n_dot : plan metres along the centreline per second; offset per second [m/s]
    road_yaw_rate : turning of the road frame about its normal [rad/s]
    gravity_long, gravity_lat : gravity along and across the body [m/s2]
    normal : specific force of the road along its normal [m/s2] that carries gravity and the road's curvature
    tilt_long, tilt_lat : components of the surface normal along and across the body, from the road's twist [-]
    spin_long, spin_lat : -w omega_yb and w omega_xb, accelerations from rising with the road [m/s2]
    """

    s_dot: Any
    n_dot: Any
    road_yaw_rate: Any
    gravity_long: Any
    gravity_lat: Any
    normal: Any
    tilt_long: Any
    tilt_lat: Any
    spin_long: Any
    spin_lat: Any


def ride(road: RoadFrame, n: Any, xi: Any, u: Any, v: Any) -> Ride:
    """Velocities and accelerations that the road imposes on a body.

    Parameters
    ----------
    road
        The road frame at the body's station.
    n, xi
        Offset [m] and heading from the road's direction [rad], positive left.
    u, v
        Velocity along and across the body [m/s].

    Notes
    -----
    Forces of the tyres and of the air lie in the surface: where it is tilted by the twist they lift the body just as
    much as it has to rise to stay on it, so that only gravity and the turning of the road frame change ``normal``.
    Products of the twist with itself, with the change of the bend and with the change of the slope are left out.
    """
    cos, sin = np.cos(xi), np.sin(xi)
    scale = road.stretch - n * road.omega_z
    s_dot = (u * cos - v * sin) / scale
    n_dot = u * sin + v * cos
    gravity_long = -G * (road.up_x * cos + road.up_y * sin)
    gravity_lat = -G * (road.up_y * cos - road.up_x * sin)
    turn_x, turn_y = road.omega_x * s_dot, road.omega_y * s_dot
    turn_long = turn_x * cos + turn_y * sin
    turn_lat = turn_y * cos - turn_x * sin
    rise = n * turn_x
    s_ddot = (2.0 * road.omega_z * s_dot * n_dot - G * road.up_x) / scale
    rise_rate = n_dot * turn_x + n * (road.omega_x_rate * s_dot * s_dot + road.omega_x * s_ddot)
    normal = G * road.up_z + rise_rate + v * turn_long - u * turn_lat
    tilt = n * road.omega_x / scale
    return Ride(
        s_dot,
        n_dot,
        road.omega_z * s_dot,
        gravity_long,
        gravity_lat,
        normal,
        -tilt * cos,
        tilt * sin,
        -rise * turn_lat,
        rise * turn_long,
    )
