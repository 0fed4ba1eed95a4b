"""A car left alone: against the bicycle model in closed form, and against the equations of motion integrated forward.

Gillespie, Fundamentals of Vehicle Dynamics (1992), ch. 6, and Milliken & Milliken, Race Car Vehicle Dynamics (1995), ch. 5
(both from memory); values by hand.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from coupe_on_marrow_fen import ROOT
from coupe_on_marrow_fen import lap as solved
from sample_cars import PLAIN, SHIPPED, changed, shipped
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar

from lapwright.inputs.files import read_definition
from lapwright.inputs.source import read_text
from lapwright.problem.road import road_numbers
from lapwright.quantities import G
from lapwright.replay.equations import STATES, equations
from lapwright.replay.states import lap_states
from lapwright.replay.table import road_table
from lapwright.study.stability import LATERAL, SPINS, LateralMotion, lateral_motion, motion_at
from lapwright.track.build import build_track
from lapwright.track.transform import mirrored
from lapwright.vehicle.parameters import Differential, Tyre
from lapwright.vehicle.tyre import shape_factors

FRONT, REAR = 80e3, 90e3
"""Cornering stiffness of each axle [N/rad]."""

LEVEL = np.array([[1.0], [0.0], [0.0], [0.0], [0.0], [0.0], [0.0], [1.0], [1.0]])
"""Numbers of a straight level road of full grip."""


def tyre_of(stiffness, axle_load):
    """A tyre without load sensitivity whose axle has this cornering stiffness: mu Fz Q S / alpha_peak at each wheel."""
    q, s = shape_factors(0.8)
    return Tyre(1.0, 1.0, 0.5 * axle_load, 0.0, axle_load * q * s / stiffness, 0.1, 0.8)


def gillespie_car(a, b, front, rear):
    weight = 1500.0 * G
    return changed(
        PLAIN,
        chassis={
            "mass": 1500.0, "yaw_inertia": 2000.0, "wheelbase": a + b, "front_mass_share": b / (a + b),
            "cg_height": 0.0, "roll_centre_front": 0.0, "roll_centre_rear": 0.0,
        },
        tyres={
            "front": tyre_of(front, weight * b / (a + b)),
            "rear": tyre_of(rear, weight * a / (a + b)),
        },
    )  # fmt: skip


UNDERSTEERING = gillespie_car(1.2, 1.4, FRONT, REAR)
OVERSTEERING = gillespie_car(1.4, 1.2, REAR, FRONT)
"""The same car seen backwards."""


def straight_on(car, *speeds):
    """The motion around rolling straight ahead on a level road."""
    states = np.zeros((9, len(speeds)))
    states[2] = speeds
    return motion_at(car, states, np.zeros((4, len(speeds))), np.repeat(LEVEL, len(speeds), axis=1))


def by_hand(a, b, front, rear, u):
    """Bicycle model: m v' = Y - m u r, I r' = N with Y = -(C_f + C_r) v/u - (a C_f - b C_r) r/u + C_f delta and so on."""
    m, inertia = 1500.0, 2000.0
    moment = a * front - b * rear
    matrix = np.array(
        [
            [-(front + rear) / (m * u), -moment / (m * u) - u],
            [-moment / (inertia * u), -(a * a * front + b * b * rear) / (inertia * u)],
        ]
    )
    return matrix, np.array([front / m, a * front / inertia])


@pytest.mark.parametrize("u", [10.0, 32.0, 60.0])
@pytest.mark.parametrize(
    ("car", "numbers"),
    [(UNDERSTEERING, (1.2, 1.4, FRONT, REAR)), (OVERSTEERING, (1.4, 1.2, REAR, FRONT))],
    ids=["understeering", "oversteering"],
)
def test_bicycle_model_is_what_is_left(car, numbers, u):
    """Matrix and eigenvalues of the two states v and r, wheels rolling freely, against numpy's eigenvalues of the model."""
    matrix, steer = by_hand(*numbers, u)
    a, b = straight_on(car, u).following(slice(2, 7))
    assert a[0] == pytest.approx(matrix, rel=2e-5, abs=1e-6 * u)
    assert b[0] == pytest.approx(steer, rel=2e-5)
    found, wanted = (np.sort_complex(np.linalg.eigvals(x)) for x in (a[0], matrix))
    # At 32 m/s one of them is all but zero in the car that becomes unstable at 32.9 m/s.
    assert found == pytest.approx(wanted, rel=1e-4, abs=1e-3)


