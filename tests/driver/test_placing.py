"""The rigid motion that lays a log on the road, against scipy's answers to the same questions."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_laps import ROOT, reference
from scipy.linalg import orthogonal_procrustes
from scipy.spatial.transform import Rotation

from lapwright.driver.placing import _motion, place_on
from lapwright.inputs.files import load_track


def test_the_best_motion_is_that_of_scipy():
    """scipy.spatial.transform.Rotation.align_vectors (Kabsch), and scipy.linalg.orthogonal_procrustes, whose answer for noise
    this small is a rotation too."""
    random = np.random.default_rng(1)
    points = 300.0 * (random.standard_normal(40) + 1j * random.standard_normal(40))
    goals = (
        np.exp(2.1j) * points + 700.0 - 200.0j + random.standard_normal(40) + 1j * random.standard_normal(40)
    )
    turn, shift = _motion(points, goals)
    a, b = points - points.mean(), goals - goals.mean()
    flat = lambda z: np.column_stack([z.real, z.imag])  # noqa: E731
    matrix, _ = orthogonal_procrustes(flat(a), flat(b))
    assert turn == pytest.approx(matrix[0, 0] + 1j * matrix[0, 1], abs=1e-12)
    in_space = lambda z: np.column_stack([flat(z), np.zeros(z.size)])  # noqa: E731
    rotation, _ = Rotation.align_vectors(in_space(b), in_space(a))
    # In space a half turn about an axis in the plane would be allowed; noise this small asks for none.
    assert rotation.as_rotvec() == pytest.approx([0.0, 0.0, np.angle(turn)], abs=1e-6)
    assert shift == pytest.approx(goals.mean() - turn * points.mean(), abs=1e-9)
    assert abs(turn) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("name", ["marrow-fen", "tarn-bowl", "otter-heath", "cinder-yard", "gannet-rise"])
def test_every_circuit_is_found_from_any_axes(name):
    """Its own centreline with a metre of noise, turned and shifted: laid back to half a metre."""
    track = load_track(ROOT / "tracks" / f"{name}.yaml")
    s = np.arange(0.0, track.length, 4.0)
    x, y, _ = track.to_world(s, np.zeros_like(s))
    random = np.random.default_rng(2)
    for angle in (0.7, 2.4, 4.4):
        z = x + 1j * y + random.standard_normal(s.size) + 1j * random.standard_normal(s.size)
        moved = np.exp(1j * angle) * z - 4e4 + 9e4j
        found = place_on(track, moved.real, moved.imag, True)
        ours = np.array(found.apply(moved.real, moved.imag))
        assert np.sqrt(np.mean((ours - [z.real, z.imag]) ** 2)) < 0.6, name
        assert not found.backward and found.off[0] < 1.0


def test_a_mirrored_trace_is_not_laid_on_the_road():
    """There is no rotation that mirrors: an axis with the wrong sign is another circuit."""
    track = reference()[0]
    x, y, _ = track.to_world(np.arange(0.0, track.length, 4.0), np.zeros(int(np.ceil(track.length / 4.0))))
    assert place_on(track, -x, y, True).off[0] > 15.0
