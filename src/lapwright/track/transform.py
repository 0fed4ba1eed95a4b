"""The same road seen differently: mirrored, from another start line, elsewhere in the world."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from lapwright.track.definition import (
    Arc,
    CornerSpec,
    ElementLine,
    GripPatch,
    Landmark,
    PointLine,
    Station,
    Straight,
    TrackDefinition,
)
from lapwright.track.elements import element_length
from lapwright.track.stations import LINE_SLACK
from lapwright.track.track import Track


def mirrored(definition: TrackDefinition) -> TrackDefinition:
    """The road mirrored left to right (y changes sign): every left-hander a right-hander."""
    line = definition.centreline
    new: ElementLine | PointLine
    if isinstance(line, ElementLine):
        new = ElementLine(
            tuple(replace(e, angle=-e.angle) if isinstance(e, Arc) else e for e in line.elements)
        )
    else:
        new = replace(line, points=tuple((p[0], -p[1], *p[2:]) for p in line.points))
    return replace(
        definition,
        centreline=new,
        width_left=definition.width_right,
        width_right=definition.width_left,
        bank=tuple(Station(s.at, -s.value) for s in definition.bank),
        grip=tuple(
            replace(p, band_right=_negative(p.band_left), band_left=_negative(p.band_right))
            for p in definition.grip
        ),
    )


def _negative(value: float | None) -> float | None:
    return None if value is None else -value


def with_start(definition: TrackDefinition, at: float) -> TrackDefinition:
    """The same closed road with its line moved forward to station ``at`` [m].

    A line of elements can be cut in a straight or in the arc of a bend, not in a ramp; it then starts at the
    origin along x as always. A line of points starts at the first point at or after ``at``.

    Raises
    ------
    ValueError
        The track is open, or the cut falls on a ramp.
    """
    if not definition.closed:
        raise ValueError("an open track has no start line to move")
    line = definition.centreline
    new: ElementLine | PointLine
    if isinstance(line, ElementLine):
        new, length = _cut_elements(line, at)
    else:
        new, at, length = _cut_points(line, at)

    def moved(station: float) -> float:
        return (station - at) % length

    def listed(stations: tuple[Station, ...]) -> tuple[Station, ...]:
        if len(stations) < 2:
            return stations
        if stations[-1].at - stations[0].at > length - 2.0 * LINE_SLACK:
            stations = stations[:-1]
        return tuple(sorted((Station(moved(s.at), s.value) for s in stations), key=lambda s: s.at))

    corners = definition.corners
    return replace(
        definition,
        centreline=new,
        width_left=listed(definition.width_left),
        width_right=listed(definition.width_right),
        elevation=listed(definition.elevation),
        bank=listed(definition.bank),
        grip=tuple(
            GripPatch(moved(p.start), moved(p.end), p.scale, p.band_right, p.band_left)
            for p in definition.grip
        ),
        corners=None
        if corners is None
        else tuple(CornerSpec(c.name, moved(c.start), moved(c.end)) for c in corners),
        landmarks=tuple(Landmark(m.name, moved(m.at)) for m in definition.landmarks),
    )


def _cut_elements(line: ElementLine, at: float) -> tuple[ElementLine, float]:
    ends = np.concatenate([[0.0], np.cumsum([element_length(e) for e in line.elements])])
    length = float(ends[-1])
    at = at % length
    index = min(int(np.searchsorted(ends, at, side="right")) - 1, len(line.elements) - 1)
    before, after = _split(line.elements[index], at - float(ends[index]))
    head, tail = line.elements[:index], line.elements[index + 1 :]
    return ElementLine((*after, *tail, *head, *before)), length


def _split(
    element: Straight | Arc, at: float
) -> tuple[tuple[Straight | Arc, ...], tuple[Straight | Arc, ...]]:
    if at <= 0.0:
        return (), (element,)
    if isinstance(element, Straight):
        return (Straight(at),), (Straight(element.length - at),)
    whole = element_length(element)
    if not element.ramp_in < at < whole - element.ramp_out:
        raise ValueError("a bend cannot be cut in its ramp")
    angle = math.copysign((at - 0.5 * element.ramp_in) / element.radius, element.angle)
    first = Arc(element.radius, angle, element.ramp_in, 0.0)
    return (first,), (Arc(element.radius, element.angle - angle, 0.0, element.ramp_out),)


def _cut_points(line: PointLine, at: float) -> tuple[PointLine, float, float]:
    place = np.array([complex(p[0], p[1]) for p in line.points])
    points, lines = line.points, line.source_lines
    if place[0] == place[-1]:
        place, points, lines = place[:-1], points[:-1], lines[:-1]
    chord = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(np.append(place, place[0]))))])
    length = float(chord[-1])
    index = int(np.searchsorted(chord[:-1], at % length)) % len(points)
    new = replace(line, points=points[index:] + points[:index], source_lines=lines[index:] + lines[:index])
    return new, float(chord[index]), length


def placed(track: Track, turn: float, x: float, y: float) -> Track:
    """The track turned by ``turn`` [rad, positive left] about the origin, then moved by ``x``, ``y`` [m]."""
    curve = track.curve
    moved = replace(
        curve,
        headings=curve.headings + turn,
        places=curve.places * complex(math.cos(turn), math.sin(turn)) + complex(x, y),
    )
    return replace(track, curve=moved)
