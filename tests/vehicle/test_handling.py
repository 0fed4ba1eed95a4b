"""The car near straight running: understeer gradient, characteristic and critical speed; grip at the limit.

Gillespie, Fundamentals of Vehicle Dynamics (1992), ch. 6 (from memory); values by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from sample_cars import PLAIN, changed
from scipy.optimize import brentq, fsolve

from lapwright.quantities import G
from lapwright.vehicle.car import CarState, car_point
from lapwright.vehicle.motion import FLAT
from lapwright.vehicle.parameters import Tyre
from lapwright.vehicle.tyre import shape_factors

FRONT, REAR = 80e3, 90e3
"""Cornering stiffness of each axle [N/rad]."""


def tyre_of(stiffness, axle_load):
    """A tyre without load sensitivity whose axle has this cornering stiffness: 2 mu Fz Q S / alpha_peak."""
    q, s = shape_factors(0.8)
    return Tyre(1.0, 1.0, 0.5 * axle_load, 0.0, axle_load * q * s / stiffness, 0.1, 0.8)


def gillespie_car(a, b, front, rear):
    weight = 1500.0 * G
    car = changed(
        PLAIN,
        chassis={"mass": 1500.0, "yaw_inertia": 2000.0, "wheelbase": a + b, "front_mass_share": b / (a + b)},
    )
    return changed(
        car,
        tyres={
            "front": tyre_of(front, weight * b / (a + b)),
            "rear": tyre_of(rear, weight * a / (a + b)),
        },
    )


UNDERSTEERING = gillespie_car(1.2, 1.4, FRONT, REAR)
OVERSTEERING = gillespie_car(1.4, 1.2, REAR, FRONT)
"""The same car seen backwards."""


def lateral_rates(car, u, v, r, delta, lat):
    point = car_point(car, None, FLAT, CarState(0.0, 0.0, u, v, r, delta, 0.0, 0.0, lat), (0.0,) * 4)
    return point.rates["v"], point.rates["r"]


def steady_steer(car, u, lat):
    """Road-wheel angle [rad] that holds ``lat`` [m/s2] at ``u`` [m/s]."""
    r = lat / u
    rear = -0.01 * np.sign(lat)
    found, _, status, text = fsolve(
        lambda x: np.array(lateral_rates(car, u, x[0] * u, r, x[1], lat)),
        [rear, 0.01],
        full_output=True,
        xtol=1e-13,
    )
    assert status == 1, text
    return found[1]


def test_understeer_gradient():
    """delta = L / R + K a_y with K = Wf/Cf - Wr/Cr: 1.350672 degrees per g."""
    lat = 0.02 * G
    slopes = []
    for u in (15.0, 25.0, 40.0):
        ackermann = 2.6 * lat / u**2
        slopes.append(np.degrees(steady_steer(UNDERSTEERING, u, lat) - ackermann) / 0.02)
    assert slopes == pytest.approx([1.350672] * 3, rel=2e-3)


def test_characteristic_speed():
    """Where twice the Ackermann angle is needed: sqrt(L g / K) = 32.887688 m/s."""

    def extra(u):
        return steady_steer(UNDERSTEERING, u, 0.01 * G) - 2.0 * 2.6 * 0.01 * G / u**2

    assert brentq(extra, 20.0, 50.0) == pytest.approx(32.887688, rel=2e-3)


def test_critical_speed_of_the_mirrored_car():
    """Oversteering by the same gradient it needs no steering, and is no longer stable, at the same speed."""
    assert brentq(lambda u: steady_steer(OVERSTEERING, u, 0.01 * G), 20.0, 50.0) == pytest.approx(
        32.887688, rel=2e-3
    )

    def determinant(u):
        h = 1e-4
        columns = [
            (np.array(lateral_rates(OVERSTEERING, u, *(h * e), 0.0, 0.0))
             - np.array(lateral_rates(OVERSTEERING, u, *(-h * e), 0.0, 0.0))) / (2 * h)
            for e in np.eye(2)
        ]  # fmt: skip
        return np.linalg.det(np.column_stack(columns))

    assert determinant(25.0) > 0.0 > determinant(45.0)
    assert brentq(determinant, 25.0, 45.0) == pytest.approx(32.887688, rel=2e-3)


def test_stiffer_front_axle_in_roll_understeers_at_the_limit():
    """Common practice: roll stiffness moved forward costs the front axle grip."""
    tyre = {"load_sensitivity": 5e-5}

    def balance(share):
        car = changed(
            PLAIN, chassis={"roll_stiffness_front_share": share}, tyres={"front": tyre, "rear": tyre}
        )
        point = car_point(car, None, FLAT, CarState(0, 0, 30.0, 0, 0, 0, 0, 0, 10.0), (0.0,) * 4)
        peak = [t.peak_lat for t in point.tyres]
        return (peak[0] + peak[1]) - (peak[2] + peak[3])

    assert balance(0.7) < balance(0.5) < balance(0.3)
    assert balance(0.5) == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_largest_lateral_force_is_mu_times_load(turn):
    """Without load sensitivity and downforce no car corners harder than mu g, however its load is moved."""
    angle = turn * PLAIN.tyres.front.peak_slip_angle
    u = 25.0
    best = 0.0
    for share in np.linspace(0.8, 1.2, 81):
        v = -np.tan(share * angle) * u
        point = car_point(PLAIN, None, FLAT, CarState(0, 0, u, v, 0.0, 0.0, 0, 0, turn * 1.4 * G), (0.0,) * 4)
        best = max(best, turn * point.specific_lat)
    assert best == pytest.approx(1.5 * G, rel=1e-4)
