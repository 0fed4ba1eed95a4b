"""The finished track: a ribbon that answers questions at any station."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from lapwright.track.definition import Landmark
from lapwright.track.road import Array, RoadPoints


@dataclass(frozen=True)
class Corner:
    """A corner of the road (not yet of a lap).

    ``start``, ``end`` and ``apex`` are stations [m]; ``start > end`` runs across the line of a closed track.
    ``direction`` is "left", "right" or, for a complex that turns both ways, "left-right" and so on.
    ``apex`` is where the centreline is tightest, ``radius`` its radius there [m].
    """

    name: str
    start: float
    end: float
    apex: float
    direction: str
    radius: float
    angle: float


@dataclass(frozen=True)
class TrackReport:
    """What was done to the user's centreline. Lengths in m, angle in rad.

    ``closure_gap`` and ``closure_heading`` are as given, before any was spread over the lap; ``smoothing_max`` and
    ``smoothing_rms`` are distances from the given points to the smoothed line (0 for elements).
    ``notices`` are sentences for the user.
    """

    length: float
    closure_gap: float
    closure_heading: float
    smoothing_max: float
    smoothing_rms: float
    radius_min: float
    radius_min_at: float
    height_range: float
    gradient_max: float
    notices: tuple[str, ...]


class Track(Protocol):
    """Contract; replaced by the real class."""

    name: str
    closed: bool
    length: float
    corners: tuple[Corner, ...]
    landmarks: tuple[Landmark, ...]
    report: TrackReport
    breaks: Array

    def road(self, s: Array) -> RoadPoints:
        """The road at stations ``s`` (wrapped on a closed track)."""
        ...
