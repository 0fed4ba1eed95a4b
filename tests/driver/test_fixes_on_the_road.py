"""Places as station and offset, against shapely; fixes that are astray, and clocks that differ, against what was put in."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
from faulty_laps import reference, target
from logs_from_laps import log_of

from lapwright.driver.fixes import SPAN, fixes_on, lag_of
from lapwright.driver.sessions import session_of
from lapwright.driver.shares import running


def laid(log):
    track, result, known, _ = reference()
    return session_of(log, track, result.vehicle, known.lap)


def worst(drive):
    return np.max(np.abs(running(drive.lap, target(), reference()[2]).time))


def with_fixes(log, change):
    """A log whose places were changed: ``change`` of their times and of x + iy."""
    x, y = log.signals["x"], log.signals["y"]
    t, z = change(x.t, x.values + 1j * y.values)
    signals = {**log.signals, "x": replace(x, t=t, values=z.real), "y": replace(y, t=t, values=z.imag)}
    return replace(log, signals=signals)


def test_station_and_offset_are_those_of_shapely():
    """shapely (GEOS): distance to, and place along, a line of the centreline's points every 0.25 m.

    An offset is measured along the banked road, the distance in plan: it is shorter by the cosine of the bank.
    """
    track = reference()[0]
    s = np.linspace(5.0, track.length - 5.0, 400)
    n = 5.0 * np.sin(s / 37.0)
    x, y, _ = track.to_world(s, n)
    t = np.linspace(0.0, 80.0, s.size)
    fixes = fixes_on(track, t, x, y, t, s)
    middle = track.to_world(np.arange(0.0, track.length, 0.25), np.zeros(int(np.ceil(track.length / 0.25))))
    line = shapely.LineString(np.column_stack(middle[:2]))
    points = shapely.points(x, y)
    assert fixes.stray == 0
    flat = np.cos(track.road(fixes.s).bank)
    assert np.abs(fixes.n) * flat == pytest.approx(shapely.distance(line, points), abs=2e-3)
    assert fixes.s == pytest.approx(shapely.line_locate_point(line, points), abs=0.05)
    assert np.array_equal(np.sign(fixes.n), np.sign(n))


def test_single_fixes_that_are_astray_do_no_harm():
    """One in fifty some 30 m away (a normal deviate): the worst error of the running difference stays that of the rest."""
    random = np.random.default_rng(0)

    def leap(t, z):
        bad = random.random(z.size) < 0.02
        return t, z + np.where(bad, 30.0 * random.standard_normal(z.size), 0.0)

    session = laid(with_fixes(log_of(reference()[2].lap, white=0.5, seed=1), leap))
    assert session.best is not None and worst(session.best) < 0.02
    assert np.sqrt(np.mean((session.best.lap.n - target().n) ** 2)) < 0.25
    assert any("leap away from their neighbours" in words for words in session.notices)


def test_places_that_lie_elsewhere_on_the_circuit_for_a_while_do_no_harm():
    """0.8 s of them, 25 m to one side; and single ones half a lap on, as on a road that runs by."""

    def run(t, z):
        z = np.where((t > 30.0) & (t < 30.8), z + 25.0, z)
        z[[200, 520]] = z[[620, 90]]
        return t, z

    session = laid(with_fixes(log_of(reference()[2].lap, white=0.5, seed=1), run))
    assert session.best is not None and worst(session.best) < 0.02
    # The ten, and some good ones beside the eight in a row, which pull the median.
    assert any(re.match(r"1[0-5] of 876 places leap", words) for words in session.notices)


def test_good_fixes_are_not_thrown_out():
    """Neither the quickest swing that tyres allow, nor white noise (6 sigma: two in 10^9)."""
    for white in (0.0, 0.5, 2.0):
        session = laid(log_of(reference()[2].lap, white=white, seed=3))
        assert not any("leap" in words for words in session.notices)
    # A parabola of 1.2 g across the road leaves its median by a eighth of g SPAN^2 / 4, less than what counts as a leap.
    assert 0.5 * 1.2 * 9.81 * (0.25 * SPAN) ** 2 < 5.0


@pytest.mark.parametrize("lag", [0.1, 0.3, -0.2])
def test_places_that_come_late_are_put_onto_the_clock_of_the_speed(lag):
    session = laid(with_fixes(log_of(reference()[2].lap, white=0.5, seed=2), lambda t, z: (t + lag, z)))
    drive = session.best
    assert drive is not None and worst(drive) < 0.025
    assert abs(drive.time - reference()[2].lap.time) < 0.02
    word = "later" if lag > 0.0 else "earlier"
    assert any(f"s {word} than the speed" in words for words in session.notices)


def test_clocks_that_agree_are_left_alone():
    for seed in range(3):
        session = laid(log_of(reference()[2].lap, white=1.0, speed_noise=0.05, seed=seed))
        assert not any("than the speed" in words for words in session.notices)


@pytest.mark.parametrize("slip", [0.0, 0.003, -0.002])
@pytest.mark.parametrize("lag", [0.0, 0.25])
def test_slip_of_wheels_is_not_taken_for_lag(slip, lag):
    """A late fix is short by tau v; a wheel that slips by c of its acceleration is long by the integral of c a v: c v^2 / 2.

    The band is three standard errors of ordinary least squares with these speeds, from ((X'X)^-1 sigma^2).
    """
    random = np.random.default_rng(7)
    t = np.arange(0.0, 90.0, 0.1)
    v = 35.0 + 14.0 * np.sin(t / 1.9) + 6.0 * np.sin(t / 3.1)
    apart = -lag * v - 0.5 * slip * v * v + 0.02 * t + 0.3 * random.standard_normal(t.size)
    assert lag_of(t, apart, t, v) == pytest.approx(lag, abs=0.03)
