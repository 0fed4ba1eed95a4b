"""Which axle holds the car on its way in, what the other has left, and how the car is steered, against closed forms.

Milliken & Milliken, Race Car Vehicle Dynamics (1995), ch. 5 and 8; ISO 8855 (all from memory).
"""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from coupe_on_marrow_fen import ROOT
from coupe_on_marrow_fen import lap as solved
from handmade_lap import ANGLE, RADIUS, bend_road, handmade_lap
from sample_cars import PLAIN, SHIPPED, changed, shipped
from scipy.integrate import cumulative_trapezoid

from lapwright.baseline.solve import solve_baseline
from lapwright.inputs.files import load_track, read_definition
from lapwright.inputs.source import read_text
from lapwright.lap.corners import corner_reports
from lapwright.reference.solve import solve_lap
from lapwright.study.entry import BRAKING, FLICKER, WHEEL_NAMES, entries_of
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, CornerSpec, ElementLine, Station, Straight, TrackDefinition
from lapwright.track.transform import with_start
from lapwright.vehicle.tyre import tyre_force


@cache
def coupe():
    track, _, known = solved()
    return track, known.lap, known.vehicle, entries_of(
        track, known.vehicle, known.lap, corner_reports(known.lap, track)
    )  # fmt: skip


@cache
def hatch():
    track, car = load_track(ROOT / "tracks" / "cinder-yard.yaml"), shipped("rally-hatch")
    lap = solve_lap(track, car).lap
    return track, lap, car, entries_of(track, car, lap, corner_reports(lap, track))


LAPS = pytest.mark.parametrize("known", [coupe, hatch], ids=["coupe", "hatch"])


def rows_of(track, lap, entry):
    """The rows of a lap that an entry was made of."""
    return np.array([int(np.argmin(np.abs(lap.s[:-1] - s))) for s in entry.s % track.length])


@cache
def steady_bend(name):
    """The quasi-steady lap of 500 m, a left bend of 50 m radius, 500 m: in the bend the speed hardly changes."""
    track, car = bend_road(), shipped(name)
    lap = solve_baseline(track, car).lap
    (entry,) = entries_of(track, car, lap, corner_reports(lap, track), "Gate")
    return track, lap, car, entry


@pytest.mark.parametrize("name", SHIPPED)
def test_understeer_angle_is_the_difference_of_the_slip_angles(name):
    """delta - L/R = alpha_f - alpha_r in steady cornering, and the neutral car steers by atan(L/R)."""
    _, lap, car, entry = steady_bend(name)
    bend = (entry.s > 505.0) & (entry.s < 500.0 + np.pi / 2 * RADIUS - 5.0)
    assert bend.sum() > 10
    # To first order in the angles: what is left out is their square, over a wheelbase that is a twentieth of the radius.
    assert entry.neutral_steer[bend] == pytest.approx(np.arctan(car.chassis.wheelbase / RADIUS), rel=2e-3)
    slips = np.interp(entry.s, lap.s, lap.slip_angle_front - lap.slip_angle_rear)
    assert np.degrees(entry.understeer[bend]) == pytest.approx(np.degrees(slips[bend]), abs=0.03)
    assert np.degrees(np.abs(slips[bend])).min() > 0.3
    assert entry.steer == pytest.approx(entry.neutral_steer + entry.understeer)


def test_a_right_hander_is_told_like_a_left_hander():
    """Steering 0.06 rad into a bend of 50 m with 2.5 m of wheelbase: 0.06 - atan(0.05) either way."""
    for sign, direction in ((1.0, "left"), (-1.0, "right")):
        track = bend_road() if sign > 0 else right_bend()
        s = np.arange(400.0, 650.0, 1.0)
        inside = (s >= 500.0) & (s <= 578.0)
        lap = handmade_lap(
            track, s, steering_wheel=np.where(inside, sign * 0.06 * PLAIN.steering.ratio, 0.0),
            speed=np.where(inside, 20.0, 25.0), throttle=np.where(s < 490.0, 1.0, 0.5),
        )  # fmt: skip
        (entry,) = entries_of(track, PLAIN, lap, corner_reports(lap, track), "Gate")
        assert entry.direction == direction
        last = entry.s >= 500.5
        assert entry.understeer[last] == pytest.approx(0.06 - np.arctan(0.05), abs=1e-9)
        assert entry.understeer_exit == pytest.approx(0.06 - np.arctan(0.05), abs=2e-3)