@pytest.mark.parametrize("u", [15.0, 50.0])
def test_eigenvalues_from_trace_and_determinant(u):
    """lambda = T/2 +- sqrt(T^2/4 - D), T = -(C_f + C_r)/(m u) - (a^2 C_f + b^2 C_r)/(I u) and
    D = C_f C_r L^2 (1 + (u / u_ch)^2) / (m I u^2), with the characteristic speed 32.887688 m/s.
    """
    trace = -170e3 / (1500.0 * u) - (1.2**2 * FRONT + 1.4**2 * REAR) / (2000.0 * u)
    determinant = FRONT * REAR * 2.6**2 * (1.0 + (u / 32.887688) ** 2) / (1500.0 * 2000.0 * u**2)
    root = np.emath.sqrt(0.25 * trace**2 - determinant)
    a, _ = straight_on(UNDERSTEERING, u).following(slice(2, 7))
    wanted = np.sort_complex([0.5 * trace - root, 0.5 * trace + root])
    assert np.sort_complex(np.linalg.eigvals(a[0])) == pytest.approx(wanted, rel=1e-4)


def test_understeer_gradient_from_the_yaw_gain():
    """r / delta = u / (L + K u^2): K = W_f / C_f - W_r / C_r, 1.350672 degrees per g at any speed."""
    u = np.array([12.0, 25.0, 40.0, 70.0])
    gain = straight_on(UNDERSTEERING, *u).yaw_gain()
    gradient = np.degrees((u / gain - 2.6) / u**2 * G)
    assert gradient == pytest.approx([1.350672] * 4, rel=1e-4)


def test_characteristic_speed_is_where_the_car_answers_most():
    """sqrt(L g / K) = 32.887688 m/s; there the gain is half of that of a neutral car, u / (2 L)."""
    best = minimize_scalar(
        lambda u: -straight_on(UNDERSTEERING, u).yaw_gain()[0], bounds=(20.0, 50.0), method="bounded",
        options={"xatol": 1e-7},
    )  # fmt: skip
    assert best.x == pytest.approx(32.887688, rel=1e-4)
    assert -best.fun == pytest.approx(32.887688 / 5.2, rel=1e-5)


def test_critical_speed_of_the_mirrored_car():
    """Determinant of v and r, and growth with all seven states, vanish at 32.887688 m/s."""

    def determinant(u):
        a, _ = straight_on(OVERSTEERING, u).following(slice(2, 7))
        return float(np.linalg.det(a[0]))

    def growth(u):
        return float(straight_on(OVERSTEERING, u).growth[0])

    for zero in (determinant, growth):
        assert brentq(zero, 20.0, 50.0, xtol=1e-9) == pytest.approx(32.887688, rel=1e-4)
    assert growth(25.0) < 0.0 < growth(40.0)


def test_growth_past_the_critical_speed():
    """The positive root of the bicycle model; the lag of load and wheels takes less than 1 % from it."""
    matrix, _ = by_hand(1.4, 1.2, REAR, FRONT, 60.0)
    wanted = np.linalg.eigvals(matrix).real.max()
    assert wanted > 1.0
    assert straight_on(OVERSTEERING, 60.0).growth[0] == pytest.approx(wanted, rel=0.01)


def test_static_margin_and_stiffnesses():
    """SM = (b C_r - a C_f) / ((C_f + C_r) L) = 0.0678733, whatever the speed; N_beta = 30 kN m/rad, Y_beta = -170 kN/rad."""
    motion = straight_on(UNDERSTEERING, 15.0, 55.0)
    assert motion.static_margin() == pytest.approx([0.0678733] * 2, rel=1e-4)
    assert motion.yaw_stiffness == pytest.approx([30e3] * 2, rel=1e-4)
    assert motion.side_stiffness == pytest.approx([-170e3] * 2, rel=1e-4)
    assert straight_on(OVERSTEERING, 15.0).static_margin() == pytest.approx([-0.0678733], rel=1e-4)


