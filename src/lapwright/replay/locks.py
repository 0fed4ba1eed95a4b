"""Wheels that lock or spin up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import WHEELS, Lap

Array = NDArray[np.float64]

LOCKED = -0.9
"""Slip ratio below which a wheel counts as locked: it turns at less than a tenth of the road's speed."""

SPINNING = 0.5
"""Slip ratio above which a driven wheel counts as spinning up."""


@dataclass(frozen=True)
class Slide:
    """A wheel that no longer rolls.

    Attributes
    ----------
    wheel : one of ``WHEELS``; kind : "locked" or "spinning"
    onset : station [m] at which the slip passed the tyre's peak for the last time before; start, end :
    stations [m]
        between which the wheel was locked or spinning; time : when it began [s]; duration : seconds
    """

    wheel: str
    kind: str
    onset: float
    start: float
    end: float
    time: float
    duration: float


def slides(lap: Lap, peak_slip_front: float, peak_slip_rear: float) -> tuple[Slide, ...]:
    """Every wheel that locked or spun up on a lap, in order of time.

    Parameters
    ----------
    lap
        A replayed lap (a target never slides).
    peak_slip_front, peak_slip_rear
        Slip ratios [-] at the peak of the tyres.
    """
    found = []
    for k, wheel in enumerate(WHEELS):
        slip = lap.slip_ratio[:, k]
        peak = peak_slip_front if k < 2 else peak_slip_rear
        for kind, beyond, past in (
            ("locked", slip < LOCKED, slip < -peak),
            ("spinning", slip > SPINNING, slip > peak),
        ):
            for first, last in _runs(beyond):
                calm = np.flatnonzero(~past[:first])
                onset = int(calm[-1]) + 1 if len(calm) else 0
                found.append(
                    Slide(
                        wheel,
                        kind,
                        float(lap.s[onset]),
                        float(lap.s[first]),
                        float(lap.s[last]),
                        float(lap.t[first]),
                        float(lap.t[last] - lap.t[first]),
                    )
                )
    return tuple(sorted(found, key=lambda slide: slide.time))


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
