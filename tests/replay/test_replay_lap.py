"""Recorded laps driven again, followed, and held."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sample_cars import PLAIN, changed, shipped
from sample_drives import circle, steady_lap
from scipy.optimize import brentq
from test_handling import OVERSTEERING

from lapwright.replay.follow import HUMAN, Follower, follow
from lapwright.replay.replay import growth_rates, replay
from lapwright.replay.states import lap_states
from lapwright.replay.steady import Steady
from lapwright.vehicle.parameters import Differential

SALOON = shipped("touring-saloon")
ROUND = circle(50.0)
LAP = steady_lap(SALOON, ROUND, 18.0)
BUSY = Follower(steer_noise=0.08, pedal_noise=0.1, seed=4)


@pytest.fixture(scope="module")
def driven():
    """A lap with busy hands and feet."""
    return follow(ROUND, SALOON, LAP, BUSY)


def test_states_of_a_lap_are_those_it_was_made_from(driven):
    """Loads give back the lagged accelerations, slips the spins: states to channels to states."""
    states = lap_states(ROUND, SALOON, driven.lap)
    again = follow(ROUND, SALOON, LAP, BUSY)
    np.testing.assert_array_equal(again.lap.n, driven.lap.n)
    from lapwright.replay.states import trace_of

    delta = driven.lap.steering_wheel / SALOON.steering.ratio
    trace = trace_of(ROUND, SALOON, driven.lap.t, states, delta, driven.lap.pedal)
    np.testing.assert_allclose(trace.load, driven.lap.load, atol=1e-3)
    np.testing.assert_allclose(trace.slip_ratio, driven.lap.slip_ratio, atol=1e-9)
    np.testing.assert_allclose(trace.force_lat, driven.lap.force_lat, atol=1e-2)


@pytest.mark.parametrize("window", [None, 50.0])
def test_driven_lap_replays_itself(driven, window):
    """Hands and feet of a drive, integrated again in one go or in windows, give the drive back."""
    result = replay(ROUND, SALOON, driven.lap, window=window)
    assert np.ptp(driven.lap.pedal) > 0.1
    assert np.ptp(driven.lap.n) > 0.05
    assert all(w.ended == "reached" for w in result.windows)
    assert result.worst.strayed < 2e-3
    assert abs(result.time_error) < 1e-5
    assert result.recorded_time == pytest.approx(driven.lap.time)


def test_by_distance_is_the_same_while_nothing_strays(driven):
    by_time = replay(ROUND, SALOON, driven.lap)
    by_distance = replay(ROUND, SALOON, driven.lap, by="distance")
    assert by_distance.worst.strayed < 0.05
    assert by_distance.time == pytest.approx(by_time.time, rel=1e-4)


def test_windows_cover_the_stretch_and_overlap(driven):
    result = replay(ROUND, SALOON, driven.lap, 20.0, 180.0, window=60.0, overlap=True)
    tour = [w for w in result.windows if w.s_from < 150.0]
    ends = sorted((w.s_from, w.s_to) for w in tour)
    assert ends[0][0] == pytest.approx(20.0, abs=0.5)
    assert max(b for _, b in ends) == pytest.approx(180.0, abs=0.5)
    assert all(b - a <= 60.0 + 1e-9 for a, b in ends)
    assert sum(a < 50.0 < b for a, b in ends) == 1
    assert sum(a < 70.0 < b for a, b in ends) == 2


def test_closed_lap_is_replayed_across_the_line():
    result = replay(ROUND, SALOON, LAP, 250.0, 400.0, window=150.0)
    assert result.windows[0].s_from < ROUND.length < result.windows[0].s_to
    assert result.worst.strayed < 0.05


def test_stretch_that_was_not_recorded_is_refused(driven):
    with pytest.raises(ValueError, match="rows from 0 to 314"):
        replay(ROUND, SALOON, driven.lap, 100.0, 900.0)
    with pytest.raises(ValueError, match="by the road"):
        replay(ROUND, SALOON, driven.lap, steady=Steady())


def test_wrong_pedal_is_noticed(driven):
    """A recording whose brake or throttle is a little off does not give the lap back: the check can fail."""
    off = replace(driven.lap, pedal=driven.lap.pedal + 0.02)
    assert replay(ROUND, SALOON, off).worst.strayed > 0.5


@pytest.mark.parametrize("kind", ["open", "locked", "viscous", "preload"])
def test_every_differential_replays(kind):
    differential = Differential(kind, viscosity=60.0, preload=60.0, ramp_drive=0.3, ramp_overrun=0.3)
    car = changed(PLAIN, driveline={"differential": differential}, chassis={"front_mass_share": 0.55})
    lap = steady_lap(car, ROUND, 16.0)
    drive = follow(ROUND, car, lap, BUSY, s_to=150.0)
    assert drive.ended == "reached"
    assert replay(ROUND, car, drive.lap, window=None).worst.strayed < 2e-3


def test_follower_without_faults_stays_on_the_lap():
    drive = follow(ROUND, SALOON, LAP)
    assert drive.ended == "reached"
    assert np.max(np.abs(drive.lap.n)) < 0.02
    assert drive.lap.time == pytest.approx(LAP.time, rel=1e-4)
    assert np.max(np.abs(drive.pedal_correction)) < 0.01


def test_follower_goes_on_for_laps():
    drive = follow(ROUND, SALOON, LAP, s_to=2.5 * ROUND.length)
    assert drive.ended == "reached"
    assert drive.lap.s[-1] == pytest.approx(2.5 * ROUND.length)
    assert np.max(np.abs(drive.lap.n)) < 0.03


def test_follower_comes_back_to_the_line():
    start = lap_states(ROUND, SALOON, LAP)[:, 0].copy()
    start[1] += 1.5
    start[3] -= 2.0
    drive = follow(ROUND, SALOON, LAP, start=start, s_to=200.0)
    assert abs(drive.lap.n[0]) == pytest.approx(1.5)
    assert np.max(np.abs(drive.lap.n[drive.lap.s > 120.0])) < 0.1
    assert drive.lap.speed[-1] == pytest.approx(LAP.speed[0], abs=0.3)


def test_person_is_less_exact_and_never_the_same_twice():
    calm = follow(ROUND, SALOON, LAP)
    one, two = (follow(ROUND, SALOON, LAP, replace(HUMAN, seed=seed)) for seed in (1, 2))
    assert one.ended == two.ended == "reached"
    assert np.max(np.abs(one.lap.n)) > 5 * np.max(np.abs(calm.lap.n))
    assert np.max(np.abs(one.lap.n)) < 2.0
    assert np.max(np.abs(one.lap.n[:300] - two.lap.n[:300])) > 0.01


def test_hands_and_feet_keep_their_rates(driven):
    driver, ratio = SALOON.driver, SALOON.steering.ratio
    dt = np.diff(driven.recording.at)
    assert np.max(np.abs(np.diff(driven.recording.delta)) / dt) <= driver.max_wheel_rate / ratio * (1 + 1e-9)
    rate = np.diff(driven.recording.pedal) / dt
    fastest_up = max(1 / driver.throttle_rise, 1 / driver.brake_release)
    fastest_down = max(1 / driver.throttle_release, 1 / driver.brake_rise)
    assert rate.max() <= fastest_up * (1 + 1e-9)
    assert rate.min() >= -fastest_down * (1 + 1e-9)


def test_altered_feet_brake_where_they_are_told():
    """A fault with a place: the driver stamps on the brake between 100 and 120 m."""

    def stamp(_t, s, delta, pedal):
        return delta, (-0.25 if 100.0 < s < 120.0 else pedal)

    drive = follow(ROUND, SALOON, LAP, Follower(alter=stamp), s_to=200.0)
    inside = (drive.lap.s > 105.0) & (drive.lap.s < 118.0)
    assert np.all(drive.lap.pedal[inside] < -0.2)
    assert drive.lap.speed[inside].min() < LAP.speed[0] - 1.0
    assert np.all(drive.pedal_correction[drive.lap.s < 99.0] > -0.02)


def bicycle_growth(speed):
    """Larger eigenvalue [1/s] of the two-wheel model (Gillespie 1992, ch. 6, or any handling textbook; from memory)."""
    m, inertia, a, b, front, rear = 1500.0, 2000.0, 1.4, 1.2, 90e3, 80e3
    turn = b * rear - a * front
    matrix = [
        [-(front + rear) / (m * speed), turn / (m * speed) - speed],
        [turn / (inertia * speed), -(a * a * front + b * b * rear) / (inertia * speed)],
    ]
    return float(np.linalg.eigvals(matrix).real.max())


def test_growth_is_that_of_the_two_wheel_model():
    """The oversteering car of the handling tests, nearly straight on: unstable above its critical speed of 32.9 m/s."""
    assert brentq(bicycle_growth, 20.0, 50.0) == pytest.approx(32.887688, abs=1e-6)
    wide = circle(5000.0)
    car = changed(OVERSTEERING, driveline={"power": 60e3})
    for speed in (40.0, 45.0, 50.0):
        rates = growth_rates(wide, car, steady_lap(car, wide, speed))
        assert rates.max() == pytest.approx(bicycle_growth(speed), rel=0.03)
    assert growth_rates(wide, car, steady_lap(car, wide, 25.0)).max() < 0.1


def test_steady_hand_holds_what_runs_away():
    """Beyond its critical speed the car leaves the circle by itself; a steady hand keeps it there."""
    track = circle(300.0)
    car = changed(OVERSTEERING, driveline={"power": 80e3})
    lap = steady_lap(car, track, 40.0)
    start_off = replace(lap, sideslip=lap.sideslip + 1e-4)
    alone = replay(track, car, start_off, 0.0, 1000.0, window=None)
    held = replay(track, car, start_off, 0.0, 1000.0, window=None, by="distance", steady=Steady())
    assert alone.worst.strayed > 2.0
    assert held.worst.strayed < 0.1
    window = held.windows[0]
    assert np.max(np.abs(window.offset)) < 0.05
    assert np.degrees(np.max(np.abs(window.steer_correction))) < 0.2
    assert np.max(np.abs(window.pedal_correction)) < 0.02
    assert not np.any(alone.windows[0].steer_correction)
