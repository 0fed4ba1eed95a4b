"""The car at a point: conventions, symmetry, power, and one answer for arrays and symbols."""

from __future__ import annotations

import casadi as ca
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_cars import PLAIN, SHIPPED, changed, curve_of, shipped

from lapwright.quantities import G
from lapwright.vehicle.car import CarState, car_point, split_pedal, wheel_kinematics
from lapwright.vehicle.loads import drag
from lapwright.vehicle.motion import FLAT, RoadFrame

ROAD = RoadFrame(
    1.003, 2e-3, 4e-3, 0.02, 1e-4, 0.08, 0.1, 0.99, 0.95, ((0.05, -2.0, 2.5), (-0.1, -4.0, -1.0))
)
"""A road with everything: slope, bank, twist, bend, crest, two grip bands."""

STATES = st.tuples(
    st.floats(-4, 4), st.floats(-0.3, 0.3), st.floats(10, 70), st.floats(-3, 3), st.floats(-0.6, 0.6),
    st.floats(-0.15, 0.15), st.floats(-1, 1), st.floats(-12, 8), st.floats(-14, 14),
)  # fmt: skip
SLIPS = st.tuples(*(st.floats(-0.15, 0.15),) * 4)
CARS = {name: shipped(name) for name in SHIPPED}
CURVES = {name: curve_of(car) for name, car in CARS.items()}


def at(name, road, state, slips):
    return car_point(CARS[name], CURVES[name], road, CarState(*state), slips)


def test_conventions():
    """ISO 8855: x forward, y left, z up; steering to the left is positive and turns the car to the left."""
    steered = car_point(PLAIN, None, FLAT, CarState(0, 0, 30.0, 0, 0, 0.02, 0, 0, 0), (0.0,) * 4)
    assert steered.rates["r"] > 0.0 and steered.rates["v"] > 0.0
    assert steered.slip_angles[0] > 0.0 and steered.tyres[0].lat > 0.0
    drifting = car_point(PLAIN, None, FLAT, CarState(0, 0, 30.0, 1.0, 0, 0, 0, 0, 0), (0.0,) * 4)
    assert drifting.rates["n"] == pytest.approx(1.0)  # to the left
    assert drifting.tyres[2].lat < 0.0  # the tyres push back
    yawing = car_point(PLAIN, None, FLAT, CarState(0, 0, 30.0, 0, 0.3, 0, 0, 0, 0), (0.0,) * 4)
    assert yawing.rates["xi"] == pytest.approx(0.3)
    assert yawing.rates["r"] < 0.0  # yaw is damped
    assert yawing.spins[1] > yawing.spins[0]  # the right wheels run on the outside of a left turn
    driven = car_point(PLAIN, None, FLAT, CarState(0, 0, 30.0, 0, 0, 0, 1, 0, 0), (0, 0, 0.02, 0.02))
    assert driven.specific_long > 0.0 and driven.drive_torque == pytest.approx(
        (0.0, 300e3 / 30 * 0.33), rel=2e-3
    )
    braked = car_point(PLAIN, None, FLAT, CarState(0, 0, 30.0, 0, 0, 0, -1, 0, 0), (-0.02,) * 4)
    assert braked.specific_long < 0.0 and min(braked.brake_torque) > 0.0


def test_pedal_is_one_axis():
    for pedal in (-1.0, -0.5, -0.1, 0.0, 0.2, 1.0):
        brake, throttle = split_pedal(pedal)
        assert throttle - brake == pytest.approx(pedal)
        assert brake == pytest.approx(max(-pedal, 0.0), abs=0.0051)
        assert throttle == pytest.approx(max(pedal, 0.0), abs=0.0051)


def test_standing_on_a_slope_takes_the_sine():
    slope = 0.1
    road = FLAT._replace(stretch=1 / np.cos(slope), up_x=np.sin(slope), up_z=np.cos(slope))
    point = car_point(PLAIN, None, road, CarState(0, 0, 20.0, 0, 0, 0, 0, 0, 0), (0.0,) * 4)
    assert point.rates["u"] == pytest.approx(-G * np.sin(slope), rel=1e-12)
    assert sum(point.loads) == pytest.approx(1300 * G * np.cos(slope), rel=1e-4)


@settings(max_examples=40, deadline=None)
@given(STATES, SLIPS, st.sampled_from(SHIPPED))
def test_left_and_right_are_mirrored(state, slips, name):
    n, xi, u, v, r, delta, pedal, long, lat = state
    mirrored_road = ROAD._replace(
        omega_x=-ROAD.omega_x, omega_z=-ROAD.omega_z, omega_x_rate=-ROAD.omega_x_rate, up_y=-ROAD.up_y,
        grip_bands=tuple((change, -left, -right) for change, right, left in ROAD.grip_bands),
    )  # fmt: skip
    one = at(name, ROAD, state, slips)
    other = at(
        name,
        mirrored_road,
        (-n, -xi, u, -v, -r, -delta, pedal, long, -lat),
        (slips[1], slips[0], slips[3], slips[2]),
    )
    odd = {"n", "xi", "v", "r", "accel_lat"}
    for key, value in one.rates.items():
        assert other.rates[key] == pytest.approx(-value if key in odd else value, rel=1e-9, abs=1e-9)
    swap = (1, 0, 3, 2)
    for i in range(4):
        assert other.loads[swap[i]] == pytest.approx(one.loads[i], rel=1e-9)
        assert other.tyres[swap[i]].lat == pytest.approx(-one.tyres[i].lat, rel=1e-9, abs=1e-9)
        assert other.torque_balance[swap[i]] == pytest.approx(one.torque_balance[i], rel=1e-9, abs=1e-7)


