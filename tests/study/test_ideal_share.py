"""Brake share in the turn against closed forms and against a lap of the optimum."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from coupe_on_marrow_fen import lap as solved
from handmade_lap import bend_road, handmade_lap
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_cars import PLAIN, SHIPPED, changed, shipped

from lapwright.errors import InputError
from lapwright.lap.phases import BRAKE_ON
from lapwright.quantities import G
from lapwright.study.adhesion import engine_drag, least_deceleration, share_that_locks_together
from lapwright.study.ideal_share import along, ideal_share, limit_deceleration, locking_shares, wheel_use
from lapwright.vehicle.loads import wheel_loads
from lapwright.vehicle.parameters import FrictionCircle
from lapwright.vehicle.tyre import friction, tyre_force

BARE = changed(PLAIN, driveline={"wheel_inertia": 0.0})
"""No aerodynamics, equal tyres of mu 1.5 at any load, mass in the middle, h / L = 0.18, wheels without inertia."""

FLAT = changed(BARE, chassis={"cg_height": 1e-9, "roll_centre_front": 0.0, "roll_centre_rear": 0.0})
"""The same with its mass on the road: no load moves."""

SMOOTH = 3e-5
"""Relative: what the smooth limit of an axle's load adds to it, as in test_adhesion.py."""

MIRRORED = {"fl": "fr", "fr": "fl", "rl": "rr", "rr": "rl", "both": "both", "none": "none"}


# Closed form. Straight, each wheel's peak is mu times its load, so equal utilisation is equal force over load: the share is
# the front's share of the load, P1 / P + z h / L (the ideal distribution of UN R13-H, annex 5).
@pytest.mark.parametrize(("z", "share"), [(0.3, 0.554), (0.8, 0.644), (1.2, 0.716)])
def test_straight_share_is_the_share_of_the_load(z, share):
    assert ideal_share(BARE, 20.0, z, 0.0) == pytest.approx(share, rel=SMOOTH)
    assert share_that_locks_together(BARE, z) == pytest.approx(share, rel=SMOOTH)


def test_wheels_that_slow_down_with_the_car():
    """Each brake also stops its wheel: share = (x m + 2 J / R^2) / (m + 4 J / R^2), x the front's share of the load.

    A wheel's inertia counts a little less when it is light (3 % of the weight: 1.4 % of the term at a quarter of the weight).
    """
    spun = 1.2 / 0.33**2
    by_hand = (0.644 * 1300 + 2 * spun) / (1300 + 4 * spun)
    assert ideal_share(PLAIN, 20.0, 0.8, 0.0) == pytest.approx(by_hand, abs=4e-4)
    assert abs(by_hand - 0.644) > 4e-3


@pytest.mark.parametrize(
    ("driven", "share"), [("rear", 0.644 * 0.8 / 0.75), ("front", (0.644 * 0.8 - 0.05) / 0.75)]
)
def test_engine_that_brakes_besides(driven, share):
    """Overrun of 0.05 W on one axle: the brakes give 0.75 W of 0.8 W, and the front 0.644 of all."""
    car = changed(BARE, driveline={"driven": driven, "overrun_torque": 0.05 * 1300 * G * 0.33})
    assert ideal_share(car, 20.0, 0.8, 0.0) == pytest.approx(share, rel=SMOOTH)
    assert ideal_share(car, 20.0, 0.8, 0.0, overrun=False) == pytest.approx(0.644, rel=SMOOTH)


@pytest.mark.parametrize("lateral", [0.0, 0.9, 1.2])
def test_friction_circle_of_a_car_whose_load_does_not_move(lateral):
    """z^2 + (a_y / g)^2 = mu^2: 1.5, 1.2 and 0.9 g beside 0, 0.9 and 1.2 g, at the share of the mass in front."""
    limit = limit_deceleration(FLAT, 20.0, lateral * G, share=0.5)
    assert limit.z == pytest.approx({0.0: 1.5, 0.9: 1.2, 1.2: 0.9}[lateral], rel=1e-5)
    assert locking_shares(FLAT, 20.0, lateral * G) == pytest.approx(0.5, abs=1e-6)
    assert ideal_share(FLAT, 20.0, 0.5, lateral * G) == pytest.approx(0.5, abs=1e-6)


def test_all_braking_on_one_axle_in_the_turn():
    """The front carries half of the weight: (2 z / mu)^2 + (a_y / (mu g))^2 = 1, so z = 0.6 beside 0.9 g and mu = 1.5."""
    limit = limit_deceleration(FLAT, 20.0, 0.9 * G, share=1.0)
    assert limit.z == pytest.approx(0.6, rel=1e-5)
    assert limit.axle == "front"


