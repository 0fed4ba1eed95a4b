"""Straight-line braking against the adhesion formulas of UN Regulation 13-H worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from handmade_lap import bend_road, handmade_lap
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_cars import PLAIN, SHIPPED, changed, shipped

from lapwright.errors import InputError
from lapwright.lap.phases import braking_zones
from lapwright.quantities import G
from lapwright.study.adhesion import (
    adhesion_used,
    axle_loads,
    first_lock,
    follows_order,
    least_deceleration,
    limit_lines,
    locks_together,
    mean_fully_developed_deceleration,
    share_that_locks_together,
    zone_deceleration,
)
from lapwright.vehicle.parameters import FrictionCircle

SALOON = changed(
    PLAIN,
    chassis={"front_mass_share": 0.60, "wheelbase": 2.7, "cg_height": 0.55},
    brakes={"front_share": 0.72},
)
"""Invented: static rear share 0.40, h/E = 0.55/2.7, front brake share 0.72, no aerodynamics."""

SMOOTH = 3e-5
"""Relative. The smooth limit of an axle's load, 0.2 % of the weight wide, adds 1e-6 / p of the weight to a share p of it."""


# UN Regulation 13-H, annex 5 (equations read in Crolla (ed.), Automotive Engineering, 2009), worked out by hand:
# f1 = .72 z / (.6 + z .55/2.7), f2 = .28 z / (.4 - z .55/2.7).
@pytest.mark.parametrize(
    ("z", "f1", "f2"), [(0.589091, 0.589091, 0.589091), (0.5, 0.512930, 0.469565), (0.8, 0.754951, 0.945000)]
)
def test_adhesion_of_the_worked_saloon(z, f1, f2):
    assert adhesion_used(SALOON, z) == (pytest.approx(f1, rel=SMOOTH), pytest.approx(f2, rel=SMOOTH))


def test_both_axles_of_the_saloon_lock_together():
    """(0.72 - 0.60) * 2.7 / 0.55 = 0.589091, and back again."""
    z = locks_together(SALOON)
    assert z == pytest.approx(0.589091, rel=SMOOTH)
    assert share_that_locks_together(SALOON, z) == pytest.approx(0.72, abs=1e-9)
    assert first_lock(SALOON, z)[0] == pytest.approx(z, rel=2e-6)


@pytest.mark.parametrize(("mu", "z", "axle"), [(0.6, 0.596685, "rear"), (0.3, 0.273187, "front")])
def test_first_axle_to_lock(mu, z, axle):
    """The same formulas solved for z at f = mu: mu P2 / (share2 + mu h/E) at the rear, mu P1 / (share1 - mu h/E) in front."""
    found, which = first_lock(SALOON, mu)
    assert found == pytest.approx(z, rel=SMOOTH)
    assert which == axle


def test_load_that_braking_moves():
    """1300 kg, h 0.45 m, wheelbase 2.5 m, mass in the middle, 1.2 g: 0.5 + 1.2 * 0.45 / 2.5 = 0.716 of the load in front."""
    assert share_that_locks_together(PLAIN, 1.2) == pytest.approx(0.716, rel=SMOOTH)


def test_order_of_the_axles():
    """The saloon's rear passes its front at 0.589: the order that R13-H asks for from 0.15 to 0.80 is broken from there."""
    ((start, end),) = follows_order(SALOON)
    assert start == pytest.approx(0.589091, rel=SMOOTH)
    assert end == 0.80
    assert follows_order(SALOON, share=0.80) == ()
    assert follows_order(SALOON, share=0.50) == ((0.15, 0.80),)


def test_overrun_of_a_driven_rear_axle_breaks_the_order_at_little_braking():
    """T1 = 0.72 (z - 0.02) W, 0.02 W from the engine; f1 = f2 where T1 / W = z (0.6 + z h/E), a quadratic."""
    weight = SALOON.chassis.mass * G
    car = changed(SALOON, driveline={"overrun_torque": 0.02 * weight * SALOON.driveline.wheel_radius})
    low, high = sorted(np.roots([0.55 / 2.7, 0.60 - 0.72, 0.72 * 0.02]))
    assert 0.15 < low < high < 0.80
    (first, second) = follows_order(car, overrun=True)
    assert first == (0.15, pytest.approx(low, rel=1e-3))
    assert second == (pytest.approx(high, rel=1e-3), 0.80)


