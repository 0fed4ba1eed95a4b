"""Small roads made for the tests; every number invented."""

from __future__ import annotations

import math

from lapwright.track.definition import (
    Arc,
    ElementLine,
    PointLine,
    Station,
    Straight,
    TrackDefinition,
)

DEG = math.pi / 180.0


def road(elements, closed=False, half_width=4.0, **more):
    """A road of elements with the same width everywhere."""
    sides = {"width_left": (Station(0.0, half_width),), "width_right": (Station(0.0, half_width),)}
    return TrackDefinition("invented", closed, ElementLine(tuple(elements)), **{**sides, **more})


def surveyed(points, closed=True, half_width=4.0, tolerance=0.25, **more):
    """A road through points."""
    sides = {"width_left": (Station(0.0, half_width),), "width_right": (Station(0.0, half_width),)}
    points = tuple(tuple(float(c) for c in point) for point in points)
    return TrackDefinition("invented", closed, PointLine(points, tolerance), **{**sides, **more})


def stations(*pairs):
    """Stations from (at, value) pairs."""
    return tuple(Station(float(at), float(value)) for at, value in pairs)


STADIUM = (
    Straight(150.0),
    Arc(40.0, math.pi, 20.0, 20.0),
    Straight(150.0),
    Arc(40.0, math.pi, 20.0, 20.0),
)
"""Two straights and two half turns to the left, closed exactly by symmetry."""

STADIUM_LENGTH = 2.0 * (150.0 + 40.0 * math.pi + 20.0)


def hilly_stadium(**more):
    """The stadium with hills, banks and changing widths."""
    length = STADIUM_LENGTH
    return road(
        STADIUM,
        closed=True,
        **{
            "elevation": stations((0, 10), (0.3 * length, 22), (0.55 * length, 4), (0.8 * length, 9)),
            "bank": stations((0, 0), (0.25 * length, 0.12), (0.5 * length, -0.08), (0.9 * length, 0.05)),
            "width_left": stations((0, 4), (100, 6), (300, 5)),
            "width_right": stations((0, 5), (200, 3.5), (450, 5)),
            **more,
        },
    )
