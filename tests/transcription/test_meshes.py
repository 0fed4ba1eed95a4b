"""Meshes: lengths, breaks, halving, and which side of a jump a point sees."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad

from lapwright.problem.road import FIELDS, road_function
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.transcription.mesh import Mesh, graded_mesh, uniform_mesh
from lapwright.transcription.radau import radau

BREAKS = np.array([12.5, 47.0, 47.25, 80.0])


def test_even_mesh_without_breaks():
    mesh = uniform_mesh(0.0, 100.0, 5.0)
    np.testing.assert_allclose(mesh.nodes, np.linspace(0.0, 100.0, 21), atol=1e-10)
    assert mesh.intervals == 20
    np.testing.assert_allclose(mesh.steps, 5.0)


def test_a_step_that_does_not_fit_gets_shorter_never_longer():
    mesh = uniform_mesh(10.0, 110.0, 7.0)
    assert (mesh.nodes[0], mesh.nodes[-1], mesh.intervals) == (10.0, 110.0, 15)
    np.testing.assert_allclose(mesh.steps, 100.0 / 15.0, rtol=1e-9)


def test_even_mesh_is_equal_from_break_to_break():
    mesh = uniform_mesh(0.0, 100.0, 4.0, BREAKS)
    kept = [0.0, 12.5, 47.0, 80.0, 100.0]
    places = [int(np.flatnonzero(mesh.nodes == b)[0]) for b in kept]
    assert mesh.steps.max() <= 4.0 + 1e-9
    for a, b in pairwise(places):
        np.testing.assert_allclose(mesh.steps[a:b], (mesh.nodes[b] - mesh.nodes[a]) / (b - a), rtol=1e-9)
        assert b - a == int(np.ceil((mesh.nodes[b] - mesh.nodes[a]) / 4.0))


def test_breaks_closer_than_asked_share_a_node():
    assert 47.25 not in uniform_mesh(0.0, 100.0, 4.0, BREAKS).nodes
    assert 47.25 in uniform_mesh(0.0, 100.0, 0.5, BREAKS).nodes
    mesh = uniform_mesh(0.0, 100.0, 4.0, np.array([0.5, 99.5]))
    assert mesh.steps.min() > 1.0


def test_breaks_on_or_beyond_the_ends_make_no_node():
    mesh = uniform_mesh(0.0, 20.0, 5.0, np.array([-3.0, 0.0, 20.0, 33.0]))
    np.testing.assert_allclose(mesh.nodes, [0.0, 5.0, 10.0, 15.0, 20.0])


def test_order_of_the_breaks_does_not_matter():
    np.testing.assert_array_equal(
        uniform_mesh(0.0, 100.0, 4.0, BREAKS[::-1]).nodes, uniform_mesh(0.0, 100.0, 4.0, BREAKS).nodes
    )


def test_graded_mesh_puts_the_same_share_of_the_wish_into_each_interval():
    def wish(s):
        return 4.0 + 3.0 * np.sin(np.asarray(s) / 15.0)

    mesh = graded_mesh(0.0, 300.0, wish)
    shares = np.array([quad(lambda s: 1.0 / wish(s), a, b)[0] for a, b in pairwise(mesh.nodes)])
    assert mesh.intervals == int(np.ceil(quad(lambda s: 1.0 / wish(s), 0.0, 300.0, limit=200)[0]))
    np.testing.assert_allclose(shares, shares.mean(), rtol=2e-3)
    assert shares.max() < 1.003


def test_graded_mesh_keeps_every_break():
    mesh = graded_mesh(0.0, 100.0, lambda s: 3.0 + 0.02 * np.asarray(s), BREAKS)
    assert np.all(np.isin(BREAKS, mesh.nodes))
    assert np.all(mesh.steps > 0.0)
    assert (mesh.nodes[0], mesh.nodes[-1]) == (0.0, 100.0)


def test_points_and_inside():
    mesh, at = Mesh(np.array([0.0, 2.0, 5.0])), radau(2).points
    np.testing.assert_allclose(mesh.points(at), [[2 / 3, 2.0], [3.0, 5.0]], rtol=1e-14)
    inside = mesh.inside(np.array([0.0, *at]))
    assert np.all(inside > mesh.nodes[:-1, None]) and np.all(inside < mesh.nodes[1:, None])
    np.testing.assert_allclose(inside, mesh.points(np.array([0.0, *at])), atol=1e-8)


def test_each_interval_sees_its_own_side_of_a_jump():
    """A straight that meets an arc of 50 m with no ramp: curvature 0 before, 1/50 after."""
    width = (Station(0.0, 5.0),)
    line = ElementLine((Straight(60.0), Arc(50.0, 1.0), Straight(60.0)))
    track = build_track(TrackDefinition("Jump", False, line, width, width))
    mesh = uniform_mesh(0.0, track.length, 7.0, track.breaks)
    node = int(np.argmin(np.abs(mesh.nodes - 60.0)))
    assert mesh.nodes[node] == pytest.approx(60.0, abs=1e-6)
    road = road_function(track)(mesh.inside(np.array([0.0, 1.0])).ravel())
    bend = road[FIELDS.index("omega_z")].reshape(mesh.intervals, 2)
    np.testing.assert_allclose(bend[node - 1], 0.0, atol=1e-6)
    np.testing.assert_allclose(bend[node], 0.02, rtol=1e-4)


def test_split_halves_the_marked_and_leaves_the_rest():
    mesh = Mesh(np.array([0.0, 1.0, 3.0, 7.0]))
    np.testing.assert_array_equal(
        mesh.split(np.array([True, False, True])).nodes, [0.0, 0.5, 1.0, 3.0, 5.0, 7.0]
    )
    np.testing.assert_array_equal(mesh.split(np.zeros(3, dtype=bool)).nodes, mesh.nodes)
    assert mesh.split(np.ones(3, dtype=bool)).intervals == 6
    np.testing.assert_array_equal(mesh.nodes, [0.0, 1.0, 3.0, 7.0])


def test_split_into_numbers_of_parts():
    mesh = Mesh(np.array([0.0, 1.0, 3.0, 7.0]))
    found = mesh.split(np.array([1, 2, 4])).nodes
    pieces = [np.linspace(a, b, n + 1) for a, b, n in ((0.0, 1.0, 1), (1.0, 3.0, 2), (3.0, 7.0, 4))]
    np.testing.assert_allclose(found, np.unique(np.concatenate(pieces)), rtol=1e-15)
    assert np.all(np.isin(mesh.nodes, found))


@pytest.mark.parametrize("parts", [[1, 2], [1, 0, 1], [1.0, 2.0, 1.0], [[1, 1, 1]]])
def test_split_refuses_what_are_no_numbers_of_parts(parts):
    with pytest.raises(ValueError, match="parts"):
        Mesh(np.array([0.0, 1.0, 3.0, 7.0])).split(np.array(parts))
