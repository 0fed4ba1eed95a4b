"""Laps that are spoilt, runs over an open road against their closed form, places that are missing for long."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from faulty_laps import ROOT, reference, target
from logs_from_laps import cut, log_of

from lapwright.driver.compare import chosen_lap
from lapwright.driver.log import Log, Signal
from lapwright.driver.sessions import session_of
from lapwright.driver.shares import running
from lapwright.errors import InputError
from lapwright.inputs.files import load_track

RATE, FIXES = 100.0, 10


def laid(log):
    track, result, known, _ = reference()
    return session_of(log, track, result.vehicle, known.lap)


def log_through(moments, *, aside=None, white=0.3, seed=0):
    """A log of a car that is where the reference is at these moments [s] of endless laps, 100 a second; ``aside`` moves its
    places [complex, m] by the time of the log."""
    lap, random = reference()[2].lap, np.random.default_rng(seed)
    at, t = moments % lap.time, np.arange(moments.size) / RATE
    speed = np.interp(at, lap.t, lap.speed) * np.abs(np.gradient(moments, t))
    z = np.interp(at, lap.t, lap.x) + 1j * np.interp(at, lap.t, lap.y)
    if aside is not None:
        z = z + aside(t)
    rows = np.arange(t.size)
    pick = rows[::FIXES]
    z = z[pick] + white * (random.standard_normal(pick.size) + 1j * random.standard_normal(pick.size))
    signals = {
        "speed": Signal(t, speed, rows, 1, "speed"),
        "x": Signal(t[pick], z.real, pick, 2, "x"),
        "y": Signal(t[pick], z.imag, pick, 3, "y"),
    }
    return Log("made.csv", "made", signals, False, rows + 2)


def steps(first, last):
    return np.arange(first, last, np.sign(last - first) / RATE)


def worst(drive):
    return np.max(np.abs(running(drive.lap, target(), reference()[2]).time))


def test_a_spin_spoils_its_own_lap_only():
    """Forty seconds into the second lap the car goes back by 13 m and drives on."""
    lap = reference()[2].lap.time
    moments = np.concatenate(
        [steps(-10, lap + 40), steps(lap + 40, lap + 39.4), steps(lap + 39.4, 2 * lap + 20)]
    )
    session = laid(log_through(moments))
    assert [one.status for one in session.laps] == ["out-lap", "whole", "wrong way", "in-lap"]
    assert "a spin, or turned round" in session.laps[2].words
    assert session.best.time == pytest.approx(lap, abs=0.01) and worst(session.best) < 0.015


def test_a_car_that_is_driven_back_leaves_the_laps_before_alone():
    lap = reference()[2].lap.time
    moments = np.concatenate([steps(-10, lap + 40), steps(lap + 40, 5), steps(5, lap + 30)])
    session = laid(log_through(moments))
    assert [one.status for one in session.laps] == ["out-lap", "whole", "in-lap"]
    assert session.best.time == pytest.approx(lap, abs=0.01) and worst(session.best) < 0.015
    assert abs(session.best.alignment.stretch) < 1e-3


def test_a_stop_in_the_pits_spoils_the_lap_that_it_is_in():
    lap = reference()[2].lap.time
    rolling = 2 * lap - 5 + np.linspace(0.0, 3.0, 2000)
    moments = np.concatenate(
        [steps(-10, 2 * lap - 5), rolling, np.full(6000, rolling[-1]), steps(rolling[-1], 3 * lap + 20)]
    )
    session = laid(log_through(moments))
    assert [one.status for one in session.laps] == ["out-lap", "whole", "stopped", "whole", "in-lap"]
    assert [one.time for one in session.laps if one.whole] == pytest.approx([lap, lap], abs=0.01)


def test_a_trip_over_the_grass_is_told_with_its_place():
    lap = reference()[2].lap.time
    away = lambda t: np.where((t > 60.0) & (t < 64.0), 25.0 * np.sin(np.pi * (t - 60.0) / 4.0), 0.0)  # noqa: E731
    session = laid(log_through(steps(-20, lap + 20), aside=away))
    assert [one.status for one in session.laps] == ["out-lap", "off the road", "in-lap"]
    assert "beyond its edge, 4" in session.laps[1].words
    with pytest.raises(
        InputError, match=r"no lap of the log can be compared: lap 1 out-lap: .*lap 2 off the road: "
    ):
        chosen_lap(session, None)


def test_laps_from_the_line_to_the_line_are_all_whole():
    """The first sample and the last one lie on the line."""
    lap = reference()[2].lap
    session = laid(log_of(lap, laps=3.0, begin=1e-9))
    assert [one.status for one in session.laps] == ["whole"] * 3
    assert [one.time for one in session.laps] == pytest.approx([lap.time] * 3, abs=1e-3)


def test_places_that_are_missing_for_laps_or_to_the_end_spoil_no_other_lap():
    log = log_of(reference()[2].lap, white=0.3, seed=1, laps=6.2, begin=60.0)
    for gone, statuses in (
        (
            lambda t: (t < 120.0) | (t > 330.0),
            ["out-lap", "whole", *["missing piece"] * 3, "whole", "in-lap"],
        ),
        (lambda t: t < 120.0, ["out-lap", "whole", *["missing piece"] * 4]),
    ):
        places = {name: cut(log.signals[name], gone) for name in ("x", "y")}
        session = laid(replace(log, signals={**log.signals, **places}))
        assert [one.status for one in session.laps][: len(statuses)] == statuses
        assert session.best.time == pytest.approx(reference()[2].lap.time, abs=0.01)
        assert worst(session.best) < 0.015


def test_places_that_the_logger_repeats_are_counted_once():
    """The receiver has 10 a second, the file 100: each stays until the next. Noise is that of the receiver then."""
    log = log_of(reference()[2].lap, white=0.3, seed=1)
    t, rows = log.signals["speed"].t, log.signals["speed"].row
    held = {}
    for name in ("x", "y"):
        signal = log.signals[name]
        last = np.searchsorted(signal.t, t, side="right") - 1
        held[name] = replace(signal, t=t, values=signal.values[last], row=rows)
    drive = laid(replace(log, signals={**log.signals, **held})).best
    assert drive.noise.raw == pytest.approx(0.3, rel=0.25)
    assert worst(drive) < 0.015


@cache
def hill():
    return load_track(ROOT / "tracks" / "gannet-rise.yaml")


def run_over(before, after, speed=30.0):
    """Times and places of a run over the hill 1.5 m left of its middle at an even speed; and the time from end to end, which
    is the length of that line over the speed."""
    track = hill()
    s = np.linspace(-before, track.length + after, int(4 * (track.length + before + after)))
    x, y, z = track.to_world(s, np.full(s.size, 1.5))
    way = np.concatenate([[0.0], np.cumsum(np.sqrt(np.diff(x) ** 2 + np.diff(y) ** 2 + np.diff(z) ** 2))])
    t = np.arange(0.0, way[-1] / speed, 1.0 / RATE)
    wanted = float(np.diff(np.interp([0.0, track.length], s, way))[0]) / speed
    return t, np.interp(t * speed, way, x) + 1j * np.interp(t * speed, way, y), wanted


def runs_log(*legs):
    """A log of legs (times from 0, places, speed) one after the other."""
    t, z, v, at = [], [], [], 0.0
    for clock, places, speed in legs:
        t.append(clock + at)
        z.append(places)
        v.append(np.full(clock.size, speed))
        at = t[-1][-1] + 1.0 / RATE
    times, places, rows = np.concatenate(t), np.concatenate(z), np.arange(sum(map(len, t)))
    pick = rows[::FIXES]
    signals = {
        "speed": Signal(times, np.concatenate(v), rows, 1, "speed"),
        "x": Signal(times[pick], places.real[pick], pick, 2, "x"),
        "y": Signal(times[pick], places.imag[pick], pick, 3, "y"),
    }
    return Log("hill.csv", "made", signals, False, rows + 2)


def test_a_run_over_an_open_road_takes_its_length_over_its_speed():
    t, z, wanted = run_over(100.0, 100.0)
    session = session_of(runs_log((t, z, 30.0)), hill(), reference()[1].vehicle)
    assert [one.status for one in session.laps] == ["whole"]
    assert session.best.time == pytest.approx(wanted, abs=1e-3)
    assert np.max(np.abs(session.best.lap.n - 1.5)) < 0.01


@pytest.mark.parametrize("returned", [True, False])
def test_runs_over_an_open_road_are_told_from_the_way_back(returned):
    """Driven back along the road at 25 m/s, or the logger was off in between."""
    t, z, wanted = run_over(50.0, 50.0)
    back = np.interp(np.arange(0.0, t[-1] * 1.2, 1.0 / RATE), t * 1.2, z.real[::-1]) + 1j * np.interp(
        np.arange(0.0, t[-1] * 1.2, 1.0 / RATE), t * 1.2, z.imag[::-1]
    )
    way_back = [(np.arange(back.size) / RATE, back, 25.0)] if returned else []
    session = session_of(runs_log((t, z, 30.0), *way_back, (t, z, 30.0)), hill(), reference()[1].vehicle)
    assert [one.time for one in session.laps if one.whole] == pytest.approx([wanted] * 2, abs=2e-3)
    assert [one.status for one in session.laps if not one.whole] == (["out-lap"] if returned else [])