def test_axles_that_lock_together_straight():
    """Both at mu = 1.5 means z = 1.5 and a share of 0.5 + 1.5 * 0.18 = 0.77."""
    assert locking_shares(BARE, 20.0, 0.0) == pytest.approx(0.77, rel=SMOOTH)
    limit = limit_deceleration(BARE, 20.0, 0.0, share=0.76)
    assert (limit.axle, limit.wheel) == ("rear", "both")
    # 0.24 z = 1.5 (0.5 - 0.18 z)
    assert limit.z == pytest.approx(0.75 / (0.24 + 0.27), rel=SMOOTH)


@pytest.mark.parametrize("name", SHIPPED)
def test_first_axle_on_either_side_of_the_locking_share(name):
    car = shipped(name)
    speed = np.array([20.0, 35.0, 20.0, 35.0])
    lat = np.array([0.0, 0.0, 5.0, -7.0])
    share = locking_shares(car, speed, lat)
    assert np.all((share > 0.3) & (share < 1.0))
    assert list(limit_deceleration(car, speed, lat, share - 0.003).axle) == ["rear"] * 4
    assert list(limit_deceleration(car, speed, lat, share + 0.003).axle) == ["front"] * 4
    together = limit_deceleration(car, speed, lat, share)
    use = wheel_use(car, speed, together.z, lat, share)
    assert use[:, :2].max(axis=1) == pytest.approx(np.ones(4), abs=1e-9)
    assert use[:, 2:].max(axis=1) == pytest.approx(np.ones(4), abs=1e-9)
    assert ideal_share(car, speed, together.z, lat) == pytest.approx(share, abs=1e-9)


CASES = (st.sampled_from(SHIPPED), st.floats(15.0, 60.0), st.floats(0.15, 0.8), st.floats(-8.0, 8.0))


