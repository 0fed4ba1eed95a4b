"""Curvature of a path that is told by its offset from another, against curves whose curvature is known."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_laps import driven, reference, target
from logs_from_laps import log_of, without

from lapwright.driver.lap_channels import curvature_beside
from lapwright.driver.sessions import session_of


@pytest.mark.parametrize("n", [-6.0, 0.0, 5.0])
def test_a_circle_inside_a_circle(n):
    """Parallel circles share their centre: 1 / (R - n)."""
    s = np.linspace(0.0, 60.0, 61)
    zero = 0.0 * s
    assert curvature_beside(zero + 1.0 / 30.0, s, zero + n, zero, zero) == pytest.approx(1.0 / (30.0 - n))


@pytest.mark.parametrize("nearest", [24.0, 36.0])
def test_a_straight_line_across_a_bend(nearest):
    """r = d / cos(phi) in polar coordinates is a straight line; phi = s / R and n = R - r on a circle of radius R."""
    radius = 30.0
    s = np.linspace(-15.0, 15.0, 3001)
    phi = s / radius
    r = nearest / np.cos(phi)
    slope = -r * np.tan(phi) / radius
    bend = -r * (np.tan(phi) ** 2 + 1.0 / np.cos(phi) ** 2) / radius**2
    found = curvature_beside(np.full(s.size, 1.0 / radius), s, radius - r, slope, bend)
    assert np.max(np.abs(found)) < 1e-12


def test_an_ellipse_beside_a_clothoid_by_finite_differences():
    """A curve drawn out point by point, its curvature by differences of its heading (numpy)."""
    s = np.linspace(0.0, 100.0, 20001)
    turn = 0.0004 * s
    heading = 0.0002 * s * s
    step = s[1] - s[0]

    def along(values):
        return np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * step)])

    n = 3.0 * np.sin(s / 12.0)
    z = along(np.cos(heading)) + 1j * along(np.sin(heading)) + n * 1j * np.exp(1j * heading)
    way = np.unwrap(np.angle(np.gradient(z, s)))
    true = np.gradient(way, s) / np.abs(np.gradient(z, s))
    found = curvature_beside(turn, s, n, 0.25 * np.cos(s / 12.0), -n / 144.0)
    assert found[5:-5] == pytest.approx(true[5:-5], abs=2e-6)


def test_places_alone_tell_the_curvature_of_a_lap():
    """A log with nothing but speed and places, without noise: the path's curvature as it was, where that lasts."""
    track, result, known, _ = reference()
    log = without(log_of(known.lap), "yaw_rate", "accel_lat", "accel_long")
    found = session_of(log, track, result.vehicle, known.lap).best.lap
    true = driven(target()).lap
    tight = np.abs(true.curvature) > 0.01
    off = np.abs(found.curvature / true.curvature - 1.0)[tight]
    # The filter rounds off the quickest changes; the first-order formula was a tenth off through whole corners.
    assert np.median(off) < 0.02 and np.quantile(off, 0.9) < 0.06
    # Without a heading the car is taken to point where it goes.
    assert found.xi == pytest.approx(true.xi + true.sideslip, abs=0.02)