def right_bend():
    """The bend of ``handmade_lap`` the other way round."""
    line = ElementLine((Straight(500.0), Arc(RADIUS, -ANGLE), Straight(500.0)))
    width = (Station(0.0, 5.0),)
    return build_track(
        TrackDefinition("Bend", False, line, width, width, corners=(CornerSpec("Gate", 500.0, 570.0),))
    )


@LAPS
def test_changes_and_shares_follow_the_limiting_axle(known):
    """Put together again from its changes, the axle at the limit is that of the rows, but for stretches below 3 m."""
    _, _, _, entries = known()
    assert len(entries) >= 8
    for entry in entries:
        places = [change.station for change in entry.changes]
        assert places == sorted(places)
        for change, after in pairwise(entry.changes):
            assert change.after == after.before != after.after
            assert after.station - change.station > FLICKER - 2.5
        first = entry.changes[0].before if entry.changes else entry.limiting_axle[0]
        told = np.full(entry.s.size, first, dtype="<U5")
        for change in entry.changes:
            told[entry.s > change.station] = change.after
            assert entry.limiting_axle[np.searchsorted(entry.s, change.station)] == change.after
            if change.after in ("front", "rear"):
                assert change.wheel in WHEEL_NAMES and change.wheel.startswith(change.after)
            assert (change.wheel == "") == (change.after == "none")
        edges = np.flatnonzero(entry.limiting_axle[1:] != entry.limiting_axle[:-1]) + 1
        for a, b in pairwise([0, *edges, entry.s.size]):
            long = entry.s[min(b, entry.s.size - 1)] - entry.s[a] >= FLICKER
            if long:
                assert set(told[a:b]) == {entry.limiting_axle[a]}
        assert sum(entry.shares.values()) == pytest.approx(1.0, abs=1e-12)
        assert set(entry.shares) == {"front", "rear", "both", "none"}
        # Each row counts for half of the way to its neighbours; so does a sum over the rows here.
        mine = cumulative_trapezoid((entry.limiting_axle == "rear").astype(float), entry.time)[-1]
        assert entry.shares["rear"] * entry.time[-1] == pytest.approx(mine, abs=0.05 * entry.time[-1])


@LAPS
def test_wheel_at_the_limit_belongs_to_the_axle(known):
    _, _, _, entries = known()
    for entry in entries:
        for axle, wheel in zip(entry.limiting_axle, entry.limiting_wheel, strict=True):
            assert wheel in {"front": (0, 1), "rear": (2, 3), "both": (0, 1, 2, 3), "none": (-1,)}[str(axle)]


