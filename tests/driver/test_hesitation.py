"""Steps, second applications, lifts and corrections in traces that were drawn with them."""

from __future__ import annotations

import numpy as np
import pytest
from made_movements import SPEED, corners, lap_with

from lapwright.driver.hesitation import release_steps, second_application, steering_corrections, throttle_lift
from lapwright.driver.session import Noise

QUIET = Noise(brake=0.002, throttle=0.003, steering=0.003)
ONE = corners((0, 0), (1, 0), (1.2, 1), (2.0, 0.95), (3.5, 0), (5, 0))
TWO = corners((0, 0), (1, 0), (1.2, 1), (2.0, 0.95), (2.2, 0.5), (2.9, 0.48), (3.2, 0), (5, 0))
THREE = corners(
    (0, 0), (1, 0), (1.2, 1), (2, 0.95), (2.15, 0.6), (2.6, 0.6), (2.75, 0.3), (3.2, 0.29), (3.35, 0), (5, 0)
)


@pytest.mark.parametrize(("trace", "steps"), [(ONE, 1), (TWO, 2), (THREE, 3), (lambda t: 0.0 * t, 0)])
@pytest.mark.parametrize("noise", [0.0, 0.002])
def test_steps_of_a_release(trace, steps, noise):
    random = np.random.default_rng(1)
    lap = lap_with(5.0, brake=lambda t: np.maximum(trace(t) + noise * random.standard_normal(t.size), 0.0))
    assert release_steps(lap, 0.0, 200.0, QUIET).count == steps


def test_where_a_step_is_held_and_how_high():
    found = release_steps(lap_with(5.0, brake=TWO), 0.0, 200.0, QUIET)
    assert found.size == pytest.approx(0.49, abs=0.03)
    assert found.start == pytest.approx(2.2 * SPEED, abs=6.0) and found.end == pytest.approx(
        2.9 * SPEED, abs=6.0
    )


def test_a_square_root_release_has_one_step():
    """The release of a point mass into a clothoid: all in one, ever steeper."""
    root = lambda t: np.sqrt(np.clip((3.5 - t) / 2.0, 0.0, 1.0)) * (t > 1.0)  # noqa: E731
    assert release_steps(lap_with(5.0, brake=root), 0.0, 200.0, QUIET).count == 1


def test_second_application():
    again = corners(
        (0, 0),
        (1, 0),
        (1.2, 1),
        (2.0, 0.9),
        (2.3, 0.1),
        (2.6, 0.1),
        (2.8, 0.5),
        (3.2, 0.45),
        (3.5, 0),
        (5, 0),
    )
    found = second_application(lap_with(5.0, brake=again), 0.0, 200.0, QUIET)
    assert found.count == 2
    assert found.size == pytest.approx(0.5, abs=0.02)
    assert found.start == pytest.approx(2.6 * SPEED, abs=3.0)
    assert second_application(lap_with(5.0, brake=ONE), 0.0, 200.0, QUIET).count == 1


def test_throttle_picked_up_and_lifted():
    lifted = corners((0, 1), (1, 1), (1.1, 0), (2, 0), (2.4, 0.5), (2.6, 0.2), (2.9, 0.2), (3.4, 1), (5, 1))
    found = throttle_lift(lap_with(5.0, throttle=lifted), 60.0, 200.0, QUIET)
    assert (found.count, found.size) == (1, pytest.approx(0.3, abs=0.02))
    assert found.start == pytest.approx(2.4 * SPEED, abs=3.0)
    clean = corners((0, 1), (1, 1), (1.1, 0), (2, 0), (3.4, 1), (5, 1))
    assert throttle_lift(lap_with(5.0, throttle=clean), 60.0, 200.0, QUIET).count == 0
    next_corner = corners((0, 0), (1, 0), (2, 1), (3, 1), (3.2, 0), (5, 0))
    assert throttle_lift(lap_with(5.0, throttle=next_corner), 20.0, 130.0, QUIET).count == 0


def test_corrections_of_the_steering():
    slow = lambda t: 1.5 * np.exp(-0.5 * ((t - 3.0) / 0.8) ** 2)  # noqa: E731
    assert steering_corrections(lap_with(6.0, steering_wheel=slow), 20.0, 220.0, QUIET).count == 0
    saw = lambda t: slow(t) + 0.2 * np.sin(2 * np.pi * 2.0 * t) * ((t > 2.0) & (t < 4.0))  # noqa: E731
    found = steering_corrections(lap_with(6.0, steering_wheel=saw), 20.0, 220.0, QUIET)
    assert found.count == pytest.approx(4, abs=1)
    assert found.size == pytest.approx(0.4, rel=0.15)
    assert 2.0 * SPEED - 15.0 < found.start < found.end < 4.0 * SPEED + 15.0
    shaky = Noise(steering=0.1)
    assert steering_corrections(lap_with(6.0, steering_wheel=saw), 20.0, 220.0, shaky).count == 0


def test_nothing_is_read_from_what_was_not_logged():
    lap = lap_with(5.0)
    assert release_steps(lap, 0.0, 200.0, QUIET).count == 0
    assert throttle_lift(lap, 0.0, 200.0, QUIET).count == 0
