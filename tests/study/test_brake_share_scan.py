"""Which brake share a scan finds: the quicker one of two valleys, with what is as good around it."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from sample_cars import shipped
from scipy.optimize import brentq

from lapwright.inputs.files import load_track
from lapwright.lap.corners import corner_reports
from lapwright.lap.spans import spans_of
from lapwright.problem.lap import EndState
from lapwright.reference.solve import solve_again, solve_lap
from lapwright.study.brakes import NEAR, ShareLaps, lowest_place, near_stretches
from lapwright.study.numbers import number_called
from lapwright.study.tyres import tyre_states, with_grip

TRACKS = Path(__file__).parents[2] / "tracks"


def valleys(x):
    """A quartic with valleys near 0.6 and 0.8, the second deeper by 0.02."""
    return 400.0 * (x - 0.6) ** 2 * (x - 0.8) ** 2 - 0.1 * (x - 0.6)


def slope(x):
    return 800.0 * (x - 0.6) * (x - 0.8) * (2.0 * x - 1.4) - 0.1


def test_of_two_valleys_the_deeper_one_counts():
    shares = np.linspace(0.56, 0.84, 15)
    best, at_end = lowest_place(shares, slope(shares), valleys)
    assert not at_end
    # brentq (scipy.optimize) on the slope itself; the straight line between two shares is not quite there.
    assert best == pytest.approx(brentq(slope, 0.75, 0.85), abs=2e-3)
    less = shares[shares < 0.72]
    assert lowest_place(less, slope(less), valleys)[0] == pytest.approx(brentq(slope, 0.57, 0.65), abs=2e-3)


def test_an_end_that_is_lower_than_every_valley_is_told():
    shares = np.linspace(0.58, 0.79, 8)
    assert lowest_place(shares, slope(shares), valleys) == (shares[-1], True)
    assert lowest_place(shares[-1:], slope(shares[-1:]), None) == (shares[-1], True)


def test_all_that_is_as_good_is_told_in_stretches():
    """Their ends are where the quartic crosses its least value and ``NEAR`` (brentq, scipy.optimize)."""

    def alike(x):
        return 400.0 * (x - 0.6) ** 2 * (x - 0.8) ** 2

    shares = np.linspace(0.5, 0.9, 21)
    found = near_stretches(shares, alike, 0.8)
    ends = [(0.55, 0.6), (0.6, 0.7), (0.7, 0.8), (0.8, 0.85)]
    wanted = [brentq(lambda x: alike(x) - NEAR, *pair) for pair in ends]
    assert np.ravel(found) == pytest.approx(wanted, abs=5e-4)


@cache
def solved(circuit, car):
    """A lap, its corners and its pieces; an open road is entered at 15 m/s. Circuits and cars are invented."""
    track = load_track(TRACKS / f"{circuit}.yaml")
    result = solve_lap(track, shipped(car), start=EndState(None if track.closed else 15.0))
    reports = corner_reports(result.lap, track)
    return track, result, reports, spans_of(track, reports, reports, result.lap.s[0], result.lap.s[-1])


def test_behind_a_ridge_lies_a_better_share_than_the_nearest():
    """The saloon's inside rear wheel hardly stands on the road while it trails the brake into a hairpin: its little grip
    limits the pedal until the rear has next to no brake. With the roll stiffness in front it keeps its load, and the
    nearest share is the best.
    """
    track, result, _, spans = solved("gannet-rise", "touring-saloon")
    laps = ShareLaps(result, track, spans)
    near = laps.scan(1)
    assert near.best_share == pytest.approx(0.862, abs=0.01)
    far = laps.scan(1, (0.75, 0.98))
    assert far.best_share > 0.95 and far.best_time < near.best_time - 0.01
    ridge = far.lap_times[np.argmin(np.abs(far.shares - 0.93))]
    assert ridge > near.best_time + 0.015
    lap = solve_again(result, track, laps.number.changed(result.vehicle, far.best_share))
    assert lap.time == pytest.approx(far.best_time, abs=3e-3)
    braking = result.lap.brake > 0.05
    assert result.lap.load[braking, 2:].min() < 120.0
    soft = replace(result.vehicle, chassis=replace(result.vehicle.chassis, roll_stiffness_front_share=0.7))
    level = solve_again(result, track, soft)
    assert level.lap.load[level.lap.brake > 0.05, 2:].min() > 400.0
    times = [solve_again(level, track, laps.number.changed(soft, share)).time for share in (0.86, 0.92, 0.98)]
    assert times[0] + 0.05 < times[1] < times[2] - 0.05


def test_every_state_of_the_tyres_is_tried_up_to_the_best_shares_of_the_others():
    """Colder tyres ask for another share, less to the axle that is cold (common practice)."""
    track, result, reports, spans = solved("cinder-yard", "cup-coupe")
    states, notices = tyre_states(result, track, reports, spans, ShareLaps(result, track, spans))
    assert not notices
    best = [state.scan.best_share for state in states]
    for state in states:
        assert state.scan.shares[0] <= min(best) and max(best) <= state.scan.shares[-1], state.name
        car = with_grip(result.vehicle, *state.factors)
        lap = solve_again(
            result, track, number_called(car, "brakes.front_share").changed(car, state.scan.best_share)
        )
        assert lap.time == pytest.approx(state.scan.best_time, abs=4e-3), state.name
    hot, cold_front, cold_rear, _ = best
    assert cold_rear > hot + 0.015
    assert cold_front < hot - 0.04


def test_where_the_brake_is_not_needed_the_cars_own_share_is_as_good():
    """Round the bowl the monoposto never brakes."""
    track, result, _, spans = solved("tarn-bowl", "club-monoposto")
    scan = ShareLaps(result, track, spans, 0.03).scan(2)
    assert scan.best_share == result.vehicle.brakes.front_share and not scan.at_end
    assert scan.shares.size == 5 and scan.near == ((scan.shares[0], scan.shares[-1]),)
    assert np.ptp(scan.lap_times) < 3e-3
