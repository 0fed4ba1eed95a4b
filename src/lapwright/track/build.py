"""From what the user says about a track to the finished road."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lapwright.errors import Fault, InputError
from lapwright.quantities import DEG
from lapwright.track import checks
from lapwright.track import stations as placed
from lapwright.track.corners import find_corners, named_corners
from lapwright.track.definition import (
    CornerSpec,
    ElementLine,
    GripPatch,
    Landmark,
    Station,
    TrackDefinition,
)
from lapwright.track.elements import build_elements
from lapwright.track.grip import grip_map
from lapwright.track.line import REPEAT, Line
from lapwright.track.profile import Profile, monotone_profile, smooth_profile
from lapwright.track.road import Array, distinct
from lapwright.track.stations import LINE_SLACK, Ruler
from lapwright.track.track import Track, TrackReport

POINT_HAIR = 1.5 * REPEAT
"""A station this close [m] to that of a point is the point's."""
BANK_UNSEEN = 0.05 * DEG
"""A residual of surveyed banks [rad] too small to matter."""


def build_track(definition: TrackDefinition) -> Track:
    """Make the road that a definition describes.

    Raises
    ------
    InputError
        With every fault found. Each has the path of the key in the track file and says where on the road it
        is. Faults of the centreline come alone: without one nothing else can be placed.
    """
    line = _centreline(definition)
    definition, noisy_bank = _settle(definition, line)
    ruler = Ruler(line.given, line.made)
    faults = _placed_faults(definition, ruler)
    if faults:
        raise InputError(faults)
    track = _assemble(definition, line, ruler, noisy_bank)
    faults = checks.road_faults(track, line)
    if faults:
        raise InputError(faults)
    return track


def _centreline(definition: TrackDefinition) -> Line:
    if isinstance(definition.centreline, ElementLine):
        return build_elements(definition.centreline, definition.closed)
    from lapwright.track.points import build_points

    return build_points(definition.centreline, definition.closed)


def _placed_faults(definition: TrackDefinition, ruler: Ruler) -> list[Fault]:
    faults = placed.width_faults(definition, ruler) + placed.height_faults(definition, ruler)
    faults += placed.grip_faults(definition.grip, ruler, definition.closed)
    faults += placed.corner_faults(definition.corners or (), ruler, definition.closed)
    return faults + placed.landmark_faults(definition.landmarks, ruler)


def _settle(definition: TrackDefinition, line: Line) -> tuple[TrackDefinition, bool]:
    """The definition with values that were surveyed point by point moved to the stations of the points.

    A list whose stations are those of the points along their chords belongs to the points: the road is
    shorter than the chords between noisy points. The second value says whether the bank is such a list.
    """
    moved: dict[str, tuple[Station, ...]] = {}
    for name in ("width_left", "width_right", "bank"):
        stations: tuple[Station, ...] = getattr(definition, name)
        if line.chord is None or line.at_chord is None or len(stations) < max(3, len(line.chord) - 2):
            continue
        at = np.array([station.at for station in stations])
        index = np.clip(np.searchsorted(line.chord, at - POINT_HAIR), 0, len(line.chord) - 1)
        if np.any(np.abs(line.chord[index] - at) > POINT_HAIR):
            continue
        made = line.at_chord[index]
        order = np.argsort(made, kind="stable")
        order = order[np.concatenate([[True], np.diff(made[order]) > REPEAT])]
        moved[name] = tuple(Station(float(made[i]), stations[i].value) for i in order)
    return replace(definition, **moved), "bank" in moved  # type: ignore[arg-type]


def _assemble(definition: TrackDefinition, line: Line, ruler: Ruler, noisy_bank: bool) -> Track:
    length, closed, curve = line.curve.length, definition.closed, line.curve
    at, value = _listed(definition.bank, ruler, closed)
    if noisy_bank:
        from lapwright.track.points import smooth_along

        bank = smooth_along(at, value, length, closed, BANK_UNSEEN)
    else:
        bank = smooth_profile(at, value, length, closed, straight_on=False)
    height = line.height
    if definition.elevation or height is None:
        height = smooth_profile(
            *_listed(definition.elevation, ruler, closed), length, closed, straight_on=True
        )
    if definition.corners is None:
        corners = find_corners(curve, closed)
    else:
        specs = [CornerSpec(c.name, ruler.to_made(c.start), ruler.to_made(c.end)) for c in definition.corners]
        corners = named_corners(tuple(specs), curve)
    patches = tuple(
        GripPatch(ruler.to_made(p.start), ruler.to_made(p.end), p.scale, p.band_right, p.band_left)
        for p in definition.grip
    )
    return Track(
        name=definition.name,
        closed=closed,
        length=length,
        corners=corners,
        landmarks=tuple(Landmark(m.name, ruler.to_made(m.at)) for m in definition.landmarks),
        report=_report(line, height, closed),
        breaks=curve.breaks(),
        curve=curve,
        height=height,
        banking=bank,
        left=monotone_profile(*_listed(definition.width_left, ruler, closed), length, closed),
        right=monotone_profile(*_listed(definition.width_right, ruler, closed), length, closed),
        grip_map=grip_map(patches, length, closed),
    )


def _listed(stations: tuple[Station, ...], ruler: Ruler, closed: bool) -> tuple[Array, Array]:
    """Stations on the finished centreline and their values; nothing given means zero."""
    if len(stations) < 2:
        return np.zeros(1), np.array([stations[0].value if stations else 0.0])
    at = np.array([ruler.to_made(station.at) for station in stations])
    value = np.array([station.value for station in stations])
    if closed and at[-1] - at[0] > ruler.made[-1] - 2.0 * LINE_SLACK:
        # First and last station are the same place, written once for either end of the lap.
        at[-1] = at[0] + ruler.made[-1]
        value[-1] = value[0]
    keep = np.concatenate([[True], np.diff(at) > 0.0])
    return at[keep], value[keep]


def _report(line: Line, height: Profile, closed: bool) -> TrackReport:
    count = max(64, int(np.ceil(line.curve.length)))
    s = distinct(np.concatenate([np.linspace(0.0, line.curve.length, count + 1), line.curve.breaks()]))
    bend = np.abs(line.curve.curvature(s)[0])
    tightest = int(np.argmax(bend))
    z = height.at(s)
    return TrackReport(
        length=line.curve.length,
        closure_gap=line.gap,
        closure_heading=line.heading_error,
        smoothing_max=line.stray_max,
        smoothing_rms=line.stray_rms,
        radius_min=1.0 / float(bend[tightest]) if bend[tightest] > 0.0 else float("inf"),
        radius_min_at=float(s[tightest]),
        height_range=float(np.ptp(z)),
        gradient_max=float(np.max(np.abs(height.slope(s)))),
        notices=line.notices,
    )
