"""One thing that the driver did otherwise than the reference, and how large it must be to count.

The thresholds are common practice: what a driver can feel and change. None of them is below what a log can tell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lapwright.corner.impose import Imposed, Known
from lapwright.driver.pair import Pair

METRES = 2.0
"""Least difference of a place [m]."""

SECONDS = 0.08
"""Least difference of the time that a brake takes to build [s]."""

SHARE = 0.06
"""Least difference of the peak brake, as a share of the reference's."""

SPEED = 0.35
"""Least difference of the slowest speed [m/s]."""

LINE = 0.4
"""Least difference of a line [m]."""

COAST = 5.0
"""Least stretch more without either pedal [m]."""

SURE = 3.0
"""Standard deviations of the log that a difference must exceed besides."""

FELT = 15.0
"""Road behind a place that still belongs to what was done there [m]."""

Bound = Callable[[Known], Imposed | None]


@dataclass(frozen=True, eq=False)
class Difference:
    """One thing that the driver did otherwise.

    Attributes
    ----------
    key : which, for programs
    corner : name
    size : how much, positive; ``unit`` "m", "s", "m/s", "share" or "times"
    start, end : where it was done, stations that run on past the line [m]
    driver, reference : the places or values that it was read from; NaN where there is none
    bound : imposes it on a drive of the reference; None where that makes no sense
    """

    key: str
    corner: str
    size: float
    unit: str
    start: float
    end: float
    driver: float
    reference: float
    bound: Bound | None


def floor(pair: Pair) -> float:
    """Least difference of a place in a corner [m], with the noise of the log."""
    along = pair.noise.along
    return max(METRES, SURE * along) if np.isfinite(along) else METRES
