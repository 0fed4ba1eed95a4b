"""A log's way along the road: station and offset over time, from places and speed.

On the road's own station and offset a car's path is nearly straight, whatever the bends of the road: noise of the places
cannot make corners or kinks there. Speed says how the car moves from moment to moment, places keep it from drifting.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.fixes import Fixes, fixes_on, lag_of, moved_by, places_of
from lapwright.driver.log import Log
from lapwright.driver.penalised import cutoff, left_over, smooth, smooth_trend
from lapwright.driver.placing import Placing
from lapwright.lap.lap import Lap
from lapwright.track.track import Track

Array = NDArray[np.float64]

LEAST_NOISE = 0.004
"""Noise of the places [m] below which none is believed: the last digits of a file."""

LINE_STEP, LINE_ROUGHNESS = 2.0, 6e-4
"""Spacing of the knots of the line [m], and how roughly its curvature changes against the road's [1/m2, times sqrt(m)]."""

APART_ROUGHNESS, CALM_ROUGHNESS = 2e-4, 5e-5
"""The same for how far a line is from the reference, which is smoother; and where the length of the way is told by it: noise
makes a way longer."""

DRIFT_STEP, STEADY, UNSTEADY = 0.25, 4e-4, 0.06
"""Spacing of the knots of the drift [s], and how roughly the error of the speed changes [m/s2, times sqrt(s)]: of a speed
that is true but for a factor, and of that of wheels that slip."""

LOOSE, LOOSE_RATE = 200.0, 10.0
"""How far a line may be off [m] and a speed wrong [m/s] where nothing is known: an answer for miles without places."""

WOBBLE = 0.4
"""Share of the noise across that counts as error of the way round bends: through a short bend it keeps its sign, so it is
less of a random walk than its size would be. Measured on made logs, where it makes the running difference best."""

PIECE, BELIEVED = 500.0, 0.02
"""Length of the pieces [m] by which the factor of the speed is checked, and how far the whole may be from them [-]."""

LAG = 4.0
"""Time [s] over which it is seen whether the speed slips against the places: too short for places to wander."""

EXACT, WANDER = 0.05, 0.7
"""Places with less noise than the first [m] are no satellite fixes; such fixes wander slowly by the second [m] at least
(common practice for receivers without corrections), which no log of a lap or two can show."""

BEND_STEP = 0.5
"""Spacing [m] of the table from which the road's curvature is read: a log has far more rows than the road has bends."""

WINDOW = 80.0
"""Length of the pieces in which places are seen to wander [s]: about a lap."""

ROUNDS = 4
"""Rounds in which offset, heading and station settle."""


@dataclass(frozen=True, eq=False)
class Way:
    """A log's way along the road, at the times of its speed.

    Attributes
    ----------
    t : (M,) times [s]
    s : (M,) stations [m] that keep growing: a closed road's length is added lap by lap
    speed : (M,) [m/s], as logged times ``1 + stretch``
    n : (M,) offset [m]; NaN without places. ``slope`` : (M,) dn/ds. ``bend`` : (M,) d2n/ds2 [1/m]
    fix_t, fix_s, fix_off : of every fix its time, station and distance from the road's edge, 0 on it [m]
    raw : standard deviation of one fix [m]; ``across``, ``along`` what is left of it [m], ``curved`` of it in ``bend`` [1/m]
    stretch : way by the places over way by the speed, less one
    lag : by how much the places came later than the speed [s]; it was taken out
    stray : fixes that were left out because they leap away from their neighbours
    words : the filter in words
    """

    t: Array
    s: Array
    speed: Array
    n: Array
    slope: Array
    bend: Array
    fix_t: Array
    fix_s: Array
    fix_off: Array
    raw: float
    across: float
    along: float
    curved: float
    stretch: float
    lag: float
    stray: int
    words: str


