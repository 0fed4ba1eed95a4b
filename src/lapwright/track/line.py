"""A finished centreline and what was done to the user's to make it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lapwright.errors import Fault
from lapwright.track.definition import ElementLine, PointLine, Straight
from lapwright.track.plan import PlanCurve
from lapwright.track.road import Array

if TYPE_CHECKING:
    from lapwright.track.profile import Profile

SHORTEST, LONGEST = 10.0, 200_000.0
"""Range [m] for the length of a road."""
REPEAT = 1e-3
"""Points closer than this [m] to the one before are the same point."""


@dataclass(frozen=True, eq=False)
class Line:
    """The centreline in plan.

    ``given`` and ``made`` are matching stations [m], rising from 0 to the length, as the user counts them and
    on the finished curve. ``items`` are the stations at which the elements begin or the points lie,
    ``positions`` their positions in the user's list. ``height`` is there when the points have a z. ``chord``
    is the distance along the chords to each of the points [m], ``at_chord`` the station of each.
    """

    source: ElementLine | PointLine
    curve: PlanCurve
    given: Array
    made: Array
    items: Array
    positions: np.ndarray
    gap: float = 0.0
    heading_error: float = 0.0
    stray_max: float = 0.0
    stray_rms: float = 0.0
    height: Profile | None = None
    notices: tuple[str, ...] = ()
    chord: Array | None = None
    at_chord: Array | None = None

    def where(self, s: float) -> str:
        """Words for a place on the road: station and world position."""
        place = complex(self.curve.place(np.array([s]))[0])
        return f"at {s:.1f} m (x {place.real:.1f}, y {place.imag:.1f})"

    def fault(self, s: float, message: str) -> Fault:
        """A fault that points at the element or the point at station ``s``."""
        item = max(0, int(np.searchsorted(self.items, s, side="right")) - 1)
        index = int(self.positions[item])
        if isinstance(self.source, ElementLine):
            part = "straight_m" if isinstance(self.source.elements[index], Straight) else "radius_m"
            return Fault(message, ("centreline", "elements", index, part))
        return point_fault(self.source, index, message)


def point_fault(line: PointLine, index: int, message: str) -> Fault:
    """A fault that points at one point of the list, or at its line of the CSV."""
    if line.source:
        row = line.source_lines[index] if index < len(line.source_lines) else 0
        return Fault(message, ("centreline", "csv"), file=line.source, line=row)
    return Fault(message, ("centreline", "points_m", index))


def length_fault(length: float, key: tuple[str | int, ...]) -> Fault | None:
    """A fault when a road is too short or too long to be one."""
    if SHORTEST <= length <= LONGEST:
        return None
    possible = f"{SHORTEST:g} m to {LONGEST / 1000:g} km"
    return Fault(f"the road is {length:g} m long, possible is {possible}: is the unit right?", key)
