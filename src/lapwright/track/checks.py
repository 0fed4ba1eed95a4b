"""Whether the finished road can exist: edges that fold over, a road through itself."""

from __future__ import annotations

import itertools

import numpy as np

from lapwright.errors import Fault
from lapwright.track.line import Line
from lapwright.track.road import Array, distinct
from lapwright.track.track import Track

STEP = 1.0
"""Spacing [m] at which the edges are looked at."""
STEEPEST = 0.6
"""No road climbs or falls more than this per plan metre; the steepest streets reach about 0.35."""
BRIDGE = 4.0
"""Height [m] between two roads from which one counts as a bridge over the other."""
LEAST_OVERLAP = 0.05
"""Overlap [m2] of two pieces of road below which it is rounding of the polygons."""
_QUADS = 6
"""Steps in one piece of road when pieces are compared."""


def road_faults(track: Track, line: Line) -> list[Fault]:
    """Places where the road cannot be: too steep, edges folded, or (when none is) crossings on the level."""
    return steep_faults(track, line) + (fold_faults(track, line) or crossing_faults(track, line))


def stations(track: Track) -> Array:
    """Stations for looking at the road: evenly spaced, with every break and its neighbourhood."""
    count = max(32, int(np.ceil(track.length / STEP)))
    even = np.linspace(0.0, track.length, count + 1)
    return distinct(np.concatenate([even, track.breaks]))


def steep_faults(track: Track, line: Line) -> list[Fault]:
    """Stretches that no car climbs: usually a wrong height or a wrong unit."""
    s = stations(track)
    gradient = track.height.slope(s)
    faults = []
    for first, last in _runs(np.abs(gradient) > STEEPEST):
        worst = first + int(np.argmax(np.abs(gradient[first : last + 1])))
        text = (
            f"the road has a gradient of {100.0 * gradient[worst]:.0f} % {line.where(s[worst])}, more than "
            f"{100.0 * STEEPEST:g} %: the heights about there cannot be right"
        )
        if line.height is track.height:
            faults.append(line.fault(float(s[worst]), text))
        else:
            faults.append(Fault(text, ("elevation_m",)))
    return faults


def fold_faults(track: Track, line: Line) -> list[Fault]:
    """Places where the inner edge runs backwards: the road is wider to the inside than its bend is round.

    The edge at offset n moves ``stretch - n omega_z`` per plan metre; at zero it stands still.
    """
    s = stations(track)
    road = track.road(s)
    faults = []
    for side, offset in (("left", road.width_left), ("right", -road.width_right)):
        room = road.stretch - offset * road.omega_z
        for first, last in _runs(room <= 0.0):
            worst = first + int(np.argmin(room[first : last + 1]))
            radius, width = 1.0 / abs(road.curvature[worst]), abs(offset[worst])
            text = (
                f"the {side} edge folds over {line.where(s[worst])}: the road reaches {width:.2f} m to the "
                f"{side} and the bend has a radius of {radius:.2f} m there; the width to the inside of a "
                "bend must be less than its radius"
            )
            faults.append(line.fault(float(s[worst]), text))
    return faults


def crossing_faults(track: Track, line: Line) -> list[Fault]:
    """Places where two stretches of the road overlap with less than ``BRIDGE`` between their heights."""
    import shapely

    s = stations(track)
    left, right = (np.column_stack(track.to_world(s, n)) for n in (track.left.at(s), -track.right.at(s)))
    bounds = np.append(np.arange(0, len(s) - 1, _QUADS), len(s) - 1)
    pieces = [
        np.vstack([left[a : b + 1, :2], right[b : None if a == 0 else a - 1 : -1, :2]])
        for a, b in itertools.pairwise(bounds.tolist())
    ]
    owner = np.repeat(np.arange(len(pieces)), [len(piece) for piece in pieces])
    shapes = shapely.polygons(shapely.linearrings(np.vstack(pieces), indices=owner))
    shapes = shapely.make_valid(shapes)
    one, two = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    apart = two - one
    if track.closed:
        apart = np.where(apart > 0, np.minimum(apart, len(pieces) - apart), apart)
    keep = (two > one) & (apart > 1)
    one, two = one[keep], two[keep]
    area = shapely.area(shapely.intersection(shapes[one], shapes[two]))
    middle = 0.5 * (s[bounds[:-1]] + s[bounds[1:]])
    height = track.height.at(middle)
    level = (area > LEAST_OVERLAP) & (np.abs(height[one] - height[two]) < BRIDGE)
    return _crossings(one[level], two[level], middle, height, line)


def _crossings(one: np.ndarray, two: np.ndarray, middle: Array, height: Array, line: Line) -> list[Fault]:
    """One fault for each connected group of overlapping pairs of pieces."""
    faults: list[Fault] = []
    groups: list[list[tuple[int, int]]] = []
    for a, b in zip(one.tolist(), two.tolist(), strict=True):
        for group in groups:
            if any(abs(a - c) <= 2 and abs(b - d) <= 2 for c, d in reversed(group)):
                group.append((a, b))
                break
        else:
            groups.append([(a, b)])
    for group in groups:
        a, b = group[len(group) // 2]
        text = (
            f"the road runs into itself: {line.where(middle[a])} it overlaps the road at {middle[b]:.1f} m, "
            f"with {abs(height[a] - height[b]):.1f} m between their heights (a bridge needs {BRIDGE:g} m); "
            "move the roads apart, make them narrower, or lift one over the other"
        )
        faults.append(line.fault(float(middle[b]), text))
    return faults


def _runs(bad: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bad, [False]]).astype(int)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
