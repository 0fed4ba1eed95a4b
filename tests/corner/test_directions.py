"""Where the brake is carried longer: directions that any engineer expects (common practice), each with its size printed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from coupe_on_marrow_fen import known, lap, reading, section

from lapwright.corner.impose import Imposed
from lapwright.corner.reading import read_corner
from lapwright.corner.section import Section
from lapwright.corner.stretch import stretch_of
from lapwright.inputs.files import read_track
from lapwright.lap.corners import corner_reports
from lapwright.problem.lap import EndState
from lapwright.problem.model import Corridor
from lapwright.reference.kept import keep
from lapwright.reference.solve import solve_lap


def tell(what, one, other):
    """Print two readings against each other (shown by ``pytest -s``)."""
    for words, read in zip(what, (one, other), strict=True):
        braking = read.braking
        print(
            f"{words}: brake off {braking.off_past_slowest:+.1f} m from the slowest point, trail {braking.trail:.1f} m, "
            f"{braking.trail_time:.2f} s, {braking.trail_share:.0%} of the way; slowest {read.slowest.speed:.2f} m/s"
        )


def test_the_brake_is_carried_nearer_to_the_apex_in_the_hairpin_than_in_the_fast_corner():
    hairpin, fast = reading("Pound"), reading("Long Acre")
    tell(("hairpin", "fast corner"), hairpin, fast)
    assert hairpin.braking.off_past_slowest > fast.braking.off_past_slowest + 20.0
    assert hairpin.braking.trail_share > fast.braking.trail_share + 0.05
    assert hairpin.slowest.speed < 0.5 * fast.slowest.speed


@pytest.mark.parametrize("name", ["Gate", "Oxbow"])
def test_cold_front_tyres_carry_the_brake_longer(name):
    made = section(name)
    tyres = made.known.vehicle.tyres
    cold = replace(made.known.vehicle, tyres=replace(tyres, front=replace(tyres.front, grip_scale=0.95)))
    outcome = made.changed(vehicle=cold)
    assert outcome.status == "driven"
    found = read_corner(outcome.drive.lap, made.track, made.stretch, name)
    tell(("front tyres 5 % colder", "warm"), found, reading(name))
    assert found.braking.trail > reading(name).braking.trail + 3.0
    assert found.braking.off_past_slowest > reading(name).braking.off_past_slowest + 3.0
    assert found.slowest.speed < reading(name).slowest.speed


@pytest.mark.parametrize("name", ["Gate", "Oxbow"])
def test_a_tighter_line_carries_the_brake_longer(name):
    """The way in kept to the middle of the road: a defended line into a right-hander."""
    made, free = section(name), reading(name)
    begin = made.stretch.start

    def most(s):
        narrowing = np.interp(s, [begin + 10.0, begin + 90.0], [8.0, 1.0])
        return np.where(s < made.stretch.corner_start + 40.0, narrowing, 8.0)

    line = Corridor("n", lambda s: np.full(np.shape(s), -np.inf), most, "", "defended line")
    outcome = made.changed(Imposed(line))
    assert outcome.status == "driven"
    found = read_corner(outcome.drive.lap, made.track, made.stretch, name)
    tell(("tighter line", "free line"), found, free)
    assert found.braking.off.at > free.braking.off.at + 3.0
    assert found.braking.off_past_slowest > free.braking.off_past_slowest + 2.0
    assert found.slowest.speed < free.slowest.speed - 0.5


def on_a_hill(percent):
    """The same bend on the same plan, on an even slope."""
    rise = [
        (0.0, 100.0),
        (160.0, 100.0 + 1.6 * percent),
        (300.0, 100.0 + 3.0 * percent),
        (476.0, 100.0 + 4.76 * percent),
    ]
    text = f"""
name: Hill
closed: false
centreline:
  elements:
    - straight_m: 260
    - {{radius_m: 30, angle_deg: 90, turn: left, ramp_m: 20}}
    - straight_m: 150
width_m: 11
corners: [{{name: Bend, from_m: 260, to_m: 327}}]
elevation_m: [{", ".join(f"{{at_m: {at}, value: {value}}}" for at, value in rise)}]
"""
    track = read_track(text).value
    kept = keep(solve_lap(track, lap()[2].vehicle, start=EndState(speed=50.0)), track)
    (found,) = corner_reports(kept.lap, track)
    stretch = stretch_of(kept.lap, found, kept.nodes)
    return read_corner(Section(track, kept, stretch).base.lap, track, stretch, "Bend")


def test_downhill_carries_the_brake_longer_than_uphill():
    down, up = on_a_hill(-8.0), on_a_hill(8.0)
    tell(("8 % downhill", "8 % uphill"), down, up)
    assert down.braking.on.at < up.braking.on.at - 10.0
    assert down.braking.trail_time > up.braking.trail_time + 0.02
    assert down.braking.off_past_slowest > up.braking.off_past_slowest + 0.5
    assert known("Gate").off > 0.0