def way_by_places(log: Log, track: Track, placing: Placing, target: Lap | None = None) -> Way:
    """The way of a log that has places and speed.

    Parameters
    ----------
    log
        With ``x``, ``y`` and ``speed``.
    track, placing
        The road, and how the log's axes lie on it.
    target
        The reference: what is smoothed is then how far the driver's line is from its line, and not the line as a whole.
    """
    speed = log.signals["speed"]
    at, x, y = places_of(log)
    x_world, y_world = placing.apply(x, y)
    t, v = speed.t, np.maximum(speed.values, 0.0)
    odometer = _integral(t, v)
    fixes = fixes_on(track, at, x_world, y_world, t, odometer)
    noise, stretch, roughness = max(fixes.noise, LEAST_NOISE), 0.0, STEADY
    station = np.interp(t, fixes.t, fixes.s)
    offset = slope = bend = drift = np.zeros_like(t)
    rough, calm = (LINE_ROUGHNESS, LINE_ROUGHNESS) if target is None else (APART_ROUGHNESS, CALM_ROUGHNESS)
    if noise <= EXACT:
        rough = calm = LINE_ROUGHNESS
    spacing = max(float(np.median(np.diff(fixes.t))), 1e-3)
    typical = max(float(np.median(v[v > 2.0])) if np.any(v > 2.0) else 1.0, 1.0)
    length = cutoff(noise, spacing * typical, rough, 3)
    white = left_over(noise, spacing * typical, rough)
    bends = _Bends(track)
    for turn in range(ROUNDS):
        knots = _knots(fixes.s, station)
        middle = np.zeros_like(knots) if target is None else np.interp(track.wrap(knots), target.s, target.n)
        beside = fixes.n - np.interp(fixes.s, knots, middle)
        line = middle + smooth(fixes.s, beside, noise, knots, rough, 3, LOOSE)
        first = np.gradient(line, knots)
        measured = np.gradient(middle + smooth(fixes.s, beside, noise, knots, calm, 3, LOOSE), knots)
        offset, slope = np.interp(station, knots, line), np.interp(station, knots, first)
        bend = np.interp(station, knots, np.gradient(first, knots))
        # s' = v cos(course) / ((1 - n k) stretch of the road by its slope): the rate along the centreline, in plan.
        turning, steep = bends.at(station)
        pace = 1.0 / (
            steep
            * np.hypot(np.maximum(1.0 - offset * turning, 0.2), np.interp(station, knots, measured) / steep)
        )
        odometer = _integral(t, v * pace)
        stretch = _stretch(fixes.t, fixes.s, t, odometer)
        odometer *= 1.0 + stretch
        apart = fixes.s - np.interp(fixes.t, t, odometer)
        if turn < ROUNDS - 1:
            fixes = moved_by(fixes, lag_of(fixes.t, apart, t, v, fixes.lag != 0.0))
            apart = fixes.s - np.interp(fixes.t, t, odometer)
        roughness = _slip(fixes.t, apart, noise)
        # An offset that is wrong by what noise is left makes the way round a bend too long or too short by its angle.
        wobble = WOBBLE * white * np.abs(turning) * v * np.sqrt(2.0 * length / 6.0 / np.maximum(v, 1.0))
        drift = _drift(fixes, apart, t, noise, wobble, roughness)
        station = np.maximum.accumulate(odometer + drift)
    period = cutoff(noise, spacing, roughness, 2)
    wander = max(_wander(t, drift), WANDER) if noise > EXACT else _wander(t, drift)
    road = track.road(fixes.s)
    off = np.maximum(np.maximum(fixes.n - road.width_left, -fixes.n - road.width_right), 0.0)
    return Way(
        t=t,
        s=station,
        speed=v * (1.0 + stretch),
        n=offset,
        slope=slope,
        bend=bend,
        fix_t=fixes.t,
        fix_s=fixes.s,
        fix_off=off,
        raw=noise,
        across=float(np.hypot(white, wander)),
        along=float(np.hypot(left_over(noise, spacing, roughness, 2), wander)),
        curved=left_over(noise, spacing * typical, rough, 3, 2),
        stretch=stretch,
        lag=fixes.lag,
        stray=fixes.stray,
        words=(
            f"places on the road's station and offset, smoothed by penalised least squares from both sides: half of a wave "
            f"of {length:.0f} m across and of {period:.1f} s along is left; speed carries the station in between"
        ),
    )


def _integral(t: Array, rate: Array) -> Array:
    return np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(t))])


