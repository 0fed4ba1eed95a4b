"""The smoother against a dense solve of the same least squares, and its gain against the formula."""

from __future__ import annotations

import numpy as np
import pytest

from lapwright.driver.penalised import cutoff, left_over, smooth, smooth_trend, white_noise


@pytest.mark.parametrize("order", [1, 2, 3])
def test_it_is_the_least_squares_answer(order):
    """numpy.linalg.lstsq on the stacked equations, which knows nothing of bands."""
    random = np.random.default_rng(order)
    knots = np.linspace(0.0, 30.0, 61)
    at = np.sort(random.uniform(0.0, 30.0, 45))
    values, noise, roughness = np.sin(at / 4.0) + 0.1 * random.standard_normal(45), 0.1, 0.05
    step = knots[1] - knots[0]
    left = np.minimum((at / step).astype(int), 59)
    share = at / step - left
    design = np.zeros((45, 61))
    design[np.arange(45), left], design[np.arange(45), left + 1] = 1.0 - share, share
    penalty = np.diff(np.eye(61), order, axis=0) * np.sqrt(step) / (roughness * step**order)
    wanted = np.linalg.lstsq(
        np.vstack([design / noise, penalty]),
        np.concatenate([values / noise, np.zeros(len(penalty))]),
        rcond=None,
    )[0]
    assert smooth(at, values, noise, knots, roughness, order) == pytest.approx(wanted, abs=1e-8)


@pytest.mark.parametrize("order", [2, 3])
def test_a_wave_at_the_cutoff_is_halved(order):
    """Eilers, Anal. Chem. 75 (2003) 3631 [from memory]: gain 1 / (1 + lambda k^(2 order)), which is 1/2 where the penalty of
    the wave equals its misfit."""
    knots = np.arange(0.0, 4000.0, 1.0)
    wave = cutoff(0.5, 1.0, 1e-3, order)
    values = np.sin(2.0 * np.pi * knots / wave)
    kept = smooth(knots, values, 0.5, knots, 1e-3, order)[1000:3000]
    assert np.max(np.abs(kept)) == pytest.approx(0.5, abs=0.02)


def test_polynomials_below_the_order_pass_and_nothing_comes_late():
    knots = np.linspace(0.0, 100.0, 201)
    parabola = 0.3 - 0.2 * knots + 0.01 * knots**2
    assert smooth(knots, parabola, 1.0, knots, 1e-4, 3) == pytest.approx(parabola, abs=1e-3)
    bump = np.exp(-0.5 * ((knots - 50.0) / 5.0) ** 2)
    smoothed = smooth(knots, bump, 0.3, knots, 0.02, 3)
    assert knots[np.argmax(smoothed)] == pytest.approx(50.0, abs=1e-9)
    assert smoothed[100 - 40 : 101][::-1] == pytest.approx(smoothed[100:141], abs=1e-6)


def test_white_noise_is_told_from_a_smooth_signal():
    random = np.random.default_rng(2)
    t = np.arange(0.0, 60.0, 0.1)
    clean = 5.0 * np.sin(t / 3.0)
    assert white_noise(clean) < 0.01
    assert white_noise(clean + 0.4 * random.standard_normal(t.size)) == pytest.approx(0.4, rel=0.12)
    assert white_noise(np.zeros(3)) == 0.0


def test_a_trend_is_the_least_squares_answer():
    """numpy.linalg.lstsq on the stacked equations of values and rates."""
    random = np.random.default_rng(4)
    knots = np.linspace(0.0, 20.0, 41)
    at = np.sort(random.uniform(0.0, 20.0, 60))
    values, noise, roughness = np.sin(at / 3.0) + 0.1 * random.standard_normal(60), 0.1, 0.07
    wobble = random.uniform(0.01, 0.4, 40)
    left = np.minimum((at / 0.5).astype(int), 39)
    share = at / 0.5 - left
    design = np.zeros((60, 82))
    design[np.arange(60), left], design[np.arange(60), left + 1] = 1.0 - share, share
    steps, rates = np.zeros((40, 82)), np.zeros((40, 82))
    for i in range(40):
        steps[i, [i, i + 1]], steps[i, [41 + i, 42 + i]] = (-1.0, 1.0), -0.25
        rates[i, [41 + i, 42 + i]] = -1.0, 1.0
    steps /= (wobble * np.sqrt(0.5))[:, None]
    rates /= roughness * np.sqrt(0.5)
    wanted = np.linalg.lstsq(
        np.vstack([design / noise, steps, rates]), np.concatenate([values / noise, np.zeros(80)]), rcond=None
    )[0][:41]
    assert smooth_trend(at, values, noise, knots, wobble, roughness) == pytest.approx(wanted, abs=1e-7)


def test_a_trend_without_wobble_is_the_smoother_of_order_two():
    """Both are the cubic smoothing spline in the limit of close knots (Reinsch, Numer. Math. 10 (1967) 177 [from memory])."""
    random = np.random.default_rng(5)
    knots = np.linspace(0.0, 50.0, 501)
    at = np.sort(random.uniform(0.0, 50.0, 300))
    values = np.sin(at / 6.0) + 0.2 * random.standard_normal(300)
    trend = smooth_trend(at, values, 0.2, knots, np.zeros(500), 0.05)
    assert trend == pytest.approx(smooth(at, values, 0.2, knots, 0.05, 2), abs=0.01)


def test_thousands_of_knots_without_data_have_an_answer():
    """20 km without places: beside the data nothing is felt of what holds the knots there."""
    knots = np.linspace(0.0, 24000.0, 12001)
    at = np.concatenate([np.arange(0.0, 2000.0, 4.0), np.arange(22000.0, 24000.0, 4.0)])
    line = smooth(at, np.full(at.size, 3.0), 0.5, knots, 2e-4, 3, 200.0)
    assert np.all(np.isfinite(line))
    assert line[:900] == pytest.approx(3.0, abs=0.005)
    assert line[-900:] == pytest.approx(3.0, abs=0.005)
    clock = np.linspace(0.0, 3000.0, 12001)
    at = np.arange(0.0, 300.0, 0.1)
    trend = smooth_trend(at, 0.01 * at, 0.5, clock, np.full(12000, 0.01), 4e-4, 10.0)
    assert np.all(np.isfinite(trend))
    assert trend[:1100] == pytest.approx(0.01 * clock[:1100], abs=0.005)


@pytest.mark.parametrize(("order", "derivative"), [(2, 0), (3, 0), (3, 1), (3, 2)])
def test_what_is_left_is_that_of_the_inverse_of_the_equations(order, derivative):
    """The covariance of least squares is the inverse of its normal matrix; a derivative's follows by differences."""
    noise, roughness, size = 0.8, 0.01, 600
    differences = np.diff(np.eye(size), order, axis=0) / roughness
    covariance = np.linalg.inv(np.eye(size) / noise**2 + differences.T @ differences)
    rate = np.diff(np.eye(size), derivative, axis=0)
    spread = np.sqrt(np.diag(rate @ covariance @ rate.T))[size // 2]
    assert left_over(noise, 1.0, roughness, order, derivative) == pytest.approx(spread, rel=0.03)
