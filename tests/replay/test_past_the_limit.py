"""Wheels that lock: which first, at what deceleration, and that the integration survives it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sample_cars import PLAIN, SHIPPED, changed, shipped
from sample_drives import circle, drive, held, rolling, settled, straight

from lapwright.quantities import G
from lapwright.replay.locks import slides
from lapwright.vehicle.parameters import Tyre
from lapwright.vehicle.tyre import grip_curve

SALOON = changed(
    PLAIN,
    chassis={"front_mass_share": 0.60, "wheelbase": 2.7, "cg_height": 0.55, "load_transfer_time": 0.02},
    brakes={"front_share": 0.72},
    driveline={"power": 1.0, "overrun_torque": 0.0, "wheel_inertia": 0.02},
)
"""Invented saloon of the brake balance examples: rear share 0.40, h/E = 0.55/2.7, front brake share 0.72."""


def on_grip(mu):
    tyre = Tyre(mu, mu, 3000.0, 0.0, 0.11, 0.06, 0.8)
    return changed(SALOON, tyres={"front": tyre, "rear": tyre})


def squeeze(car, low, high, seconds):
    """Brake from 45 m/s with a foot that goes slowly from ``low`` to ``high`` (in g of demanded deceleration)."""
    scale = car.chassis.mass * G / car.brakes.peak_force

    def foot(t, _x):
        # Load has to move forward before the front axle can take its share.
        return 0.0, -scale * min(2.0 * t, 1.0) * (low + (high - low) * t / seconds)

    return drive(car, straight(), rolling(car, 45.0), foot, seconds, np.linspace(0.0, seconds, 2001))


@pytest.mark.parametrize(
    ("mu", "first", "z", "ramp"), [(0.6, "r", 0.596685, (0.58, 0.61)), (0.3, "f", 0.273187, (0.25, 0.30))]
)
def test_axle_that_locks_first(mu, first, z, ramp):
    """By adhesion utilisation (UN R13-H, annex 5, in Crolla (ed.), Automotive Engineering, 2009): values by hand.

    The deceleration at which the first wheel passes the peak of its tyre is that of the formula; the wheel
    then locks.
    """
    car = on_grip(mu)
    motion, lap = squeeze(car, *ramp, 4.0)
    found = slides(lap, 0.06, 0.06)
    assert found, "nothing locked"
    assert found[0].kind == "locked"
    assert found[0].wheel[0] == first
    onset = int(np.argmin(np.abs(lap.s - found[0].onset)))
    assert -lap.accel_long[onset] / G == pytest.approx(z, rel=0.005)
    assert motion.ended == "out of time"


def test_full_brake_slides_on_all_four():
    """All wheels locked: deceleration is the sliding friction, mu times the curve's value at a slip of one."""
    car = changed(PLAIN, driveline={"power": 1.0, "overrun_torque": 0.0})
    motion, lap = drive(car, straight(), rolling(car, 40.0), held(0.0, -1.0), 6.0)
    assert {slide.wheel for slide in slides(lap, 0.09, 0.09)} == {"fl", "fr", "rl", "rr"}
    assert motion.ended == "stopped"
    locked = np.all(lap.slip_ratio < -0.95, axis=1) & (lap.speed > 10.0)
    assert locked.sum() > 50
    sliding = 1.5 * grip_curve(1.0 / 0.09, 0.8) * G
    np.testing.assert_allclose(-lap.accel_long[locked], sliding, rtol=5e-3)
    # Locked wheels creep by less than a rounding of the brake's direction and never run backward.
    assert np.all(motion.x[8:] > -1e-6)
    assert np.max(motion.x[8:][:, locked]) < 1.0


def test_released_wheel_rolls_again():
    def foot(t, _x):
        return 0.0, (-1.0 if t < 0.5 else 0.0)

    _, lap = drive(PLAIN, straight(), rolling(PLAIN, 40.0), foot, 1.5)
    assert lap.slip_ratio.min() < -0.95
    np.testing.assert_allclose(lap.slip_ratio[-1], 0.0, atol=0.01)


def test_locked_front_wheels_do_not_steer():
    """Both front wheels locked, the car goes straight on however the wheel is turned (common practice)."""
    car = changed(PLAIN, brakes={"front_share": 0.95}, driveline={"power": 1.0, "overrun_torque": 0.0})

    def hands(t, _x):
        return (0.08 if t > 0.6 else 0.0), -0.8

    def hands_off_brake(t, _x):
        return (0.08 if t > 0.6 else 0.0), 0.0

    _, locked = drive(car, straight(), rolling(car, 40.0), hands, 1.4)
    _, rolls = drive(car, straight(), rolling(car, 40.0), hands_off_brake, 1.4)
    assert locked.slip_ratio[-1, :2].max() < -0.9
    assert abs(locked.yaw_rate[-1]) < 0.25 * abs(rolls.yaw_rate[-1])


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("pedal", [-1.0, 1.0])
def test_panic_in_a_bend_is_survived(name, pedal):
    """Every car, brake or throttle to the floor in mid-corner: finite to the end, whatever the end is."""
    car = shipped(name)
    track = circle(60.0, half_width=20.0)
    _, _, x, delta, steady = settled(car, track, 21.0)

    def feet(t, _x):
        return delta, steady + (pedal - steady) * min(t / 0.2, 1.0)

    motion, lap = drive(car, track, x, feet, 5.0)
    assert motion.ended in ("stopped", "spun", "left the road", "out of time")
    for channel in (lap.speed, lap.n, lap.slip_ratio, lap.load, lap.force_long, lap.force_lat):
        assert np.all(np.isfinite(channel))
    assert np.all(motion.x[8:] > -1.0)
    assert lap.speed.max() < 80.0


def test_oversteering_car_spins_and_says_so():
    car = changed(PLAIN, tyres={"rear": {"peak_slip_angle": 0.16}})
    track = circle(80.0, half_width=20.0)
    _, _, x, delta, _ = settled(car, track, 22.0)
    motion, _ = drive(car, track, x, held(1.6 * delta, 0.4), 12.0)
    assert motion.ended == "spun"


def test_slides_are_told_in_order():
    _, lap = drive(PLAIN, straight(), rolling(PLAIN, 40.0), held(0.0, -1.0), 1.0)
    found = slides(lap, 0.09, 0.09)
    assert [slide.time for slide in found] == sorted(slide.time for slide in found)
    for slide in found:
        assert slide.onset <= slide.start <= slide.end
    calm = replace(lap, slip_ratio=np.zeros_like(lap.slip_ratio))
    assert slides(calm, 0.09, 0.09) == ()
