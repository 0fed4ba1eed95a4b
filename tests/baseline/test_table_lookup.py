"""The envelope's tables as the passes look them up, against linear interpolation by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from plain_cars import SHIPPED, envelope_of, shipped
from scipy.interpolate import RegularGridInterpolator

from lapwright.baseline.envelope import TrimEnvelope
from lapwright.quantities import G

COUNT = 9001


def somewhere(known: TrimEnvelope) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Speeds, normal forces and shares of the largest lateral force within the tables."""
    rng = np.random.default_rng(2)
    speed = rng.uniform(known.speeds[0], known.speeds[-1], COUNT)
    return speed, rng.uniform(0.25, 3.0, COUNT) * G, rng.uniform(-1.0, 1.0, COUNT)


@pytest.mark.parametrize("name", SHIPPED)
def test_forces_of_the_tyres(name: str) -> None:
    known = envelope_of(shipped(name))
    speed, normal, share = somewhere(known)
    load, one = known.load(speed, normal), np.ones(COUNT)
    at = np.stack([speed, normal], axis=1)
    most = RegularGridInterpolator((known.speeds, known.normals), known.lat_most[0])(at) * load
    assert known.lookup.lateral_most(speed, normal, one) == pytest.approx(most, rel=1e-12)
    phi = np.linspace(0.0, 0.5 * np.pi, known.long.shape[3])
    found = known.lookup.range(speed, normal, share * most, one)
    place = np.column_stack([at, np.arcsin(np.abs(share))])
    for column, values in ((-1, found.most), (0, found.least)):
        table = RegularGridInterpolator((known.speeds, known.normals, phi), known.long[0, ..., column])
        assert values == pytest.approx(table(place) * load, abs=1e-9)


def test_grip_is_an_axis_too() -> None:
    known = envelope_of(shipped("cup-coupe")).with_grips((0.5,))
    speed, normal, _ = somewhere(known)
    grip = np.random.default_rng(3).uniform(0.5, 1.0, COUNT)
    axes = (known.grips, known.speeds, known.normals)
    expected = RegularGridInterpolator(axes, known.lat_most)(np.column_stack([grip, speed, normal]))
    found = known.lookup.lateral_most(speed, normal, grip)
    assert found == pytest.approx(expected * known.load(speed, normal) * grip, rel=1e-12)


@pytest.mark.parametrize("name", SHIPPED)
def test_engine_and_brakes_as_in_the_envelope_itself(name: str) -> None:
    """Straight ahead, the drive force from the two-column form against the envelope's own inverse of its tables."""
    known = envelope_of(shipped(name))
    speed = np.linspace(known.speeds[0], known.speeds[-1], 700)
    normal, zero = np.full(700, G), np.zeros(700)
    full, _ = known.efforts(speed)
    found = known.lookup.range(speed, normal, zero, zero + 1.0)
    drag = known.per_speed[1] * speed**2
    least, most = known.long_range(speed, normal, zero)
    assert np.minimum(found.level + found.rise * full, found.most) - drag == pytest.approx(most, abs=0.02)
    assert np.maximum(found.least, found.held) - drag == pytest.approx(least, abs=0.02)