@settings(max_examples=60, deadline=None)
@given(STATES, SLIPS, st.sampled_from(SHIPPED))
def test_power_of_the_forces_is_the_rate_of_energy(state, slips, name):
    """On a flat road the rate of (m (u^2 + v^2) + I r^2) / 2 is force times contact velocity."""
    car = CARS[name]
    state = CarState(*state)
    point = at(name, FLAT, state, slips)
    c = car.chassis
    gain = c.mass * (state.u * point.rates["u"] + state.v * point.rates["v"])
    gain += c.yaw_inertia * state.r * point.rates["r"]
    power = -drag(car.aero, state.u) * state.u
    along, angles = wheel_kinematics(car, state)
    for i in range(4):
        # In the wheel's axes the contact moves at (V, -V tan alpha).
        power += point.tyres[i].long * along[i] - point.tyres[i].lat * along[i] * np.tan(angles[i])
    assert gain == pytest.approx(power, rel=1e-9, abs=1e-5)


@settings(max_examples=40, deadline=None)
@given(STATES, st.tuples(*(st.floats(-0.15, 0.15),) * 4), st.sampled_from(SHIPPED))
def test_sliding_tyres_only_take_energy(state, slips, name):
    """F . (slip velocity) <= 0 for each wheel."""
    car = CARS[name]
    point = at(name, FLAT, state, slips)
    along, angles = wheel_kinematics(car, CarState(*state))
    for i in range(4):
        slid = along[i] * slips[i]
        loss = point.tyres[i].long * slid + point.tyres[i].lat * along[i] * np.tan(angles[i])
        assert loss >= -1e-9


@pytest.mark.parametrize("name", SHIPPED)
def test_symbols_and_arrays_give_the_same(name):
    ca.GlobalOptions.setNumpyMode(-1)
    x, z = ca.SX.sym("x", 9), ca.SX.sym("z", 4)
    names = ("stretch", "omega_x", "omega_y", "omega_z", "omega_x_rate", "up_x", "up_y", "up_z", "grip_base")
    symbols = ca.SX.sym("road", len(names))
    road = RoadFrame(*(symbols[i] for i in range(len(names))), ROAD.grip_bands)
    point = car_point(
        CARS[name], CURVES[name], road, CarState(*(x[i] for i in range(9))), [z[i] for i in range(4)]
    )
    outputs = [
        *point.rates.values(), *point.torque_balance, *point.loads, *(t.long for t in point.tyres),
        *(t.lat for t in point.tyres), *(t.use for t in point.tyres), *point.spins, *point.slip_angles,
        point.normal,
    ]  # fmt: skip
    f = ca.Function("f", [x, z, symbols], [ca.vertcat(*outputs)])
    rng = np.random.default_rng(5)
    states = rng.uniform(
        [-4, -0.3, 10, -3, -0.6, -0.15, -1, -12, -14], [4, 0.3, 70, 3, 0.6, 0.15, 1, 8, 14], (50, 9)
    )
    slips = rng.uniform(-0.15, 0.15, (50, 4))
    arrays = car_point(CARS[name], CURVES[name], ROAD, CarState(*states.T), slips.T)
    expected = [
        *arrays.rates.values(), *arrays.torque_balance, *arrays.loads, *(t.long for t in arrays.tyres),
        *(t.lat for t in arrays.tyres), *(t.use for t in arrays.tyres), *arrays.spins, *arrays.slip_angles,
        arrays.normal,
    ]  # fmt: skip
    expected = np.column_stack([np.broadcast_to(e, 50) for e in expected])
    frame = np.array([getattr(ROAD, key) for key in names])
    for k in range(50):
        symbolic = np.asarray(f(states[k], slips[k], frame)).ravel()
        scale = np.maximum(np.abs(expected[k]), 1.0)
        np.testing.assert_allclose(symbolic / scale, expected[k] / scale, rtol=0, atol=1e-12)


@pytest.mark.parametrize("driven", ["front", "rear", "all"])
def test_drive_reaches_the_driven_wheels(driven):
    car = changed(PLAIN, driveline={"driven": driven, "front_torque_share": 0.45})
    point = car_point(car, None, FLAT, CarState(0, 0, 40.0, 0, 0, 0, 1, 0, 0), (0.0,) * 4)
    total = sum(point.drive_torque)
    share = {"front": 1.0, "rear": 0.0, "all": 0.45}[driven]
    assert point.drive_torque[0] == pytest.approx(share * total)
    assert total / 0.33 * 40.0 == pytest.approx(300e3, rel=2e-3)


def test_brakes_split_by_share_and_equally_left_and_right():
    point = car_point(PLAIN, None, FLAT, CarState(0, 0, 40.0, 0, 0, 0, -0.5, 0, 0), (0.0,) * 4)
    front, rear = point.brake_torque
    assert front / (front + rear) == pytest.approx(0.6)
    assert 2 * (front + rear) / 0.33 == pytest.approx(0.5 * 9e6 * 3e-3, rel=1e-3)


def test_load_follows_acceleration_with_the_stated_lag():
    """First-order lag: the rate of the lagged value is the difference over the time constant."""
    point = car_point(PLAIN, None, FLAT, CarState(0, 0, 40.0, 0, 0, 0.02, -0.4, -1.0, 2.0), (-0.02,) * 4)
    assert point.rates["accel_long"] == pytest.approx((point.specific_long + 1.0) / 0.1)
    assert point.rates["accel_lat"] == pytest.approx((point.specific_lat - 2.0) / 0.1)
