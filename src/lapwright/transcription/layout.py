"""Where each unknown and each row stands in the flat vectors: the only index arithmetic there is.

Unknowns, interval by interval (d points, the last is the next node):

    node 0 | control | inner 1, z 1 | ... | inner d-1, z d-1 | z d | node 1 | control | ... | node N

On a closed road node N is node 0 and stands first only. With controls at every point they stand beside each z.

Rows, interval by interval and point by point: nx defects, na balances, nr limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Index = NDArray[np.int64]


@dataclass(frozen=True)
class Layout:
    """Positions of unknowns and rows.

    Attributes
    ----------
    nodes : (N + 1, nx) states at the nodes
    states : (N, d, nx) states at the points; ``states[k, d - 1]`` is ``nodes[k + 1]``
    controls : (N, d, nu), the same for all points of an interval unless controls are free at each
    algebraics : (N, d, nz)
    defects, balances, limits : (N, d, nx), (N, d, na), (N, d, nr) rows
    size, rows : lengths of the flat vectors
    """

    nodes: Index
    states: Index
    controls: Index
    algebraics: Index
    defects: Index
    balances: Index
    limits: Index
    size: int
    rows: int

    @property
    def points(self) -> Index:
        """(N, d, nx + nu + nz): the unknowns y of each point."""
        return np.concatenate([self.states, self.controls, self.algebraics], axis=2)


def make_layout(
    intervals: int,
    degree: int,
    sizes: tuple[int, int, int],
    na: int,
    nr: int,
    closed: bool,
    controls_per_point: bool,
) -> Layout:
    """The layout for N intervals of ``degree`` points and sizes (nx, nu, nz)."""
    nx, nu, nz = sizes
    control_sets = degree if controls_per_point else 1
    per_interval = nx * degree + nu * control_sets + nz * degree
    size = intervals * per_interval + (0 if closed else nx)
    start = np.arange(intervals)[:, None] * per_interval
    nodes = np.vstack([start + np.arange(nx), intervals * per_interval + np.arange(nx)])
    if closed:
        nodes[-1] = nodes[0]
    states = np.empty((intervals, degree, nx), dtype=np.int64)
    controls = np.empty((intervals, degree, nu), dtype=np.int64)
    algebraics = np.empty((intervals, degree, nz), dtype=np.int64)
    at = nx
    for j in range(degree):
        if controls_per_point or j == 0:
            controls[:, j] = start + at + np.arange(nu)
            at += nu
        else:
            controls[:, j] = controls[:, 0]
        if j < degree - 1:
            states[:, j] = start + at + np.arange(nx)
            at += nx
        else:
            states[:, j] = nodes[1:]
        algebraics[:, j] = start + at + np.arange(nz)
        at += nz
    each = nx + na + nr
    row = (np.arange(intervals)[:, None] * degree + np.arange(degree)) * each
    return Layout(
        nodes=nodes,
        states=states,
        controls=controls,
        algebraics=algebraics,
        defects=row[..., None] + np.arange(nx),
        balances=row[..., None] + nx + np.arange(na),
        limits=row[..., None] + nx + na + np.arange(nr),
        size=size,
        rows=intervals * degree * each,
    )
