"""A comparison as a whole: which lap is taken, and what a fair reference is."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from faulty_laps import reference
from logs_from_laps import log_of

from lapwright.driver.compare import chosen_lap, compare
from lapwright.driver.sessions import session_of
from lapwright.errors import InputError
from lapwright.outputs.compare_record import compare_record
from lapwright.reference.solve import solve_lap


@cache
def less_grip():
    """A lap of a car with 5 % less grip on both axles, driven without a fault."""
    car = reference()[1].vehicle
    tyres = car.tyres
    poorer = replace(
        car,
        tyres=replace(
            tyres, front=replace(tyres.front, grip_scale=0.95), rear=replace(tyres.rear, grip_scale=0.95)
        ),
    )
    return solve_lap(reference()[0], poorer).lap


def laid(lap, **noise):
    track, result, known, _ = reference()
    return session_of(log_of(lap, **noise), track, result.vehicle, known.lap)


def test_a_fair_reference_tells_the_car_from_the_driver():
    """He drove all that the car had: all of the difference is the car's, and the driver's share is nothing."""
    track, _, known, _ = reference()
    session = laid(less_grip())
    comparison = compare(track, known, [session], most=10)
    one = comparison.drivers[0]
    assert one.fair == pytest.approx(less_grip().time, abs=0.25)
    assert abs(one.drive.time - one.fair) < 0.15 * (one.drive.time - known.lap.time)
    words = compare_record(comparison)["drivers"][0]["fit"]["words"]
    assert "s is the car, the tyres and the day" in words


def test_a_car_as_its_file_says_needs_no_other_reference():
    track, _, known, _ = reference()
    assert compare(track, known, [laid(known.lap)]).drivers[0].fair is None


def test_the_best_lap_is_taken_or_the_one_that_is_asked_for():
    session = laid(reference()[2].lap, laps=3.2, begin=60.0, white=0.3, seed=3)
    best = min((lap for lap in session.laps if lap.whole), key=lambda lap: lap.time)
    assert chosen_lap(session, None) is best
    assert chosen_lap(session, 3).number == 3
    with pytest.raises(InputError, match=r"lap 1 cannot be compared .*out-lap"):
        chosen_lap(session, 1)
    with pytest.raises(InputError, match="there is no lap 7"):
        chosen_lap(session, 7)
    with pytest.raises(InputError, match="no lap of the log can be compared"):
        chosen_lap(replace(session, laps=session.laps[:1]), None)


def test_every_lap_side_by_side_each_by_its_number():
    track, _, known, _ = reference()
    session = laid(known.lap, laps=3.2, begin=60.0)
    comparison = compare(track, known, [session], every=True, most=10)
    assert [one.drive.number for one in comparison.drivers] == [2, 3]
    names = [driver["name"] for driver in compare_record(comparison)["drivers"]]
    assert names == ["Lap 2, made", "Lap 3, made"]
    crowd = replace(session, laps=session.laps[1:2] * 6)
    with pytest.raises(InputError, match="6 whole laps are too many"):
        compare(track, known, [crowd], every=True)


def test_two_drivers_stand_on_one_grid():
    track, _, known, _ = reference()
    both = compare(track, known, [laid(known.lap), laid(less_grip())], most=10)
    assert len(both.drivers) == 2
    for one in both.drivers:
        assert one.lap.s.shape == both.target.s.shape
        assert one.run.time[-1] == pytest.approx(one.drive.time - known.lap.time, abs=1e-3)
