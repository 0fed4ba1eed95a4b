"""Cars for the tests: one plain car whose numbers are easy to follow, and the shipped ones."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from pathlib import Path

from lapwright import load_vehicle
from lapwright.vehicle.driveline import DriveCurve, drive_curve
from lapwright.vehicle.parameters import (
    Aero,
    Brakes,
    Chassis,
    Differential,
    Driveline,
    Driver,
    Steering,
    Tyre,
    Tyres,
    Vehicle,
)

FOLDER = Path(__file__).parents[2] / "vehicles"
SHIPPED = ("cup-coupe", "club-monoposto", "rally-hatch", "touring-saloon")

TYRE = Tyre(1.5, 1.5, 3200.0, 0.0, 0.11, 0.09, 0.8)

PLAIN = Vehicle(
    "Plain",
    Chassis(1300.0, 1900.0, 2.5, 0.5, 0.45, 1.6, 1.6, 0.5, 0.05, 0.05, 0.1, 1.9),
    Aero(0.0, 0.0, 0.5, 1.2),
    Tyres(TYRE, TYRE),
    Brakes(0.6, 9e6, 3.0e-3),
    Driveline("rear", 1.0, 0.33, 1.2, power=300e3, differential=Differential("open")),
    Steering(13.0, 7.0),
    Driver(8.0, 0.2, 0.3, 0.4, 0.15),
)
"""Invented: mass in the middle, no aerodynamics, no load sensitivity, open differential, plain power."""


def changed(vehicle: Vehicle, **numbers) -> Vehicle:
    """The car with other numbers: ``changed(PLAIN, chassis={"mass": 1500}, tyres={"front": {...}})``."""
    return _changed(vehicle, numbers)


def _changed(part, numbers):
    names = {field.name for field in fields(part)}
    unknown = set(numbers) - names
    if unknown:
        raise KeyError(f"no such numbers: {sorted(unknown)}")
    new = {}
    for name, value in numbers.items():
        old = getattr(part, name)
        new[name] = _changed(old, value) if is_dataclass(old) and isinstance(value, dict) else value
    return replace(part, **new)


def shipped(name: str) -> Vehicle:
    """One of the shipped four-wheel cars."""
    return load_vehicle(FOLDER / f"{name}.yaml")


def curve_of(vehicle: Vehicle) -> DriveCurve | None:
    """Its drive curve, None for a plain power."""
    return drive_curve(vehicle.driveline) if vehicle.driveline.gear_ratios else None
