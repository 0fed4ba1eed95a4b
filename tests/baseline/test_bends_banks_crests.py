"""Steady cornering, banks, crests and dips against the formulas of the handbooks, g = 9.80665 m/s2.

Equilibrium of a point mass on a level or banked circle and in vertical curvature: any mechanics text, e.g. Gillespie,
Fundamentals of Vehicle Dynamics (1992), Milliken & Milliken, Race Car Vehicle Dynamics (1995) [from memory]; the numbers were
worked out independently.
"""

from __future__ import annotations

import numpy as np
import pytest
from straight_roads import ring, road

from lapwright.baseline.path import Offsets, path_road
from lapwright.baseline.solve import solve_baseline
from lapwright.quantities import DEG, G
from lapwright.track.definition import Arc, Station, Straight
from lapwright.track.track import Track
from lapwright.vehicle.parameters import FrictionCircle


@pytest.mark.parametrize(
    ("radius", "lift", "speed"), [(50.0, 2.0, 28.1105896), (100.0, 2.0, 41.3207915), (100.0, 0.0, 38.3535852)]
)
def test_skidpad(radius: float, lift: float, speed: float) -> None:
    car = FrictionCircle("Car", 1.5, mass=1300.0, downforce_area=lift, air_density=1.2)
    lap = solve_baseline(ring(radius), car).lap
    assert lap.speed == pytest.approx(speed, rel=5e-8)
    assert lap.time == pytest.approx(2 * np.pi * radius / speed, rel=5e-8)
    assert lap.grip_use == pytest.approx(1.0)
    assert lap.s[-1] == pytest.approx(2 * np.pi * radius)


def test_banked_bend() -> None:
    """v^2 = g R (tan b + mu) / (1 - mu tan b), bank towards the inside."""
    car = FrictionCircle("Car", 1.2)
    lap = solve_baseline(ring(100.0, bank=(Station(0.0, -10.0 * DEG),)), car).lap
    assert lap.speed == pytest.approx(41.3757370, rel=1e-8)


def test_bend_banked_outwards() -> None:
    """The same formula with the bank's sign changed."""
    bank, mu = -6.0 * DEG, 1.2
    car = FrictionCircle("Car", mu)
    lap = solve_baseline(ring(100.0, bank=(Station(0.0, 6.0 * DEG),)), car).lap
    exact = np.sqrt(G * 100.0 * (np.tan(bank) + mu) / (1.0 - mu * np.tan(bank)))
    assert lap.speed == pytest.approx(exact, rel=1e-8)


def _hump(elements: tuple, length: float, radius: float) -> Track:
    """A rise of vertical radius ``radius`` at its middle: z'' = -(1 + cos(2 pi x / length)) / (2 radius)."""
    s = np.linspace(0.0, length, 1201)
    x, k = s - 0.5 * length, 2.0 * np.pi / length
    height = -(0.5 * x * x - np.cos(k * x) / k**2) / (2.0 * radius)
    return road(
        *elements, elevation=tuple(Station(float(a), float(z)) for a, z in zip(s, height, strict=True))
    )


@pytest.mark.parametrize(
    ("radius", "speed", "load"), [(500.0, 50.0, 0.4901419), (-800.0, 60.0, 1.4588723)], ids=["crest", "dip"]
)
def test_load_over_crest_and_dip(radius: float, speed: float, load: float) -> None:
    track = _hump((Straight(200.0),), 200.0, radius)
    line = path_road(track, Offsets(), np.array([100.0]))
    assert line.normal(np.array([speed**2]))[0] / G == pytest.approx(load, abs=1e-6)


def test_load_channel_over_a_crest() -> None:
    """The four wheel loads of the lap add up to what the crest leaves of the weight."""
    track = _hump((Straight(200.0),), 200.0, 500.0)
    car = FrictionCircle("Coasting", 1.0, accel_limit=0.0, mass=1000.0)
    lap = solve_baseline(track, car, start_speed=50.0, end_speed=None).lap
    at = int(np.argmin(np.abs(lap.s - 100.0)))
    expected = 1.0 - lap.speed[at] ** 2 / (G * 500.0)
    assert lap.load[at].sum() / (1000.0 * G) == pytest.approx(expected, rel=1e-5)


def test_cornering_over_a_crest() -> None:
    length = 100.0 * 1.2
    track = _hump((Arc(100.0, 1.2),), length, 600.0)
    result = solve_baseline(track, FrictionCircle("Car", 1.5))
    assert result.lap.speed.min() == pytest.approx(34.3044895, abs=1e-5)
    assert result.apexes[0].station == pytest.approx(0.5 * length, abs=0.05)


def test_a_crest_too_fast_to_stay_down_limits_a_straight() -> None:
    """v^2 = g R is where the road no longer carries anything."""
    track = _hump((Straight(400.0),), 400.0, 400.0)
    lap = solve_baseline(track, FrictionCircle("Car", 3.0)).lap
    assert lap.speed[int(np.argmin(np.abs(lap.s - 200.0)))] == pytest.approx(np.sqrt(G * 400.0), rel=1e-3)
    assert lap.speed.min() <= np.sqrt(G * 400.0) * (1.0 + 1e-6)
