"""What a point of the road is to a car: the frame, its rotation, the edges and the grip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BAND_SOFTNESS = 0.5
"""Half-width [m] of the lateral blend at the edge of a grip band."""


@dataclass(frozen=True)
class RoadPoints:
    """The ribbon at M stations; every field is an array of shape (M,) unless said otherwise.

    The road frame has x forward along the centreline, y to the left in the road surface, z out of it.
    ``omega_*`` is its rotation per metre of *plan* distance [1/m] in its own axes; ``up_*`` the world's
    upward unit vector in road axes, so that gravity is ``-g * up``.

    Attributes
    ----------
    s : station, plan metres along the centreline
    x, y, z : the centreline in the world [m]
    heading : plan heading of the centreline [rad, continuous, positive left]
    slope : gradient angle [rad, positive uphill]
    bank : rotation about x [rad, positive = left edge higher]
    stretch : length of centreline per plan metre [-], 1 / cos(slope)
    curvature : plan curvature [1/m, positive left]
    omega_x, omega_y, omega_z, omega_x_rate : rotation per plan metre [1/m] and d omega_x / ds [1/m2]
    up_x, up_y, up_z : upward unit vector in road axes [-]
    width_left, width_right : distance in the road surface from centreline to edge [m, positive]
    grip_base : grip scale away from any band [-]
    grip_bands : (M, B, 3): (scale change, right limit, left limit) of each of B slots; change 0 = unused
    """

    s: Array
    x: Array
    y: Array
    z: Array
    heading: Array
    slope: Array
    bank: Array
    stretch: Array
    curvature: Array
    omega_x: Array
    omega_y: Array
    omega_z: Array
    omega_x_rate: Array
    up_x: Array
    up_y: Array
    up_z: Array
    width_left: Array
    width_right: Array
    grip_base: Array
    grip_bands: Array


def grip_scale(n: Any, base: Any, bands: list[tuple[Any, Any, Any]]) -> Any:
    """Grip scale [-] at lateral offset ``n`` [m]; arrays or symbols alike.

    Each band (change, right limit, left limit) adds ``change`` between its limits, blended smoothly over
    ``BAND_SOFTNESS`` at either edge: an optimiser needs a derivative there and rubber has no sharp
    edge either.
    """
    scale = base
    for change, right, left in bands:
        a = (n - right) / BAND_SOFTNESS
        b = (n - left) / BAND_SOFTNESS
        scale = scale + 0.5 * change * (a / np.sqrt(1.0 + a * a) - b / np.sqrt(1.0 + b * b))
    return scale


def distinct(values: Array) -> Array:
    """The values in rising order, each once: what ``numpy.unique`` gives, without numpy's masked arrays, whose import takes
    longer than many a road.
    """
    rising = np.sort(values, axis=None)
    keep = np.ones(rising.size, dtype=bool)
    keep[1:] = rising[1:] != rising[:-1]
    return np.asarray(rising[keep])