class _Bends:
    """A road's curvature and steepness, as a table."""

    def __init__(self, track: Track) -> None:
        self._track = track
        self._s = np.linspace(0.0, track.length, int(np.ceil(track.length / BEND_STEP)) + 1)
        road = track.road(self._s)
        self._turning, self._steep = road.omega_z / road.stretch, road.stretch

    def at(self, s: Array) -> tuple[Array, Array]:
        """Turn per metre along the centreline in plan [1/m], and metres driven per metre of it [-]."""
        wrapped = self._track.wrap(s)
        return np.interp(wrapped, self._s, self._turning), np.interp(wrapped, self._s, self._steep)


def _knots(fix_s: Array, station: Array) -> Array:
    """Knots of the line along the whole way."""
    low = min(float(station.min()), float(fix_s.min())) - 4.0 * LINE_STEP
    high = max(float(station.max()), float(fix_s.max())) + 4.0 * LINE_STEP
    return np.linspace(low, high, max(int(np.ceil((high - low) / LINE_STEP)), 8) + 1)


def _stretch(fix_t: Array, fix_s: Array, t: Array, odometer: Array) -> float:
    """By how much the places have come farther than the speed says, as a share.

    By least squares over all of the log, unless that is far from the median of its pieces: a car that came back along the
    road would spoil it.
    """
    way = np.interp(fix_t, t, odometer)
    if way[-1] - way[0] < 200.0:
        return 0.0
    ahead = fix_s - way
    slope = float(np.polyfit(way - way[0], ahead - ahead[0], 1)[0])
    first = np.searchsorted(way, np.arange(way[0], way[-1], PIECE))
    gained, gone = np.diff(ahead[first]), np.diff(way[first])
    usual = float(np.median(gained / np.maximum(gone, 1.0))) if gone.size else slope
    return slope if abs(slope - usual) < BELIEVED else usual


def _slip(fix_t: Array, apart: Array, noise: float) -> float:
    """How roughly the speed's error changes, from how the places leave it behind within seconds.

    The second differences of means over a second, ``LAG`` apart, of white noise alone would be sqrt(6 / fixes in a mean) of
    it; what there is more is slip.
    """
    seconds = np.floor(fix_t - fix_t[0]).astype(np.int64)
    count = np.bincount(seconds)
    mean = np.bincount(seconds, apart) / np.maximum(count, 1)
    k = round(LAG)
    full = count > 0.5 * np.median(count[count > 0])
    both = full[2 * k :] & full[k:-k] & full[: -2 * k]
    second = (mean[2 * k :] - 2.0 * mean[k:-k] + mean[: -2 * k])[both]
    if second.size < 16:
        return STEADY
    white = 6.0 * noise * noise / max(float(np.median(count[count > 0])), 1.0)
    excess = float(np.mean(second**2)) - white * (1.0 + 4.0 / np.sqrt(second.size))
    return float(np.clip(np.sqrt(max(excess, 0.0)) / LAG**1.5, STEADY, UNSTEADY))


def _drift(fixes: Fixes, apart: Array, t: Array, noise: float, wobble: Array, roughness: float) -> Array:
    """How far the places are ahead of the speed, smoothed; ``wobble`` (M,) at the times ``t``."""
    knots = np.linspace(t[0], t[-1], max(int(np.ceil((t[-1] - t[0]) / DRIFT_STEP)), 8) + 1)
    between = np.interp(0.5 * (knots[1:] + knots[:-1]), t, wobble)
    return np.interp(t, knots, smooth_trend(fixes.t, apart, noise, knots, between, roughness, LOOSE_RATE))


def _wander(t: Array, drift: Array) -> float:
    """How far places wander slowly [m]: what is left of the drift in pieces of ``WINDOW`` once a steady drift is taken out.

    Speed does not wander with them, so it tells. What it tells along the road is taken to hold across it too.
    """
    pieces = np.split(np.arange(t.size), np.searchsorted(t, np.arange(t[0] + WINDOW, t[-1], WINDOW)))
    left = []
    for rows in pieces:
        if rows.size > 8 and t[rows[-1]] - t[rows[0]] > 0.5 * WINDOW:
            at = t[rows] - t[rows[0]]
            left.append(float(np.std(drift[rows] - np.polyval(np.polyfit(at, drift[rows], 1), at))))
    return float(np.median(left)) if left else 0.0
