"""The shape of a brake release, as two numbers.

What is left of the brake is fitted by

    left(t) = ((end - t) / (end - start))^power

over the time of the release, ``left`` being the share of the brake at its start, ``end`` where it comes to nothing; and once
more over its last part alone. How a release comes to its end tells what the car was doing: on a fixed spiral the ideal one
ends like a square root (power 0.5, held and let go late), on a free line like a straight ramp (power 1). Both follow from a
point mass on its friction circle, the first from v dv/ds = -sqrt(A^2 - (v^2 k)^2), the second from the bilinear tangent law
(Bryson & Ho, Applied Optimal Control, 1975, 2.7 [from memory]). Taken as a whole, both have a power of about 0.7.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from lapwright.lap.lap import Array

SQUARE_ROOT, RAMP = 0.5, 1.0
"""Powers with which the two yardsticks end."""

ENDING = 0.4
"""Share of the brake from which a release is at its last part."""

LATE, EARLY = 0.77, 1.3
"""Powers below and above which a release is called late or early rather than a straight ramp."""

ONE_SWEEP = 0.08
"""Root mean square misfit, as a share of the brake at the start of the release, up to which one power describes it."""

POINTS = 60
"""Moments of the release at which it is fitted, evenly spread in time."""

LAST, REACH = 0.05, 0.25
"""The brake reaches zero where the straight line through the last such share of the release does, and no farther past its end
than this share of its duration."""

WEAKEST, STRONGEST = 0.1, 6.0
"""Powers between which the fit is looked for."""

LEAST = 0.05
"""Shortest release that has a shape [s]."""


@dataclass(frozen=True)
class ReleaseShape:
    """``power`` of the fit and ``end_power`` of that of its last part; ``misfit`` root mean square of the first, as a share
    of the brake at the start; ``words`` for people.
    """

    power: float
    end_power: float
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

    tail = float(left[-1])
    falling = (float(np.interp(1.0 - LAST, at, left)) - tail) / LAST
    end = 1.0 + min(tail / max(falling, 1e-6), REACH)

    power, misfit = _power(at, left, end)
    last = left <= ENDING
    last[int(np.argmax(last)) :] = True
    end_power = _power(at[last], left[last], end)[0] if np.count_nonzero(last) > 3 and last[-1] else power
    return ReleaseShape(power, end_power, misfit, _words(power, misfit, left))


def _power(at: Array, left: Array, end: float) -> tuple[float, float]:
    """The power that fits best, and its misfit."""

    def miss(power: float) -> Array:
        return np.asarray(left[0] * ((end - at) / (end - at[0])) ** power - left)

    found = minimize_scalar(
        lambda power: np.sum(miss(power) ** 2), bounds=(WEAKEST, STRONGEST), method="bounded"
    )
    return float(found.x), float(np.sqrt(np.mean(miss(found.x) ** 2)))


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
