"""Latitude and longitude as metres east and north."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SEMI_MAJOR = 6_378_137.0
"""Equatorial radius of the WGS 84 ellipsoid [m] (NIMA TR8350.2, third edition, table 3.1)."""

FLATTENING = 1.0 / 298.257223563
"""Flattening of the WGS 84 ellipsoid (the same table)."""


def east_north(
    latitude: Array, longitude: Array, origin: tuple[float, float] | None = None
) -> tuple[Array, Array]:
    """Places on the WGS 84 ellipsoid, as metres east and north of an origin.

    Each place is turned into earth-centred coordinates, X = N cos(lat) cos(lon), Y = N cos(lat) sin(lon),
    Z = N (1 - e2) sin(lat) with N = a / sqrt(1 - e2 sin(lat)^2), and the difference to the origin is laid on the east and
    north axes of the plane that touches the ellipsoid there (NIMA TR8350.2, section 4; the plane is that of EPSG method
    9837, topocentric). A way of d metres comes out short by about d^3 / (6 R^2): 1 mm in 6 km. Sines and cosines alone
    are used, so longitudes may pass +-180 degrees.

    Parameters
    ----------
    latitude, longitude
        (M,) geodetic angles [rad], north and east positive; heights are taken as 0.
    origin
        Latitude and longitude [rad]; the first place when left out.

    Returns
    -------
    x, y : (M,) metres east and north.
    """
    at = (float(latitude[0]), float(longitude[0])) if origin is None else origin
    squared = FLATTENING * (2.0 - FLATTENING)

    def radius(lat: Array) -> Array:
        return np.asarray(SEMI_MAJOR / np.sqrt(1.0 - squared * np.sin(lat) ** 2))

    # Turned by the origin's longitude, so that nothing large is subtracted along the east axis.
    turn = longitude - at[1]
    around, lat0 = radius(latitude), np.asarray(at[0])
    outward = around * np.cos(latitude) * np.cos(turn) - radius(lat0) * np.cos(lat0)
    upward = (1.0 - squared) * (around * np.sin(latitude) - radius(lat0) * np.sin(lat0))
    east = around * np.cos(latitude) * np.sin(turn)
    return east, upward * np.cos(lat0) - outward * np.sin(lat0)
