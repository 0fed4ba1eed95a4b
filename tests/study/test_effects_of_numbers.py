"""What a number of a car is worth, from one solve's multipliers, against two solves with the number changed.

Envelope theorem (Fiacco, Introduction to Sensitivity and Stability Analysis in Nonlinear Programming, 1983, ch. 3 [from
memory]). What is minimised is the lap time and a little effort of hands and feet. That sum is compared closely; the lap time
alone within 2 %, for numbers whose effect is far above what the effort moves.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from sample_cars import PLAIN, changed, shipped

from lapwright.errors import InputError
from lapwright.inputs.files import load_track
from lapwright.lap.corners import corner_reports
from lapwright.lap.spans import leaves, spans_of
from lapwright.problem.lap import EndState
from lapwright.reference.solve import solve_again, solve_lap
from lapwright.solver.sensitivity import parameter_slopes
from lapwright.study.effects import check_effect, check_effects, effects_of, slopes_of, smooth_forces
from lapwright.study.numbers import number_called, numbers_of
from lapwright.vehicle.driveline import drive_curve, gear_shift_speeds, wheel_forces
from lapwright.vehicle.parameters import Differential

TRACKS = Path(__file__).parents[2] / "tracks"

SHARE = 0.2
"""Of a number's practical step, by which it is changed: far enough for 1e-5 s of noise, near enough for a straight line."""


@cache
def solved(circuit, name):
    """A circuit and a car's lap of it; an open road is entered at 15 m/s."""
    track = load_track(TRACKS / f"{circuit}.yaml")
    return track, solve_lap(track, shipped(name), start=EndState(None if track.closed else 15.0))


@cache
def with_other(circuit, name):
    """Cars that no file has: see the tests that ask for them."""
    track = load_track(TRACKS / f"{circuit}.yaml")
    return track, solve_lap(track, OTHERS[name])


HATCH = shipped("rally-hatch")
OTHERS = {
    # The hatch turns its wheel 275 degrees in the hairpin: here it cannot.
    "little lock": changed(HATCH, steering={"max_wheel": float(np.radians(200.0))}),
    # One gear and a straight torque line to beyond all speeds: a drive curve without bends, so that nothing of it is fitted.
    "one gear": changed(
        HATCH,
        driveline={
            "power": None, "engine_speed": (0.0, 2000.0), "engine_torque": (1000.0, 0.0), "gear_ratios": (1.2,),
            "final_drive": 3.0, "shift_speed": 1990.0, "overrun_torque": 60.0,
        },
    ),
}  # fmt: skip


def differences(track, result, key, share=SHARE):
    """Slope by the multipliers, and central differences of the cost and of the lap time, per practical step."""
    number = number_called(result.vehicle, key)
    value, step = number.value(result.vehicle), share * number.step
    laps = [solve_again(result, track, number.changed(result.vehicle, value + s * step)) for s in (1.0, -1.0)]
    assert all(len(lap.stages) == 1 for lap in laps), "solved on another mesh"
    cost = (laps[0].solution.objective - laps[1].solution.objective) / (2.0 * share)
    time = (laps[0].time - laps[1].time) / (2.0 * share)
    return number.step * float(slopes_of(result, track, [number]).sum()), cost, time


