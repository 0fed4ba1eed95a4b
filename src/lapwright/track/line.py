"""A finished centreline and what was done to the user's to make it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from lapwright.errors import Fault
from lapwright.track.definition import ElementLine, PointLine, Straight
from lapwright.track.plan import PlanCurve
from lapwright.track.road import Array

if TYPE_CHECKING:
    from lapwright.track.profile import Profile


@dataclass(frozen=True, eq=False)
class Line:
    """The centreline in plan.

    ``given`` and ``made`` are matching stations [m] before and after closing or smoothing, rising from 0 to the
    length: the ends of the elements, or the points. ``height`` is there when the points have a z.
    """

    source: ElementLine | PointLine
    curve: PlanCurve
    given: Array
    made: Array
    gap: float = 0.0
    heading_error: float = 0.0
    stray_max: float = 0.0
    stray_rms: float = 0.0
    height: Profile | None = None
    notices: tuple[str, ...] = field(default=())

    def where(self, s: float) -> str:
        """Words for a place on the road: station and world position."""
        place = complex(self.curve.place(np.array([s]))[0])
        return f"at {s:.1f} m (x {place.real:.1f}, y {place.imag:.1f})"

    def fault(self, s: float, message: str) -> Fault:
        """A fault that points at the element or the point at station ``s``."""
        index = int(np.clip(np.searchsorted(self.made, s, side="right") - 1, 0, len(self.made) - 1))
        if isinstance(self.source, ElementLine):
            index = min(index, len(self.source.elements) - 1)
            part = "straight_m" if isinstance(self.source.elements[index], Straight) else "radius_m"
            return Fault(message, ("centreline", "elements", index, part))
        return point_fault(self.source, index, message)


def point_fault(line: PointLine, index: int, message: str) -> Fault:
    """A fault that points at one point of the list, or at its line of the CSV."""
    index = min(index, len(line.points) - 1)
    if line.source:
        row = line.source_lines[index] if index < len(line.source_lines) else 0
        return Fault(message, ("centreline", "csv"), file=line.source, line=row)
    return Fault(message, ("centreline", "points_m", index))
