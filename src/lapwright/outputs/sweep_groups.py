"""A sweep seen circuit by circuit and car by car: the cases that can be held against each other, as columns."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Array
from lapwright.outputs.words import ascii_only
from lapwright.study.cases import SOLVED, Axis, Case, CaseResult, Study

DIGITS = 5
"""Significant digits of a varied number as people read it."""


@dataclass(frozen=True)
class Group:
    """The cases of one circuit with one car; all of them were asked for the same road but for what is varied.

    Attributes
    ----------
    circuit, car : names of the files without their ending
    axes : what is varied
    cases, results : side by side, in the order of the study
    """

    circuit: str
    car: str
    axes: tuple[Axis, ...]
    cases: tuple[Case, ...]
    results: tuple[CaseResult, ...]

    @property
    def solved(self) -> NDArray[np.bool_]:
        """Whether there is an answer, (M,)."""
        return np.array([result.status == SOLVED for result in self.results], dtype=bool)

    @property
    def times(self) -> Array:
        """Lap times [s], (M,); NaN without an answer."""
        return np.array(
            [r.lap_time if r.status == SOLVED and r.lap_time is not None else np.nan for r in self.results],
            dtype=float,
        )

    @property
    def planned(self) -> NDArray[np.bool_]:
        """Which cases belong to the plan: all but the setup as it is, (M,)."""
        return np.array([case.number != 0 for case in self.cases], dtype=bool)

    @property
    def current(self) -> int | None:
        """Place of the setup as the files have it; None when it is not among the cases."""
        return next((place for place, case in enumerate(self.cases) if case.number == 0), None)

    @property
    def best(self) -> int | None:
        """Place of the fastest solved case, of equal ones the first; None when none was solved."""
        return int(np.nanargmin(self.times)) if bool(np.isfinite(self.times).any()) else None

    def column(self, axis: int) -> NDArray[Any]:
        """Values of an axis, (M,): numbers with NaN, or words with None, where the file does not say."""
        values = [case.values[axis] for case in self.cases]
        if self.axes[axis].words:
            return np.array(values, dtype=object)
        return np.array([np.nan if value is None else value for value in values], dtype=float)


def groups_of(study: Study, results: Sequence[CaseResult]) -> list[Group]:
    """The cases by circuit and car, in the order in which the pairs occur.

    Raises
    ------
    ValueError
        When there is not one result for each case.
    """
    pairs: dict[tuple[str, str], list[tuple[Case, CaseResult]]] = {}
    for case, result in zip(study.cases, results, strict=True):
        pairs.setdefault((case.circuit, case.car), []).append((case, result))
    return [
        Group(circuit, car, study.axes, tuple(c for c, _ in both), tuple(r for _, r in both))
        for (circuit, car), both in pairs.items()
    ]


def only(
    study: Study, results: Sequence[CaseResult], circuit: str, car: str
) -> tuple[Study, list[CaseResult]]:
    """The part of a study that has one circuit and one car, with its results."""
    kept = [
        (case, result)
        for case, result in zip(study.cases, results, strict=True)
        if (case.circuit, case.car) == (circuit, car)
    ]
    return replace(study, cases=tuple(case for case, _ in kept)), [result for _, result in kept]


def the_group(study: Study, results: Sequence[CaseResult]) -> Group:
    """The only pair of circuit and car of a study.

    Raises
    ------
    ValueError
        When there are several, or none.
    """
    groups = groups_of(study, results)
    if len(groups) != 1:
        raise ValueError(f"one circuit and one car are wanted, the study has {len(groups)} pairs")
    return groups[0]


def figure_of(value: float | str | None, digits: int = DIGITS) -> str:
    """A varied value as people read it: a number without an exponent, at most ``digits`` significant digits."""
    if value is None:
        return "not given"
    if isinstance(value, str):
        return value
    if not math.isfinite(value) or value == 0.0:
        return f"{value:g}"
    decimals = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def slug(name: str, tie: str = "_") -> str:
    """A name as part of a column's or a file's name: plain small letters and digits, the rest is ``tie``."""
    return re.sub(r"[^a-z0-9]+", tie, ascii_only(name).lower()).strip(tie) or "unnamed"


def distinct(names: Sequence[str], tie: str = "_") -> list[str]:
    """The same names, a number behind those that were there before."""
    made: list[str] = []
    for name in names:
        fresh, count = name, 1
        while fresh in made:
            count += 1
            fresh = f"{name}{tie}{count}"
        made.append(fresh)
    return made
