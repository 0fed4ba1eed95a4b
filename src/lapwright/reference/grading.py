"""A mesh that follows the driving: short intervals where the car and its driver change fast, long ones between."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from lapwright.solver.solution import Solution
from lapwright.transcription.mesh import Mesh, graded_mesh

Array = NDArray[np.float64]

SMALLEST = 0.4
"""Shortest interval as a share of the asked one."""

LONGEST = 3.0
"""Longest interval as a share of the asked one; longer ones let the optimiser cheat between the points."""

REACH = 8.0
"""Distance over which the density is smoothed [m]."""

GRID = 1.0
"""Spacing on which the density is worked out [m]."""


def follow(solution: Solution, step: float) -> Mesh:
    """A mesh of about ``length / step`` intervals for the same problem, graded by the bends of a coarse solution.

    The density is the square root of the second difference of the states, over their scales.
    """
    nlp = solution.nlp
    problem = nlp.problem
    s, values = _states(solution)
    grid = np.linspace(problem.start, problem.end, max(int(problem.length / GRID), 16) + 1)
    mode = "wrap" if problem.closed else "nearest"
    bend = np.zeros_like(grid)
    for column in values.T:
        smooth = gaussian_filter1d(np.interp(grid, s, column), 2.0, mode=mode)
        bend = np.maximum(bend, np.abs(np.gradient(np.gradient(smooth, grid), grid)))
    density = gaussian_filter1d(np.sqrt(bend), REACH / (grid[1] - grid[0]), mode=mode)
    scale = _scale_for(density, grid, step)
    return graded_mesh(
        problem.start,
        problem.end,
        lambda at: np.clip(
            scale / np.maximum(np.interp(at, grid, density), 1e-9), SMALLEST * step, LONGEST * step
        ),
        problem.breaks,
        smallest=0.8,
    )


def _states(solution: Solution) -> tuple[Array, Array]:
    nlp = solution.nlp
    return nlp.mesh.nodes, solution.x[nlp.layout.nodes]


def _scale_for(density: Array, grid: Array, step: float) -> float:
    """The factor at which the mesh has about as many intervals as a uniform one of ``step``."""
    target = (grid[-1] - grid[0]) / step
    low, high = 1e-6, 1e3
    for _ in range(60):
        middle = np.sqrt(low * high)
        steps = np.clip(middle / np.maximum(density, 1e-9), SMALLEST * step, LONGEST * step)
        count = np.trapezoid(1.0 / steps, grid)
        low, high = (middle, high) if count > target else (low, middle)
    return float(np.sqrt(low * high))
