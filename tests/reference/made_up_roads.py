"""Small roads made for the tests of whole solves, and roads laid around a manoeuvre that is given in the plane."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lapwright.problem.lap import EndState
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.track.track import Track


def definition(elements, left, right=None, closed=False) -> TrackDefinition:
    """A level road of elements with constant widths."""
    return TrackDefinition(
        "made up",
        closed,
        ElementLine(tuple(elements)),
        (Station(0.0, left),),
        (Station(0.0, left if right is None else right),),
    )


@dataclass(frozen=True)
class Manoeuvre:
    """From the origin along x at ``entry`` [m/s] to ``place`` [m], there along ``heading`` [rad] at ``exit`` [m/s]."""

    entry: float
    place: complex
    heading: float
    exit: float


def around(
    manoeuvre: Manoeuvre,
    approach: float,
    radius: float,
    angle: float,
    left: float,
    right: float,
    offset: float = 0.0,
    heading: float = 0.0,
) -> tuple[Track, EndState, EndState]:
    """A road straight-bend-straight that a manoeuvre begins and ends on, and its two ends in the road's terms.

    Parameters
    ----------
    approach, radius, angle
        Length of the first straight [m], the bend [m, rad]; the second straight ends abreast of the manoeuvre.
    left, right
        Widths [m].
    offset, heading
        Of the manoeuvre's beginning against the road [m, rad].
    """
    arc_end = approach + radius * math.sin(angle) + 1j * radius * (1.0 - math.cos(angle))
    along = complex(math.cos(angle), math.sin(angle))
    finish = 1j * offset + manoeuvre.place * complex(math.cos(heading), math.sin(heading))
    rest = (finish - arc_end) * along.conjugate()
    elements = [Straight(approach), Arc(radius, angle), Straight(rest.real)]
    track = build_track(
        definition([e for e in elements if not isinstance(e, Straight) or e.length > 0], left, right)
    )
    start = EndState(manoeuvre.entry, offset, heading)
    end = EndState(manoeuvre.exit, rest.imag, heading + manoeuvre.heading - angle)
    return track, start, end


def bean(half_width: float = 5.0) -> TrackDefinition:
    """A closed road of some 400 m: three left-hand bends of different radii and a right-hander, joined by clothoids."""
    bends = [
        Arc(radius, math.radians(turn), 12.0, 12.0)
        for radius, turn in ((22.0, 140.0), (30.0, -50.0), (18.0, 160.0), (25.0, 110.0))
    ]
    ways = np.exp(1j * np.concatenate([[0.0], np.cumsum([bend.angle for bend in bends])[:-1]]))
    gaps = [build_track(definition([bend], half_width)).curve.gap for bend in bends]
    middle = {1: 20.0, 2: 25.0}
    open_end = sum(way * gap for way, gap in zip(ways, gaps, strict=True)) + sum(
        ways[i] * middle[i] for i in middle
    )
    first, last = np.linalg.solve(
        [[ways[0].real, ways[3].real], [ways[0].imag, ways[3].imag]], [-open_end.real, -open_end.imag]
    )
    lengths = (first, middle[1], middle[2], last)
    elements = [e for pair in zip(map(Straight, lengths), bends, strict=True) for e in pair]
    return definition(elements, half_width, closed=True)
