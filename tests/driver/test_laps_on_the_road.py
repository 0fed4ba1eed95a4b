"""Logs split and laid on the road, against the lap that they were made from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faulty_laps import ROOT, reference, target
from logs_from_laps import cut, log_of, without

from lapwright.driver.log import Log, Signal
from lapwright.driver.sessions import session_of
from lapwright.driver.shares import running
from lapwright.errors import InputError
from lapwright.inputs.files import load_track
from lapwright.lap.corners import corner_reports


def laid(log):
    track, result, known, _ = reference()
    return session_of(log, track, result.vehicle, known.lap)


def full():
    return reference()[2].lap


def differences(drive):
    known = reference()[2]
    return drive.time - known.lap.time, np.max(np.abs(running(drive.lap, target(), known).time))


def brake_points(lap):
    track = reference()[0]
    return np.array([r.brake_on for r in corner_reports(lap, track) if r.brake_on is not None])


def test_a_log_of_the_lap_itself_comes_back():
    session = laid(log_of(full()))
    assert [lap.status for lap in session.laps] == ["whole"]
    drive, lap = session.best, target()
    apart, worst = differences(drive)
    assert abs(apart) < 1e-3 and worst < 1e-3
    assert np.max(np.abs(drive.lap.speed - lap.speed)) < 0.05
    assert np.max(np.abs(drive.lap.n - lap.n)) < 0.02
    assert brake_points(drive.lap) == pytest.approx(brake_points(lap), abs=0.1)
    assert np.max(np.abs(drive.lap.brake - lap.brake)) < 0.03
    # Between the rows of the lap the made log has the gear of neither.
    assert np.mean(drive.lap.gear == lap.gear) > 0.98
    assert drive.has >= {"line", "brake", "throttle", "steering", "speed", "gear"}
    assert drive.alignment.method == "position" and drive.alignment.delay == 0.0


@pytest.mark.parametrize("angle", [0.4, 2.0, 3.6, 5.5])
def test_axes_turned_and_shifted_are_found(angle):
    """Whatever the log's axes, the lap is the same; the best rigid motion to nearest points may shift the line a little."""
    session = laid(log_of(full(), turn=angle, shift=3e4 - 5e4j, geographic=True))
    drive = session.best
    apart, worst = differences(drive)
    assert abs(apart) < 2e-3 and worst < 0.015
    assert np.sqrt(np.mean((drive.lap.n - target().n) ** 2)) < 0.12
    assert any("turned by" in words for words in session.notices)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_white_noise_of_a_metre_makes_no_corners_and_no_time(seed):
    """10 fixes a second, one metre each way; speed of 0.05 m/s noise."""
    drive = laid(log_of(full(), white=1.0, speed_noise=0.05, seed=seed)).best
    apart, worst = differences(drive)
    assert abs(apart) < 0.015 and worst < 0.025
    assert np.sqrt(np.mean((drive.lap.n - target().n) ** 2)) < 0.5
    assert brake_points(drive.lap) == pytest.approx(brake_points(target()), abs=1.0)
    ours, theirs = (corner_reports(lap, reference()[0]) for lap in (drive.lap, target()))
    assert [r.entry for r in ours] == [r.entry for r in theirs]
    assert 0.8 < drive.noise.raw < 1.25


def test_noise_of_the_line_is_told_honestly():
    """What is left of the noise across the road is no more than ``Noise.across`` says, which counts with wander too."""
    errors, told = [], []
    for seed in range(4):
        drive = laid(log_of(full(), white=1.0, seed=10 + seed)).best
        errors.append(np.sqrt(np.mean((drive.lap.n - target().n) ** 2)))
        told.append(drive.noise.across)
    assert np.mean(errors) < np.mean(told) < 4.0 * np.mean(errors)


def test_the_running_difference_is_known_to_some_milliseconds():
    """A metre of white noise ten times a second: 5 ms in the root mean square over the lap, 15 ms at the worst on average."""
    usual, worst = [], []
    for seed in range(20, 26):
        drive = laid(log_of(full(), white=1.0, speed_noise=0.05, seed=seed)).best
        apart = running(drive.lap, target(), reference()[2]).time
        usual.append(np.sqrt(np.mean(apart**2)))
        worst.append(np.max(np.abs(apart)))
    assert np.mean(usual) < 0.005 and np.mean(worst) < 0.018


def test_curvature_is_as_noisy_as_is_said():
    """By the smoothed line, against the curvature without noise; and by a yaw rate with noise that is known."""
    clean = laid(without(log_of(full()), "yaw_rate", "accel_lat", "accel_long")).best.lap.curvature
    errors, told = [], []
    for seed in range(3):
        drive = laid(
            without(log_of(full(), white=1.0, seed=seed), "yaw_rate", "accel_lat", "accel_long")
        ).best
        errors.append(np.sqrt(np.mean((drive.lap.curvature - clean) ** 2)))
        told.append(drive.noise.curvature)
    assert 0.5 * np.mean(told) < np.mean(errors) < 2.0 * np.mean(told)
    log = log_of(full())
    yaw = log.signals["yaw_rate"]
    noisy = yaw.values + 0.02 * np.random.default_rng(0).standard_normal(yaw.values.size)
    drive = laid(replace(log, signals={**log.signals, "yaw_rate": replace(yaw, values=noisy)})).best
    assert drive.noise.curvature == pytest.approx(0.02 / np.median(full().speed), rel=0.15)


