"""Which trial points an interior point method takes: a filter on violation and barrier objective.

Waechter & Biegler, Mathematical Programming 106 (2006) 25-57, section 2.3, with its constants but for the Armijo rule
(1e-4 there).
"""

from __future__ import annotations

from dataclasses import dataclass, field

GAIN_VIOLATION = 1e-5
GAIN_OBJECTIVE = 1e-5
ARMIJO = 1e-8
POWER_OBJECTIVE, POWER_VIOLATION = 2.3, 1.1
ROUNDING = 1e-13
"""Change of the objective, over its size, that means nothing."""


@dataclass
class Filter:
    """Points that a trial must beat, for one barrier problem.

    Parameters
    ----------
    violation
        Sum of all violations at the first point.
    """

    violation: float
    points: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._most = 1e4 * max(1.0, self.violation)
        self._least = 1e-4 * max(1.0, self.violation)

    def takes(
        self,
        here: tuple[float, float],
        trial: tuple[float, float],
        slope: float,
        step: float,
    ) -> bool:
        """Whether a trial (violation, barrier objective) may follow ``here``; a point that is left behind is noted.

        ``slope`` is the derivative of the barrier objective along the whole step, of which ``step`` was taken.
        """
        (violation, objective), (new_violation, new_objective) = here, trial
        slack = ROUNDING * abs(objective)
        if not new_violation < self._most:
            return False
        if not all(new_violation < v or new_objective < o + slack for v, o in self.points):
            return False
        descends = slope < 0.0 and step * (-slope) ** POWER_OBJECTIVE > violation**POWER_VIOLATION
        if violation <= self._least and descends:
            return new_objective <= objective + ARMIJO * step * slope + slack
        better = (
            new_violation <= (1.0 - GAIN_VIOLATION) * violation
            or new_objective <= objective - GAIN_OBJECTIVE * violation + slack
        )
        if better:
            self.points.append(((1.0 - GAIN_VIOLATION) * violation, objective - GAIN_OBJECTIVE * violation))
        return better
