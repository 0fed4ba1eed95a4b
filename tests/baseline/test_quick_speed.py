"""The rough speed profile that starts the optimiser: close to the quasi-steady lap, and never nonsense."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from plain_cars import SHIPPED, envelope_of, shipped
from straight_roads import ring, road

from lapwright import load_track
from lapwright.baseline.quick import quick_speed_profile
from lapwright.baseline.solve import solve_baseline
from lapwright.quantities import G
from lapwright.track.definition import Straight
from lapwright.vehicle.parameters import FrictionCircle

TRACKS = Path(__file__).parents[2] / "tracks"


@pytest.mark.parametrize("name", SHIPPED)
def test_close_to_the_quasi_steady_lap(name: str) -> None:
    track, car = load_track(TRACKS / "marrow-fen.yaml"), shipped(name)
    lap = solve_baseline(track, car, envelope=envelope_of(car)).lap
    rough = quick_speed_profile(track, car, lap.s)
    ratio = rough / lap.speed
    assert 0.97 < np.median(ratio) < 1.06
    assert np.percentile(ratio, 2) > 0.88
    assert np.percentile(ratio, 98) < 1.25


def test_a_ring_of_a_point_mass() -> None:
    """v^2 = mu g R on the level."""
    speed = quick_speed_profile(ring(60.0), FrictionCircle("Car", 1.2), np.linspace(0.0, 300.0, 20))
    assert speed == pytest.approx(np.sqrt(1.2 * G * 60.0), rel=1e-3)


def test_ends_of_an_open_road() -> None:
    track = road(Straight(400.0))
    car = FrictionCircle("Car", 1.0, accel_limit=0.4)
    speed = quick_speed_profile(track, car, np.array([0.0, 200.0, 400.0]), start_speed=20.0, end_speed=10.0)
    assert speed[0] == pytest.approx(20.0)
    assert speed[2] == pytest.approx(10.0)
    free = (20.0**2 + 2 * 0.4 * G * 200.0) ** 0.5
    assert speed[1] == pytest.approx(free, rel=5e-3)


def test_the_last_station_is_the_first() -> None:
    track, car = load_track(TRACKS / "marrow-fen.yaml"), shipped("rally-hatch")
    speed = quick_speed_profile(track, car, np.array([0.0, track.length, 2 * track.length]))
    assert speed == pytest.approx(speed[0])
