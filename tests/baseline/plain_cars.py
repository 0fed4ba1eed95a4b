"""Cars for the tests of the envelope and the full car's quasi-steady lap, and their envelopes, each worked out once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

from lapwright import load_vehicle
from lapwright.baseline.envelope import TrimEnvelope, envelope
from lapwright.vehicle.parameters import (
    Aero,
    Brakes,
    Chassis,
    Driveline,
    Driver,
    Steering,
    Tyre,
    Tyres,
    Vehicle,
)

SHIPPED = ("cup-coupe", "club-monoposto", "rally-hatch", "touring-saloon")
SHIPPED_NAMES = ("Cup coupe", "Club monoposto", "Rally hatch", "Touring saloon")
FOLDER = Path(__file__).parents[2] / "vehicles"

TYRE = Tyre(1.2, 1.2, 3200.0, 0.0, 0.05, 0.05, 0.8)

PLAIN = Vehicle(
    "Plain",
    Chassis(1300.0, 1900.0, 2.7, 0.6, 0.55, 1.6, 1.6, 0.5, 0.0, 0.0, 0.1, 1.9),
    Aero(0.0, 0.0, 0.5, 1.2),
    Tyres(TYRE, TYRE),
    Brakes(0.72, 2e7, 3.0e-3),
    Driveline("rear", 0.9, 0.33, 1e-6, power=200e3),
    Steering(13.0, 7.0),
    Driver(8.0, 0.2, 0.3, 0.4, 0.15),
)
"""Invented: no aerodynamics, no load sensitivity, massless wheels, open differential, no engine braking."""


def with_tyres(car: Vehicle, **numbers: float) -> Vehicle:
    tyres = Tyres(replace(car.tyres.front, **numbers), replace(car.tyres.rear, **numbers))
    return replace(car, tyres=tyres)


@cache
def shipped(name: str) -> Vehicle:
    return load_vehicle(FOLDER / f"{name}.yaml")


@cache
def envelope_of(car: Vehicle) -> TrimEnvelope:
    # A few speeds do for the hand calculations.
    found = envelope(car) if car.name in SHIPPED_NAMES else envelope(car, speeds=(10.0, 20.0, 50.0, 76.0))
    assert isinstance(found, TrimEnvelope)
    return found