MONOPOSTO = (
    "aero.drag_area_m2", "driveline.engine_torque_Nm", "aero.air_density_kgm3", "driveline.efficiency", "chassis.mass_kg",
    "tyres.front.peak_slip_angle_deg", "tyres.front.load_sensitivity_per_kN", "tyres.rear.grip_scale",
    "aero.downforce_area_m2", "tyres.rear.sliding_grip_ratio",
)  # fmt: skip
HATCHBACK = (
    "chassis.cg_height_m", "tyres.rear.grip_scale", "tyres.front.grip_scale", "driveline.differential.ramp_drive",
    "chassis.mass_kg", "driveline.differential.preload_Nm", "chassis.front_mass_share", "brakes.front_share",
    "driveline.power_kW", "chassis.width_m",
)  # fmt: skip
COUPE = (
    "tyres.rear.grip_scale", "chassis.cg_height_m", "tyres.front.grip_scale", "chassis.mass_kg",
    "driveline.differential.ramp_drive", "driveline.engine_torque_Nm", "aero.downforce_area_m2", "aero.drag_area_m2",
    "brakes.front_share", "chassis.width_m",
)  # fmt: skip
SALOON = (
    "tyres.front.grip_scale", "chassis.cg_height_m", "chassis.mass_kg", "driveline.engine_torque_Nm",
    "tyres.front.load_sensitivity_per_kN", "brakes.front_share", "tyres.front.peak_mu_long", "driveline.wheel_inertia_kgm2",
    "driveline.overrun_torque_Nm", "chassis.width_m",
)  # fmt: skip


def cases(circuit, car, keys, slow):
    marks = (pytest.mark.slow,) if slow else ()
    return [pytest.param(circuit, car, key, id=f"{car}-{key}", marks=marks) for key in keys]


@pytest.mark.parametrize(
    ("circuit", "car", "key"),
    [
        *cases("tarn-bowl", "club-monoposto", MONOPOSTO, slow=False),
        *cases("cinder-yard", "rally-hatch", HATCHBACK, slow=False),
        *cases("marrow-fen", "cup-coupe", COUPE, slow=True),
        *cases("gannet-rise", "touring-saloon", SALOON, slow=True),
    ],
)
def test_multipliers_say_what_two_solves_say(circuit, car, key):
    slope, cost, time = differences(*solved(circuit, car), key)
    assert slope == pytest.approx(cost, rel=0.01)
    assert slope == pytest.approx(time, rel=0.02)


@pytest.mark.parametrize("key", ["steering.max_wheel_deg", "steering.ratio", "chassis.width_m"])
def test_numbers_that_move_bounds(key):
    """A car at its lock in the hairpin of Cinder Yard: travel of the wheel, its ratio and the width of the car."""
    track, result = with_other("cinder-yard", "little lock")
    assert np.sum(np.abs(result.lap.steering_wheel) > 0.9999 * result.vehicle.steering.max_wheel) > 5
    slope, cost, time = differences(track, result, key, 0.1)
    assert slope == pytest.approx(cost, rel=0.01)
    assert slope == pytest.approx(time, rel=0.05)
    assert (slope < 0.0) == (key == "steering.max_wheel_deg")


def test_a_lock_that_is_not_reached_is_worth_nothing():
    track, result = solved("cinder-yard", "rally-hatch")
    slope = slopes_of(result, track, [number_called(result.vehicle, "steering.max_wheel_deg")]).sum()
    # 1e-3 s a degree in the test above; what is left here is the barrier's.
    assert abs(slope) < 1e-6


@pytest.mark.parametrize(
    "key",
    [
        "driveline.gear_ratios.1",
        "driveline.final_drive",
        "driveline.engine_torque_Nm",
        "driveline.wheel_radius_m",
    ],
)
def test_numbers_that_move_the_force_at_the_wheels(key):
    slope, cost, time = differences(*with_other("cinder-yard", "one gear"), key, 0.1)
    assert slope == pytest.approx(cost, rel=2e-3)
    assert slope == pytest.approx(time, rel=0.01)


def test_final_drive_is_all_gears_together():
    """Only the products of gear and final drive count: i dT/di of the final drive is the sum of those of the gears."""
    track, result = solved("tarn-bowl", "club-monoposto")
    car = result.vehicle
    gears = [n for n in numbers_of(car) if ".gear_ratios." in n.key]
    final = number_called(car, "driveline.final_drive")
    slopes = slopes_of(result, track, [*gears, final]).sum(axis=1)
    each = [s * n.value(car) for s, n in zip(slopes, [*gears, final], strict=True)]
    # The car is at the end of its top gear: the same small share of any of them, as this has a kink.
    share = np.array([n.step / n.value(car) for n in (gears[-1], final)])
    assert abs(each[-1]) > 1.0
    assert sum(each[:-1]) == pytest.approx(each[-1], rel=abs(1.0 - share[0] / share[1]))


