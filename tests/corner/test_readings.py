"""What is read from a corner, against the channels that it is read from."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from coupe_on_marrow_fen import lap, reading, report, section

from lapwright.corner.why import load_points, phases_of, spans_of
from lapwright.quantities import G
from lapwright.reference.limits import limit_records, limit_uses

BRAKED = ("Gate", "Windmill", "Sluice", "Pound", "Alder", "Oxbow", "Ferry", "Long Acre")


def at(name, channel, place):
    own = section(name).base.lap
    return float(np.interp(place.at, own.s, getattr(own, channel)))


@pytest.mark.parametrize("name", BRAKED)
def test_the_moments_of_a_braked_corner_follow_each_other(name):
    read = reading(name)
    braking, release = read.braking, read.release
    assert read.entry == "brake" and read.light_brake is None
    assert read.lift.at < braking.on.at < braking.peak_at.at < braking.off.at < read.pick_up.at < read.full.at
    assert braking.peak_at.at <= release.start.at < release.end.at == braking.off.at
    assert braking.on.speed > braking.off.speed > read.slowest.speed
    assert braking.build_length == pytest.approx(braking.peak_at.at - braking.on.at)
    assert 1.0 > release.left[0] > release.left[1] > release.left[2] > 0.0
    assert braking.applications == 1


@pytest.mark.parametrize("name", BRAKED)
def test_the_brake_at_its_moments_is_the_channel(name):
    braking = reading(name).braking
    assert at(name, "brake", braking.on) == pytest.approx(0.05, abs=1e-3)
    assert at(name, "brake", braking.off) == pytest.approx(0.05, abs=1e-3)
    own = section(name).base.lap
    rows = (own.s >= braking.on.at) & (own.s <= braking.off.at)
    assert braking.peak == pytest.approx(own.brake[rows].max())
    assert braking.deceleration == pytest.approx(-own.accel_long[rows].min())
    assert braking.pressure == pytest.approx(own.brake_pressure[rows].max())
    assert at(name, "brake", braking.peak_at) == pytest.approx(0.9 * braking.peak, abs=2e-3)


def test_the_brake_builds_up_no_quicker_than_the_foot_can():
    """The vehicle file: 0.20 s from nothing to full effort."""
    braking = reading("Gate").braking
    assert braking.build_time >= 0.2 * (0.9 * braking.peak - 0.05) - 1e-3


def test_turn_in_is_where_the_path_begins_to_bend():
    read, own = reading("Gate"), section("Gate").base.lap
    inside = (own.s >= read.start.at) & (own.s <= read.end.at)
    peak = np.abs(own.curvature[inside]).max()
    assert abs(at("Gate", "curvature", read.turn_in)) == pytest.approx(0.2 * peak, rel=0.02)
    before = (own.s > read.braking.on.at) & (own.s < read.turn_in.at - 1.0)
    assert np.abs(own.curvature[before]).max() < 0.2 * peak


def test_a_corner_taken_flat_says_so():
    read = reading("Heron")
    assert read.entry == "flat"
    assert read.braking is None and read.release is None and read.lift is None and read.pick_up is None
    assert read.coast == (0.0, 0.0)
    (span,) = spans_of(section("Heron").base.lap, section("Heron").stretch, read)
    assert span.name == "flat out" and span.time == pytest.approx(read.time, abs=1e-6)


def test_a_left_right_taken_with_a_lift():
    """Reeds turns both ways: its turn-in is the first turn's, its lift the first lift."""
    read = reading("Reeds")
    assert report("Reeds").direction == "left-right"
    assert read.entry == "lift" and read.braking is None and read.release is None
    assert read.lift.at < read.turn_in.at < read.slowest.at
    assert at("Reeds", "curvature", read.turn_in) > 0.0


def test_a_light_brake_held_through_a_lift_is_told():
    """Kiln: the throttle is closed and the brake touched, at a tenth of its pressure, without a braking of its own."""
    light, own = reading("Kiln").light_brake, section("Kiln").base.lap
    assert reading("Kiln").entry == "lift"
    rows = (own.s >= light.start.at) & (own.s <= light.end.at)
    assert light.peak == pytest.approx(own.brake[rows].max())
    assert 0.03 < light.peak < 0.1
    assert light.end.at - light.start.at > 40.0


