"""What a car felt and how it turned, from what a log has of it: in the same way for a driven lap and for the reference."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.lap_channels import as_logged
from lapwright.lap.lap import Array, Lap
from lapwright.quantities import G
from lapwright.track.track import Track

WINDOW = 0.3
"""Time over which forces are averaged [s]: the greatest of noisy samples would be too great."""

COARSE = 1.0
"""The same where no lateral acceleration was logged [s]: a car rotates before and after it turns, and a line is known less
well than its bends need."""

TILTED, SHIFTED = 0.02, 0.15
"""Share and shift [m/s2] from which an accelerometer is set right."""

ROLLING = 10.0
"""Speed [m/s] from which accelerometers are held against the motion."""

STRAIGHT = 3.0
"""Lateral acceleration [m/s2] up to which the speed gathers along the car: in corners it has sideslip."""


FEWEST = 200
"""Rows, as many metres, from which an accelerometer is set right."""


def window_of(has: frozenset[str]) -> float:
    """Time over which forces are averaged for a log with these channels [s]."""
    return WINDOW if "accel_lat" in has else COARSE


def calm(t: Array, values: Array, window: float = WINDOW) -> Array:
    """A channel averaged over ``window`` of time, (M,)."""
    way = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(t))])
    early = np.maximum(t - 0.5 * window, t[0])
    late = np.minimum(t + 0.5 * window, t[-1])
    return np.asarray((np.interp(late, t, way) - np.interp(early, t, way)) / (late - early))


def course_rate(lap: Lap) -> Array:
    """Rate at which the driven path turns [rad/s], left positive: the change of its direction in plan."""
    course = np.unwrap(np.arctan2(np.gradient(lap.y, lap.t), np.gradient(lap.x, lap.t)))
    return np.asarray(np.gradient(course, lap.t))


def motion_of(lap: Lap, track: Track, has: frozenset[str]) -> Lap:
    """A lap with accelerations and yaw rate from the channels that a log has.

    Lateral acceleration that was not logged is speed times yaw rate, or times the turning of the path without one, and what
    the road's bank adds.

    Parameters
    ----------
    lap
        The driven lap, or the reference with rows at the same stations.
    track
        The road: its slope and bank are felt too.
    has
        Channels of the log, as in ``DriverLap.has``; the reference is told by the same.
    """
    lap = as_logged(lap, track, has)
    if "yaw_rate" not in has and "line" in has:
        lap = replace(lap, yaw_rate=course_rate(lap))
    if "accel_lat" not in has:
        lap = replace(lap, accel_lat=lap.speed * lap.yaw_rate + G * track.road(lap.s).up_y)
    return lap


def levelled(lap: Lap, target: Lap, track: Track, has: frozenset[str]) -> tuple[Lap, tuple[float, float]]:
    """A driven lap with accelerometers set right where they were not level.

    Parameters
    ----------
    lap, target
        The driven lap and the reference, both from ``motion_of``.
    track, has
        As there.

    Returns
    -------
    tuple
        The lap, and the factors by which the accelerometer read too much along and across the car; 1 where nothing is there
        to hold it against.

    Notes
    -----
    An accelerometer leans with the body on its springs, 1 to 4 degrees per g (common practice), reads so much of gravity, and
    is seldom mounted straight. So it is held against the motion, m = c + d f by least squares: along the car against the rate
    of the speed on straights, across it over the lap against speed times yaw rate, or against the path without one, both with
    the road's slope and bank. f hardly has noise, so what noise m has does not bend d. The same c and d of the reference are
    what sideslip does to them. Differences below ``TILTED`` and ``SHIFTED`` are within the method's own errors and left.
    """
    long, along = _level(_along(lap, track, has), _along(target, track, has))
    across, much = _level(_across(lap, track, has), _across(target, track, has))
    told = replace(
        lap,
        accel_long=lap.accel_long if long is None else long[0] + long[1] * lap.accel_long,
        accel_lat=lap.accel_lat if across is None else across[0] + across[1] * lap.accel_lat,
    )
    return told, (along, much)


Line = tuple[float, float]
"""c and d of m = c + d f."""


def _level(read: Line | None, own: Line | None) -> tuple[Line | None, float]:
    """What makes a level reading of one that is not, None where it is level, and the factor by which it read too much."""
    if read is None or own is None or read[1] <= 0.0 or own[1] <= 0.0:
        return None, 1.0
    factor, shift = own[1] / read[1], (read[0] - own[0]) / own[1]
    if abs(factor - 1.0) < TILTED and abs(shift) < SHIFTED:
        return None, 1.0
    return (shift, 1.0 / factor), factor


def _along(lap: Lap, track: Track, has: frozenset[str]) -> Line | None:
    if "accel_long" not in has:
        return None
    bare = as_logged(lap, track, has - {"accel_long"}).accel_long
    return _held(lap, lap.accel_long, bare, np.abs(calm(lap.t, lap.accel_lat)) < STRAIGHT)


def _across(lap: Lap, track: Track, has: frozenset[str]) -> Line | None:
    if "accel_lat" not in has or not has & {"yaw_rate", "line"}:
        return None
    return _held(
        lap, lap.accel_lat, motion_of(lap, track, has - {"accel_lat"}).accel_lat, np.isfinite(lap.speed)
    )


def _held(lap: Lap, read: Array, motion: Array, rows: NDArray[np.bool_]) -> Line | None:
    """Shift c and slope d of ``motion`` over what was ``read``, from ``rows`` with a rolling car; None from too few."""
    rows = rows & (lap.speed > ROLLING)
    if np.sum(rows) < FEWEST:
        return None
    f, m = calm(lap.t, read)[rows], calm(lap.t, motion)[rows]
    weight = np.sqrt(np.gradient(lap.t)[rows])
    design = np.column_stack([np.ones_like(f), f]) * weight[:, None]
    shift, slope = np.linalg.lstsq(design, m * weight, rcond=None)[0]
    return float(shift), float(slope)
