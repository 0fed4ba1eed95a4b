"""What any engineer expects of a change of setup, with sizes: common practice, no single source.

Cars and circuits are those that ship. Sizes were measured here and are told beside each check; a check asks for about half.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from sample_cars import shipped

from lapwright.inputs.files import load_track
from lapwright.lap.corners import corner_reports
from lapwright.reference.solve import solve_again, solve_lap
from lapwright.study.entry import LEAD, entries_of
from lapwright.study.numbers import number_called
from lapwright.study.tyres import with_grip

TRACKS = Path(__file__).parents[2] / "tracks"
COUPE, HATCH = ("marrow-fen", "cup-coupe"), ("cinder-yard", "rally-hatch")


@cache
def known(circuit, name):
    track = load_track(TRACKS / f"{circuit}.yaml")
    return track, solve_lap(track, shipped(name))


def read(track, result):
    """The braked entries of a lap by corner."""
    entries = entries_of(track, result.vehicle, result.lap, corner_reports(result.lap, track))
    return {e.corner: e for e in entries if e.nervous is not None}


@cache
def entries(circuit, name, key="", change=0.0):
    """Entries of the car as it is, or with one number changed."""
    track, result = known(circuit, name)
    if key:
        number = number_called(result.vehicle, key)
        value = number.value(result.vehicle) + change
        result = solve_again(result, track, number.changed(result.vehicle, value))
    return read(track, result)


@cache
def with_tyres(circuit, name, front, rear):
    track, result = known(circuit, name)
    return read(track, solve_again(result, track, with_grip(result.vehicle, front, rear)))


def both(before, after):
    """Entries of the corners that are braked for in both laps."""
    names = [name for name in before if name in after]
    assert len(names) >= 5
    return [before[n] for n in names], [after[n] for n in names]


def mean(values):
    return float(np.mean(list(values)))


def rear_from(entry):
    """Distance from the foot's first move to where the rear is first at its limit [m]."""
    rows = np.isin(entry.limiting_axle, ("rear", "both")) & (entry.s >= entry.start + LEAD)
    return float(entry.s[rows][0] - entry.start) if rows.any() else float(entry.s[-1] - entry.start)


def held(entries_, axle):
    return mean(e.shares[axle] for e in entries_)


def test_more_front_brake_share_moves_the_limit_to_the_front():
    """+3 %: the coupe's rear comes to its limit 12 m later, 5 % of the entries' time goes to the front, 13 doublings less."""
    before, after = both(entries(*COUPE), entries(*COUPE, "brakes.front_share", 0.03))
    assert mean(map(rear_from, after)) > mean(map(rear_from, before)) + 5.0
    assert held(after, "rear") < held(before, "rear") - 0.025
    assert held(after, "front") > held(before, "front") + 0.025
    assert sum(e.doublings for e in after) < sum(e.doublings for e in before) - 6.0


def test_more_front_brake_share_brings_the_first_limit_to_the_front():
    """+3 %: the hatch has its first limit at the front in six of its nine entries, where it was four."""
    before, after = both(entries(*HATCH), entries(*HATCH, "brakes.front_share", 0.03))
    count = [sum(e.first_limit == "front" for e in some) for some in (before, after)]
    assert count[1] >= count[0] + 1


@pytest.mark.parametrize("car", [COUPE, HATCH], ids=lambda car: car[1])
def test_more_front_roll_stiffness_adds_understeer_on_entry_and_exit(car):
    """From -6 % to +6 %: 0.17 degrees on entry and 0.51 on exit with the coupe, 0.84 and 0.84 with the hatch."""
    key = "chassis.roll_stiffness_front_share"
    soft, stiff = both(entries(*car, key, -0.06), entries(*car, key, 0.06))
    assert mean(e.understeer_entry for e in stiff) > mean(e.understeer_entry for e in soft) + np.radians(0.08)
    assert mean(e.understeer_exit for e in stiff) > mean(e.understeer_exit for e in soft) + np.radians(0.25)
    assert held(stiff, "front") > held(soft, "front") + 0.05
    assert held(stiff, "rear") < held(soft, "rear") - 0.05


def test_a_locked_differential_adds_understeer_on_entry():
    """Against an open one: 3 degrees of the hatch's road wheels, and its front at the limit for a third more of the time."""
    track, result = known(*HATCH)
    line = result.vehicle.driveline
    laps = []
    for kind in ("open", "locked"):
        differential = replace(line.differential, type=kind, preload=0.0, ramp_drive=0.0, ramp_overrun=0.0)
        car = replace(result.vehicle, driveline=replace(line, differential=differential))
        laps.append(read(track, solve_lap(track, car)))
    loose, locked = both(*laps)
    assert mean(e.understeer_entry for e in locked) > mean(e.understeer_entry for e in loose) + np.radians(
        1.5
    )
    assert held(locked, "front") > held(loose, "front") + 0.15


@pytest.mark.parametrize("car", [COUPE, HATCH], ids=lambda car: car[1])
def test_colder_rear_tyres_make_the_entry_rear_limited_sooner(car):
    """A tenth less grip: 7 m sooner with the coupe, 3 m with the hatch, for twice the share of the time."""
    before, after = both(entries(*car), with_tyres(*car, 1.0, 0.9))
    assert mean(map(rear_from, after)) < mean(map(rear_from, before)) - 1.5
    assert held(after, "rear") > held(before, "rear") + 0.17
    assert mean(e.understeer_entry for e in after) < mean(e.understeer_entry for e in before) - np.radians(
        0.5
    )
    assert sum(e.doublings for e in after) > 1.15 * sum(e.doublings for e in before)


@pytest.mark.parametrize("car", [COUPE, HATCH], ids=lambda car: car[1])
def test_colder_front_tyres_do_the_opposite(car):
    """Understeer on entry grows by about 1.1 degrees, and a deviation doubles a third to a half less often."""
    before, after = both(entries(*car), with_tyres(*car, 0.9, 1.0))
    assert mean(map(rear_from, after)) > mean(map(rear_from, before))
    assert mean(e.understeer_entry for e in after) > mean(e.understeer_entry for e in before) + np.radians(
        0.5
    )
    assert sum(e.doublings for e in after) < 0.85 * sum(e.doublings for e in before)


def test_a_complex_is_read_the_way_that_its_path_bends():
    """Reeds turns left, then right: into the corner is to the left first and to the right then."""
    track, result = known(*COUPE)
    reports = corner_reports(result.lap, track)
    (entry,) = entries_of(track, result.vehicle, result.lap, reports, "Reeds")
    assert next(r for r in reports if r.name == "Reeds").direction == "left-right"
    bend = np.abs(entry.neutral_steer)
    clear = bend > 0.21 * bend.max()
    assert np.all(entry.neutral_steer[clear] > 0.0)
    assert (entry.accel_lat[clear] > 1.0).any() and (entry.accel_lat[clear] < -1.0).any()
    # A front axle that holds the car has no side force left, whichever way it turns.
    front = clear & (entry.limiting_axle == "front")
    assert (entry.accel_lat[front] > 1.0).any() and (entry.accel_lat[front] < -1.0).any()
    assert entry.spare_front[front].max() < 300.0
    assert entry.understeer_exit > np.radians(0.5)