@settings(max_examples=40, deadline=None)
@given(*CASES)
def test_utilisations_are_equal_at_the_ideal_share(name, speed, z, lat):
    """Worked out again wheel by wheel. At a share of 0 or 1 the worse axle has no brake left to give away."""
    car = shipped(name)
    share = float(ideal_share(car, speed, z, lat))
    if z < least_deceleration(car, speed, overrun=True):
        return
    c, line = car.chassis, car.driveline
    loads = wheel_loads(c, car.aero, speed, c.mass * G, -z * G, lat)
    engine = engine_drag(car, speed)
    spins = [
        z * G * line.wheel_inertia / line.wheel_radius**2 * n**2 / (n**2 + (0.03 * c.mass * G) ** 2)
        for n in loads
    ]
    air = 0.5 * car.aero.air_density * car.aero.drag_area * speed**2
    brakes = c.mass * z * G - air - sum(engine) + sum(spins)
    worst, slowing = [], air
    for axle, tyre in enumerate((car.tyres.front, car.tyres.rear)):
        pair = range(2 * axle, 2 * axle + 2)
        peaks = {i: [mu * loads[i] for mu in friction(tyre, loads[i])] for i in pair}
        lateral = c.mass * lat * (c.front_mass_share, 1.0 - c.front_mass_share)[axle]
        lateral_peak = sum(peaks[i][1] for i in pair)
        uses = []
        for i in pair:
            force = 0.5 * (share, 1.0 - share)[axle] * brakes + 0.5 * engine[axle] - spins[i]
            slowing += force
            uses.append(np.hypot(force / peaks[i][0], lateral / lateral_peak))
        worst.append(max(uses))
    assert slowing == pytest.approx(c.mass * z * G, rel=1e-9)
    if share > 1.0 - 1e-12:
        assert worst[0] <= worst[1] * (1.0 + 1e-9)
    elif share < 1e-12:
        assert worst[1] <= worst[0] * (1.0 + 1e-9)
    else:
        assert worst[0] == pytest.approx(worst[1], rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(*CASES)
def test_left_and_right_are_alike(name, speed, z, lat):
    car = shipped(name)
    assert ideal_share(car, speed, z, lat) == pytest.approx(
        ideal_share(car, speed, z, -lat), rel=1e-9, nan_ok=True
    )
    assert locking_shares(car, speed, lat) == pytest.approx(locking_shares(car, speed, -lat), rel=1e-9)
    left, right = (limit_deceleration(car, speed, a) for a in (lat, -lat))
    assert left.z == pytest.approx(right.z, rel=1e-9)
    assert left.axle == right.axle
    if abs(lat) > 0.01:
        assert MIRRORED[str(left.wheel)] == right.wheel


def test_inside_front_wheel_that_unloads():
    """All brakes in front: the harder the turn, the less the front can brake, and its inside wheel is the one that locks.

    With transfer it can brake less than the car of the same mass whose load does not move aside.
    """
    lateral = np.arange(0.0, 1.3, 0.1) * G
    limit = limit_deceleration(BARE, 20.0, lateral, share=1.0)
    assert np.all(np.diff(limit.z) < 0.0)
    assert set(limit.wheel[1:]) == {"fl"}
    assert np.all(limit_deceleration(BARE, 20.0, -lateral[1:], share=1.0).wheel == "fr")
    wide = changed(BARE, chassis={"track_front": 1e6, "track_rear": 1e6})
    assert np.all(limit.z[1:] < limit_deceleration(wide, 20.0, lateral[1:], share=1.0).z)


@pytest.mark.parametrize("lat", [0.0, 6.0, -9.0])
def test_first_wheel_is_at_the_peak_of_its_tyre(lat):
    """``tyre_force`` at a normalised slip of 1 gives that wheel's lateral force, its braking force that of the car (Newton).

    From the wheel's braking force follow its brake, by the share all brakes, and with engine and drag the deceleration.
    """
    car, speed = shipped("cup-coupe"), 30.0
    limit = limit_deceleration(car, speed, lat)
    c, line, z, axle = car.chassis, car.driveline, float(limit.z), int(limit.axle == "rear")
    tyre = (car.tyres.front, car.tyres.rear)[axle]
    loads = wheel_loads(c, car.aero, speed, c.mass * G, -z * G, lat)
    i = int(wheel_use(car, speed, z, lat).argmax())
    assert limit.wheel in ("both", ("fl", "fr", "rl", "rr")[i])
    side = c.mass * lat * (c.front_mass_share, 1.0 - c.front_mass_share)[axle]
    use = side / sum(friction(tyre, n)[1] * n for n in loads[2 * axle : 2 * axle + 2])
    along_slip = -np.sqrt(1.0 - use**2) * tyre.peak_slip_ratio
    peak = tyre_force(tyre, loads[i], along_slip, use * tyre.peak_slip_angle)
    assert peak.rho_squared == pytest.approx(1.0, rel=1e-12)
    assert peak.lat == pytest.approx(use * peak.peak_lat, rel=2e-6, abs=1e-9)
    light = 0.03 * c.mass * G
    spins = [z * G * line.wheel_inertia / line.wheel_radius**2 * n**2 / (n**2 + light**2) for n in loads]
    engine = engine_drag(car, speed)
    share = (car.brakes.front_share, 1.0 - car.brakes.front_share)[axle]
    brakes = 2.0 * (-peak.long - 0.5 * engine[axle] + spins[i]) / share
    air = 0.5 * car.aero.air_density * car.aero.drag_area * speed**2
    assert brakes + sum(engine) + air - sum(spins) == pytest.approx(c.mass * z * G, rel=2e-6)


def test_turn_that_needs_more_than_there_is():
    """mu 1.5 and no more: a lateral acceleration of 1.6 g leaves no answer, 1.4 g does."""
    lateral = np.array([1.4, 1.6]) * G
    assert list(np.isnan(ideal_share(FLAT, 20.0, 0.2, lateral))) == [False, True]
    assert list(np.isnan(locking_shares(FLAT, 20.0, lateral))) == [False, True]
    limit = limit_deceleration(FLAT, 20.0, lateral)
    assert list(np.isnan(limit.z)) == [False, True]
    assert (limit.axle[1], limit.wheel[1]) == ("none", "none")


def braking_lap(**channels):
    """Three rows of PLAIN braking straight at 1 g, forces over the axles by its share of 0.6, wheels without inertia."""
    force = 1300 * G
    axles = 0.5 * force * np.array([0.6, 0.6, 0.4, 0.4])
    load = 0.5 * force * np.array([0.68, 0.68, 0.32, 0.32])
    rows = np.ones((3, 1))
    values = {
        "brake": np.full(3, force / PLAIN.brakes.peak_force),
        "force_long": -rows * axles,
        "load": rows * load,
        "grip_long": 1.5 * rows * load,
        "grip_lat": 1.5 * rows * load,
    }
    return handmade_lap(bend_road(), [100.0, 101.0, 102.0], **{**values, **channels})


def test_rows_of_a_straight_lap():
    """Peaks are 1.5 times the load, so both shares are the front's share of the load, 0.5 + 0.18 = 0.68."""
    trace = along(braking_lap(), PLAIN)
    assert trace.ideal == pytest.approx([0.68] * 3, abs=1e-12)
    assert trace.locking == pytest.approx([0.68] * 3, abs=1e-12)
    assert trace.margin == pytest.approx([-0.08] * 3, abs=1e-12)
    assert list(trace.first) == ["rear"] * 3
    assert trace.use_front == pytest.approx([0.6 / 0.68 / 1.5] * 3)
    assert not trace.at_limit.any()


def test_rows_of_a_lap_in_the_turn():
    """Equal peaks, lateral use 0.6 in front and 0.8 behind: 0.8 and 0.6 are left (3-4-5), a share of 0.8 / 1.4."""
    peak = np.full((3, 4), 8000.0)
    side = peak * np.array([0.6, 0.6, 0.8, 0.8])
    trace = along(braking_lap(grip_long=peak, grip_lat=peak, force_lat=side), PLAIN)
    assert trace.locking == pytest.approx([0.8 / 1.4] * 3, abs=1e-12)
    assert list(trace.first) == ["front"] * 3


def test_worse_wheel_of_an_axle_counts():
    """An inside front wheel with half the peak: the front axle can brake twice that wheel's peak, 8000 of 8000 + 16000 N."""
    peak = np.full((3, 4), 8000.0)
    peak[:, 0] = 4000.0
    trace = along(braking_lap(grip_long=peak, grip_lat=peak), PLAIN)
    assert trace.locking == pytest.approx([1.0 / 3.0] * 3, abs=1e-12)


def test_engine_drag_of_a_row_is_not_braking_that_can_be_shared():
    """1000 N more on each rear wheel than its brake gives: the brakes behind have 2000 N less to themselves."""
    lap = braking_lap()
    more = lap.force_long - np.array([0.0, 0.0, 1000.0, 1000.0])
    force = 1.5 * 1300 * G
    trace = along(replace(lap, force_long=more), PLAIN)
    front, rear = 0.68 * force, 0.32 * force - 2000.0
    assert trace.locking == pytest.approx([front / (front + rear)] * 3, abs=1e-12)


@cache
def coupe():
    _, result, known = solved()
    return known.lap, known.vehicle, along(known.lap, known.vehicle), result


def test_lap_of_the_coupe():
    lap, vehicle, trace, _ = coupe()
    on = lap.brake >= BRAKE_ON
    assert on.sum() > 200
    for shares in (trace.ideal, trace.locking):
        assert np.all((shares[on] >= 0.0) & (shares[on] <= 1.0))
        assert np.isnan(shares[~on]).all()
    assert set(trace.first[~on]) == {"none"}
    assert trace.margin[on] == pytest.approx(vehicle.brakes.front_share - trace.locking[on])


def test_axle_that_locks_first_is_the_one_at_its_limit():
    """``limiting_axle`` of the lap goes by slip, the trace by forces: they agree wherever the lap names one axle."""
    lap, _, trace, _ = coupe()
    named = (lap.brake >= BRAKE_ON) & np.isin(lap.limiting_axle, ("front", "rear"))
    assert {"front", "rear"} == set(lap.limiting_axle[named])
    assert named.sum() > 100
    assert np.array_equal(trace.first[named], lap.limiting_axle[named])
    assert trace.at_limit[named].all()


def test_utilisation_is_the_share_of_the_tyre_curve():
    """sqrt((F_x / P_x)^2 + (F_y / P_y)^2) = D(rho) for forces of ``tyre_force``: an invariant of combined slip."""
    lap, _, trace, _ = coupe()
    on = lap.brake >= BRAKE_ON
    assert trace.use_front[on] == pytest.approx(lap.grip_use[on, :2].max(axis=1), rel=1e-6)
    assert trace.use_rear[on] == pytest.approx(lap.grip_use[on, 2:].max(axis=1), rel=1e-6)


def test_what_cannot_be_asked():
    point = FrictionCircle("Point", 1.2)
    for ask in (
        lambda: ideal_share(point, 20.0, 0.5, 0.0),
        lambda: limit_deceleration(point, 20.0, 0.0),
        lambda: locking_shares(point, 20.0, 0.0),
        lambda: along(braking_lap(), point),
    ):
        with pytest.raises(InputError, match="friction_circle"):
            ask()
    logged = braking_lap(force_long=np.full((3, 4), np.nan))
    with pytest.raises(InputError, match="no wheel forces"):
        along(logged, PLAIN)