@pytest.mark.slow
def test_what_a_gear_does_to_a_lap_that_is_solved_anew():
    """The third gear of the coupe: two solves say a third of what the multipliers say, as the drive curve of 24 bends is
    fitted anew. With the forces of the two fitted curves in place of the engine's own the multipliers say the same.
    """
    track, result = solved("marrow-fen", "cup-coupe")
    key = "driveline.gear_ratios.3"
    slope, cost, _ = differences(track, result, key, 1.0)
    number, car, solution = number_called(result.vehicle, key), result.vehicle, result.solution
    names = solution.nlp.problem.model.parameters
    speed = solution.point_states[:, :, solution.nlp.problem.model.state_index("u")]
    up, down = (
        drive_curve(number.changed(car, number.value(car) + s * number.step).driveline).forces(speed)
        for s in (1.0, -1.0)
    )
    worth = parameter_slopes(solution)
    fitted = sum(
        0.5 * np.sum(worth[names.index(name)] * (more - less))
        for name, more, less in zip(("drive.level", "drive.drag_level"), up, down, strict=True)
    )
    assert fitted == pytest.approx(cost, rel=0.1)
    assert abs(slope - cost) > 10.0 * abs(fitted - cost)


def test_blurred_forces_are_the_engines_own_away_from_shifts():
    line = shipped("cup-coupe").driveline
    speed = np.linspace(8.0, 70.0, 500)
    shifts = gear_shift_speeds(line)
    away = np.abs(speed[:, None] - shifts).min(axis=1) > 0.7
    assert 250 < away.sum() < 500
    for smooth, plain in zip(smooth_forces(line, speed), wheel_forces(line, speed), strict=True):
        assert smooth[away] == pytest.approx(plain[away], rel=3e-3)


@pytest.mark.parametrize(
    ("circuit", "car"),
    [("cinder-yard", "rally-hatch"), ("tarn-bowl", "cup-coupe"), ("gannet-rise", "touring-saloon")],
)
def test_parts_are_the_whole(circuit, car):
    """Corners, straights and phases of closed and open roads: nothing is lost or counted twice."""
    track, result = solved(circuit, car)
    reports = corner_reports(result.lap, track)
    spans = spans_of(track, reports, reports, float(result.lap.s[0]), float(result.lap.s[-1]))
    numbers = numbers_of(result.vehicle)
    slopes = dict(zip([n.key for n in numbers], slopes_of(result, track, numbers).sum(axis=1), strict=True))
    effects = effects_of(result, track, numbers, spans)
    assert {e.number.key for e in effects} == set(slopes)
    sizes = [abs(e.per_step) for e in effects]
    assert sizes == sorted(sizes, reverse=True) and sizes[0] > 1e-3
    corners = effects_of(result, track, numbers, [replace(span, phases=()) for span in spans])
    pieces = leaves(spans)
    assert len(pieces) > len(spans)
    for effect, coarse in zip(effects, corners, strict=True):
        assert effect.per_step == pytest.approx(effect.number.step * slopes[effect.number.key], abs=1e-6)
        assert effect.value == effect.number.value(result.vehicle)
        for span, whole in zip(spans, coarse.parts, strict=True):
            mine = sum(p for (owner, _), p in zip(pieces, effect.parts, strict=True) if owner is span)
            assert mine == pytest.approx(whole, abs=1e-6)


