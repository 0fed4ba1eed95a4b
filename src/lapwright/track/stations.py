"""Checks of everything that the user places along the road, and its transfer to the finished centreline."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lapwright.errors import Fault
from lapwright.track.definition import CornerSpec, GripPatch, Landmark, Station, TrackDefinition
from lapwright.track.road import Array

LINE_SLACK = 1.0
"""A station at most this [m] beyond the end of the road is its end: lengths are written rounded."""
STEP_LIMIT = 0.01
"""First and last elevation [m] or bank [rad] of a lap may differ by this much and no more."""


@dataclass(frozen=True)
class Ruler:
    """Turns stations as the user measured them into stations of the finished centreline [m].

    ``given`` and ``made`` are matching stations, from 0 to the length before and after closing.
    """

    given: Array
    made: Array

    @property
    def length(self) -> float:
        """Length as the user measured it [m]."""
        return float(self.given[-1])

    def to_made(self, at: float) -> float:
        """Station of the finished centreline, clipped to its ends."""
        return float(np.interp(at, self.given, self.made))

    def outside(self, at: float) -> bool:
        """Whether ``at`` is no number or lies off the road by more than ``LINE_SLACK``."""
        return not (math.isfinite(at) and -LINE_SLACK <= at <= self.length + LINE_SLACK)

    def complaint(self, at: float) -> str:
        """What to say about a station off the road."""
        return f"station {at:g} m is not on the road, which is {self.length:.1f} m long"


def list_faults(name: str, stations: tuple[Station, ...], ruler: Ruler, part: str) -> list[Fault]:
    """Stations that are off the road, out of order, or hold no number; ``part`` is the key of the value."""
    faults = []
    for index, station in enumerate(stations):
        if ruler.outside(station.at) and len(stations) > 1:
            faults.append(Fault(ruler.complaint(station.at), (name, index, "at_m")))
        if not math.isfinite(station.value):
            faults.append(Fault(f"{part} is {station.value}: give a number", (name, index, part)))
        if index and not station.at > stations[index - 1].at:
            text = (
                f"station {station.at:g} m comes after {stations[index - 1].at:g} m: stations must rise, "
                "each only once"
            )
            faults.append(Fault(text, (name, index, "at_m")))
    return faults


def width_faults(definition: TrackDefinition, ruler: Ruler) -> list[Fault]:
    """Faults of the widths."""
    faults = []
    for part, stations in (("left", definition.width_left), ("right", definition.width_right)):
        if not stations:
            faults.append(Fault("no width: give the road a width, for example width_m: 11", ("width_m",)))
            continue
        for fault in list_faults("width_m", stations, ruler, part):
            if fault not in faults:
                faults.append(fault)
        for index, station in enumerate(stations):
            if math.isfinite(station.value) and not station.value > 0.0:
                text = (
                    f"the width to the {part} is {station.value:g} m at {station.at:g} m: it is measured "
                    "from the centreline to the edge and is positive on both sides"
                )
                faults.append(Fault(text, ("width_m", index, part)))
    return faults


def height_faults(definition: TrackDefinition, ruler: Ruler) -> list[Fault]:
    """Faults of elevation and bank."""
    faults = []
    for name, stations, unit in (
        ("elevation_m", definition.elevation, "m"),
        ("bank_deg", definition.bank, "deg"),
    ):
        faults += list_faults(name, stations, ruler, "value")
        if faults or not definition.closed or len(stations) < 2:
            continue
        whole = stations[-1].at - stations[0].at
        step = stations[-1].value - stations[0].value
        if whole > ruler.length - 2.0 * LINE_SLACK and abs(step) > STEP_LIMIT:
            factor = 1.0 if unit == "m" else 180.0 / math.pi
            text = (
                f"the lap does not close: {stations[0].value * factor:g} {unit} at {stations[0].at:g} m and "
                f"{stations[-1].value * factor:g} {unit} at {stations[-1].at:g} m are the same place; give "
                "both the same value or leave the last station out"
            )
            faults.append(Fault(text, (name, len(stations) - 1, "value")))
    for index, station in enumerate(definition.bank):
        if math.isfinite(station.value) and abs(station.value) >= math.radians(60.0):
            text = f"a bank of {math.degrees(station.value):g} deg: allowed is -60 to 60"
            faults.append(Fault(text, ("bank_deg", index, "value")))
    return faults


def grip_faults(patches: tuple[GripPatch, ...], ruler: Ruler, closed: bool) -> list[Fault]:
    """Faults of grip patches."""
    faults = []
    for index, patch in enumerate(patches):
        key = ("grip", index)
        faults += _span_faults(patch.start, patch.end, key, ruler, closed)
        if not (math.isfinite(patch.scale) and 0.0 < patch.scale <= 3.0):
            text = f"scale is {patch.scale:g}: a share of the road's grip, more than 0 and at most 3"
            faults.append(Fault(text, (*key, "scale")))
        right, left = patch.band_right, patch.band_left
        if right is not None and left is not None and not right < left:
            text = (
                f"the band runs from {right:g} to {left:g} m: offsets are positive to the left of the "
                "centreline, so the right limit is the smaller number"
            )
            faults.append(Fault(text, key))
    return faults


def corner_faults(specs: tuple[CornerSpec, ...], ruler: Ruler, closed: bool) -> list[Fault]:
    """Faults of named corners: off the road, overlapping, the same name twice."""
    faults: list[Fault] = []
    seen: dict[str, int] = {}
    for index, spec in enumerate(specs):
        key = ("corners", index)
        faults += _span_faults(spec.start, spec.end, key, ruler, closed)
        if spec.name in seen:
            text = f"the name {spec.name!r} is taken by corner {seen[spec.name] + 1} of the list"
            faults.append(Fault(text, (*key, "name")))
        seen.setdefault(spec.name, index)
    if faults:
        return faults
    order = sorted(range(len(specs)), key=lambda i: specs[i].start)
    for place, index in enumerate(order):
        after = order[(place + 1) % len(order)]
        last = place == len(order) - 1
        own, other = specs[index], specs[after]
        if index == after or (last and own.start <= own.end):
            continue
        # Only the corner that starts last may run across the line, into what the first one takes.
        if own.end > other.start or (not last and own.start > own.end):
            text = (
                f"corner {other.name!r} starts at {other.start:g} m, inside {own.name!r} ({own.start:g} to "
                f"{own.end:g} m): corners must not overlap"
            )
            faults.append(Fault(text, ("corners", after, "from_m")))
    return faults


def landmark_faults(landmarks: tuple[Landmark, ...], ruler: Ruler) -> list[Fault]:
    """Landmarks off the road."""
    return [
        Fault(ruler.complaint(mark.at), ("landmarks", index, "at_m"))
        for index, mark in enumerate(landmarks)
        if ruler.outside(mark.at)
    ]


def _span_faults(
    start: float, end: float, key: tuple[str | int, ...], ruler: Ruler, closed: bool
) -> list[Fault]:
    faults = [
        Fault(ruler.complaint(at), (*key, name))
        for name, at in (("from_m", start), ("to_m", end))
        if ruler.outside(at)
    ]
    if not faults and (start == end or (start > end and not closed)):
        text = f"it runs from {start:g} to {end:g} m: from_m must be less than to_m"
        if closed and start == end:
            text = f"it starts and ends at {start:g} m: it has no length"
        faults.append(Fault(text, (*key, "to_m")))
    return faults