@LAPS
def test_side_force_to_spare(known):
    """A tyre at the peak (rho = 1) with the long force of the row, by ``tyre_force``: its side force less that of the row."""
    track, lap, car, entries = known()
    tyres = (car.tyres.front, car.tyres.front, car.tyres.rear, car.tyres.rear)
    for entry in entries[::3]:
        sign = 1.0 if entry.direction == "left" else -1.0
        rows = rows_of(track, lap, entry)[::5]
        spare = np.zeros((rows.size, 4))
        for i, tyre in enumerate(tyres):
            use = np.clip(lap.force_long[rows, i] / lap.grip_long[rows, i], -1.0, 1.0)
            angle = np.sqrt(1.0 - use**2)
            # Loads from the peaks: mu = peak / load, so any load does; the row's own is at hand.
            road = lap.grip_lat[rows, i] / tyre_force(tyre, lap.load[rows, i], 0.0, 0.0).peak_lat
            peak = tyre_force(
                tyre, lap.load[rows, i], use * tyre.peak_slip_ratio, angle * tyre.peak_slip_angle, road
            )
            assert peak.long == pytest.approx(lap.force_long[rows, i], rel=1e-5, abs=1.0)
            spare[:, i] = peak.lat - sign * lap.force_lat[rows, i]
        assert entry.spare_front[::5] == pytest.approx(spare[:, :2].sum(axis=1), abs=3.0)
        assert entry.spare_rear[::5] == pytest.approx(spare[:, 2:].sum(axis=1), abs=3.0)
        assert entry.turn_moment == pytest.approx(car.chassis.cg_to_front * entry.spare_front)
        assert entry.hold_moment == pytest.approx(car.chassis.cg_to_rear * entry.spare_rear)


@LAPS
def test_an_axle_with_both_wheels_at_the_limit_has_nothing_to_spare(known):
    """Steered into the corner and at the peak, an axle has less than 1 % of its grip left."""
    track, lap, _, entries = known()
    seen = 0
    for entry in entries:
        sign = 1.0 if entry.direction == "left" else -1.0
        rows = rows_of(track, lap, entry)
        for pair, spare in ((slice(0, 2), entry.spare_front), (slice(2, 4), entry.spare_rear)):
            into = np.all(sign * lap.force_lat[rows, pair] > 0.1 * lap.grip_lat[rows, pair], axis=1)
            full = into & np.all(lap.grip_use[rows, pair] > 0.9999, axis=1)
            seen += full.sum()
            assert np.all(spare[full] < 0.01 * lap.grip_lat[rows, pair].sum(axis=1)[full])
            assert np.all(spare >= 0.0)
    assert seen > 50


@LAPS
def test_doublings_are_the_integral_of_the_growth(known):
    """A deviation that grows at g(t) ends at exp(integral of g), which is 2 to the power of the doublings."""
    _, _, _, entries = known()
    for entry in entries:
        rate = np.where(entry.brake >= BRAKING, np.clip(entry.growth, 0.0, None), 0.0)
        size = 1.0
        for dt, a, b in zip(np.diff(entry.time), rate[:-1], rate[1:], strict=True):
            size *= np.exp(0.5 * (a + b) * dt)
        assert entry.doublings == pytest.approx(np.log2(size), abs=1e-9)
        if entry.nervous is not None and entry.nervous.doubling is not None:
            assert entry.nervous.doubling == pytest.approx(np.log(2.0) / entry.nervous.growth)
            rows = entry.brake >= BRAKING
            assert entry.nervous.growth >= entry.growth[rows].max() - 1e-9


@LAPS
def test_an_entry_is_told_in_driving_order(known):
    track, lap, _, entries = known()
    for entry in entries:
        assert np.all(np.diff(entry.s) > 0.0) and np.all(np.diff(entry.time) > 0.0) and entry.time[0] == 0.0
        assert entry.start <= entry.s[0] and entry.s[-1] <= entry.slowest + 1e-6 <= entry.end + 1e-6
        rows = rows_of(track, lap, entry)
        assert entry.time == pytest.approx((lap.t[rows] - lap.t[rows[0]]) % lap.time, abs=1e-9)
        assert entry.speed.argmin() >= 0.8 * entry.speed.size


def rolled(lap, row, length):
    """A closed lap that begins at a row of its own."""
    count = lap.s.size - 1
    order = np.concatenate([np.arange(row, count), np.arange(row), [row]])
    turn = np.concatenate([np.zeros(count - row), np.ones(row + 1)])
    new = {}
    for item in fields(lap):
        values = getattr(lap, item.name)
        if isinstance(values, np.ndarray):
            new[item.name] = values[order]
    new["s"] = new["s"] - lap.s[row] + turn * length
    new["t"] = new["t"] - lap.t[row] + turn * lap.time
    return replace(lap, **new)


