"""From the values that a study gives to its rows: which amounts of all numbers make a case."""

from __future__ import annotations

import inspect
import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np

from lapwright.inputs.overrides import Value
from lapwright.inputs.study_vary import Spread

Row = tuple[Value | None, ...]
"""An amount for each number varied; None leaves what the file has."""


def tidy(value: float) -> float:
    """The number without the last digits, in which sums and products of decimal numbers go astray."""
    return float(f"{value:.12g}")


def amounts(spread: Spread) -> tuple[Value, ...]:
    """The values of a list, or of a range with its count, ends included."""
    if spread.listed:
        return spread.listed
    assert spread.count is not None
    return tuple(tidy(float(x)) for x in np.linspace(spread.low, spread.high, spread.count))


def size(spread: Spread) -> int:
    """How many values a list or a range has; 0 for a range that does not say."""
    return len(spread.listed) or spread.count or 0


def row_count(plan: str, spreads: Sequence[Spread], samples: int) -> int:
    """How many rows a plan makes."""
    sizes = [size(spread) for spread in spreads]
    if plan == "hypercube":
        return samples
    if plan == "grid":
        return math.prod(sizes)
    return sum(sizes) if plan == "one_at_a_time" else min(sizes)


def rows(plan: str, spreads: Sequence[Spread], samples: int, seed: int) -> Iterator[Row]:
    """The rows in the order of the study: in a grid the last number changes fastest."""
    if plan == "hypercube":
        yield from _hypercube(spreads, samples, seed)
        return
    lists = [amounts(spread) for spread in spreads]
    if plan == "grid":
        yield from itertools.product(*lists)
    elif plan == "side_by_side":
        yield from zip(*lists, strict=True)
    else:
        for i, values in enumerate(lists):
            for value in values:
                yield tuple(value if j == i else None for j in range(len(lists)))


def _hypercube(spreads: Sequence[Spread], samples: int, seed: int) -> Iterator[Row]:
    """Each range cut into as many equal strata as there are samples, one sample in each; lists drawn evenly.

    McKay, Beckman and Conover, Technometrics 21 (1979) 239-245 [from memory].
    """
    from scipy.stats.qmc import LatinHypercube

    # The name of the argument changed with SciPy 1.15; a whole number under the name that it has makes the same numbers.
    name = "rng" if "rng" in inspect.signature(LatinHypercube).parameters else "seed"
    for point in LatinHypercube(len(spreads), **{name: seed}).random(samples):
        yield tuple(_at(spread, float(share)) for spread, share in zip(spreads, point, strict=True))


def _at(spread: Spread, share: float) -> Value:
    if spread.listed:
        return spread.listed[min(int(share * len(spread.listed)), len(spread.listed) - 1)]
    return tidy(spread.low + (spread.high - spread.low) * share)