def test_limit_line():
    """k = 0.2 at z = 0.1 and k = 0.8 at z = 0.1 + 0.7 * 0.6 = 0.52 (R13-H, from memory)."""
    assert limit_lines([0.1, 0.31, 0.52]) == pytest.approx([0.2, 0.5, 0.8])
    assert np.isnan(limit_lines([0.09, 0.53])).all()


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(SHIPPED), st.floats(0.1, 1.3), st.floats(0.0, 70.0), st.booleans())
def test_forces_give_the_deceleration(name, z, speed, overrun):
    """f1 N1 + f2 N2 + drag = m z g (Newton), whatever the share, the speed and the engine."""
    car = shipped(name)
    f1, f2 = adhesion_used(car, z, speed, overrun)
    if z < least_deceleration(car, speed, overrun):
        assert np.isnan(f1) and np.isnan(f2)
        return
    front, rear = axle_loads(car, z, speed)
    drag = 0.5 * car.aero.air_density * car.aero.drag_area * speed**2
    assert f1 * front + f2 * rear + drag == pytest.approx(car.chassis.mass * z * G, rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(SHIPPED), st.floats(0.15, 1.5), st.floats(0.0, 60.0), st.floats(0.4, 0.9))
def test_a_locking_axle_is_at_mu_and_the_other_below(name, mu, speed, share):
    car = shipped(name)
    z, axle = first_lock(car, mu, share, speed)
    f = dict(zip(("front", "rear"), adhesion_used(car, z, speed, share=share), strict=True))
    assert f.pop(axle) == pytest.approx(mu, rel=1e-9)
    assert f.popitem()[1] <= mu * (1.0 + 1e-9)


def test_downforce_in_the_closed_form():
    """With downforce share 0.3 of 0.8 W and no drag: N1/N = (0.6 + 0.24 + z h/E) / 1.8 = share."""
    speed = 60.0
    area = 0.8 * SALOON.chassis.mass * G / (0.6 * speed**2)
    car = changed(SALOON, aero={"downforce_area": area, "downforce_front_share": 0.3, "air_density": 1.2})
    assert locks_together(car, 0.6, speed) == pytest.approx((0.6 * 1.8 - 0.84) * 2.7 / 0.55, rel=1e-5)


def test_axles_that_never_use_the_same():
    """A share below the front's static load leaves the rear ahead at any z; a share of 1 the front."""
    assert np.isnan(locks_together(SALOON, 0.55))
    assert np.isnan(locks_together(SALOON, 1.0))


def test_engine_drag_that_is_too_much_for_ice():
    weight = SALOON.chassis.mass * G
    car = changed(SALOON, driveline={"overrun_torque": 0.05 * weight * SALOON.driveline.wheel_radius})
    z, axle = first_lock(car, 0.1, overrun=True)
    assert np.isnan(z) and axle == "rear"
    assert first_lock(car, 0.1)[0] == pytest.approx(0.1 * 0.6 / (0.72 - 0.1 * 0.55 / 2.7), rel=SMOOTH)


def test_mean_fully_developed_deceleration():
    """UN R13, annex 4, 1.1.2: constant 8 m/s2 from 100 km/h is 8.000 (80 to 10 km/h, distances by v^2 = v0^2 - 2 a s)."""
    v0 = 100.0 / 3.6
    sb, se = ((v0**2 - (share * v0) ** 2) / 16.0 for share in (0.8, 0.1))
    assert mean_fully_developed_deceleration(80.0, 10.0, sb, se) == pytest.approx(8.0, abs=1e-9)


def braked_lap(lowest):
    """50 m/s, then 8 m/s2 from 100 m to ``lowest``, rows a metre apart."""
    s = np.arange(0.0, 400.0, 1.0)
    speed = np.sqrt(np.clip(2500.0 - 16.0 * (s - 100.0), lowest**2, 2500.0))
    brake = np.where((s >= 100.0) & (speed > lowest), 1.0, 0.0)
    return handmade_lap(bend_road(), s, speed=speed, brake=brake)


def test_mean_deceleration_of_a_zone():
    """The same constant 8 m/s2 read from a lap; t of the lap is only as good as its rows, so 0.3 %."""
    lap = braked_lap(3.0)
    (zone,) = braking_zones(lap)
    assert zone_deceleration(lap, zone) == pytest.approx(8.0, rel=3e-3)


def test_no_mean_deceleration_of_a_zone_that_is_no_stop():
    lap = braked_lap(20.0)
    (zone,) = braking_zones(lap)
    assert zone_deceleration(lap, zone) is None


def test_what_cannot_be_asked():
    with pytest.raises(InputError, match="friction_circle"):
        adhesion_used(FrictionCircle("Point", 1.2), 0.5)
    with pytest.raises(InputError, match=r"share of 1\.2"):
        first_lock(SALOON, 0.6, share=1.2)
    with pytest.raises(InputError, match="friction coefficient"):
        first_lock(SALOON, 0.0)
    with pytest.raises(InputError, match="distance"):
        mean_fully_developed_deceleration(80.0, 10.0, 50.0, 50.0)
