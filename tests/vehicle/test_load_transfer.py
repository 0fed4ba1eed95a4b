"""Wheel loads and brake balance against a textbook, a regulation and moment balances worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_cars import PLAIN, SHIPPED, changed, shipped

from lapwright.quantities import G
from lapwright.vehicle.car import wheel_torques
from lapwright.vehicle.loads import (
    elastic_transfer,
    geometric_transfer,
    lateral_transfers,
    longitudinal_transfer,
    share_out,
    unsprung_transfer,
    wheel_loads,
)


def test_barton_and_fieldhouse_lateral_transfer():
    """Barton & Fieldhouse, Automotive Chassis Engineering (Springer 2018), p. 174, with their g = 9.81.

    0.6 g, sprung 1280 kg with 54 % in front, track 1.46 m, roll centres 0.07 and 0.32 m, unsprung 140 and
    180 kg at 0.28 and 0.30 m. Printed: geometric 195 and 760 N, unsprung 158 and 218 N. (The printed front
    total of 1919 N is a slip of addition for 1909.)
    """
    accel = 0.6 * 9.81
    assert geometric_transfer(1280 * 0.54, accel, 0.07, 1.46) == pytest.approx(195, abs=0.5)
    assert geometric_transfer(1280 * 0.46, accel, 0.32, 1.46) == pytest.approx(760, abs=0.5)
    assert unsprung_transfer(140, accel, 0.28, 1.46) == pytest.approx(158, abs=0.5)
    assert unsprung_transfer(180, accel, 0.30, 1.46) == pytest.approx(218, abs=0.5)


def test_barton_and_fieldhouse_roll_moment():
    """The same page: 28650 N m/rad and a roll arm of 0.365 m give 10.9 degrees of roll per g.

    Their roll moment contains the weight that leans out with the body. Ours is the part ``m a h`` alone, so
    the two agree when the lean is taken back: stiffness less m g h. On this soft saloon the difference is 16
    %; a racing car that rolls 1 or 2 degrees per g differs by 2 or 3 %.
    """
    moment = elastic_transfer(1280, 9.81, 0.365, 1.0, 1.46) * 1.46
    lean = moment / (28650 - 1280 * 9.81 * 0.365)
    assert np.degrees(lean) == pytest.approx(10.9, abs=0.05)
    assert moment / (28650 * lean) == pytest.approx(0.84, abs=0.005)


def test_braking_moves_load_forward():
    """1300 kg, centre of gravity 0.45 m up and in the middle of 2.5 m, 1.2 g: m a h / L by hand."""
    moved = longitudinal_transfer(1300.0, -1.2 * G, 0.45, 2.5)
    assert moved == pytest.approx(-2753.70732, abs=1e-5)
    loads = wheel_loads(PLAIN.chassis, PLAIN.aero, 0.0, 1300.0 * G, -1.2 * G, 0.0)
    assert (loads.fl + loads.fr) / sum(loads) == pytest.approx(0.716, abs=2e-5)
    assert loads.fl == pytest.approx(loads.fr, abs=1e-9)


@pytest.mark.parametrize("name", SHIPPED)
def test_moments_of_the_loads_balance(name):
    """With every wheel on the road: sum of loads = weight + downforce; roll and pitch moment = m a h."""
    car = shipped(name)
    c, speed, long, lat = car.chassis, 35.0, -3.0, 4.0
    loads = wheel_loads(c, car.aero, speed, c.mass * G, long, lat)
    assert min(loads) > 0.05 * c.mass * G
    lift = 0.5 * car.aero.air_density * car.aero.downforce_area * speed**2
    assert sum(loads) == pytest.approx(c.mass * G + lift, rel=1e-5)
    roll = 0.5 * c.track_front * (loads.fr - loads.fl) + 0.5 * c.track_rear * (loads.rr - loads.rl)
    assert roll == pytest.approx(c.mass * lat * c.cg_height, rel=2e-3)
    a, b = c.cg_to_front, c.cg_to_rear
    lift_moment = lift * (car.aero.downforce_front_share * a - (1 - car.aero.downforce_front_share) * b)
    pitch = a * (loads.fl + loads.fr) - b * (loads.rl + loads.rr)
    assert pitch - lift_moment == pytest.approx(-c.mass * long * c.cg_height, rel=2e-3)


def test_signs_of_transfer():
    """ISO 8855: positive lateral acceleration is a left turn, which loads the right wheels."""
    front, rear = lateral_transfers(PLAIN.chassis, 5.0)
    assert front > 0.0 and rear > 0.0
    left_turn = wheel_loads(PLAIN.chassis, PLAIN.aero, 20.0, 1300 * G, 0.0, 5.0)
    assert left_turn.fr > left_turn.fl and left_turn.rr > left_turn.rl
    on_power = wheel_loads(PLAIN.chassis, PLAIN.aero, 20.0, 1300 * G, 5.0, 0.0)
    assert on_power.rl > on_power.fl


def test_roll_stiffness_share_moves_the_transfer():
    soft = changed(PLAIN, chassis={"roll_stiffness_front_share": 0.3})
    stiff = changed(PLAIN, chassis={"roll_stiffness_front_share": 0.7})
    moved = [lateral_transfers(car.chassis, 8.0) for car in (soft, stiff)]
    assert moved[1][0] > moved[0][0] and moved[1][1] < moved[0][1]
    assert sum(moved[0]) == pytest.approx(sum(moved[1]))
    assert sum(moved[0]) * 1.6 == pytest.approx(1300 * 8.0 * 0.45)


@given(st.floats(100.0, 2e4), st.floats(-3e4, 3e4))
def test_shared_out_load_is_never_negative_and_keeps_its_sum(total, difference):
    first, second = share_out(total, difference, 60.0)
    assert first >= 0.0 and second >= 0.0
    assert first + second == pytest.approx(total, rel=1e-12)


@settings(max_examples=100)
@given(st.floats(-20.0, 10.0), st.floats(-30.0, 30.0), st.floats(0.2, 2.0), st.sampled_from(SHIPPED))
def test_lifted_wheels_keep_the_sum(long, lat, weight, name):
    car = shipped(name)
    normal = weight * car.chassis.mass * G
    loads = wheel_loads(car.chassis, car.aero, 0.0, normal, long, lat)
    assert min(loads) >= 0.0
    assert sum(loads) == pytest.approx(normal, rel=1e-3)


def test_lifted_inside_wheel_passes_its_moment_on():
    """Rear roll stiffness that lifts the inside rear wheel: the rest of its moment goes to the front."""
    car = changed(PLAIN, chassis={"roll_stiffness_front_share": 0.1, "cg_height": 0.55})
    lat = 11.0
    loads = wheel_loads(car.chassis, car.aero, 0.0, 1300 * G, 0.0, lat)
    assert loads.rl < 60.0
    assert loads.fl > 500.0
    roll = 0.8 * (loads.fr - loads.fl + loads.rr - loads.rl)
    assert roll == pytest.approx(1300 * lat * 0.55, rel=0.01)


ECE_CAR = changed(
    PLAIN,
    chassis={"front_mass_share": 0.60, "wheelbase": 2.7, "cg_height": 0.55},
    brakes={"front_share": 0.72},
)
"""Invented saloon: static rear share 0.40, h/E = 0.55/2.7, front brake share 0.72."""


def adhesion_utilisation(car, z):
    """f1 and f2 of UN Regulation 13-H, annex 5 (equations as in Crolla (ed.), Automotive Engineering, 2009).

    Braking force of an axle over its load when the car slows at ``z`` g; forces and loads by our functions.
    """
    weight, radius = car.chassis.mass * G, car.driveline.wheel_radius
    pedal = z * weight / car.brakes.peak_force
    _, _, front, rear = wheel_torques(car, 0.0, pedal)
    loads = wheel_loads(car.chassis, car.aero, 0.0, weight, -z * G, 0.0)
    return 2 * front / radius / (loads.fl + loads.fr), 2 * rear / radius / (loads.rl + loads.rr)


@pytest.mark.parametrize(
    ("z", "f1", "f2"), [(0.589091, 0.589091, 0.589091), (0.5, 0.512930, 0.469565), (0.8, 0.754951, 0.945000)]
)
def test_adhesion_utilisation(z, f1, f2):
    assert adhesion_utilisation(ECE_CAR, z) == pytest.approx((f1, f2), rel=1e-4)


@pytest.mark.parametrize(("mu", "axle", "z"), [(0.6, 1, 0.596685), (0.3, 0, 0.273187)])
def test_axle_that_locks_first(mu, axle, z):
    """The axle whose utilisation reaches mu first, and the deceleration at which it does."""
    used = adhesion_utilisation(ECE_CAR, z)
    assert used[axle] == pytest.approx(mu, rel=1e-4)
    assert used[1 - axle] < mu


def test_limit_line_of_the_regulation():
    """z >= 0.1 + 0.7 (k - 0.2) for both axles (R13-H; from memory: R13 has 0.85 in place of 0.7)."""
    for z in (0.2, 0.5, 0.8):
        for k in adhesion_utilisation(ECE_CAR, z):
            assert z >= 0.1 + 0.7 * (k - 0.2)
    rearward = changed(ECE_CAR, brakes={"front_share": 0.35})
    assert any(0.1 + 0.7 * (k - 0.2) > 0.5 for k in adhesion_utilisation(rearward, 0.5))
