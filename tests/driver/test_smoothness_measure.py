"""The spectral arc length against an integral of a known spectrum, and what it must not depend on."""

from __future__ import annotations

import numpy as np
import pytest
from made_movements import corners, lap_with
from scipy.integrate import quad

from lapwright.driver.session import Noise
from lapwright.driver.smoothness import CUTOFF, THRESHOLD, smoothness, spectral_arc_length

QUIET = Noise(brake=0.002, steering=0.003)


@pytest.mark.parametrize("width", [0.08, 0.15, 0.4])
def test_a_bell_shaped_speed_against_its_spectrum(width):
    """The spectrum of exp(-t^2 / 2 w^2) is exp(-(2 pi f w)^2 / 2); its arc length by scipy.integrate.quad."""
    t = np.arange(-4.0, 4.0, 0.01)
    found = spectral_arc_length(np.exp(-0.5 * (t / width) ** 2), 100.0)
    last = min(np.sqrt(-2.0 * np.log(THRESHOLD)) / (2.0 * np.pi * width), CUTOFF)

    def piece(f):
        slope = -((2.0 * np.pi * width) ** 2) * f * np.exp(-0.5 * (2.0 * np.pi * f * width) ** 2)
        return np.hypot(1.0 / last, slope)

    assert found == pytest.approx(-quad(piece, 0.0, last)[0], abs=0.02)


def test_a_minimum_jerk_movement_is_the_smoothest():
    """Flash & Hogan, J. Neurosci. 5 (1985) 1688 [from memory]: v = 30 x^2 (1 - x)^2; two of them are less smooth."""
    x = np.linspace(0.0, 1.0, 101)
    one = 30.0 * x**2 * (1.0 - x) ** 2
    two = np.concatenate([one, one])
    assert spectral_arc_length(np.pad(one, 50), 100.0) == pytest.approx(-1.41, abs=0.06)
    assert spectral_arc_length(np.pad(two, 50), 100.0) < -1.7


def test_size_and_duration_do_not_change_it_steps_do():
    one = corners((0, 0), (1, 0), (1.2, 1), (2.0, 0.95), (3.5, 0), (5, 0))
    half = corners((0, 0), (1, 0), (1.2, 0.5), (2.0, 0.475), (3.5, 0), (5, 0))
    two = corners((0, 0), (1, 0), (1.2, 1), (2.0, 0.95), (2.2, 0.5), (2.9, 0.48), (3.2, 0), (5, 0))
    values = [
        smoothness(lap_with(5.0, brake=trace), "brake", 0.0, 200.0, QUIET) for trace in (one, half, two)
    ]
    assert values[0] == pytest.approx(values[1], abs=1e-6)
    assert values[2] < values[0] - 0.2


def test_noise_changes_it_little_and_nothing_moving_has_none():
    random = np.random.default_rng(3)
    bend = lambda t: np.exp(-0.5 * ((t - 3.0) / 0.7) ** 2)  # noqa: E731
    clean = smoothness(lap_with(6.0, steering_wheel=bend), "steering", 0.0, 240.0, QUIET)
    noisy = lap_with(6.0, steering_wheel=lambda t: bend(t) + 0.002 * random.standard_normal(t.size))
    assert smoothness(noisy, "steering", 0.0, 240.0, QUIET) == pytest.approx(clean, abs=0.5)
    assert np.isnan(smoothness(lap_with(6.0, brake=lambda t: 0.0 * t), "brake", 0.0, 240.0, QUIET))
    assert np.isnan(smoothness(lap_with(6.0), "brake", 0.0, 240.0, QUIET))
