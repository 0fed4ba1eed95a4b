"""Tracks in GPX 1.1, read by gpxpy: places and times, and from them the speed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.agreement import place_speed_ratio
from lapwright.driver.globe import east_north
from lapwright.driver.log import Log, Signal
from lapwright.errors import Fault, InputError
from lapwright.inputs.channel_map import ChannelMap
from lapwright.inputs.log_clock import SHOWN, Array
from lapwright.inputs.log_ranges import STANDING, limits_of, top_of
from lapwright.inputs.log_signals import DISAGREE, FEWEST

SPEED_WINDOW = 1.0
"""Time over which places are fitted for a speed [s], at least five of them."""


def load_gpx(path: Path, chart: ChannelMap | None) -> Log:
    """The log in a GPX 1.1 file: every point of its tracks, in order.

    Speed comes from the points where all of them have one (an element ``speed``, m/s) and the places agree with it, else from
    the places, see ``smooth_speed``.

    Parameters
    ----------
    path
        File.
    chart
        Its driver is taken; the rest of it is not used, GPX has fixed names.

    Raises
    ------
    InputError
        gpxpy is not installed, the file is broken, a point has no time, time runs backwards, too few points.
    """
    file = str(path)
    points = _points(path)
    notices: list[Fault] = []
    if chart is not None:
        notices.append(Fault(f"{chart.file} is not used but for the driver: GPX has fixed names", file=file))
    t = _times(points, file)
    fresh = np.concatenate([[True], np.diff(t) > 0.0])
    if not fresh.all():
        count = int((~fresh).sum())
        notices.append(
            Fault(f"{count} points that repeat the time of the one before are left out", file=file)
        )
    used = fresh & _on_earth(points, file, notices)
    points = [point for point, keep in zip(points, used, strict=True) if keep]
    t = t[used]
    if t.size < FEWEST:
        raise InputError(Fault(f"the track has {t.size} points; at least {FEWEST} are needed", file=file))
    x, y = east_north(
        np.radians([point.latitude for point in points]), np.radians([point.longitude for point in points])
    )
    rows = np.arange(t.size, dtype=np.int64)
    places = {name: Signal(t, values, rows, 0, "lat, lon") for name, values in (("x", x), ("y", y))}
    speed = _speed_signal(points, places, file, notices)
    return Log(
        file=file,
        driver=(chart.driver if chart is not None else "") or path.stem,
        signals={"speed": speed, **places},
        geographic=True,
        notices=tuple(notices),
    )


def _points(path: Path) -> list[Any]:
    """The points of all tracks."""
    file = str(path)
    try:
        import gpxpy
        from gpxpy.gpx import GPXException
    except ImportError as error:
        message = "GPX is read by gpxpy, which is not installed: pip install 'lapwright[gpx]'"
        raise InputError(Fault(message, file=file)) from error
    try:
        content = gpxpy.parse(path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise InputError(Fault(f"the file is not UTF-8 (byte {error.start})", file=file)) from error
    except (GPXException, ValueError) as error:
        raise InputError(Fault(f"the file cannot be read as GPX 1.1: {error}", file=file)) from error
    return [point for track in content.tracks for segment in track.segments for point in segment.points]


def _speed_signal(points: list[Any], places: Mapping[str, Signal], file: str, notices: list[Fault]) -> Signal:
    """The speeds of the points when all have one and the places agree, else that of the places."""
    x = places["x"]
    own = np.array([_speed(point) for point in points])
    whole = bool(np.isfinite(own).all())
    given = Signal(x.t, own, x.row, 0, "speed")
    ratio = place_speed_ratio({"speed": given, **places}) if whole else np.nan
    if abs(ratio - 1.0) > DISAGREE:
        message = (
            f"the places go {ratio:.3g} times as fast as the speeds of the points in m/s; those are left out"
        )
        notices.append(Fault(message, file=file))
        whole = False
    if not whole:
        smooth = smooth_speed(x.t, x.values, places["y"].values)
        given = Signal(x.t, smooth, x.row, 0, "speed from the places")
        notices.append(Fault(f"the speed is made from the places, fitted over {_span(x.t):.1f} s", file=file))
    low, high = limits_of("speed")
    kept = (given.values >= low) & (given.values <= high)
    if np.mean(~kept) > 0.01:
        raise InputError(
            Fault(f"the track goes at up to {given.values.max():.0f} m/s: no car does", file=file)
        )
    if top_of(given.values) < STANDING:
        raise InputError(Fault(f"the track never goes faster than {given.values.max():.2f} m/s", file=file))
    if not kept.all():
        notices.append(Fault(f"{int((~kept).sum())} impossible speeds are left out", file=file))
    return Signal(given.t[kept], given.values[kept], given.row[kept], 0, given.title)


def _on_earth(points: list[Any], file: str, notices: list[Fault]) -> NDArray[np.bool_]:
    """Which points have possible places, latitude and longitude on the globe; a notice about the others."""
    # A NaN is not within anything.
    good = np.array([abs(point.latitude) <= 90.0 and abs(point.longitude) <= 180.0 for point in points])
    if not good.all():
        first = int(np.flatnonzero(~good)[0])
        place = f"latitude {points[first].latitude}, longitude {points[first].longitude}"
        message = (
            f"{int((~good).sum())} impossible places are left out, the first is point {first + 1}: {place}"
        )
        notices.append(Fault(message, file=file))
    return good


def _times(points: list[Any], file: str) -> Array:
    """Times of the points from the first [s]."""
    if not points:
        raise InputError(
            Fault("there is no track in the file (waypoints and routes have no times)", file=file)
        )
    missing = [number for number, point in enumerate(points, 1) if point.time is None]
    if missing:
        shown = ", ".join(map(str, missing[:SHOWN])) + (" ..." if len(missing) > SHOWN else "")
        raise InputError(Fault(f"{len(missing)} of {len(points)} points have no time: {shown}", file=file))
    t = np.array([(point.time - points[0].time).total_seconds() for point in points])
    back = np.flatnonzero(np.diff(t) < 0.0)
    if back.size:
        k = int(back[0])
        message = (
            f"time runs backwards at point {k + 2}: {t[k + 1]:.3f} s after {t[k]:.3f} s; "
            "a new log begins here: cut the file in two"
        )
        raise InputError(Fault(message, file=file))
    return t


def _speed(point: Any) -> float:
    """Speed of a point, NaN without one: GPX 1.0's own element, or one in the extensions of GPX 1.1, in m/s."""
    if point.speed is not None:
        return _number(point.speed)
    for extension in point.extensions:
        for element in extension.iter():
            if str(element.tag).rsplit("}", 1)[-1].lower() == "speed" and element.text:
                return _number(element.text)
    return np.nan


