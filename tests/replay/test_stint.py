"""Laps driven one after the other: one drive, however it is cut; a tremor of the size that was asked; a car that cannot."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from lapwright.inputs.files import load_track, load_vehicle
from lapwright.lap.resample import piece
from lapwright.reference.solve import solve_lap
from lapwright.replay.stint import CALM, Leg, Tremor, drive_stint, joined

ROOT = Path(__file__).parents[2]


@cache
def reference():
    track = load_track(ROOT / "tracks" / "marrow-fen.yaml")
    vehicle = load_vehicle(ROOT / "vehicles" / "cup-coupe.yaml")
    return track, vehicle, solve_lap(track, vehicle).lap


def part(start, end):
    return piece(reference()[2], start, end)


@cache
def through_gate():
    track, vehicle, _ = reference()
    return drive_stint(track, [Leg(vehicle, part(600.0, 900.0))])[0]


def test_a_stint_follows_what_was_intended():
    """Speed is distance over time: the speed channel, integrated by Simpson's rule (SciPy), is the way that was driven."""
    from scipy.integrate import simpson

    track, _, lap = reference()
    trace = through_gate()
    assert np.max(np.abs(np.interp(trace.s, lap.s, lap.n) - trace.n)) < 0.2
    assert trace.time == pytest.approx(np.ptp(np.interp([trace.s[0], trace.s[-1]], lap.s, lap.t)), abs=0.01)
    x, y, z = track.to_world(trace.s, trace.n)
    way = np.sum(np.sqrt(np.diff(x) ** 2 + np.diff(y) ** 2 + np.diff(z) ** 2))
    assert simpson(trace.speed, x=trace.t) == pytest.approx(way, rel=2e-4)


def test_a_cut_changes_nothing():
    """The second leg begins in the state in which the first ended; regulators of pieces differ a little at the cut."""
    track, vehicle, lap = reference()
    middle = float(lap.s[np.argmin(np.abs(lap.s - 700.0))])
    first, second = drive_stint(
        track, [Leg(vehicle, part(600.0, middle + 1e-6)), Leg(vehicle, part(middle - 1e-6, 900.0))]
    )
    assert first.t[-1] == second.t[0]
    assert second.speed[0] == pytest.approx(first.speed[-1], abs=1e-9)
    whole, both = through_gate(), joined([first, second])
    assert np.all(np.diff(both.t) > 0.0)
    assert both.t[-1] == pytest.approx(whole.t[-1], abs=2e-3)
    assert np.interp(800.0, both.s, both.n) == pytest.approx(np.interp(800.0, whole.s, whole.n), abs=0.02)


def test_times_stand_at_multiples_of_the_step():
    trace = through_gate()
    assert np.allclose(trace.t[1:-1] / 0.01, np.round(trace.t[1:-1] / 0.01), atol=1e-6)


def test_size_of_a_tremor():
    """A sum of sines over a long time has the variance of half of the squares of their amplitudes (Parseval)."""
    wave = Tremor(wheel=0.01, pedal=0.02, seed=4).waves(10.0)
    values = np.array([wave(float(t)) for t in np.arange(0.0, 400.0, 0.02)])
    assert np.std(values, axis=0) == pytest.approx([0.001, 0.02], rel=0.05)
    assert np.abs(values.mean(axis=0)) == pytest.approx([0.0, 0.0], abs=1e-3)


def test_a_foot_flat_to_the_floor_does_not_tremble():
    track, vehicle, _ = reference()
    trace = drive_stint(track, [Leg(vehicle, part(100.0, 250.0))], Tremor(pedal=0.05))[0]
    assert np.min(trace.throttle) > 0.995


def test_busy_hands_are_put_on_top():
    track, vehicle, _ = reference()
    quiet = drive_stint(track, [Leg(vehicle, part(100.0, 250.0))])[0]
    pull = 0.02
    busy = drive_stint(
        track, [Leg(vehicle, part(100.0, 250.0), lambda s: pull if 150.0 < s < 152.0 else 0.0)]
    )[0]
    at = np.interp(150.3, busy.s, busy.steering_wheel) - np.interp(150.3, quiet.s, quiet.steering_wheel)
    assert at == pytest.approx(pull * vehicle.steering.ratio, rel=0.1)


def test_a_car_without_the_grip_does_not_arrive():
    track, vehicle, _ = reference()
    tyres = vehicle.tyres
    worn = replace(
        vehicle,
        tyres=replace(
            tyres, front=replace(tyres.front, grip_scale=0.6), rear=replace(tyres.rear, grip_scale=0.6)
        ),
    )
    with pytest.raises(RuntimeError, match=r"the car (spun|left the road)"):
        drive_stint(track, [Leg(worn, part(600.0, 900.0))], steady=CALM)