def test_static_margin_needs_side_force():
    motion = straight_on(UNDERSTEERING, 15.0)
    assert np.isnan(motion.static_margin(weakest=171e3))
    assert motion.static_margin(weakest=169e3) == pytest.approx(0.0678733, rel=1e-4)


def test_states_that_follow_are_those_of_the_matrix_without_them():
    """A Schur complement has the determinant |A| / |A_inner| (e.g. Horn & Johnson, Matrix Analysis (1985), 0.8.5)."""
    rng = np.random.default_rng(3)
    a = rng.normal(size=(4, 7, 7))
    motion = LateralMotion(a, rng.normal(size=(4, 7)), np.full(4, 30.0), 1300.0, 1900.0, 2.5)
    found, _ = motion.following(slice(2, 7))
    wanted = np.linalg.det(a) / np.linalg.det(a[:, 2:, 2:])
    assert np.linalg.det(found) == pytest.approx(wanted, rel=1e-9)
    alone, steer = motion.following()
    assert np.array_equal(alone, a[:, :2, :2]) and np.array_equal(steer, motion.b[:, :2])


def test_a_wheel_that_nothing_brings_to_rest_cannot_follow():
    a = np.random.default_rng(4).normal(size=(2, 7, 7))
    a[1, SPINS, 5] = 0.0
    motion = LateralMotion(a, np.ones((2, 7)), np.full(2, 30.0), 1300.0, 1900.0, 2.5)
    spins, _ = motion.following(SPINS)
    assert list(np.isnan(spins).all(axis=(1, 2))) == [False, True]
    assert np.isnan(motion.static_margin()[1])


@cache
def coupe():
    track, _, known = solved()
    return track, known.lap, known.vehicle, lateral_motion(track, known.vehicle, known.lap)


INDEX = [STATES.index(name) for name in LATERAL]


def forward(row, deviation, seconds):
    """All twelve states after some times from a row of the lap, wheel and pedal held, without and with a deviation."""
    track, lap, car, _ = coupe()
    table = road_table(track)
    rates = equations(car, table.size).rates
    held = lap.steering_wheel[row] / car.steering.ratio, lap.pedal[row]
    start = lap_states(track, car, lap)[:, row]
    moved = start.copy()
    moved[INDEX] += deviation
    runs = []
    for x in (start, moved):
        done = solve_ivp(
            lambda _t, y: rates(y, *held, table.at(y[0])).copy(), (0.0, seconds[-1]), x, "LSODA", seconds,
            rtol=1e-10, atol=1e-12,
        )  # fmt: skip
        assert done.success, done.message
        runs.append(done.y)
    return runs[1] - runs[0]


SECONDS = np.array([0.03, 0.06])


@pytest.mark.parametrize(
    "station", [678.0, 706.0, 756.0, 1348.0], ids=["Gate", "Gate, middle", "Gate, late", "Windmill"]
)
def test_trail_braking_lets_go_as_fast_as_it_is_said(station):
    """A deviation of 1e-4 rad/s along the fastest growing direction, put into the full equations of motion.

    The rear axle holds the car: it doubles in about a tenth of a second. Over 0.06 s the rates agree within 2.4 %; the wheels
    go on towards their peaks meanwhile.
    """
    _, lap, _, motion = coupe()
    row = int(np.argmin(np.abs(lap.s - station)))
    assert lap.limiting_axle[row] == "rear"
    assert motion.growth[row] > 5.0
    rates, directions = np.linalg.eig(motion.a[row])
    k = int(np.argmax(rates.real))
    assert rates[k].imag == 0.0
    along = directions[:, k].real
    along *= 1e-4 / along[LATERAL.index("r")]
    # How much of a deviation lies along this direction is told by the left eigenvector.
    share = np.linalg.inv(directions)[k].real
    apart = share @ forward(row, along, SECONDS)[INDEX]
    measured = np.log(apart / (share @ along)) / SECONDS
    assert measured == pytest.approx([motion.growth[row]] * 2, rel=0.03)


