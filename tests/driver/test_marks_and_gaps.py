"""Marks of laps that are not at the line, or mark nothing; channels that stop half way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faulty_laps import reference, target
from logs_from_laps import cut, log_of, without

from lapwright.driver.log import Signal
from lapwright.driver.sessions import session_of
from lapwright.driver.shares import running


def laid(log):
    track, result, known, _ = reference()
    return session_of(log, track, result.vehicle, known.lap)


def worst(drive):
    return np.max(np.abs(running(drive.lap, target(), reference()[2]).time))


def whole(session):
    return [lap.time for lap in session.laps if lap.whole]


@pytest.mark.parametrize("place", [1500.0, 3000.0])
def test_marks_elsewhere_on_the_circuit_are_moved_to_the_line(place):
    """The counter of a log without places steps where its owner drew a line of his own. What was driven is known: three
    whole laps of the reference from line to line."""
    lap = reference()[2].lap
    log = without(log_of(lap, laps=4.3, begin=40.0), "x", "y")
    t = log.signals["speed"].t
    step_at = np.interp(place, lap.s, lap.t)
    counter = np.floor((t + 40.0 - step_at) / lap.time)
    signals = {**log.signals, "lap": Signal(t, counter, np.arange(t.size), 4, "lap")}
    session = laid(replace(log, signals=signals))
    assert len(whole(session)) == 3
    assert whole(session) == pytest.approx([lap.time] * 3, abs=0.03)
    assert worst(session.best) < 0.06
    assert "the line and were moved to it" in session.notices[0]


def test_marks_at_the_line_stay():
    lap = reference()[2].lap
    log = without(log_of(lap, laps=2.3, begin=40.0), "x", "y")
    t = log.signals["speed"].t
    signals = {**log.signals, "lap": Signal(t, np.floor((t + 40.0) / lap.time), np.arange(t.size), 4, "lap")}
    session = laid(replace(log, signals=signals))
    assert session.notices == ("no places in the log: laps are told by the lap channel",)
    assert session.laps[1].started == pytest.approx(lap.time - 40.0, abs=0.011)


@pytest.mark.parametrize("name", ["lap", "beacon"])
def test_a_counter_that_never_steps_is_no_mark(name):
    """A file of one lap, from line to line, has the same number in every row."""
    log = without(log_of(reference()[2].lap), "x", "y")
    t = log.signals["speed"].t
    signals = {**log.signals, name: Signal(t, np.full(t.size, 7.0), np.arange(t.size), 4, name)}
    session = laid(replace(log, signals=signals))
    assert whole(session) == pytest.approx([reference()[2].lap.time], abs=0.011)


def test_a_channel_that_stops_half_way_is_not_known_in_that_lap():
    log = log_of(reference()[2].lap, laps=3.2, begin=60.0)
    throttle = cut(log.signals["throttle"], lambda t: t < 150.0)
    gear = cut(log.signals["gear"], lambda t: t < 150.0)
    session = laid(replace(log, signals={**log.signals, "throttle": throttle, "gear": gear}))
    first, second = (lap for lap in session.laps if lap.whole)
    assert {"throttle", "gear", "brake"} <= first.has
    assert "brake" in second.has and not {"throttle", "gear"} & second.has
    assert np.all(np.isnan(second.lap.throttle)) and np.all(second.lap.gear == 0)


def test_rows_with_half_a_place_are_left_out():
    """The y of the last hundred seconds is missing: no place is made up for them."""
    log = log_of(reference()[2].lap, white=0.3, laps=3.2, begin=60.0, seed=2)
    y = cut(log.signals["y"], lambda t: t < 150.0)
    session = laid(replace(log, signals={**log.signals, "y": y}))
    assert [lap.status for lap in session.laps][:3] == ["out-lap", "whole", "missing piece"]
    assert "without places" in session.laps[2].words
    assert worst(session.best) < 0.015
