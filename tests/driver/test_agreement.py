"""Speed held against the places."""

import numpy as np
import pytest

from lapwright.driver.agreement import place_speed_ratio
from lapwright.driver.log import Signal


def signal(t, values):
    return Signal(t, values, np.arange(t.size), 1, "")


def circle(factor=1.0, rate=10.0, seconds=60.0):
    """A circle of 150 m at 30 m/s; closed form: the chord of a second is 2 R sin(v / 2 R)."""
    fine, t = np.arange(0.0, seconds, 0.02), np.arange(0.0, seconds, 1.0 / rate)
    turned = 30.0 / 150.0 * t
    return {
        "speed": signal(fine, np.full(fine.size, 30.0) / factor),
        "x": signal(t, 150.0 * np.sin(turned)),
        "y": signal(t, 150.0 * (1.0 - np.cos(turned))),
    }


@pytest.mark.parametrize("factor", [1.0, 3.6, 1852.0 / 3600.0])
def test_a_circle(factor):
    chord = 2.0 * 150.0 * np.sin(30.0 / (2.0 * 150.0))
    assert place_speed_ratio(circle(factor)) == pytest.approx(chord / 30.0 * factor, rel=1e-9)


def test_bad_fixes_and_gaps_do_not_move_it():
    made = circle()
    for name in ("x", "y"):
        values = made[name].values.copy()
        values[[50, 200, 330]] += 400.0
        keep = np.ones(values.size, bool)
        keep[400:450] = False
        made[name] = Signal(made[name].t[keep], values[keep], made[name].row[keep], 1, "")
    assert place_speed_ratio(made) == pytest.approx(1.0, abs=0.01)


def test_too_little_to_compare():
    assert np.isnan(place_speed_ratio(circle(seconds=15.0)))
    assert np.isnan(place_speed_ratio({"speed": circle()["speed"]}))
