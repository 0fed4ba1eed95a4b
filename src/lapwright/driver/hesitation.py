"""Signs of an unsure foot or hand in a lap: a release in steps, a second application, a lift after the pick-up, corrections.

Each is read from one lap alone; what is a fault is for whoever holds two laps side by side.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.session import Noise
from lapwright.lap.lap import Lap
from lapwright.lap.phases import BRAKE_ON, FULL_THROTTLE, THROTTLE_ON

Array = NDArray[np.float64]

RATE = 50.0
"""Samples a second at which movements are read [Hz]."""

SOFT = 0.08
"""Standard deviation of the window by which rates are smoothed [s]."""

BURST, LULL = 0.35, 0.25
"""A release goes fast where its rate is above the first share of its greatest; two such stretches are two steps when the rate
in between falls below the second share of the lesser."""

PRESSED = 0.1
"""Rise of the brake after a fall of as much, as a share of its peak, that counts as a second application."""

LIFTED = 0.12
"""Fall of the throttle after its pick-up that counts as a lift."""

TURNED = 0.07
"""Swing of the hand wheel that counts [rad]: four degrees."""

SLOW = 0.35
"""Standard deviation of the window that makes a slow movement of the hands out of a quick one [s]."""

CLEAR = 6.0
"""Standard deviations of the log's noise that a sign must exceed besides."""


@dataclass(frozen=True)
class Sign:
    """One sign: from ``start`` to ``end`` [m], ``size`` in the unit of its channel, ``count`` of them in all (0: none)."""

    count: int
    start: float = float("nan")
    end: float = float("nan")
    size: float = 0.0


def _over_time(lap: Lap, values: Array, start: float, end: float) -> tuple[Array, Array, Array]:
    """Times, stations and values of a piece, evenly in time; empty when there is nothing to read."""
    rows = (lap.s >= start) & (lap.s <= end)
    if np.sum(rows) < 6 or not np.all(np.isfinite(values[rows])):
        return np.empty(0), np.empty(0), np.empty(0)
    t = np.arange(lap.t[rows][0], lap.t[rows][-1], 1.0 / RATE)
    return t, np.interp(t, lap.t[rows], lap.s[rows]), np.interp(t, lap.t[rows], values[rows])


def _soft(values: Array, seconds: float) -> Array:
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(values, seconds * RATE, mode="nearest"))


def _level(noise: float, least: float) -> float:
    return max(least, CLEAR * noise) if np.isfinite(noise) else least


def release_steps(lap: Lap, start: float, end: float, noise: Noise) -> Sign:
    """In how many steps the brake is let go between two stations.

    ``start`` and ``end`` of the sign are the longest hold between two steps, ``size`` the brake there as a share of the peak.
    """
    _, s, brake = _over_time(lap, lap.brake, start, end)
    if s.size < 8 or brake.max() < _level(noise.brake, 2.0 * BRAKE_ON):
        return Sign(0)
    first = int(np.flatnonzero(brake >= 0.95 * brake.max())[-1])
    s, brake, peak = s[first:], brake[first:], float(brake.max())
    off = np.flatnonzero(brake < BRAKE_ON)
    # The foot that leaves the pedal altogether belongs to the last step.
    stop = int(off[0]) + 6 if off.size else brake.size
    s, brake = s[:stop], brake[:stop]
    if s.size < 8:
        return Sign(1)
    rate = np.maximum(-np.gradient(_soft(brake, SOFT)), 0.0)
    fast = rate > BURST * rate.max()
    runs = [
        run
        for run in np.split(np.arange(s.size), np.flatnonzero(np.diff(fast.astype(int))) + 1)
        if fast[run[0]]
    ]
    steps = runs[:1]
    holds: list[tuple[int, int]] = []
    for run in runs[1:]:
        gap = slice(steps[-1][-1], run[0] + 1)
        lesser = min(float(rate[steps[-1]].max()), float(rate[run].max()))
        if rate[gap].min() < LULL * lesser:
            holds.append((int(steps[-1][-1]), int(run[0])))
            steps.append(run)
        else:
            steps[-1] = np.concatenate([steps[-1], run])
    if not holds:
        return Sign(len(steps))
    a, b = max(holds, key=lambda hold: hold[1] - hold[0])
    return Sign(len(steps), float(s[a]), float(s[b]), float(np.median(brake[a : b + 1]) / peak))