def test_a_stable_row_forgets_a_deviation():
    """On the straight a yaw rate of 1e-3 rad/s is gone after half a second, as the rates say: down to exp(-growth t)."""
    _, lap, _, motion = coupe()
    row = int(np.argmin(np.abs(lap.s - 450.0)))
    assert lap.limiting_axle[row] == "none" and lap.brake[row] < 0.01
    assert motion.growth[row] < -4.0
    deviation = np.zeros(7)
    deviation[LATERAL.index("r")] = 1e-3
    seconds = np.array([0.25, 0.5])
    left = forward(row, deviation, seconds)[INDEX][:2]
    size = np.hypot(left[0] / lap.speed[row], left[1]) / 1e-3
    assert size[1] < size[0] < 0.5
    assert size[1] < np.exp(0.5 * 0.5 * motion.growth[row])


def test_derivatives_of_the_equations_of_motion():
    """The matrix is the lateral part of the Jacobian that CasADi forms of the twelve equations of the replay."""
    track, lap, car, motion = coupe()
    table = road_table(track, 0.25)
    jacobian = equations(car, table.size).jacobian
    states = lap_states(track, car, lap)
    for row in range(5, lap.s.size, 97):
        whole = jacobian(
            states[:, row], lap.steering_wheel[row] / car.steering.ratio, lap.pedal[row], table.at(lap.s[row])
        )
        part = whole[np.ix_(INDEX, INDEX)]
        assert motion.a[row] == pytest.approx(part, rel=1e-4, abs=1e-4 * np.abs(part).max())


def test_a_mirrored_lap_is_as_stable():
    """Left for right: the same road mirrored, the same motion mirrored."""
    track, lap, car, motion = coupe()
    other = mirrored_marrow_fen()
    x = lap_states(track, car, lap)
    states = np.vstack([x[1:6], lap.steering_wheel / car.steering.ratio, lap.pedal, x[6:8]])
    turned = states * np.array([-1, -1, 1, -1, -1, -1, 1, 1, -1.0])[:, None]
    slips = lap.slip_ratio.T[[1, 0, 3, 2]]
    across = motion_at(car, turned, slips, road_numbers(other.road(np.mod(lap.s, other.length))))
    ours, theirs = (np.sort_complex(np.linalg.eigvals(m.a)) for m in (motion, across))
    # A pair of rates that meet is known to the root of what a number is.
    assert np.abs(ours - theirs).max() < 1e-3
    assert across.growth == pytest.approx(motion.growth, abs=1e-5)
    assert across.yaw_stiffness == pytest.approx(motion.yaw_stiffness, rel=1e-6, abs=1.0)


@cache
def mirrored_marrow_fen():
    definition, _ = read_definition(read_text(ROOT / "tracks" / "marrow-fen.yaml"))
    return build_track(mirrored(definition.value))


@pytest.mark.parametrize("name", SHIPPED)
def test_locked_axle_is_the_limit_of_a_stiff_one(name):
    """A viscous differential of 2e5 N m s/rad hardly lets the wheels turn apart: growth, margin and gain are those of a
    locked one within half a percent.
    """
    car = shipped(name)
    locked, stiff = (
        changed(car, driveline={"differential": kind})
        for kind in (Differential("locked"), Differential("viscous", viscosity=2e5))
    )
    states = np.zeros((9, 3))
    states[2] = 20.0, 35.0, 50.0
    states[4] = 0.3, -0.2, 0.1
    states[8] = states[2] * states[4]
    states[3] = -0.02 * states[8]
    slips = np.zeros((4, 3))
    # Wheels of an axle turn alike in the turn: R omega = V (1 + kappa) left and right.
    for left in (0, 2):
        width = (car.chassis.track_front, car.chassis.track_rear)[left // 2]
        lean = 0.5 * width * states[4] / states[2]
        slips[left], slips[left + 1] = lean, -lean
    road = np.repeat(LEVEL, 3, axis=1)
    one, other = (motion_at(c, states, slips, road) for c in (locked, stiff))
    assert np.isfinite(one.growth).all()
    assert one.growth == pytest.approx(other.growth, rel=5e-3)
    assert one.static_margin() == pytest.approx(other.static_margin(), rel=5e-3)
    assert one.yaw_gain() == pytest.approx(other.yaw_gain(), rel=5e-3)
