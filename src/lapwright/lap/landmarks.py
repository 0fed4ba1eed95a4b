"""Where on the road, told by the things that a driver can see."""

from __future__ import annotations

from dataclasses import dataclass

from lapwright.track.definition import Landmark
from lapwright.track.track import Track


@dataclass(frozen=True)
class LandmarkFix:
    """A station told by a thing the driver can see: ``distance`` [m] past it, negative before it."""

    name: str
    distance: float


def landmark_fixes(station: float, track: Track) -> tuple[LandmarkFix | None, LandmarkFix | None]:
    """The nearest landmark behind ``station`` [m] and the nearest ahead; None where there is none."""
    marks = track.landmarks
    around = track.length if track.closed else 0.0

    def past(mark: Landmark) -> float:
        return (station - mark.at) % around if around else station - mark.at

    behind = [LandmarkFix(mark.name, past(mark)) for mark in marks if past(mark) >= 0]
    ahead = [LandmarkFix(mark.name, past(mark) - around) for mark in marks if around or past(mark) < 0]
    return (
        min(behind, key=lambda fix: fix.distance, default=None),
        max(ahead, key=lambda fix: fix.distance, default=None),
    )


def nearest_fix(behind: LandmarkFix | None, ahead: LandmarkFix | None) -> LandmarkFix | None:
    """The nearer of two; the one still ahead when they are equally far, None when there is none."""
    return min(
        (fix for fix in (ahead, behind) if fix is not None), key=lambda fix: abs(fix.distance), default=None
    )