def second_application(lap: Lap, start: float, end: float, noise: Noise) -> Sign:
    """How often the brake is pressed between two stations; ``start``, ``end`` and ``size`` (of full) of the second."""
    _, s, brake = _over_time(lap, lap.brake, start, end)
    if s.size < 8:
        return Sign(0)
    peak = float(brake.max())
    if peak < _level(noise.brake, BRAKE_ON):
        return Sign(0)
    swing = max(PRESSED * peak, _level(noise.brake, 0.03))
    turns = _swings(brake, swing)
    rises = [(a, b) for a, b in itertools.pairwise(turns) if brake[b] - brake[a] >= swing]
    if not rises:
        return Sign(1)
    later = [(a, b) for a, b in rises if brake[: a + 1].max() - brake[a] >= swing]
    if not later:
        return Sign(len(rises))
    a, b = max(later, key=lambda rise: brake[rise[1]] - brake[rise[0]])
    after = np.flatnonzero(brake[b:] < brake[a] + 0.1 * (brake[b] - brake[a]))
    last = b + int(after[0]) if after.size else brake.size - 1
    return Sign(1 + len(later), float(s[a]), float(s[last]), float(brake[b]))


def throttle_lift(lap: Lap, start: float, end: float, noise: Noise) -> Sign:
    """The largest lift after the throttle was picked up and before it is full for good; ``size`` as a share of full."""
    _, s, throttle = _over_time(lap, lap.throttle, start, end)
    if s.size < 8 or throttle.max() < THROTTLE_ON:
        return Sign(0)
    closed = np.flatnonzero(throttle < THROTTLE_ON)
    # The foot that comes off for the corner is no lift after a pick-up; where it never comes off, the least throttle is it.
    first = int(closed[0]) if closed.size else int(np.argmin(throttle))
    s, throttle = s[first:], throttle[first:]
    lift = _level(noise.throttle, LIFTED)
    turns = _swings(throttle, lift)
    falls = [
        (a, b)
        for a, b in itertools.pairwise(turns)
        # From full throttle a lift is for the next corner.
        if throttle[a] - throttle[b] >= lift
        and (throttle[a] < FULL_THROTTLE or throttle[b:].max() >= throttle[a] - lift)
    ]
    if not falls:
        return Sign(0)
    a, b = max(falls, key=lambda fall: throttle[fall[0]] - throttle[fall[1]])
    back = np.flatnonzero(throttle[b:] >= throttle[a])
    last = b + int(back[0]) if back.size else throttle.size - 1
    return Sign(len(falls), float(s[a]), float(s[last]), float(throttle[a] - throttle[b]))


def steering_corrections(lap: Lap, start: float, end: float, noise: Noise) -> Sign:
    """Quick swings of the hand wheel to and fro, in pairs, its slow movement taken out; ``size`` the largest [rad]."""
    t, s, wheel = _over_time(lap, lap.steering_wheel, start - 20.0, end + 20.0)
    if s.size < 8:
        return Sign(0)
    quick = _soft(wheel, 0.03) - _soft(wheel, SLOW)
    inside = (s >= start) & (s <= end)
    t, s, quick = t[inside], s[inside], quick[inside]
    turns = _swings(quick, _level(noise.steering, TURNED))
    inner = turns[1:-1]
    if len(inner) < 3:
        return Sign(0)
    sizes = np.abs(np.diff(quick[inner]))
    return Sign(len(inner) // 2, float(s[inner[0]]), float(s[inner[-1]]), float(sizes.max()))


def without_corrections(lap: Lap, seconds: float = SLOW) -> Array:
    """Hand-wheel angles of a lap with quick movements smoothed out (M,) [rad]."""
    t = np.arange(lap.t[0], lap.t[-1], 1.0 / RATE)
    return np.interp(lap.t, t, _soft(np.interp(t, lap.t, lap.steering_wheel), seconds))


def _swings(values: Array, least: float) -> list[int]:
    """Indices of the turning points of a series when swings smaller than ``least`` are left out, with its two ends."""
    turns, low, high, way = [0], 0, 0, 0
    for i in range(1, values.size):
        if way <= 0 and values[i] <= values[low]:
            low = i
        if way >= 0 and values[i] >= values[high]:
            high = i
        if way >= 0 and values[high] - values[i] >= least:
            turns.append(high)
            low, way = i, -1
        elif way <= 0 and values[i] - values[low] >= least:
            turns.append(low)
            high, way = i, 1
    turns.append(values.size - 1)
    return list(dict.fromkeys(turns))
