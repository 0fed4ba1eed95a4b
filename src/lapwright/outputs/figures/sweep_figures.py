"""Which figures suit a sweep."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from itertools import combinations

import numpy as np
from matplotlib.figure import Figure

from lapwright.outputs.figures.sweep_contour import draw_contour, sheet_of
from lapwright.outputs.figures.sweep_lines import draw_lines
from lapwright.outputs.figures.sweep_parallel import draw_parallel
from lapwright.outputs.sweep_fit import importance
from lapwright.outputs.sweep_groups import Group, distinct, groups_of, only, slug
from lapwright.outputs.sweep_table import axis_columns
from lapwright.study.cases import CaseResult, Study

MOST_LINES, MOST_CONTOURS = 8, 6
"""Figures of a kind for one circuit and car at most: those of the axes that matter most."""


def sweep_figures(study: Study, results: Sequence[CaseResult]) -> dict[str, Callable[[], Figure]]:
    """The figures of a sweep by the name of their file, each drawn when it is called.

    Lap time over each number, over pairs of numbers, and all numbers at once when there are two or more; for every pair
    of circuit and car its own, which then are named with them. A pair with no solved case has none.
    """
    groups = groups_of(study, results)
    starts = distinct(
        [f"{slug(g.circuit, '-')}-{slug(g.car, '-')}-" if len(groups) > 1 else "" for g in groups], "-"
    )
    names = distinct([slug(column, "-") for column in axis_columns(study)], "-")
    made: dict[str, Callable[[], Figure]] = {}
    for group, start in zip(groups, starts, strict=True):
        part = only(study, results, group.circuit, group.car)
        lines, pairs = _lines(group), _pairs(group, study.plan)
        made.update({f"{start}lines-{names[k]}": partial(draw_lines, *part, k) for k in lines})
        made.update(
            {f"{start}contour-{names[i]}-{names[j]}": partial(draw_contour, *part, i, j) for i, j in pairs}
        )
        if len(study.axes) > 1 and (group.solved & group.planned).any():
            made[f"{start}parallel"] = partial(draw_parallel, *part)
    return made


def _ranked(group: Group) -> list[int]:
    """The numbers that have two values among the solved cases, those that matter most first."""
    use, matter = group.solved & group.planned, importance(group)
    numbers = [
        k for k, axis in enumerate(group.axes) if not axis.words and np.unique(group.column(k)[use]).size > 1
    ]
    return sorted(numbers, key=lambda k: -matter[k])


def _lines(group: Group) -> list[int]:
    return sorted(_ranked(group)[:MOST_LINES])


def _pairs(group: Group, plan: str) -> list[tuple[int, int]]:
    ranked = _ranked(group)
    order = sorted(combinations(range(len(ranked)), 2), key=lambda both: (sum(both), both))
    pairs: list[tuple[int, int]] = []
    for one, other in order:
        i, j = sorted((ranked[one], ranked[other]))
        if len(pairs) < MOST_CONTOURS and _has_surface(group, i, j, plan):
            pairs.append((i, j))
    return pairs


def _has_surface(group: Group, i: int, j: int, plan: str) -> bool:
    try:
        sheet_of(group, i, j, plan)
    except ValueError:
        return False
    return True
