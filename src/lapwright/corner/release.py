"""The shape of a brake release, as one number.

What is left of the brake is fitted by

    left(t) = first ((end - t) / (end - start))^power

over the time of the release. On a fixed spiral the ideal release is a square root (power 0.5, the brake is held and let go
late), on a free line a straight ramp (power 1): both follow from a point mass on its friction circle, the first from
v dv/ds = -sqrt(A^2 - (v^2 k)^2), the second from the bilinear tangent law (Bryson & Ho, Applied Optimal Control, 1975, 2.7
[from memory]).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from lapwright.lap.lap import Array

SQUARE_ROOT, RAMP = 0.5, 1.0
"""Powers of the two yardsticks."""

LATE, EARLY = 0.77, 1.3
"""Powers below and above which a release is called late or early rather than a straight ramp."""

ONE_SWEEP = 0.08
"""Root mean square misfit, as a share of the brake at the start of the release, up to which one power describes it."""

POINTS = 60
"""Moments of the release at which it is fitted, evenly spread in time."""

REACH = 0.5
"""The fitted curve may reach zero this share of the release's duration after its end."""

LEAST = 0.05
"""Shortest release that has a shape [s]."""


@dataclass(frozen=True)
class ReleaseShape:
    """``power`` of the fit, ``misfit`` its root mean square as a share of the brake at the start, ``words`` for people."""

    power: float
    misfit: float
    words: str


def fit_release(t: Array, brake: Array) -> ReleaseShape | None:
    """The shape of a release.

    Parameters
    ----------
    t, brake
        (M,) times [s] and brake of any unit, from the start of the release to its end.

    Returns
    -------
    None when the release is too short to have a shape.
    """
    duration = float(t[-1] - t[0]) if len(t) else 0.0
    if duration < LEAST or brake[0] <= 0.0:
        return None
    at = np.linspace(0.0, 1.0, POINTS)
    left = np.interp(t[0] + duration * at, t, brake) / brake[0]

    def miss(values: Array) -> Array:
        power, end, first = values
        return np.asarray(first * np.maximum(1.0 - at / end, 1e-9) ** power - left)

    tail = float(left[-1])
    guess = np.array([1.0, min(1.0 + max(tail, 0.01), 1.0 + REACH), 1.0])
    found = least_squares(miss, guess, bounds=([0.1, 1.0, 0.8], [6.0, 1.0 + REACH + 1e-9, 1.2]))
    power, misfit = float(found.x[0]), float(np.sqrt(np.mean(found.fun**2)))
    return ReleaseShape(power, misfit, _words(power, misfit, left))


def _words(power: float, misfit: float, left: Array) -> str:
    rise = float(np.max(left - np.minimum.accumulate(left)))
    if rise > ONE_SWEEP:
        return "in steps: the brake is pressed again on the way"
    if misfit > ONE_SWEEP:
        half = float(np.interp(0.5, np.linspace(0.0, 1.0, len(left)), left))
        tail = "a quick drop, then a light tail" if half < 0.4 else "held, then dropped"
        return f"not one sweep: {tail}"
    if power < LATE:
        return "late: held, then let go more and more quickly"
    if power > EARLY:
        return "early: most of it let go at first, then a light tail"
    return "a straight ramp"
