"""The road as a table of cubics along the station: a look-up takes a few microseconds."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.track.road import RoadPoints
from lapwright.track.track import Track
from lapwright.vehicle.motion import RoadFrame

Array = NDArray[np.float64]

FIELDS = ("stretch", "omega_x", "omega_y", "omega_z", "omega_x_rate", "up_x", "up_y", "up_z", "grip_base")
"""Columns of a table, followed by three for each grip band: change, right limit, left limit."""

BEYOND = 100.0
"""How far [m] a table goes beyond either end of an open track."""


@dataclass(frozen=True, eq=False)
class CubicTable:
    """Quantities along the station as cubic pieces.

    Attributes
    ----------
    nodes : (K+1,) stations that bound the pieces [m]
    cubics : (K, F, 4) coefficients of rising powers of the distance from the piece's node
    length : of the lap [m], by which stations are wrapped; None where there is no lap
    """

    nodes: list[float]
    cubics: Array
    length: float | None

    @property
    def size(self) -> int:
        """Number of quantities F."""
        return int(self.cubics.shape[1])

    def at(self, s: float) -> Array:
        """Quantities (F,) at station ``s`` [m]; the end pieces go on beyond the table."""
        if self.length is not None:
            s = self.nodes[0] + (s - self.nodes[0]) % self.length
        piece = min(max(bisect_right(self.nodes, s) - 1, 0), len(self.cubics) - 1)
        t = s - self.nodes[piece]
        values: Array = self.cubics[piece] @ np.array((1.0, t, t * t, t * t * t))
        return values


def spline_table(s: Array, values: Array, length: float | None) -> CubicTable:
    """Table of a cubic spline through ``values`` (F, M) at stations ``s`` (M,)."""
    from scipy.interpolate import CubicSpline

    pieces = CubicSpline(s, values, axis=1).c
    return CubicTable(s.tolist(), np.ascontiguousarray(np.transpose(pieces[::-1], (1, 2, 0))), length)


def road_table(track: Track, step: float = 1.0) -> CubicTable:
    """Tabulate a track.

    Parameters
    ----------
    track
        The road.
    step
        Longest piece [m]. Clothoids, arcs and the splines of elevation and bank are smooth inside a piece:
        pieces of 1 m err by about 1e-8, by 4e-5 where grip changes.
    """
    low, high = (0.0, track.length) if track.closed else (-BEYOND, track.length + BEYOND)
    corners = np.unique(np.concatenate([[low, 0.0], track.breaks, [track.length, high]]))
    parts = np.maximum(1, np.ceil(np.diff(corners) / step)).astype(int)
    pieces = [
        np.linspace(a, b, k, endpoint=False) for a, b, k in zip(corners[:-1], corners[1:], parts, strict=True)
    ]
    nodes = np.append(np.concatenate(pieces), high)
    spans = np.diff(nodes)
    # Chebyshev points lie inside the piece, where the road has no jump.
    points = 0.5 * (1.0 - np.cos(np.pi * (np.arange(4) + 0.5) / 4.0))
    road = track.road((nodes[:-1, None] + spans[:, None] * points).ravel())
    values = _columns(road).reshape(len(spans), 4, -1)
    scaled = np.einsum("pj,kjf->kfp", np.linalg.inv(np.vander(points, 4, increasing=True)), values)
    cubics = scaled / spans[:, None, None] ** np.arange(4)
    return CubicTable(nodes.tolist(), np.ascontiguousarray(cubics), track.length if track.closed else None)


def frame_from(values: Any) -> RoadFrame:
    """Road frame of the quantities of ``road_table``, numbers or symbols."""
    first, count = len(FIELDS), (int(values.shape[0]) - len(FIELDS)) // 3
    places = [first + 3 * b for b in range(count)]
    bands = tuple((values[k], values[k + 1], values[k + 2]) for k in places)
    return RoadFrame(**{name: values[i] for i, name in enumerate(FIELDS)}, grip_bands=bands)


def _columns(road: RoadPoints) -> Array:
    known = np.column_stack([getattr(road, name) for name in FIELDS])
    return np.hstack([known, road.grip_bands.reshape(len(known), -1)])
