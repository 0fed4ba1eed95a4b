"""The road as a vector of numbers at each point, and back as the frame that the vehicle formulas take."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from lapwright.problem.model import Array, Corridor
from lapwright.track.road import RoadPoints
from lapwright.track.track import Track
from lapwright.vehicle.motion import RoadFrame

FIELDS = ("stretch", "omega_x", "omega_y", "omega_z", "omega_x_rate", "up_x", "up_y", "up_z", "grip_base")


def road_size(track: Track) -> int:
    """How many numbers a point of this track's road has."""
    return len(FIELDS) + 3 * track.road(np.array([0.0])).grip_bands.shape[1]


def road_numbers(points: RoadPoints) -> Array:
    """(road_size, M) numbers of M points: ``FIELDS``, then three for each grip band."""
    rows = [getattr(points, name) for name in FIELDS]
    bands = points.grip_bands
    rows += [bands[:, b, i] for b in range(bands.shape[1]) for i in range(3)]
    return np.vstack(rows)


def road_function(track: Track) -> Callable[[Array], Array]:
    """Stations -> numbers of the road."""
    return lambda s: road_numbers(track.road(s))


def road_frame(numbers: Sequence[Any]) -> RoadFrame:
    """The frame of a point from its numbers; symbols or arrays."""
    rest = numbers[len(FIELDS) :]
    bands = tuple((rest[i], rest[i + 1], rest[i + 2]) for i in range(0, len(rest), 3))
    return RoadFrame(**dict(zip(FIELDS, numbers, strict=False)), grip_bands=bands)


def road_edges(track: Track, half_width: float) -> Corridor:
    """The strip in which the middle of a car of ``2 * half_width`` [m] may move."""
    return Corridor(
        "n",
        lambda s: half_width - track.road(s).width_right,
        lambda s: track.road(s).width_left - half_width,
        "right road edge",
        "left road edge",
    )
