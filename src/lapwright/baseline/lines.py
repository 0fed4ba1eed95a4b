"""Lines for the baseline to drive: the centreline, or offsets given at stations."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lapwright.baseline.path import Offsets
from lapwright.errors import Fault, InputError
from lapwright.quantities import DEG
from lapwright.track.road import Array, distinct
from lapwright.track.splines import hermite_cubics, natural_spline, periodic_spline

if TYPE_CHECKING:
    from lapwright.lap.lap import Lap
    from lapwright.track.track import Track

FEWEST = 4
"""A line needs at least so many points."""

SAME_PLACE = 2e-3
"""Distance [m] up to which the ends of a line are those of the road: files give stations in millimetres."""

STRANGER = 0.1
"""Angle [rad] by which the direction of a line from its curvature may be off that from its offsets. Rounding in a trace file
makes less than a tenth of it over a lap."""

LISTED = 10
"""Faults of one kind that are listed one by one."""


def line_offsets(
    track: Track, stations: Array, offsets: Array, smoothing: float = 0.0, curvature: Array | None = None
) -> Offsets:
    """A line with continuous curvature through given offsets, or with the curvature given beside them.

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
        line through noise means nothing. 0 goes through every point. Not used where ``curvature`` is given.
    curvature
        Curvature of the line in the road surface [1/m, positive left] at each station, (M,), when it is known better than by
        the offsets; straight between the stations. The line then goes through every point.

    Raises
    ------
    InputError
        With every fault: too few points, stations out of order or off the road, gaps, offsets beyond the edges, a curvature
        that does not belong to the offsets.
    """
    s, n = np.asarray(stations, dtype=float), np.asarray(offsets, dtype=float)
    faults = line_faults(track, s, n, curvature)
    if faults:
        raise InputError(faults)
    return _offsets(track, s, n, smoothing, curvature)


def _offsets(track: Track, s: Array, n: Array, smoothing: float, curvature: Array | None) -> Offsets:
    bends = None if curvature is None else (s, np.asarray(curvature, dtype=float))
    if track.closed:
        once = _once(track, s)
        bends = None if bends is None else _around(track, s[once], bends[1][once])
        s, n = _around(track, s[once], n[once])
    if smoothing > 0.0 and bends is None:
        curve = _near(s, n, track.closed, smoothing)
    else:
        curve = periodic_spline(s, n) if track.closed else natural_spline(s, n)
    return Offsets(curve, track.length if track.closed else 0.0, float(s[0]), bends)


def line_of_lap(track: Track, lap: Lap) -> Offsets:
    """The line that a lap was driven on: offset, direction and curvature of its rows.

    The curvature is the lap's own, straight between rows: a point mass turns from one side to the other at once, and a
    smooth curve through its offsets would swing out before and after.
    """
    keep = np.concatenate([[True], np.diff(lap.s) > 1e-6])
    s, n, curvature = lap.s[keep], lap.n[keep], lap.curvature[keep]
    road = track.road(s)
    slope = (road.stretch - n * road.omega_z) * np.tan(lap.xi[keep] + lap.sideslip[keep])
    if lap.closed:
        n, slope, curvature = (np.append(a[:-1], a[0]) for a in (n, slope, curvature))
    length = track.length if lap.closed else 0.0
    return Offsets(hermite_cubics(s, n, slope), length, float(s[0]), (s, curvature))


def line_faults(track: Track, s: Array, n: Array, curvature: Array | None = None) -> list[Fault]:
    """What is wrong with a line; the key of each fault is ("line", number of the point)."""
    beside = n if curvature is None else np.asarray(curvature)
    if s.ndim != 1 or s.shape != n.shape or s.shape != beside.shape:
        lists = "stations and offsets" if curvature is None else "stations, offsets and curvature"
        return [Fault(f"{lists} of a line must be lists of the same length", ("line",))]
    if s.size < FEWEST:
        return [Fault(f"the line has {s.size} points; at least {FEWEST} are needed", ("line",))]
    faults = []
    for i in np.flatnonzero(~(np.isfinite(s) & np.isfinite(n) & np.isfinite(beside))):
        faults.append(Fault("the station, the offset or the curvature is not a number", ("line", int(i))))
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
    if curvature is not None and not faults:
        faults = _strangers(track, s, n, np.asarray(curvature, dtype=float))
    return _some(faults)


def _strangers(track: Track, s: Array, n: Array, curvature: Array) -> list[Fault]:
    """A fault where the curvature turns the line away from its own offsets: a table of which one column was changed."""
    line = _offsets(track, s, n, 0.0, curvature)
    fine = distinct(np.concatenate([np.linspace(s[0], s[-1], max(200, int(s[-1] - s[0]))), s]))
    road = track.road(fine)
    offset, slope, _ = line.at(fine)
    known = line.curvature(fine)
    assert known is not None
    scale = road.stretch - offset * road.omega_z
    # Turning of the line less turning of the road is the turning of the one against the other.
    rate = known * np.hypot(scale, slope) - road.omega_z
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(fine))])
    apart = turned - np.arctan2(slope, scale)
    apart -= np.median(apart)
    worst = int(np.argmax(np.abs(apart)))
    if abs(apart[worst]) <= STRANGER:
        return []
    point = int(np.argmin(np.abs(s - fine[worst])))
    message = (
        f"the curvature does not belong to the offsets: by {fine[worst]:.1f} m it has turned the line "
        f"{abs(apart[worst]) / DEG:.0f} deg away from them; correct one of the two or leave the curvature out"
    )
    return [Fault(message, ("line", point))]


def _some(faults: list[Fault]) -> list[Fault]:
    if len(faults) <= LISTED:
        return faults
    return [*faults[:LISTED], Fault(f"and {len(faults) - LISTED} more faults of this kind", ("line",))]


def _widest(s: Array, length: float) -> float:
    """Widest gap [m] across the line that may be bridged: like the widest one elsewhere, or a fiftieth of the lap."""
    return max(1.5 * float(np.max(np.diff(s))), length / 50.0)


def _once(track: Track, s: Array) -> slice:
    """The points of one lap, without one at the end that is the first one again."""
    again = s[-1] - s[0] >= track.length - max(SAME_PLACE, 1e-3 * float(np.min(np.diff(s))))
    return slice(0, -1) if again else slice(None)


def _around(track: Track, s: Array, value: Array) -> tuple[Array, Array]:
    """Stations and values of one lap with the first again, a lap later."""
    return np.append(s, s[0] + track.length), np.append(value, value[0])


def _near(s: Array, n: Array, closed: bool, smoothing: float) -> object:
    from scipy.interpolate import BSpline, splrep

    knots, coefficients, degree = splrep(s, n, s=s.size * smoothing**2, per=closed)
    return BSpline(knots, coefficients, degree)
