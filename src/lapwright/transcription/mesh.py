"""Where the intervals of a transcription begin and end."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Mesh:
    """Nodes [m, ascending], (N + 1,); the first and the last are the ends of the road."""

    nodes: Array

    @property
    def intervals(self) -> int:
        """N."""
        return len(self.nodes) - 1

    @property
    def steps(self) -> Array:
        """Interval lengths [m], (N,)."""
        return np.diff(self.nodes)

    def points(self, positions: Array) -> Array:
        """Stations (N, d) of the points at ``positions`` (d,) of each interval, 0 to 1."""
        return self.nodes[:-1, None] + self.steps[:, None] * np.asarray(positions)[None, :]

    def inside(self, positions: Array) -> Array:
        """As ``points``, but a hair (a billionth of the interval) away from its ends.

        Where the road's curvature jumps at a node each of the two intervals must see its own side of the jump.
        """
        at = np.clip(np.asarray(positions), 1e-9, 1.0 - 1e-9)
        return self.points(at)

    def split(self, parts: NDArray[np.bool_] | NDArray[np.int64]) -> Mesh:
        """The mesh with each interval cut in equal parts.

        Parameters
        ----------
        parts
            (N,) in how many, at least 1; or flags: an interval that is marked is halved.

        Raises
        ------
        ValueError
            For another shape, or numbers that are not whole or below 1.
        """
        given: NDArray[Any] = np.asarray(parts)
        if given.shape != (self.intervals,):
            raise ValueError(f"numbers of parts have the shape {given.shape}: ({self.intervals},) is needed")
        if given.dtype != bool and not (np.issubdtype(given.dtype, np.integer) and np.all(given >= 1)):
            raise ValueError("numbers of parts must be whole and at least 1")
        numbers = given.astype(np.int64) + (1 if given.dtype == bool else 0)
        which = np.repeat(np.arange(self.intervals), numbers)
        place = np.arange(len(which)) - np.repeat(np.cumsum(numbers) - numbers, numbers)
        return Mesh(np.append(self.nodes[which] + self.steps[which] * place / numbers[which], self.nodes[-1]))


def uniform_mesh(start: float, end: float, step: float, breaks: Array | None = None) -> Mesh:
    """Intervals of at most ``step`` [m], equal between one break and the next."""
    return graded_mesh(start, end, lambda s: np.full(np.shape(s), step), breaks, smallest=0.3 * step)


def graded_mesh(
    start: float, end: float, step: object, breaks: Array | None = None, smallest: float = 0.0
) -> Mesh:
    """Intervals whose length follows ``step(s)`` [m], with a node at every break.

    Breaks closer together than ``smallest`` share a node: a sliver of an interval costs more than the kink it catches.
    """
    edges = _edges(start, end, breaks, smallest)
    nodes = [np.array([edges[0]])]
    for a, b in pairwise(edges):
        grid = np.linspace(a, b, max(int(np.ceil((b - a) / 0.25)), 8) + 1)
        density = 1.0 / np.asarray(step(grid))  # type: ignore[operator]
        count = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(grid))])
        number = max(int(np.ceil(count[-1] - 1e-9)), 1)
        nodes.append(np.interp(np.linspace(0.0, count[-1], number + 1)[1:], count, grid))
        nodes[-1][-1] = b
    return Mesh(np.concatenate(nodes))


def _edges(start: float, end: float, breaks: Array | None, smallest: float) -> list[float]:
    inner = [] if breaks is None else sorted(float(b) for b in breaks if start + 1e-6 < b < end - 1e-6)
    edges = [start]
    for b in inner:
        if b - edges[-1] > smallest and end - b > smallest:
            edges.append(b)
    return [*edges, end]
