"""Left and forward are found from what the channels do together; closed form: a drive on a sine of a yaw rate."""

from dataclasses import replace

import numpy as np
import pytest

from lapwright.driver.log import Signal
from lapwright.driver.signs import find_signs

NAMES = ("yaw_rate", "accel_lat", "steering_wheel", "accel_long")


def signals(noise=0.0):
    t = np.arange(0.0, 60.0, 0.05)
    random = np.random.default_rng(2)
    slow = 2.0 * np.pi / 13.0
    speed = 35.0 + 12.0 * np.sin(slow * t)
    rate = 0.05 + 0.3 * np.sin(2.0 * np.pi / 9.0 * t)
    course = np.cumsum(rate) * 0.05
    rows = np.arange(t.size)

    def signal(values, noise_size=0.0):
        return Signal(t, values + noise * noise_size * random.standard_normal(t.size), rows, 0, "")

    return {
        "speed": signal(speed, 0.1),
        "x": signal(np.cumsum(speed * np.cos(course)) * 0.05, 1.0),
        "y": signal(np.cumsum(speed * np.sin(course)) * 0.05, 1.0),
        "yaw_rate": signal(rate, 0.02),
        "accel_lat": signal(rate * speed, 1.0),
        "steering_wheel": signal(36.0 * rate / speed, 0.01),
        "accel_long": signal(12.0 * slow * np.cos(slow * t), 0.5),
    }


def turned(made, *names):
    return {**made, **{name: replace(made[name], values=-made[name].values) for name in names}}


@pytest.mark.parametrize("noise", [0.0, 1.0])
@pytest.mark.parametrize("name", NAMES)
def test_each_is_found_with_places_of_a_metre(name, noise):
    made = signals(noise)
    found = find_signs(turned(made, name), frozenset())
    for other in NAMES:
        assert np.array_equal(found.signals[other].values, made[other].values)
    assert len(found.words) == 1 and "turned round" in found.words[0]


def test_nothing_is_said_when_all_agree():
    assert find_signs(signals(), frozenset()).words == ()


def test_without_places_steering_follows_the_yaw_rate():
    made = {name: signal for name, signal in signals().items() if name not in ("x", "y")}
    found = find_signs(turned(made, "steering_wheel"), frozenset())
    assert np.array_equal(found.signals["steering_wheel"].values, made["steering_wheel"].values)
    assert "no places to tell its sign" in found.words[0] and "steering has the other sign" in found.words[1]


def test_a_sign_of_the_map_stays_and_disagreement_is_told():
    made = turned(signals(), "steering_wheel")
    found = find_signs(made, frozenset({"steering_wheel"}))
    assert found.signals["steering_wheel"] is made["steering_wheel"]
    assert "disagrees" in found.words[0]


def test_what_does_not_tell_is_taken_as_it_is():
    made = signals()
    noise = np.random.default_rng(1).standard_normal(made["yaw_rate"].t.size)
    found = find_signs({**made, "yaw_rate": replace(made["yaw_rate"], values=noise)}, frozenset())
    assert "does not tell its sign" in found.words[0]
