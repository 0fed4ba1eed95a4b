"""The quasi-steady lap of the full car and of the point mass: channels that agree with each other, laws of the whole job."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plain_cars import envelope_of, shipped
from straight_roads import RIGHT_ANGLE, point_mass, ring, road

from lapwright import load_track
from lapwright.baseline.solve import BaselineResult, solve_baseline
from lapwright.errors import InputError, NoSolutionError
from lapwright.quantities import DEG, G
from lapwright.track.definition import Arc, GripPatch, Station, Straight
from lapwright.track.track import Track
from lapwright.vehicle.car import CarState, car_point
from lapwright.vehicle.parameters import Differential, FrictionCircle

TRACKS = Path(__file__).parents[2] / "tracks"

BENDS = (
    Straight(180.0),
    Arc(40.0, RIGHT_ANGLE, 25.0, 25.0),
    Straight(60.0),
    Arc(30.0, RIGHT_ANGLE, 20.0, 20.0),
)
HILLS = tuple(Station(float(s), h) for s, h in ((0, 0.0), (150, 4.0), (320, -2.0), (480, 1.0)))


def mirrored(elements: tuple) -> tuple:
    return tuple(e if isinstance(e, Straight) else replace(e, angle=-e.angle) for e in elements)


def circuit(**more: object) -> Track:
    """A closed circuit with two different corners, twice over so that it closes."""
    return road(*BENDS, *BENDS, closed=True, **more)


def car_result(track: Track, name: str = "cup-coupe", **more: object) -> BaselineResult:
    car = shipped(name)
    return solve_baseline(track, car, envelope=envelope_of(car), **more)


@pytest.fixture(scope="module")
def result() -> BaselineResult:
    return car_result(circuit(elevation=(*HILLS, Station(600.0, 0.5))))


def test_a_closed_lap_joins_itself(result: BaselineResult) -> None:
    lap = result.lap
    assert lap.kind == "baseline"
    assert lap.closed
    assert lap.s[-1] - lap.s[0] == pytest.approx(circuit().length)
    assert np.all(np.diff(lap.s) > 0.0)
    assert np.all(np.diff(lap.t) > 0.0)
    for name in ("speed", "n", "curvature", "pedal", "accel_long", "accel_lat", "load", "z"):
        channel = getattr(lap, name)
        assert channel[-1] == pytest.approx(channel[0], abs=2e-3)


def test_every_row_is_a_steady_state_of_the_car(result: BaselineResult) -> None:
    """The forces in the lap, put into the equations of motion: no change of sideslip or yaw rate, every wheel in balance."""
    lap, car = result.lap, shipped("cup-coupe")
    curve = result.envelope.curve
    from lapwright.lap.channels import frame_of

    track = circuit(elevation=(*HILLS, Station(600.0, 0.5)))
    u, v = lap.speed * np.cos(lap.sideslip), lap.speed * np.sin(lap.sideslip)
    delta = lap.steering_wheel / car.steering.ratio
    state = CarState(lap.n, lap.xi, u, v, lap.yaw_rate, delta, lap.pedal, lap.accel_long, lap.accel_lat)
    point = car_point(car, curve, frame_of(track.road(lap.s)), state, lap.slip_ratio.T)
    sideslip_rate = (point.rates["v"] * u - point.rates["u"] * v) / lap.speed**2
    torque = 0.25 * car.chassis.mass * G * car.driveline.wheel_radius
    share = 3.0 * np.maximum(result.shortfall, 0.005)
    assert np.median(np.abs(sideslip_rate)) < 1e-5
    assert np.abs(sideslip_rate).max() < share * G * 1.5 / lap.speed.min()
    assert np.median(np.abs(point.rates["r"])) < 1e-5
    assert np.abs(point.rates["r"]).max() < 0.3
    assert np.abs(point.rates["accel_long"]).max() * car.chassis.load_transfer_time < share * G
    assert np.median(np.abs(np.stack(point.torque_balance)), axis=1) == pytest.approx(
        np.zeros(4), abs=5e-4 * torque
    )


def test_acceleration_channel_is_the_change_of_speed(result: BaselineResult) -> None:
    """Specific force less gravity along the road is the change of speed, wherever that is smooth."""
    lap = result.lap
    track = circuit(elevation=(*HILLS, Station(600.0, 0.5)))
    points = track.road(lap.s)
    accel = np.gradient(0.5 * lap.speed**2, lap.s) / points.stretch
    along = lap.accel_long * np.cos(lap.sideslip) + lap.accel_lat * np.sin(lap.sideslip)
    smooth = np.abs(np.gradient(np.gradient(lap.accel_long))) < 0.05
    assert smooth.mean() > 0.6
    error = (along - G * points.up_x - accel)[smooth]
    assert np.percentile(np.abs(error), 95) < 0.12
    lateral = lap.accel_lat * np.cos(lap.sideslip) - lap.accel_long * np.sin(lap.sideslip)
    assert lateral[smooth] == pytest.approx((lap.speed**2 * lap.curvature)[smooth], abs=0.25)


def test_channels_within_what_the_car_has(result: BaselineResult) -> None:
    lap, car = result.lap, shipped("cup-coupe")
    for channel in (lap.brake, lap.throttle):
        assert channel.min() >= 0.0 and channel.max() <= 1.0
    assert np.abs(lap.steering_wheel).max() < car.steering.max_wheel
    assert lap.grip_use.max() <= 1.0 + 1e-6
    assert (lap.brake * lap.throttle).max() < 1e-3
    assert lap.engine_speed.max() <= car.driveline.shift_speed * 1.001
    assert set(lap.limiting_axle) <= {"front", "rear", "both", "none"}
    assert result.shortfall < 0.05


def test_wheel_loads_carry_car_and_downforce(result: BaselineResult) -> None:
    lap, car = result.lap, shipped("cup-coupe")
    flat = car_result(circuit()).lap
    down = 0.5 * car.aero.air_density * car.aero.downforce_area * (flat.speed * np.cos(flat.sideslip)) ** 2
    assert flat.load.sum(axis=1) == pytest.approx(car.chassis.mass * G + down, rel=1e-4)
    assert not np.allclose(lap.load.sum(axis=1), flat.load.sum(axis=1)[: lap.s.size].mean(), rtol=0.01)


def test_apexes_and_brake_points(result: BaselineResult) -> None:
    assert len(result.apexes) >= 4
    assert len(result.switches) >= 4
    lap = result.lap
    for station in result.switches:
        assert np.interp(station - 2.0, lap.s, lap.throttle) > 0.9
        assert np.interp(station + 2.0, lap.s, lap.brake) > 0.3


@pytest.mark.parametrize("name", ["cup-coupe", "touring-saloon"])
def test_a_mirrored_road_gives_the_mirrored_lap(name: str) -> None:
    bank = tuple(Station(s, b) for s, b in ((0.0, 0.0), (200.0, -0.06), (400.0, 0.02)))
    lap = car_result(circuit(bank=bank), name).lap
    other_bank = tuple(Station(s.at, -s.value) for s in bank)
    other = car_result(road(*mirrored((*BENDS, *BENDS)), closed=True, bank=other_bank), name).lap
    assert other.time == pytest.approx(lap.time, rel=1e-6)
    assert other.speed == pytest.approx(lap.speed, rel=1e-5)
    assert np.median(np.abs(other.steering_wheel + lap.steering_wheel)) < 1e-5
    assert np.median(np.abs(other.load[:, [1, 0, 3, 2]] - lap.load)) < 0.1


def test_moving_the_start_line_changes_nothing() -> None:
    whole = (*BENDS, *BENDS)
    moved = (Straight(80.0), *whole[1:], Straight(100.0))
    assert car_result(road(*moved, closed=True)).time == pytest.approx(car_result(circuit()).time, abs=2e-3)
    car = FrictionCircle("Car", 1.2, accel_limit=0.6, power=200e3, drag_area=0.7)
    here, there = solve_baseline(circuit(), car), solve_baseline(road(*moved, closed=True), car)
    assert there.time == pytest.approx(here.time, abs=5e-5)


def test_half_the_step_changes_next_to_nothing() -> None:
    coarse, fine = car_result(circuit(), step=1.0), car_result(circuit(), step=0.5)
    assert fine.time == pytest.approx(coarse.time, rel=4e-4)


def test_a_steady_circle_settles_at_the_car_s_own_balance() -> None:
    """On a level ring the lap is one steady state: full grip of one axle, nothing changing."""
    lap = car_result(ring(60.0), "rally-hatch").lap
    assert np.ptp(lap.speed) < 1e-4 * lap.speed.mean()
    assert np.abs(lap.accel_long * np.cos(lap.sideslip) + lap.accel_lat * np.sin(lap.sideslip)).max() < 0.05
    assert lap.grip_use.max() == pytest.approx(1.0, abs=2e-3)
    accel = lap.speed.mean() ** 2 / 60.0
    car = shipped("rally-hatch")
    assert accel < G * max(car.tyres.front.peak_mu_lat, car.tyres.rear.peak_mu_lat) * 1.05


def test_less_grip_more_mass_less_power_are_never_faster() -> None:
    car, track = shipped("touring-saloon"), circuit()
    time = car_result(track, "touring-saloon").time
    wet = replace(car, tyres=replace(car.tyres, front=replace(car.tyres.front, grip_scale=0.9)))
    heavy = replace(car, chassis=replace(car.chassis, mass=car.chassis.mass * 1.1))
    assert solve_baseline(track, wet).time > time + 0.1
    assert solve_baseline(track, heavy).time > time + 0.1


def test_a_damp_patch_costs_time_where_it_lies() -> None:
    patch = GripPatch(190.0, 300.0, 0.75)
    dry, damp = car_result(circuit()), car_result(circuit(grip=(patch,)))
    assert damp.time > dry.time + 0.3
    slower = np.interp(dry.lap.s, damp.lap.s, damp.lap.speed) < dry.lap.speed - 0.3
    assert slower[(dry.lap.s > 215.0) & (dry.lap.s < 285.0)].all()
    assert damp.shortfall < 0.05


def test_a_start_from_rest_and_a_stop() -> None:
    track = road(Straight(150.0), Arc(40.0, RIGHT_ANGLE, 25.0, 25.0), Straight(150.0))
    result = car_result(track, start_speed=0.0, end_speed=0.0)
    lap = result.lap
    assert lap.speed[0] == 0.0 and lap.speed[-1] == 0.0
    assert np.all(
        np.isfinite(
            np.column_stack(
                [getattr(lap, n) for n in ("t", "pedal", "accel_long", "yaw_rate", "steering_wheel")]
            )
        )
    )
    assert lap.throttle[3] > 0.5
    assert lap.brake[-4] > 0.3


def test_the_shipped_circuits() -> None:
    """Each is driven without a notice by a car and the teaching car alike; the quick car is quicker."""
    teacher = FrictionCircle("Slow", 0.9, accel_limit=0.3, power=80e3, drag_area=0.7, mass=1200.0)
    for path in sorted(TRACKS.glob("*.yaml")):
        track = load_track(path)
        start = None if track.closed else 20.0
        quick = car_result(track, start_speed=start)
        slow = solve_baseline(track, teacher, start_speed=start)
        assert quick.time < slow.time
        assert not [n for n in quick.notices if "envelope are" not in n], path


def test_an_envelope_of_another_car_is_refused() -> None:
    with pytest.raises(InputError, match="Touring saloon"):
        solve_baseline(circuit(), shipped("cup-coupe"), envelope=envelope_of(shipped("touring-saloon")))


def test_speeds_that_make_no_sense() -> None:
    straight = road(Straight(100.0))
    for start in (-1.0, 131.0, float("nan")):
        with pytest.raises(InputError, match="start speed"):
            solve_baseline(straight, point_mass(), start_speed=start)
    with pytest.raises(InputError, match="closed circuit"):
        solve_baseline(ring(50.0), point_mass(), start_speed=10.0)


def test_what_cannot_be_driven_is_said_with_its_place() -> None:
    bend = road(Straight(30.0), Arc(20.0, RIGHT_ANGLE), Straight(30.0))
    with pytest.raises(NoSolutionError, match=r"at most 28\.28 m/s"):
        solve_baseline(bend, point_mass(), start_speed=40.0)
    with pytest.raises(NoSolutionError, match="does not reach"):
        solve_baseline(road(Straight(30.0)), point_mass(), start_speed=0.0, end_speed=60.0)
    hill = road(Straight(300.0), elevation=tuple(Station(float(s), 0.3 * s) for s in range(0, 301, 20)))
    weak = FrictionCircle("Weak", 1.0, accel_limit=0.1)
    with pytest.raises(NoSolutionError, match="comes to a stand"):
        solve_baseline(hill, weak, start_speed=10.0)
    bowl = road(Straight(20.0), Arc(60.0, RIGHT_ANGLE), Straight(20.0), bank=(Station(0.0, -40.0 * DEG),))
    with pytest.raises(NoSolutionError, match="slides down the bank"):
        solve_baseline(bowl, FrictionCircle("Ice", 0.2), start_speed=2.0)
    with pytest.raises(InputError, match="nothing limits the speed"):
        solve_baseline(road(Straight(50.0)), point_mass())
    kart_track = road(Straight(30.0), Arc(3.5, RIGHT_ANGLE), Straight(30.0), half_width=2.0)
    with pytest.raises(NoSolutionError, match="too tight for the steering"):
        car_result(kart_track, "club-monoposto", start_speed=5.0)


def test_end_speeds_as_the_most_allowed() -> None:
    bend = road(Straight(30.0), Arc(20.0, RIGHT_ANGLE), Straight(30.0))
    result = solve_baseline(bend, point_mass(), start_speed=40.0, end_speed=60.0, at_most=True)
    # v^2 = A R + 2 A 30 m before the bend, and as much behind it.
    assert result.lap.speed[[0, -1]] == pytest.approx(np.sqrt(200.0 + 2 * 10.0 * 30.0), rel=1e-6)
    assert len(result.notices) == 2
    assert "at the start in place of 40" in result.notices[0]


def test_a_locked_axle_does_not_go_round_a_hairpin_within_its_slip() -> None:
    """Wheels that turn alike slip by track / (2 R) against the road: more than the peak slip ratio in a 7 m bend."""
    car = shipped("rally-hatch")
    locked = replace(car, driveline=replace(car.driveline, differential=Differential("locked")))
    radius = 0.4 * car.chassis.track_rear / car.tyres.rear.peak_slip_ratio
    hairpin = road(Straight(60.0), Arc(radius, 2 * RIGHT_ANGLE, 6.0, 6.0), Straight(60.0), half_width=3.0)
    with pytest.raises(NoSolutionError, match="no steady state that holds the line"):
        solve_baseline(hairpin, locked, start_speed=15.0)
    assert solve_baseline(hairpin, car, start_speed=15.0).shortfall < 0.05