@pytest.mark.parametrize("name", ["Gate", "Heron", "Reeds", "Pound", "Kiln"])
def test_the_phases_cover_the_corner_without_a_gap(name):
    made, read = section(name), reading(name)
    spans = spans_of(made.base.lap, made.stretch, read)
    for one, other in pairwise(spans):
        assert one.end == pytest.approx(other.start)
    assert spans[-1].end == pytest.approx(made.stretch.fine_end)
    times = np.interp([spans[0].start, spans[-1].end], made.base.lap.s, made.base.lap.t)
    assert sum(span.time for span in spans) == pytest.approx(times[1] - times[0], abs=1e-6)


def test_what_holds_the_car_is_named_where_it_does():
    phases = {phase.span.name: phase for phase in phases_of(section("Gate"), reading("Gate"))}
    assert "rear axle" in phases["straight braking"].words
    assert "engine" in phases["full throttle"].words
    assert phases["lift"].limits == ()
    for phase in phases.values():
        assert all(0.0 <= share <= 1.0 for share in phase.wheels)
        assert all(0.0 <= holding.share <= 1.0 + 1e-9 for holding in phase.limits)
        assert 0.0 <= phase.use_front <= 1.01 and 0.0 <= phase.use_rear <= 1.01


@pytest.mark.parametrize("name", ["Gate", "Pound", "Reeds"])
def test_the_worth_of_a_limit_in_a_phase_is_the_sum_over_its_intervals(name):
    made = section(name)
    records = {r.name: r for r in limit_records(made.base.solution, made.known.vehicle)}
    nodes = made.nlp.mesh.nodes
    middle, seen = 0.5 * (nodes[1:] + nodes[:-1]), 0
    for phase in phases_of(made, reading(name)):
        inside = (middle > phase.span.start) & (middle <= phase.span.end)
        for holding in phase.limits:
            assert holding.worth == pytest.approx(records[holding.name].gain[inside].sum(), abs=1e-12)
            seen += 1
    assert seen > 5


def test_the_intervals_of_a_limit_add_up_to_its_cost():
    made = section("Gate")
    uses = {use.name: use.cost for use in limit_uses(made.base.solution, made.known.vehicle)}
    for record in limit_records(made.base.solution, made.known.vehicle):
        assert record.gain.sum() == pytest.approx(uses[record.name], abs=1e-12)


def test_braking_moves_load_to_the_front_as_the_heights_say():
    """Gillespie, Fundamentals of Vehicle Dynamics, 1992, eq. 1-7 [from memory]: m a h / L moves, downforce and road apart."""
    made = section("Gate")
    points = {point.name: point for point in load_points(made.base.lap, made.stretch, reading("Gate"))}
    built = points["brake built up"]
    car = lap()[1].vehicle.chassis
    # Brake built up, but the load follows the deceleration by 0.12 s; twice that later it is there.
    own = made.base.lap
    t = built.at.time + 0.4
    load = np.interp(t, own.t, own.load[:, :2].sum(axis=1)) - points["before"].load_front
    felt = np.interp(t, own.t, own.accel_long) - np.interp(points["before"].at.time, own.t, own.accel_long)
    moved = -car.mass * felt * car.cg_height / car.wheelbase
    down = (
        np.interp(t, own.t, own.load.sum(axis=1))
        - own.load.sum(axis=1)[np.searchsorted(own.t, points["before"].at.time)]
    )
    assert load == pytest.approx(moved + 0.37 * down, rel=0.1)
    assert built.load_front_moved > 2000.0 > 0.0 > built.load_rear_moved
    assert built.grip_front_moved > 0.0 > built.grip_rear_moved
    assert points["before"].load_front_moved == 0.0
    assert points["before"].load_front + points["before"].load_rear > car.mass * G
