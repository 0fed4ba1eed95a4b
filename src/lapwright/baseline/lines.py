"""Lines for the baseline to drive: the centreline, or offsets given at stations."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lapwright.baseline.path import Offsets
from lapwright.errors import Fault, InputError
from lapwright.track.road import Array

if TYPE_CHECKING:
    from lapwright.lap.lap import Lap
    from lapwright.track.track import Track

FEWEST = 4
"""A line needs at least so many points."""

SAME_PLACE = 2e-3
"""Distance [m] up to which the ends of a line are those of the road: files give stations in millimetres."""

LISTED = 10
"""Faults of one kind that are listed one by one."""


def line_offsets(track: Track, stations: Array, offsets: Array, smoothing: float = 0.0) -> Offsets:
    """A line with continuous curvature through given offsets.

    Parameters
    ----------
    track
        The road.
    stations
        Stations [m], rising, (M,); round the whole lap of a closed track (the last may repeat the first, one length on),
        from end to end of an open one.
    offsets
        Lateral offsets [m], positive left, (M,).
    smoothing
        Root mean square [m] that the line may stray from the points: recorded offsets are noisy, and the curvature of a
        line through noise means nothing. 0 goes through every point.

    Raises
    ------
    InputError
        With every fault: too few points, stations out of order or off the road, gaps, offsets beyond the edges.
    """
    s, n = np.asarray(stations, dtype=float), np.asarray(offsets, dtype=float)
    faults = line_faults(track, s, n)
    if faults:
        raise InputError(faults)
    if track.closed:
        s, n = _closed(track, s, n)
    curve = _through(s, n, track.closed) if smoothing <= 0.0 else _near(s, n, track.closed, smoothing)
    return Offsets(curve, track.length if track.closed else 0.0, float(s[0]))


def line_of_lap(track: Track, lap: Lap) -> Offsets:
    """The line that a lap was driven on: offset, direction and curvature of its rows.

    The curvature is the lap's own, straight between rows: a point mass turns from one side to the other at once, and a
    smooth curve through its offsets would swing out before and after.
    """
    from scipy.interpolate import CubicHermiteSpline

    keep = np.concatenate([[True], np.diff(lap.s) > 1e-6])
    s, n, curvature = lap.s[keep], lap.n[keep], lap.curvature[keep]
    road = track.road(s)
    slope = (road.stretch - n * road.omega_z) * np.tan(lap.xi[keep] + lap.sideslip[keep])
    if lap.closed:
        n, slope, curvature = (np.append(a[:-1], a[0]) for a in (n, slope, curvature))
    length = track.length if lap.closed else 0.0
    return Offsets(CubicHermiteSpline(s, n, slope), length, float(s[0]), (s, curvature))


def line_faults(track: Track, s: Array, n: Array) -> list[Fault]:
    """What is wrong with a line; the key of each fault is ("line", number of the point)."""
    if s.ndim != 1 or s.shape != n.shape:
        return [Fault("stations and offsets of a line must be two lists of the same length", ("line",))]
    if s.size < FEWEST:
        return [Fault(f"the line has {s.size} points; at least {FEWEST} are needed", ("line",))]
    faults = []
    for i in np.flatnonzero(~(np.isfinite(s) & np.isfinite(n))):
        faults.append(Fault("the station or the offset is not a number", ("line", int(i))))
    if faults:
        return _some(faults)
    for i in np.flatnonzero(np.diff(s) <= 0.0) + 1:
        faults.append(
            Fault(f"station {s[i]:g} m does not lie beyond the one before, {s[i - 1]:g} m", ("line", int(i)))
        )
    if faults:
        return _some(faults)
    if track.closed:
        gap = track.length - float(s[-1] - s[0])
        if gap < -SAME_PLACE:
            faults.append(
                Fault(
                    f"the line covers {s[-1] - s[0]:g} m, the lap has only {track.length:g} m",
                    ("line", s.size - 1),
                )
            )
        elif gap > _widest(s, track.length):
            faults.append(
                Fault(
                    f"the line leaves out {gap:.1f} m of the lap of {track.length:.1f} m",
                    ("line", s.size - 1),
                )
            )
    elif s[0] > SAME_PLACE or s[-1] < track.length - SAME_PLACE:
        faults.append(
            Fault(f"the line covers {s[0]:g} to {s[-1]:g} m, the road 0 to {track.length:g} m", ("line", 0))
        )
    edges = track.road(s if track.closed else np.clip(s, 0.0, track.length))
    for i in np.flatnonzero((n > edges.width_left) | (n < -edges.width_right)):
        faults.append(
            Fault(
                f"offset {n[i]:g} m at {s[i]:g} m is off the road, which reaches from "
                f"{-edges.width_right[i]:.2f} to {edges.width_left[i]:.2f} m there",
                ("line", int(i)),
            )
        )
    return _some(faults)


def _some(faults: list[Fault]) -> list[Fault]:
    if len(faults) <= LISTED:
        return faults
    return [*faults[:LISTED], Fault(f"and {len(faults) - LISTED} more faults of this kind", ("line",))]


def _widest(s: Array, length: float) -> float:
    """Widest gap [m] across the line that may be bridged: like the widest one elsewhere, or a fiftieth of the lap."""
    return max(1.5 * float(np.max(np.diff(s))), length / 50.0)


def _closed(track: Track, s: Array, n: Array) -> tuple[Array, Array]:
    """The points with the first one again, a lap later."""
    if s[-1] - s[0] >= track.length - max(SAME_PLACE, 1e-3 * float(np.min(np.diff(s)))):
        s, n = s[:-1], n[:-1]
    return np.append(s, s[0] + track.length), np.append(n, n[0])


def _through(s: Array, n: Array, closed: bool) -> object:
    from scipy.interpolate import CubicSpline

    return CubicSpline(s, n, bc_type="periodic" if closed else "natural")


def _near(s: Array, n: Array, closed: bool, smoothing: float) -> object:
    from scipy.interpolate import BSpline, splrep

    knots, coefficients, degree = splrep(s, n, s=s.size * smoothing**2, per=closed)
    return BSpline(knots, coefficients, degree)
