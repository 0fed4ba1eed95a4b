"""A log without places: its way along the road by distance, and by the pattern of its speed.

The line is found from a lap counter, a beacon or a distance that begins anew; failing these, where the speed over distance
looks most like the reference's. Within a lap the corners are brought under those of the reference, as far as the speed
tells: places are then known to some metres only, and nothing can be said about the line.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.log import Log
from lapwright.lap.lap import Lap
from lapwright.track.track import Track

Array = NDArray[np.float64]

GRID = 2.0
"""Spacing [m] at which speeds are compared."""

REACH, WIDTH = 40.0, 120.0
"""How far a corner may be moved, and the length of road by which it is recognised [m]."""

UNLIKE = 0.5
"""Correlation of speed over distance below which a log is not one of this circuit."""

ALIKE = 0.8
"""Correlation from which marks that lie elsewhere than the line are moved to it."""

ODD = 0.08
"""Difference of a lap's distance from the road's, as a share, from which it is not a lap of this circuit."""

SURE = 3.0
"""Least standard deviation of a station without places [m]: drivers differ by that much in where they are slowest."""


@dataclass(frozen=True, eq=False)
class Pattern:
    """The line crossings of a log, and how each lap lies on the road.

    Attributes
    ----------
    crossings : times at which the line is passed [s]
    by : what told them
    """

    crossings: Array
    by: str


def driven(log: Log) -> tuple[Array, Array]:
    """Times and distance since the start of the log by its speed [s, m]."""
    speed = log.signals["speed"]
    v = np.maximum(speed.values, 0.0)
    way = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(speed.t))])
    return speed.t, way


def crossings(log: Log, track: Track, target: Lap | None) -> Pattern:
    """Where a log without places passes the line.

    Parameters
    ----------
    log
        With speed.
    track, target
        The road, and the reference whose speed pattern is looked for when the log has no marks; None when there is none.
    """
    found = _by_marks(log, track)
    if found is not None:
        return (
            found if target is None or not track.closed else _brought_to_the_line(found, log, track, target)
        )
    t, _ = driven(log)
    if target is not None and track.closed:
        starts = _by_speed(log, target)
        if starts is not None:
            return Pattern(starts, "the pattern of the speed")
    return Pattern(np.array([t[0], t[-1]]), "the ends of the log")


def _by_marks(log: Log, track: Track) -> Pattern | None:
    """Line crossings by a channel that changes at the line."""
    if "lap" in log.signals:
        lap = log.signals["lap"]
        steps = np.flatnonzero(np.diff(np.round(lap.values)) != 0)
        if steps.size:
            return Pattern(lap.t[steps + 1], "the lap channel")
    if "beacon" in log.signals:
        beacon = log.signals["beacon"]
        level = 0.5 * (float(beacon.values.min()) + float(beacon.values.max()))
        on = beacon.values > level
        rises = np.flatnonzero(on[1:] & ~on[:-1])
        if rises.size:
            return Pattern(beacon.t[rises + 1], "the beacon channel")
    if "distance" in log.signals:
        distance = log.signals["distance"]
        back = np.flatnonzero(np.diff(distance.values) < -0.3 * track.length)
        if back.size:
            return Pattern(distance.t[back + 1], "the distance channel, which begins anew at the line")
    return None


def _brought_to_the_line(found: Pattern, log: Log, track: Track, target: Lap) -> Pattern:
    """Marks that were set elsewhere on the circuit than the line of its file, moved to it by the pattern of the speed."""
    t, way = driven(log)
    path = path_of(target)
    at = np.arange(0.0, path[-1], GRID)
    model = np.interp(at, path, target.speed)
    ends = np.interp(found.crossings, t, way)
    keep = np.concatenate([[True], np.diff(way) > 1e-6])
    speed = log.signals["speed"].values
    shifts, likeness, laps = [], [], []
    for first, last in itertools.pairwise(ends):
        if abs((last - first) / track.length - 1.0) > ODD:
            continue
        ours = np.interp(first + at * (last - first) / path[-1], way[keep], speed[keep])
        a, b = ours - ours.mean(), model - model.mean()
        alike = np.fft.irfft(np.fft.rfft(a) * np.conj(np.fft.rfft(b)), at.size) / (
            at.size * a.std() * b.std() + 1e-9
        )
        best = int(np.argmax(alike))
        shifts.append((best if best <= at.size // 2 else best - at.size) * GRID)
        likeness.append(float(alike[best]))
        laps.append(last - first)
    if not shifts or np.median(likeness) < ALIKE or abs(np.median(shifts)) <= REACH:
        return found
    shift, lap = float(np.median(shifts)), float(np.median(laps))
    # The line is passed before the first mark too, or after the last one, if the log goes so far.
    moved = np.concatenate([[ends[0] - lap], ends, [ends[-1] + lap]]) + shift
    moved = moved[(moved >= 0.0) & (moved <= way[-1])]
    side = "after" if shift < 0.0 else "before"
    words = f"{found.by}, whose marks lie {abs(shift):.0f} m {side} the line and were moved to it"
    return Pattern(np.interp(moved, way[keep], t[keep]), words)


def path_of(lap: Lap) -> Array:
    """Distance driven along a lap's own line (M,) [m]."""
    steps = np.sqrt(np.diff(lap.x) ** 2 + np.diff(lap.y) ** 2 + np.diff(lap.z) ** 2)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _by_speed(log: Log, target: Lap) -> Array | None:
    """Line crossings by likeness: where one lap of the reference's speed fits best, for each lap that fits in the log."""
    t, way = driven(log)
    # Standing still has no distance: such rows are left out.
    keep = np.concatenate([[True], np.diff(way) > 1e-6])
    at = np.arange(0.0, way[-1], GRID)
    speed = np.interp(at, way[keep], log.signals["speed"].values[keep])
    path = path_of(target)
    model = np.interp(np.arange(0.0, path[-1], GRID), path, target.speed)
    if speed.size < 0.9 * model.size:
        return None
    if speed.size < model.size + 4:
        # A log of one lap from line to line.
        size = min(speed.size, model.size)
        alike = np.corrcoef(speed[:size], model[:size])[0, 1]
        return np.array([t[0], t[-1]]) if alike >= UNLIKE else None
    from numpy.lib.stride_tricks import sliding_window_view

    windows = sliding_window_view(speed, model.size)
    centred = model - model.mean()
    mean = windows.mean(axis=1)
    spread = np.sqrt(np.maximum((windows**2).mean(axis=1) - mean**2, 1e-9))
    size = 2 * speed.size
    product = np.fft.irfft(np.fft.rfft(speed, size) * np.conj(np.fft.rfft(centred, size)), size)[: mean.size]
    likeness = product / (model.size * spread * centred.std())
    if likeness.max() < UNLIKE:
        return None
    starts = []
    first = int(np.argmax(likeness))
    lap = model.size
    near = round(0.5 * ODD * lap)
    for direction in (1, -1):
        place = first
        while 0 <= place < likeness.size:
            starts.append(place)
            low, high = place + direction * lap - near, place + direction * lap + near + 1
            low, high = max(low, 0), min(high, likeness.size)
            if low >= high:
                break
            place = low + int(np.argmax(likeness[low:high]))
            if likeness[place] < UNLIKE:
                break
    places = np.array(sorted({*starts}), dtype=float) * GRID
    if places[-1] + path[-1] <= way[-1] + GRID:
        places = np.append(places, min(places[-1] + path[-1], way[-1]))
    return np.interp(places, way[keep], t[keep])