def test_slow_wander_is_not_taken_for_driving():
    drive = laid(log_of(full(), white=0.3, wander=0.7, laps=3.2, begin=60.0, speed_noise=0.05, seed=4)).best
    apart, _ = differences(drive)
    assert abs(apart) < 0.05
    assert brake_points(drive.lap) == pytest.approx(brake_points(target()), abs=2.0)


def test_laps_of_a_session_are_told_apart():
    session = laid(log_of(full(), laps=3.2, begin=60.0))
    assert [lap.status for lap in session.laps] == ["out-lap", "whole", "whole", "in-lap"]
    assert [lap.time for lap in session.laps if lap.whole] == pytest.approx([full().time] * 2, abs=2e-3)
    assert session.laps[1].started == pytest.approx(full().time - 60.0, abs=2e-3)
    assert "before the line" in session.laps[0].words


def test_a_speed_that_reads_one_percent_high_is_put_right_and_said():
    drive = laid(log_of(full(), scale=1.01)).best
    assert differences(drive)[1] < 5e-3
    assert drive.alignment.stretch == pytest.approx(0.01, abs=5e-4)
    assert np.max(np.abs(drive.lap.speed - target().speed)) < 0.06


def test_a_dropout_of_places_is_bridged_and_a_long_one_marks_the_lap():
    log = log_of(full(), white=0.3, seed=5)
    short = {name: cut(log.signals[name], lambda t: (t < 30.0) | (t > 33.0)) for name in ("x", "y")}
    drive = laid(replace(log, signals={**log.signals, **short})).best
    assert differences(drive)[1] < 0.06
    long = {name: cut(log.signals[name], lambda t: (t < 30.0) | (t > 36.0)) for name in ("x", "y")}
    lap = laid(replace(log, signals={**log.signals, **long})).laps[0]
    assert lap.status == "missing piece" and "without places" in lap.words


def test_a_stop_and_a_gap_of_the_speed_mark_their_laps():
    log = log_of(full(), laps=2.0)
    speed = log.signals["speed"]
    values = np.where((speed.t > 20.0) & (speed.t < 24.0), 0.0, speed.values)
    stopped = replace(log, signals={**log.signals, "speed": replace(speed, values=values)})
    told = {lap.status: lap.words for lap in laid(stopped).laps}
    assert "stopped" in told and "stands for 4 s" in told["stopped"]
    gap = replace(log, signals={**log.signals, "speed": cut(speed, lambda t: (t < 20.0) | (t > 22.0))})
    assert any(lap.status == "missing piece" and "without speed" in lap.words for lap in laid(gap).laps)


@pytest.mark.parametrize("geographic", [False, True])
def test_the_other_way_round_is_said(geographic):
    log = log_of(full())
    last = log.signals["x"].t[-1]
    signals = dict(log.signals)
    for name, signal in log.signals.items():
        signals[name] = replace(signal, t=last - signal.t[::-1], values=signal.values[::-1])
    with pytest.raises(InputError, match=r"made\.csv:2.*the other way round Marrow Fen"):
        laid(replace(log, signals=signals, geographic=geographic))


def test_another_circuit_is_refused_with_how_far_off_it_lies():
    other = load_track(ROOT / "tracks" / "otter-heath.yaml")
    s = np.linspace(0.0, other.length, 3000)
    x, y, _ = other.to_world(s, np.zeros_like(s))
    t = np.linspace(0.0, 100.0, s.size)
    rows = np.arange(s.size)
    signals = {"x": Signal(t, x, rows, 2, "x"), "y": Signal(t, y, rows, 3, "y")}
    signals["speed"] = Signal(t, np.full(s.size, other.length / 100.0), rows, 1, "speed")
    with pytest.raises(
        InputError,
        match=r"not a log of Marrow Fen: .* lie more than \d+ m from the line.* \d\d % of them are off",
    ):
        laid(Log("made.csv", "made", signals, True, rows + 2))


def test_without_places_the_lap_lies_by_distance_and_speed():
    session = laid(without(log_of(full()), "x", "y", "yaw_rate", "accel_lat", "accel_long"))
    drive = session.best
    assert "line" not in drive.has and np.all(np.isnan(drive.lap.n))
    assert differences(drive)[1] < 0.01
    assert drive.alignment.method == "distance and speed"
    assert drive.noise.along >= 3.0


def test_without_places_a_lap_channel_or_a_beacon_splits():
    log = without(log_of(full(), laps=2.3, begin=50.0), "x", "y")
    t = log.signals["speed"].t
    number = np.floor((t + 50.0) / full().time)
    counted = {**log.signals, "lap": Signal(t, number, np.arange(t.size), 4, "lap")}
    beacon = {
        **log.signals,
        "beacon": Signal(t, ((t + 50.0) % full().time < 0.2).astype(float), np.arange(t.size), 4, "b"),
    }
    for signals in (counted, beacon, log.signals):
        session = laid(replace(log, signals=signals))
        times = [lap.time for lap in session.laps if lap.whole]
        assert times and times[0] == pytest.approx(
            full().time, abs=0.011 if signals is not log.signals else 0.05
        )


def test_without_speed_there_is_nothing_to_compare():
    with pytest.raises(InputError, match="no speed"):
        laid(without(log_of(full()), "speed"))
