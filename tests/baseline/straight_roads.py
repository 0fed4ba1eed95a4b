"""Roads of straights and bends for the tests of the quasi-steady lap, and the cars of the textbook problems."""

from __future__ import annotations

from lapwright.quantities import G
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, GripPatch, Station, Straight, TrackDefinition
from lapwright.track.track import Track
from lapwright.vehicle.parameters import FrictionCircle

RIGHT_ANGLE = 1.5707963267948966


def road(
    *elements: Straight | Arc,
    closed: bool = False,
    elevation: tuple[Station, ...] = (),
    bank: tuple[Station, ...] = (),
    grip: tuple[GripPatch, ...] = (),
    half_width: float = 5.0,
) -> Track:
    width = (Station(0.0, half_width),)
    return build_track(
        TrackDefinition(
            "Test road",
            closed,
            ElementLine(elements),
            width,
            width,
            elevation=elevation,
            bank=bank,
            grip=grip,
        )
    )


def ring(radius: float, **more: object) -> Track:
    """A closed left-hand circle."""
    return road(*(Arc(radius, RIGHT_ANGLE) for _ in range(4)), closed=True, **more)


def point_mass(accel: float = 10.0, **more: float) -> FrictionCircle:
    """A point mass with at most ``accel`` [m/s2] in every direction."""
    return FrictionCircle("Point mass", accel / G, **more)
