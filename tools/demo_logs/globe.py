"""Metres to latitude and longitude: the circuit laid on the sea, where nobody can mistake it for a real place."""

from __future__ import annotations

import numpy as np

from lapwright.lap.lap import Array
from lapwright.quantities import DEG

ORIGIN = (47.0, -24.0)
"""Latitude and longitude of the circuit's origin [deg]: open water in the middle of the North Atlantic."""

TURNED = 31.0
"""Angle [deg] from east to the circuit's own x axis, counter-clockwise."""

SEMI_MAJOR, FLATTENING = 6378137.0, 1.0 / 298.257223563
"""WGS 84 (NIMA TR 8350.2, table 3.1)."""


def latitude_longitude(x: Array, y: Array) -> tuple[Array, Array]:
    """Latitude and longitude [deg] of places [m] in the circuit's axes, in the plane that touches the earth at ``ORIGIN``.

    From the plane to earth-centred axes by two rotations, from there to the ellipsoid by Bowring's formula (Survey Review 23
    (1976) 323, from memory), which is exact to a micrometre near the ground.
    """
    east = x * np.cos(TURNED * DEG) - y * np.sin(TURNED * DEG)
    north = x * np.sin(TURNED * DEG) + y * np.cos(TURNED * DEG)
    phi, lam = ORIGIN[0] * DEG, ORIGIN[1] * DEG
    e2 = FLATTENING * (2.0 - FLATTENING)
    normal = SEMI_MAJOR / np.sqrt(1.0 - e2 * np.sin(phi) ** 2)
    out = normal * np.cos(phi) - north * np.sin(phi)
    px = out * np.cos(lam) - east * np.sin(lam)
    py = out * np.sin(lam) + east * np.cos(lam)
    pz = normal * (1.0 - e2) * np.sin(phi) + north * np.cos(phi)
    across = np.hypot(px, py)
    minor = SEMI_MAJOR * (1.0 - FLATTENING)
    beta = np.arctan2(pz * SEMI_MAJOR, across * minor)
    latitude = np.arctan2(
        pz + e2 / (1.0 - e2) * minor * np.sin(beta) ** 3, across - e2 * SEMI_MAJOR * np.cos(beta) ** 3
    )
    return np.asarray(latitude / DEG), np.asarray(np.arctan2(py, px) / DEG)
