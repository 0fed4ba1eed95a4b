"""How the lap time depends on the varied numbers: planes and curved surfaces through the solved cases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Array
from lapwright.outputs.sweep_groups import Group

SPARE = 1.5
"""Cases for each unknown of a surface, at least: with fewer it follows the points and says nothing."""

UNCERTAIN = 0.5
"""A surface that explains less than this share of the differences is told to say little."""

TOO_ALIKE = 1e-8
"""Smallest singular value over the largest below which the numbers cannot be told apart."""


@dataclass(frozen=True)
class Term:
    """One unknown of a surface: powers of axes, or a word of an axis.

    Attributes
    ----------
    powers : (axis, power) of each factor
    word : (axis, word) for a word; the factor is 1 where the axis has it
    """

    powers: tuple[tuple[int, int], ...] = ()
    word: tuple[int, str] | None = None


@dataclass(frozen=True)
class Surface:
    """A least-squares surface of the lap time over the axes.

    Attributes
    ----------
    terms : its unknowns
    values : of the terms [s], over the axes' whole ranges
    low, span : of each axis; span 0 for words and for an axis that does not vary
    r_squared : share of the variance of the lap time that it explains
    misfit : root mean square of the residuals [s]
    cases : through how many it was laid
    """

    terms: tuple[Term, ...]
    values: Array
    low: Array
    span: Array
    r_squared: float
    misfit: float
    cases: int

    def at(self, columns: Sequence[NDArray[Any]]) -> Array:
        """Lap times [s] at values of all axes, (M,) each."""
        return _matrix(self.terms, columns, self.low, self.span) @ self.values

    def slope(self, axis: int) -> float:
        """What the whole range of a number adds [s], its first power alone."""
        return sum(float(v) for t, v in zip(self.terms, self.values, strict=True) if t.powers == ((axis, 1),))

    def of_words(self, axis: int, words: Sequence[str]) -> Array:
        """What each word adds [s], the fastest nothing."""
        found = {t.word[1]: float(v) for t, v in zip(self.terms, self.values, strict=True)
                 if t.word and t.word[0] == axis}  # fmt: skip
        added = np.array([found.get(word, 0.0) for word in words])
        return added - added.min()

    def swing(self, axis: int) -> float:
        """Between the slowest and the fastest place of one axis [s], the others held: products of axes left out."""
        words = [t.word[1] for t in self.terms if t.word and t.word[0] == axis]
        if words:
            return float(self.of_words(axis, ["", *words]).max())
        part = {t.powers[0][1]: float(v) for t, v in zip(self.terms, self.values, strict=True)
                if len(t.powers) == 1 and t.powers[0][0] == axis}  # fmt: skip
        first, second = part.get(1, 0.0), part.get(2, 0.0)
        places = [0.0, 1.0]
        if second != 0.0 and 0.0 < -0.5 * first / second < 1.0:
            places.append(-0.5 * first / second)
        heights = [first * u + second * u * u for u in places]
        return max(heights) - min(heights)


def _matrix(terms: Sequence[Term], columns: Sequence[NDArray[Any]], low: Array, span: Array) -> Array:
    rows = len(columns[0]) if columns else 0
    made = np.ones((rows, len(terms)))
    for k, term in enumerate(terms):
        for axis, power in term.powers:
            made[:, k] *= ((np.asarray(columns[axis], dtype=float) - low[axis]) / span[axis]) ** power
        if term.word:
            made[:, k] = np.asarray(columns[term.word[0]] == term.word[1], dtype=float)
    return made


def terms_of(group: Group, degree: int, crossed: Sequence[tuple[int, int]] = ()) -> tuple[Term, ...]:
    """Unknowns of a surface: powers of each number up to ``degree``, words, products of the pairs in ``crossed``.

    A number gets no higher power than its distinct values allow; an axis with one value gets none.
    """
    use = group.solved & group.planned
    made = [Term()]
    for k, axis in enumerate(group.axes):
        column = group.column(k)[use]
        if axis.words:
            words = [word for word in dict.fromkeys(column.tolist()) if word is not None]
            made += [Term(word=(k, str(word))) for word in words[1:]]
        else:
            count = np.unique(column[np.isfinite(column)]).size
            made += [Term(powers=((k, power),)) for power in range(1, min(degree, count - 1) + 1)]
    varied = {term.powers[0][0] for term in made if term.powers}
    made += [Term(powers=((i, 1), (j, 1))) for i, j in crossed if {i, j} <= varied]
    return tuple(made)


def surface(group: Group, terms: Sequence[Term]) -> Surface | str:
    """The least-squares surface through the solved cases of the plan (numpy.linalg.lstsq).

    The setup as it is counts only when it is a case of the plan too: it may lie far from the others.

    Returns
    -------
    Surface or str
        Why there is none, in words, when the cases do not decide it.
    """
    use = group.solved & group.planned
    columns = [group.column(k)[use] for k in range(len(group.axes))]
    known = np.isfinite(group.times[use])
    for column, axis in zip(columns, group.axes, strict=True):
        known &= np.array([v is not None for v in column]) if axis.words else np.isfinite(column)
    columns, times = [column[known] for column in columns], group.times[use][known]
    wanted = int(np.ceil(SPARE * len(terms)))
    if len(terms) < 2:
        return "no number has two values among the solved cases"
    if times.size < wanted:
        return f"{times.size} solved cases are too few for {len(terms)} unknowns: {wanted} are wanted"
    numbers = [not axis.words for axis in group.axes]
    low = np.array([c.min() if n else 0.0 for c, n in zip(columns, numbers, strict=True)], dtype=float)
    span = np.array([np.ptp(c) if n else 0.0 for c, n in zip(columns, numbers, strict=True)], dtype=float)
    matrix = _matrix(terms, columns, low, span)
    values, _, rank, _ = np.linalg.lstsq(matrix, times, rcond=TOO_ALIKE)
    if rank < len(terms):
        return "the numbers change together, so what each of them does cannot be told apart"
    rest = times - matrix @ values
    spread = float(np.sum((times - times.mean()) ** 2))
    explained = 1.0 - float(rest @ rest) / spread if spread > 0.0 else 1.0
    misfit = float(np.sqrt(np.mean(rest**2)))
    return Surface(
        tuple(terms), np.asarray(values, dtype=float), low, span, explained, misfit, int(times.size)
    )


def importance(group: Group) -> list[float]:
    """How much of the lap time hangs on each axis [s]: the swing of the curved surface, else of the plane, else 0."""
    for degree in (2, 1):
        found = surface(group, terms_of(group, degree))
        if isinstance(found, Surface):
            return [found.swing(k) for k in range(len(group.axes))]
    return [0.0] * len(group.axes)


def parabola(x: Array, y: Array) -> Array:
    """The least-squares parabola through points: a, b, c of a x^2 + b x + c; at least three different x are needed."""
    if np.unique(x).size < 3:
        raise ValueError("a parabola needs points at three places")
    # Powers about the middle and over the range keep the equations well posed.
    middle, half = 0.5 * (x.max() + x.min()), 0.5 * np.ptp(x)
    u = (x - middle) / half
    c, b, a = np.linalg.lstsq(np.stack([np.ones_like(u), u, u * u], axis=1), y, rcond=None)[0]
    a, b = a / half**2, b / half
    return np.array([a, b - 2.0 * a * middle, c - b * middle + a * middle**2])