def lap_stations(track: Track, target: Lap | None, way: Array, speed: Array) -> tuple[Array, float, float]:
    """Stations of a lap told by its distance and, with a reference, by where it is slow.

    Parameters
    ----------
    track, target
        The road, and the reference.
    way
        (M,) distance since the line [m], from 0 to the lap's own length.
    speed
        (M,) [m/s].

    Returns
    -------
    Stations (M,) [m]; the stretch, the lap's distance over the reference's (or the road's) less one; and the standard
    deviation of a station [m].
    """
    if target is None:
        return way * track.length / way[-1], float(way[-1] / track.length - 1.0), 2.0 * SURE
    # A good line is shorter than the road, and unevenly so: the reference's is the best that is known of the driver's.
    path = path_of(target)
    stretch = float(way[-1] / path[-1] - 1.0)
    s = np.interp(way / (1.0 + stretch), path, target.s)
    grid = np.arange(0.0, track.length, GRID)
    keep = np.concatenate([[True], np.diff(s) > 1e-6])
    ours, theirs = np.interp(grid, s[keep], speed[keep]), np.interp(grid, target.s, target.speed)
    anchors, moves = [0.0], [0.0]
    for corner in track.corners:
        apex = float(corner.apex)
        if not WIDTH < apex < track.length - WIDTH:
            continue
        move = _move(grid, ours, theirs, apex)
        if move is not None and apex > anchors[-1] + 2.0 * REACH:
            anchors.append(apex)
            moves.append(move)
    anchors.append(track.length)
    moves.append(0.0)
    from scipy.interpolate import PchipInterpolator

    shift = PchipInterpolator(np.array(anchors) - np.array(moves), moves)(np.clip(s, 0.0, track.length))
    moved = np.maximum.accumulate(np.clip(s + shift, 0.0, track.length))
    inner = np.array(moves[1:-1])
    return moved, stretch, float(max(SURE, 0.5 * np.std(inner) if inner.size > 1 else SURE))


def _move(grid: Array, ours: Array, theirs: Array, apex: float) -> float | None:
    """How far the driver's speed round a corner has to be moved forward to lie under the reference's [m]."""
    rows = np.flatnonzero(np.abs(grid - apex) <= WIDTH)
    window = theirs[rows]
    if window.max() - window.min() < 3.0:
        return None
    reach = round(REACH / GRID)
    scores = []
    for k in range(-reach, reach + 1):
        other = rows - k
        if other[0] < 0 or other[-1] >= ours.size:
            scores.append(-1.0)
            continue
        scores.append(float(np.corrcoef(ours[other], window)[0, 1]))
    best = int(np.argmax(scores))
    if scores[best] < 0.7 or best in (0, 2 * reach):
        return None
    # The top of a parabola through the best and its neighbours.
    a, b, c = scores[best - 1], scores[best], scores[best + 1]
    part = 0.5 * (a - c) / (a - 2.0 * b + c) if a - 2.0 * b + c < 0.0 else 0.0
    return (best - reach + part) * GRID
