"""What a user says about a track, in SI units, before any geometry is made of it."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Straight:
    """A straight of ``length`` [m]."""

    length: float


@dataclass(frozen=True)
class Arc:
    """A bend: clothoid in, arc, clothoid out.

    Parameters
    ----------
    radius
        Radius of the arc on the centreline [m], positive.
    angle
        Whole change of heading, ramps included [rad], positive to the left.
    ramp_in, ramp_out
        Length of the clothoid before and after the arc [m]; 0 allowed.
    """

    radius: float
    angle: float
    ramp_in: float = 0.0
    ramp_out: float = 0.0


@dataclass(frozen=True)
class ElementLine:
    """Centreline made of straights and bends, starting at the origin along x."""

    elements: tuple[Straight | Arc, ...]


@dataclass(frozen=True)
class PointLine:
    """Centreline through surveyed points, each (x, y) or (x, y, z) [m].

    Parameters
    ----------
    points
        The points in driving order.
    tolerance
        How far the smoothed line may stray from a point [m].
    source
        File name of a CSV the points came from, or empty.
    source_lines
        Line of the source file for each point, or empty.
    """

    points: tuple[tuple[float, ...], ...]
    tolerance: float = 0.25
    source: str = ""
    source_lines: tuple[int, ...] = ()


@dataclass(frozen=True)
class Station:
    """A value at a distance along the centreline (plan metres)."""

    at: float
    value: float


@dataclass(frozen=True)
class GripPatch:
    """A stretch of road with another grip.

    ``scale`` multiplies the friction coefficient between stations ``start`` and ``end`` [m] (``start > end``
    runs across the line of a closed track) and, when given, only between the lateral offsets
    ``band_right`` < n < ``band_left`` [m, positive left of the centreline].
    """

    start: float
    end: float
    scale: float
    band_right: float | None = None
    band_left: float | None = None


@dataclass(frozen=True)
class CornerSpec:
    """A named corner from ``start`` to ``end`` [m] (``start > end`` runs across the line)."""

    name: str
    start: float
    end: float


@dataclass(frozen=True)
class Landmark:
    """A thing a driver can see, beside the road at station ``at`` [m]."""

    name: str
    at: float


@dataclass(frozen=True)
class TrackDefinition:
    """Everything the track file says, in SI units.

    Widths are distances from the centreline to the edge, both positive, as stations; one station means
    constant. Elevation [m] and bank [rad, positive = left edge higher] likewise; an empty tuple means zero
    (or, for elevation, the z of three-column points).
    """

    name: str
    closed: bool
    centreline: ElementLine | PointLine
    width_left: tuple[Station, ...]
    width_right: tuple[Station, ...]
    elevation: tuple[Station, ...] = ()
    bank: tuple[Station, ...] = ()
    grip: tuple[GripPatch, ...] = ()
    corners: tuple[CornerSpec, ...] | None = None
    landmarks: tuple[Landmark, ...] = field(default_factory=tuple)
