"""Straights, arcs and clothoids against closed forms."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from invented_roads import DEG, STADIUM, STADIUM_LENGTH, road
from scipy.integrate import solve_ivp
from scipy.special import fresnel

from lapwright.track.build import build_track
from lapwright.track.definition import Arc, Straight
from lapwright.track.plan import plan_curve


@pytest.mark.parametrize(("radius", "ramp"), [(30.0, 25.0), (12.0, 20.0), (400.0, 160.0), (8.0, 6.0)])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_ramp_is_the_fresnel_spiral(radius, ramp, side):
    # Clothoid of parameter A^2 = R L: x + iy = A sqrt(pi) (C(u) + i S(u)) with u = s / (A sqrt(pi)), C and S
    # the Fresnel integrals of Abramowitz and Stegun 7.3.1, 7.3.2 (scipy.special.fresnel).
    angle = side * (ramp / radius + 0.3)
    track = build_track(road([Arc(radius, angle, ramp, ramp), Straight(50.0)], half_width=2.0))
    s = np.linspace(0.0, ramp, 41)
    points = track.road(s)
    scale = math.sqrt(math.pi * radius * ramp)
    sine, cosine = fresnel(s / scale)
    np.testing.assert_allclose(points.x, scale * cosine, atol=1e-12 * scale)
    np.testing.assert_allclose(points.y, side * scale * sine, atol=1e-12 * scale)
    np.testing.assert_allclose(points.heading, side * s**2 / (2.0 * radius * ramp), atol=1e-14)
    np.testing.assert_allclose(points.curvature, side * s / (radius * ramp), atol=1e-15)


def test_whole_angle_includes_the_ramps():
    # Each ramp of length r turns r / (2 R).
    track = build_track(road([Straight(40.0), Arc(35.0, 92.0 * DEG, 30.0, 10.0), Straight(60.0)]))
    ends = track.road(np.array([0.0, track.length]))
    assert ends.heading[1] - ends.heading[0] == pytest.approx(92.0 * DEG, abs=1e-13)
    assert track.length == pytest.approx(40.0 + 35.0 * 92.0 * DEG + 0.5 * (30.0 + 10.0) + 60.0, abs=1e-10)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_circle(side):
    track = build_track(road([Arc(50.0, side * 2.0 * math.pi)], closed=True))
    s = np.linspace(0.0, track.length, 77)
    points = track.road(s)
    np.testing.assert_allclose(np.hypot(points.x, points.y - side * 50.0), 50.0, atol=1e-11)
    np.testing.assert_allclose(points.curvature, side / 50.0, rtol=1e-12)
    assert track.length == pytest.approx(100.0 * math.pi, rel=1e-13)


def test_position_is_the_integral_of_the_heading():
    # An independent integrator (scipy's DOP853) on x' = cos h, y' = sin h, h' = curvature.
    track = build_track(
        road([Straight(20), Arc(15, 200 * DEG, 12, 30), Arc(60, -50 * DEG, 20, 0), Straight(9)])
    )

    def rates(s, state):
        bend = track.road(np.array([s])).curvature[0]
        return [math.cos(state[2]), math.sin(state[2]), bend]

    state = [0.0, 0.0, 0.0]
    edges = [0.0, *track.breaks, track.length]
    for start, end in itertools.pairwise(edges):
        found = solve_ivp(rates, (start, end - 1e-12), state, method="DOP853", rtol=1e-12, atol=1e-12)
        state = found.y[:, -1]
    last = track.road(np.array([track.length]))
    np.testing.assert_allclose([last.x[0], last.y[0], last.heading[0]], state, atol=1e-8)


def test_breaks_are_where_curvature_or_its_slope_jumps():
    track = build_track(
        road([Straight(30), Straight(20), Arc(20, 90 * DEG, 10, 0), Straight(40)], half_width=3)
    )
    arc = 20 * math.pi / 2 - 5
    np.testing.assert_allclose(track.breaks, [50, 60, 60 + arc], atol=1e-10)
    at = track.breaks[2:]
    assert track.road(at, side="left").curvature[0] == pytest.approx(1 / 20, abs=1e-14)
    assert track.road(at, side="right").curvature[0] == pytest.approx(0.0, abs=1e-14)


def test_stations_wrap_and_the_heading_goes_on():
    track = build_track(road(STADIUM, closed=True))
    assert track.length == pytest.approx(STADIUM_LENGTH, abs=1e-9)
    s = np.linspace(-500.0, 900.0, 50)
    here, next_lap = track.road(s), track.road(s + track.length)
    for name in ("x", "y", "curvature", "omega_z", "width_left"):
        np.testing.assert_allclose(getattr(next_lap, name), getattr(here, name), atol=1e-9)
    np.testing.assert_allclose(next_lap.heading - here.heading, 2.0 * math.pi, atol=1e-12)
    dense = track.road(np.linspace(-700.0, 1900.0, 20001))
    assert np.max(np.abs(np.diff(dense.heading))) < 0.01


def test_an_open_road_goes_straight_on_beyond_its_ends():
    track = build_track(road([Arc(30.0, 60 * DEG)]))
    points = track.road(np.array([-2.0, track.length + 3.0, track.length]))
    assert (points.x[0], points.y[0]) == pytest.approx((-2.0, 0.0), abs=1e-12)
    ahead = complex(points.x[1] - points.x[2], points.y[1] - points.y[2])
    assert ahead == pytest.approx(3.0 * complex(math.cos(60 * DEG), math.sin(60 * DEG)), abs=1e-12)
    assert points.curvature[1] == 0.0


def test_cubic_curvature_against_quadrature():
    nodes, bends = (
        np.array([0.0, 40.0, 100.0]),
        np.array([[0.01, 1e-3, -2e-5, 1e-7], [0.0, 0.0, 3e-5, -4e-7]]),
    )
    curve = plan_curve(nodes, bends, heading=0.4, place=3 - 2j)
    s = np.linspace(0.0, 100.0, 200001)
    t = np.where(s < 40.0, s, s - 40.0)
    b = bends[np.where(s < 40.0, 0, 1)]
    turned = sum(b[:, k] * t ** (k + 1) / (k + 1) for k in range(4))
    turned = np.where(
        s < 40.0, turned, turned + sum(bends[0, k] * 40.0 ** (k + 1) / (k + 1) for k in range(4))
    )
    np.testing.assert_allclose(curve.heading(s[::5000]), 0.4 + turned[::5000], atol=1e-12)
    way = np.exp(1j * (0.4 + turned))
    end = 3 - 2j + np.sum(0.5 * (way[1:] + way[:-1]) * np.diff(s))
    assert complex(curve.place(np.array([100.0]))[0]) == pytest.approx(end, abs=1e-7)
