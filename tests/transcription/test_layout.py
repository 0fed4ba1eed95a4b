"""Every unknown and every row has one place and no two share one."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from lapwright.transcription.layout import Layout, make_layout

CASES = list(product((1, 4), (1, 2, 3), ((3, 2, 0), (9, 2, 4)), (True, False), (True, False)))


def layout_of(case) -> Layout:
    intervals, degree, sizes, closed, per_point = case
    return make_layout(intervals, degree, sizes, 4, 5, closed, per_point)


@pytest.mark.parametrize("case", CASES)
def test_every_unknown_stands_once(case):
    layout, (_, degree, _, closed, per_point) = layout_of(case), case
    parts = [
        layout.nodes[:-1] if closed else layout.nodes,
        layout.states[:, : degree - 1],
        layout.controls if per_point else layout.controls[:, 0],
        layout.algebraics,
    ]
    places = np.concatenate([part.ravel() for part in parts])
    np.testing.assert_array_equal(np.sort(places), np.arange(layout.size))


@pytest.mark.parametrize("case", CASES)
def test_every_row_stands_once(case):
    layout, (intervals, degree, sizes, _, _) = layout_of(case), case
    rows = np.concatenate([layout.defects.ravel(), layout.balances.ravel(), layout.limits.ravel()])
    np.testing.assert_array_equal(np.sort(rows), np.arange(layout.rows))
    assert layout.defects.shape == (intervals, degree, sizes[0])
    assert layout.balances.shape == (intervals, degree, 4)
    assert layout.limits.shape == (intervals, degree, 5)


@pytest.mark.parametrize("case", CASES)
def test_sizes_and_joints(case):
    layout, (intervals, degree, (nx, nu, nz), closed, per_point) = layout_of(case), case
    controls = nu * intervals * (degree if per_point else 1)
    nodes = intervals if closed else intervals + 1
    assert layout.size == nx * (nodes + intervals * (degree - 1)) + controls + nz * intervals * degree
    np.testing.assert_array_equal(layout.states[:, -1], layout.nodes[1:])
    assert np.array_equal(layout.nodes[0], layout.nodes[-1]) == closed
    assert layout.points.shape == (intervals, degree, nx + nu + nz)
    np.testing.assert_array_equal(layout.points[..., :nx], layout.states)
    np.testing.assert_array_equal(layout.points[..., nx : nx + nu], layout.controls)
    np.testing.assert_array_equal(layout.points[..., nx + nu :], layout.algebraics)


def test_controls_are_shared_within_an_interval_only_when_asked():
    shared, free = (make_layout(3, 2, (3, 2, 1), 0, 1, False, per_point) for per_point in (False, True))
    np.testing.assert_array_equal(shared.controls[:, 0], shared.controls[:, 1])
    assert not np.any(free.controls[:, 0] == free.controls[:, 1])


def test_unknowns_of_an_interval_stand_together():
    """Node, control, inner point, algebraics: the neighbours that the equations couple are neighbours in the vector."""
    layout = make_layout(2, 2, (2, 1, 1), 1, 1, False, False)
    np.testing.assert_array_equal(layout.nodes, [[0, 1], [7, 8], [14, 15]])
    np.testing.assert_array_equal(layout.controls[:, 0, 0], [2, 9])
    np.testing.assert_array_equal(layout.states[:, 0], [[3, 4], [10, 11]])
    np.testing.assert_array_equal(layout.algebraics[..., 0], [[5, 6], [12, 13]])