@pytest.mark.parametrize("station", [700.0, 2770.0])
def test_a_line_that_lies_in_a_braking_zone_or_at_an_apex_changes_nothing(station):
    """Start line moved into the braking for Gate, and to the slowest point of Oxbow: the same entries, stations growing."""
    track, lap, car, entries = coupe()
    definition, _ = read_definition(read_text(ROOT / "tracks" / "marrow-fen.yaml"))
    row = int(np.argmin(np.abs(lap.s - station)))
    shift = float(lap.s[row])
    moved_track = build_track(with_start(definition.value, shift))
    moved = rolled(lap, row, track.length)
    others = {e.corner: e for e in entries_of(moved_track, car, moved, corner_reports(moved, moved_track))}
    assert set(others) == {e.corner for e in entries}
    across = 0
    for entry in entries:
        other = others[entry.corner]
        turn = track.length * round((entry.start - shift - other.start) / track.length)
        across += other.s[0] < 0.0 or other.s[-1] > track.length
        assert np.all(np.diff(other.s) > 0.0)
        # The line closes within a fraction of a millimetre, which ends up at the start line.
        assert other.s + shift + turn == pytest.approx(entry.s, abs=1e-3)
        for name in ("time", "speed", "understeer", "spare_front", "turn_moment"):
            assert getattr(other, name) == pytest.approx(getattr(entry, name), rel=1e-6, abs=1e-6), name
        # A tyre close to its peak makes much of the fifth digit of the road.
        assert other.static_margin == pytest.approx(entry.static_margin, abs=0.01, nan_ok=True)
        assert other.growth == pytest.approx(entry.growth, abs=0.05)
        assert list(other.limiting_axle) == list(entry.limiting_axle)
        assert other.shares == pytest.approx(entry.shares, abs=1e-9)
        assert other.understeer_entry == pytest.approx(entry.understeer_entry, abs=1e-5)
        assert other.understeer_exit == pytest.approx(entry.understeer_exit, abs=1e-5)
        assert other.doublings == pytest.approx(entry.doublings, abs=5e-3)
        for name in ("turn_in", "brake_off", "slowest", "end"):
            ours, theirs = getattr(entry, name), getattr(other, name)
            assert (ours is None) == (theirs is None)
            if ours is not None:
                assert theirs + shift + turn == pytest.approx(ours, abs=5e-3), name
    assert across == 1


def test_a_margin_is_not_told_where_there_is_no_side_force_to_speak_of():
    """Tyres that hold the car no more than a fiftieth as well as when they roll: told there is none, elsewhere there is."""
    _, _, _, entries = coupe()
    for entry in entries:
        free = np.maximum(entry.use_front, entry.use_rear) < 0.95
        assert np.isfinite(entry.static_margin[free]).all()
    assert any(np.isnan(entry.static_margin).any() for entry in entries)


def test_one_corner_is_told_however_it_is_entered():
    track, lap, car, entries = coupe()
    reports = corner_reports(lap, track)
    flat = [r.name for r in reports if r.entry not in ("brake", "lift")]
    assert {e.corner for e in entries} == {r.name for r in reports} - set(flat)
    for name in [*flat[:1], "Gate"]:
        (entry,) = entries_of(track, car, lap, reports, name)
        assert entry.corner == name


def test_more_mass_in_front_is_more_understeer():
    """Common practice, no source: 5 % of the mass moved to the front axle of the coupe, quasi-steady lap of the bend."""
    track, _, car, entry = steady_bend("cup-coupe")
    nose = changed(car, chassis={"front_mass_share": car.chassis.front_mass_share + 0.05})
    lap = solve_baseline(track, nose).lap
    (other,) = entries_of(track, nose, lap, corner_reports(lap, track), "Gate")
    assert other.understeer_entry > entry.understeer_entry
