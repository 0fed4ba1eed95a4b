"""What each number of a car is worth on a lap, where on the lap, and whether a solve with the number changed agrees."""

from __future__ import annotations

from dataclasses import dataclass

from lapwright.study.numbers import SetupNumber


@dataclass(frozen=True)
class Effect:
    """What a number of the car does to the lap time, to first order, from the multipliers of one solve.

    Attributes
    ----------
    number : which
    value : of the car, in the unit of the file
    per_step : change of the lap time for one step up [s], negative is quicker; the sum of ``parts``
    parts : the same by piece of the lap, in the order of ``lap.spans.leaves``: where the change acts, with what follows from
        it on the rest of the lap counted there
    check : by solves with the number changed; None when there were none
    """

    number: SetupNumber
    value: float
    per_step: float
    parts: tuple[float, ...]
    check: Check | None = None


@dataclass(frozen=True)
class Check:
    """Two solves, with a number one step up and one step down.

    Attributes
    ----------
    up, down : change of the lap time [s]; None where there was no solution, or the number may not go so far
    central : half of the difference of the two [s per step]: to be held against ``Effect.per_step``
    agrees : whether it does, within a tenth of it or the accuracy of two laps
    words : what the solves say that the first order does not; empty when they agree
    """

    up: float | None
    down: float | None
    central: float | None
    agrees: bool
    words: str
