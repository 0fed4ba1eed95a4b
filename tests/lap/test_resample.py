"""A lap between its rows."""

from dataclasses import fields

import numpy as np
import pytest
from handmade_lap import bend_road, handmade_lap
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_lap import invented_lap, invented_track

from lapwright.lap.resample import lap_at, resample

TRACK = invented_track()
LAP = invented_lap(TRACK)
BEND = bend_road()


def test_the_rows_of_the_lap_come_back():
    again = lap_at(LAP, LAP.s)
    for item in fields(LAP):
        before, after = getattr(LAP, item.name), getattr(again, item.name)
        if isinstance(before, np.ndarray) and before.dtype.kind == "f":
            np.testing.assert_allclose(after, before, rtol=0, atol=1e-9, err_msg=item.name)
        else:
            assert np.array_equal(after, before), item.name


def test_speed_and_time_of_uniform_braking():
    """v^2 = v0^2 - 2 a s and t = (v0 - v) / a, uniform acceleration (any textbook of mechanics)."""
    track = bend_road()
    s = np.arange(0.0, 161.0, 5.0)
    speed = np.sqrt(60.0**2 - 2 * 10.0 * s)
    lap = handmade_lap(track, s, speed=speed, t=(60.0 - speed) / 10.0)
    fine = resample(lap, 0.7)
    exact = np.sqrt(60.0**2 - 20.0 * fine.s)
    np.testing.assert_allclose(fine.speed, exact, atol=5e-3)
    np.testing.assert_allclose(fine.t, (60.0 - exact) / 10.0, atol=5e-4)
    assert fine.time == pytest.approx(4.0, abs=1e-9)


def test_gear_is_held_and_never_invented():
    track = bend_road()
    gear = np.array([4, 4, 3, 2, 2])
    axle = np.array(["none", "front", "both", "rear", "none"])
    lap = handmade_lap(track, [0.0, 10.0, 20.0, 30.0, 40.0], gear=gear, limiting_axle=axle)
    fine = lap_at(lap, np.array([0.0, 9.9, 10.0, 19.9, 20.0, 29.9, 30.0, 40.0]))
    assert list(fine.gear) == [4, 4, 4, 4, 3, 3, 2, 2]
    assert list(fine.limiting_axle) == ["none", "none", "front", "front", "both", "both", "rear", "none"]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 100), min_size=4, max_size=30), st.floats(0.05, 3.0))
def test_no_value_leaves_the_range_of_its_neighbours(brake, step):
    """The property that Fritsch & Carlson (1980) prove of their cubic."""
    s = 7.0 * np.arange(len(brake))
    lap = handmade_lap(BEND, s, brake=0.01 * np.array(brake))
    fine = resample(lap, step)
    row = np.clip(np.searchsorted(s, fine.s, "right") - 1, 0, len(brake) - 2)
    low = np.minimum(lap.brake[row], lap.brake[row + 1])
    high = np.maximum(lap.brake[row], lap.brake[row + 1])
    assert np.all(fine.brake >= low - 1e-12) and np.all(fine.brake <= high + 1e-12)


def test_the_grid_is_even_and_ends_on_the_last_row():
    fine = resample(LAP, 1.0)
    steps = np.diff(fine.s)
    assert fine.s[0] == LAP.s[0] and fine.s[-1] == LAP.s[-1]
    assert np.ptp(steps) < 1e-9 and 0.99 < steps[0] <= 1.0
    assert np.all(np.diff(fine.t) > 0)
    assert fine.load.shape == (fine.s.size, 4)


@pytest.mark.parametrize("stations", [[], [5.0, 5.0], [6.0, 5.0], [-1.0, 4.0], [0.0, 1e6]])
def test_stations_off_the_lap_are_refused(stations):
    with pytest.raises(ValueError, match="stations"):
        lap_at(LAP, np.array(stations))


@pytest.mark.parametrize("step", [0.0, -2.0, float("nan")])
def test_a_step_must_be_positive(step):
    with pytest.raises(ValueError, match="step"):
        resample(LAP, step)
