"""The best setup within bounds against a scan of laps, and what it keeps when it is told to."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from sample_cars import shipped
from scipy.optimize import minimize_scalar

from lapwright.inputs.files import load_track
from lapwright.lap.corners import corner_reports
from lapwright.lap.spans import leaves, spans_of
from lapwright.reference.kept import keep
from lapwright.reference.solve import solve_again, solve_lap
from lapwright.study.best import Bounded, find_best
from lapwright.study.brakes import ShareLaps
from lapwright.study.entry import entries_of
from lapwright.study.numbers import number_called

TRACKS = Path(__file__).parents[2] / "tracks"
SHARE = "brakes.front_share"


@cache
def known():
    """The rally hatch on Cinder Yard, both invented."""
    track = load_track(TRACKS / "cinder-yard.yaml")
    result = solve_lap(track, shipped("rally-hatch"))
    reports = corner_reports(result.lap, track)
    return track, result, keep(result, track), spans_of(track, reports, reports)


def search(*choices, **more):
    track, result, kept, spans = known()
    bounded = [Bounded(number_called(result.vehicle, key), low, high) for key, low, high in choices]
    return find_best(result, kept, track, bounded, spans, **more)


@cache
def best_share():
    return search((SHARE, 0.60, 0.96))


@cache
def scan():
    track, result, _, spans = known()
    return ShareLaps(result, track, spans).scan()


def test_the_best_share_is_that_of_a_scan_and_of_a_search_without_derivatives():
    """Brent's method on lap times alone (Brent, Algorithms for Minimization without Derivatives, 1973, as in scipy)."""
    track, result, _, _ = known()
    number = number_called(result.vehicle, SHARE)

    def time(share):
        return solve_again(result, track, number.changed(result.vehicle, float(share))).time

    plain = minimize_scalar(
        time, bounds=(0.60, 0.96), method="bounded", options={"xatol": 2e-3, "maxiter": 14}
    )
    found = best_share()
    # Laps near one another have optima of their own, a millisecond apart.
    assert found.after == pytest.approx(plain.fun, abs=2e-3)
    assert scan().best_time == pytest.approx(plain.fun, abs=2e-3)
    assert found.after < found.before
    assert found.chosen[0].after == pytest.approx(scan().best_share, abs=0.02)


def test_the_scan_holds_the_cars_own_lap_and_its_slopes_fit_its_times():
    """The integral of the slopes from multipliers over the shares is the difference of the lap times (numpy.trapezoid)."""
    _, result, _, _ = known()
    own = result.vehicle.brakes.front_share
    k = int(np.argmin(np.abs(scan().shares - own)))
    assert scan().shares[k] == own and scan().lap_times[k] == result.time
    assert scan().best_time <= scan().lap_times.min() + 1e-3
    assert all(worth > -1e-3 for worth in scan().worth_entries.values())
    for corner, share in scan().best_entries.items():
        assert np.isnan(share) or scan().shares[0] <= share <= scan().shares[-1], corner


def test_what_was_made_in_the_pieces_is_the_gain():
    _, _, _, spans = known()
    found = best_share()
    assert len(found.parts) == len(leaves(spans))
    assert sum(found.parts) == pytest.approx(found.after - found.before, abs=1e-4)


def test_the_car_that_is_handed_back_has_the_setup_and_its_lap_time():
    track, _, _, _ = known()
    found = best_share()
    assert found.vehicle.brakes.front_share == pytest.approx(found.chosen[0].after, abs=1e-8)
    assert solve_lap(track, found.vehicle).time == pytest.approx(found.after, abs=5e-3)


def test_a_bound_that_stands_in_the_way_is_told_with_what_lies_behind_it():
    track, result, _, _ = known()
    found = search(("tyres.rear.grip_scale", 0.98, 1.02))
    (chosen,) = found.chosen
    assert chosen.at_bound == "high" and chosen.after == pytest.approx(1.02)
    more = solve_again(result, track, chosen.number.changed(result.vehicle, 1.02 + chosen.number.step))
    assert chosen.further == pytest.approx(found.after - more.time, rel=0.1)
    assert found.solves <= 6


def doublings(found):
    return sum(e.doublings for e in found.entries)


@pytest.mark.slow
def test_a_limit_on_the_doublings_is_kept_and_costs_time():
    """Nine tenths of those that the quickest share has: what calms the entries most is not what is quickest."""
    limit = 0.9 * doublings(best_share())
    found = search(
        (SHARE, 0.60, 0.96), ("chassis.roll_stiffness_front_share", 0.45, 0.75), most_doublings=limit
    )
    free = search((SHARE, 0.60, 0.96), ("chassis.roll_stiffness_front_share", 0.45, 0.75))
    assert found.most_doublings == limit
    assert found.held and doublings(found) <= 1.005 * limit
    assert doublings(free) > limit
    assert found.after > free.after + 2e-3


def test_a_limit_that_cannot_be_kept_is_said():
    found = search((SHARE, 0.70, 0.71), most_doublings=1.0)
    assert not found.held
    assert doublings(found) > 1.0
    assert found.words


def test_a_search_has_so_many_laps_and_no_more(monkeypatch):
    monkeypatch.setattr("lapwright.study.best.MOST_SOLVES", 2)
    found = search((SHARE, 0.60, 0.96))
    assert found.solves == 4 and found.words == "4 laps were not enough"
    assert found.after <= found.before


def test_no_less_stable_is_kept():
    track, result, _, _ = known()
    reports = corner_reports(result.lap, track)
    now = sum(e.doublings for e in entries_of(track, result.vehicle, result.lap, reports))
    key = "chassis.roll_stiffness_front_share"
    found = search((SHARE, 0.60, 0.96), (key, 0.45, 0.75), most_doublings=now)
    assert found.held
    assert doublings(found) <= 1.005 * now
    assert found.after < found.before