def test_an_effect_is_told_where_it_acts():
    """The brake share where the brake is on, the engine where the throttle is, and nowhere else."""
    track, result = solved("cinder-yard", "rally-hatch")
    lap, nodes = result.lap, result.solution.nlp.mesh.nodes
    numbers = [number_called(result.vehicle, key) for key in ("brakes.front_share", "driveline.power_kW")]
    slopes = slopes_of(result, track, numbers)
    rows = [(lap.s >= a - 1e-6) & (lap.s <= b + 1e-6) for a, b in pairwise(nodes)]
    on = [np.array([channel[k].max() for k in rows]) for channel in (lap.brake, lap.throttle)]
    for slope, pedal in zip(slopes, on, strict=True):
        off = pedal < 1e-3
        assert 20 < off.sum() < off.size - 20
        assert np.abs(slope[off]).sum() < 2e-3 * np.abs(slope[~off]).sum()


def test_the_largest_are_checked():
    track, result = solved("tarn-bowl", "club-monoposto")
    keys = ("aero.drag_area_m2", "chassis.mass_kg", "tyres.rear.peak_mu_long")
    spans = spans_of(track, (), ())
    effects = effects_of(result, track, [number_called(result.vehicle, key) for key in keys], spans)
    said = []
    done, pairs = check_effects(result, track, effects, 2, said.append)
    assert [e.check is not None for e in done] == [True, True, False]
    assert list(pairs) == [e.number.key for e in effects[:2]] and len(said) == 2
    for effect in done[:2]:
        check, pair = effect.check, pairs[effect.number.key]
        assert check.up == pair.up.time - result.time and check.down == pair.down.time - result.time
        assert check.central == pytest.approx(effect.per_step, rel=0.02)
        assert check.agrees and check.words == ""


def test_a_kink_is_told():
    """The monoposto runs into its limiter on the straight: a step of the top gear is no straight line."""
    track, result = solved("tarn-bowl", "club-monoposto")
    spans = spans_of(track, (), ())
    number = number_called(result.vehicle, "driveline.gear_ratios.6")
    (effect,) = effects_of(result, track, [number], spans)
    checked, _ = check_effect(result, track, effect)
    assert not checked.check.agrees
    assert "first order says" in checked.check.words


def test_a_number_does_not_go_below_nothing():
    car = changed(HATCH, driveline={"differential": {"preload": 5.0}})
    track, known = solved("cinder-yard", "rally-hatch")
    result = solve_again(known, track, car)
    number = number_called(car, "driveline.differential.preload_Nm")
    (effect,) = effects_of(result, track, [number], spans_of(track, (), ()))
    checked, pair = check_effect(result, track, effect)
    assert pair.down is None and checked.check.down is None and pair.up is not None
    assert checked.check.central == pytest.approx(effect.per_step, rel=0.1)
    assert checked.check.words == "no step down: at least 0 is allowed"


def test_a_share_does_not_go_above_one():
    track, known = solved("cinder-yard", "rally-hatch")
    car = changed(HATCH, driveline={"efficiency": 0.997})
    result = solve_again(known, track, car)
    number = number_called(car, "driveline.efficiency")
    (effect,) = effects_of(result, track, [number], spans_of(track, (), ()))
    checked, pair = check_effect(result, track, effect)
    assert pair.up is None and checked.check.up is None and pair.down is not None
    assert checked.check.central == -checked.check.down == pytest.approx(effect.per_step, rel=0.05)
    assert checked.check.agrees and checked.check.words == "no step up: at most 1 is allowed"
    # At the very end the derivative is that of the side that is there.
    full = changed(HATCH, driveline={"efficiency": 1.0})
    at_end = slopes_of(solve_again(known, track, full), track, [number]).sum()
    assert number.step * at_end == pytest.approx(effect.per_step, rel=0.05)


def test_numbers_of_a_car_that_has_no_such_thing():
    plain = {n.key for n in numbers_of(PLAIN)}
    assert "driveline.power_kW" in plain
    assert not any("gear" in key or "differential" in key or "torque_share" in key for key in plain)
    viscous = changed(PLAIN, driveline={"differential": Differential("viscous", viscosity=50.0)})
    assert number_called(viscous, "driveline.differential.viscosity_Nms_per_rad").value(viscous) == 50.0
    with pytest.raises(InputError, match=r"did you mean brakes\.front_share"):
        number_called(PLAIN, "brake.front_share")