def _number(text: Any) -> float:
    try:
        return float(text)
    except ValueError:
        return np.nan


def _span(t: Array) -> float:
    return max(SPEED_WINDOW, 4.0 * float(np.median(np.diff(t))))


def smooth_speed(t: Array, x: Array, y: Array) -> Array:
    """Speed from places with noise.

    A parabola through the places of ``SPEED_WINDOW`` around each (at least five of them), least squares, in x and in y; its
    slope at the middle is the velocity (the filter of Savitzky and Golay, Anal. Chem. 36 (1964) 1627, for uneven times it is
    laid on an even grid first). It looks both ways, so there is no delay.

    Parameters
    ----------
    t
        (M,) [s], strictly rising.
    x, y
        (M,) [m].

    Returns
    -------
    Speed (M,) [m/s].
    """
    from scipy.signal import savgol_filter

    step = float(np.median(np.diff(t)))
    grid = np.linspace(t[0], t[-1], max(round((t[-1] - t[0]) / step), 5) + 1)
    step = float(grid[1] - grid[0])
    window = max(5, 2 * round(0.5 * SPEED_WINDOW / step) + 1)
    window = min(window, grid.size - 1 + grid.size % 2)
    rates = [savgol_filter(np.interp(grid, t, axis), window, 2, deriv=1, delta=step) for axis in (x, y)]
    return np.asarray(np.interp(t, grid, np.hypot(*rates)))
