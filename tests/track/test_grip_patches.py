"""Patches of other grip along and across the road."""

from __future__ import annotations

import numpy as np
import pytest
from invented_roads import STADIUM, road

from lapwright.track.build import build_track
from lapwright.track.definition import GripPatch
from lapwright.track.grip import BLEND
from lapwright.track.road import BAND_SOFTNESS, grip_scale


def track_with(*patches):
    return build_track(road(STADIUM, closed=True, grip=patches))


def test_no_patch_is_full_grip_and_no_slot():
    points = track_with().road(np.linspace(0, 500, 40))
    np.testing.assert_array_equal(points.grip_base, 1.0)
    assert points.grip_bands.shape == (40, 0, 3)


def test_full_width_patch_with_blends_centred_on_its_ends():
    track = track_with(GripPatch(100.0, 160.0, 0.8))
    at = np.array([100 - BLEND / 2, 100, 100 + BLEND / 2, 130, 160 - BLEND / 2, 160, 160 + BLEND / 2, 400])
    np.testing.assert_allclose(track.road(at).grip_base, [1, 0.9, 0.8, 0.8, 0.8, 0.9, 1, 1], atol=1e-12)


def test_blend_has_two_continuous_derivatives():
    track = track_with(GripPatch(100.0, 160.0, 0.8))
    s = np.linspace(95.0, 105.0, 2001)
    bend = np.diff(track.road(s).grip_base, 2) / (s[1] - s[0]) ** 2
    # The largest curvature of the quintic blend is 10 / sqrt(3) of the step over the square of its length.
    assert np.max(np.abs(bend)) == pytest.approx(0.2 * 10 / np.sqrt(3) / BLEND**2, rel=1e-3)
    assert np.max(np.abs(np.diff(bend))) < 0.02 * np.max(np.abs(bend))


def test_patch_over_the_line():
    track = track_with(GripPatch(560.0, 30.0, 0.7))
    s = np.array([0.0, 20.0, track.length - 1, 580.0, 300.0, 40.0, 550.0])
    np.testing.assert_allclose(track.road(s).grip_base, [0.7] * 4 + [1.0] * 3, atol=1e-12)


def test_band_acts_between_its_limits():
    track = track_with(GripPatch(100.0, 160.0, 0.6, band_right=-1.0, band_left=3.0))
    s = np.full(5, 130.0)
    n = np.array([-8.0, -1.0, 1.0, 3.0, 9.0])
    # Halfway at its limits, within 2 % of the whole change (0.4) a few softness widths away.
    scale = track.grip(s, n)
    np.testing.assert_allclose(scale, [1.0, 0.8, 0.6, 0.8, 1.0], atol=0.02)
    np.testing.assert_allclose(track.grip(np.full(5, 300.0), n), 1.0, atol=1e-12)
    assert BAND_SOFTNESS == 0.5


def test_one_sided_band_reaches_the_edge():
    track = track_with(GripPatch(100.0, 160.0, 0.6, band_right=1.0))
    np.testing.assert_allclose(track.grip(np.full(2, 130.0), np.array([4.0, -4.0])), [0.6, 1.0], atol=0.01)


def test_slots_are_as_few_as_overlap_allows():
    apart = track_with(GripPatch(100, 150, 0.9, 0, 2), GripPatch(200, 250, 0.9, -2, 0))
    assert apart.road(np.array([0.0])).grip_bands.shape[1] == 1
    limits = apart.road(np.array([120.0, 220.0])).grip_bands[:, 0, 1:]
    np.testing.assert_array_equal(limits, [[0, 2], [-2, 0]])
    over = track_with(
        GripPatch(100, 150, 0.9, 0, 2), GripPatch(140, 250, 0.9, -2, 0), GripPatch(240, 300, 0.8, 0, 2)
    )
    assert over.road(np.array([0.0])).grip_bands.shape[1] == 2


def test_grip_is_that_of_the_shared_formula():
    track = track_with(
        GripPatch(100, 150, 0.9, 0, 2), GripPatch(140, 250, 0.7, -2, 0), GripPatch(90, 300, 0.95)
    )
    s, n = np.linspace(80, 320, 60), np.linspace(-4, 4, 60)
    points = track.road(s)
    bands = [tuple(points.grip_bands[:, slot].T) for slot in range(points.grip_bands.shape[1])]
    np.testing.assert_allclose(track.grip(s, n), grip_scale(n, points.grip_base, bands), atol=1e-14)
    assert np.all(track.grip(s, n) > 0.0)


def test_band_scale_is_a_share_of_the_base():
    track = track_with(GripPatch(100, 200, 0.5), GripPatch(100, 200, 0.8, -50.0, 50.0))
    assert track.grip(np.array([150.0]), np.array([0.0]))[0] == pytest.approx(0.4, abs=1e-3)
