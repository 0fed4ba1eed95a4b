"""How large the channels of a car on a circuit are, and what a number then tells about its unit."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.log import MEASURES
from lapwright.inputs.log_units import UNITS_OF, LogUnit
from lapwright.inputs.numbers import show
from lapwright.quantities import DEG

Array = NDArray[np.float64]

USUAL: Mapping[str, tuple[float, float]] = {
    "speed": (8.0, 110.0),
    "brake": (0.2, 1.1),
    "brake_pressure": (3e5, 2.5e7),
    "throttle": (0.3, 1.1),
    "steering_wheel": (0.15, 13.0),
    "road_wheel": (0.02, 0.9),
    "accel_long": (2.0, 40.0),
    "accel_lat": (3.0, 50.0),
    "yaw_rate": (0.1, 2.5),
    "engine_speed": (100.0, 2200.0),
    "distance": (50.0, 1e7),
    "x": (30.0, 1e7),
    "y": (30.0, 1e7),
    "latitude": (0.0, 90.0 * DEG),
    "longitude": (0.0, 180.0 * DEG),
}
"""Range in which the size of nearly the largest value of a driven log lies, SI units (common practice, wide)."""

TYPICAL: Mapping[str, float] = {
    "speed": 50.0,
    "brake_pressure": 60e5,
    "steering_wheel": 2.5,
    "road_wheel": 0.15,
    "accel_long": 9.0,
    "accel_lat": 14.0,
    "yaw_rate": 0.6,
    "engine_speed": 700.0,
}
"""The size that is likeliest (common practice): of the units that would be true the one nearest to it is guessed."""

TOP = 99.0
"""Percentile that stands for the largest value: spikes are not counted."""

STANDING = 3.0
"""A car whose speed stays below this [m/s] is not driven on a circuit."""


def in_si(values: Array, unit: LogUnit) -> Array:
    """Values in SI. For ``ddmm`` the last two digits before the point are minutes."""
    if unit.name != "ddmm":
        return values * unit.si
    size = np.abs(values)
    whole = np.floor(size / 100.0)
    return np.sign(values) * (whole + (size - 100.0 * whole) / 60.0) * unit.si


def top_of(values: Array) -> float:
    """Nearly the largest size of a channel."""
    finite = np.abs(values[np.isfinite(values)])
    return float(np.percentile(finite, TOP)) if finite.size else 0.0


def limits_of(measure: str) -> tuple[float, float]:
    """Values of a channel beyond which it cannot be true, SI."""
    if measure in MEASURES:
        return MEASURES[measure].least, MEASURES[measure].most
    most = USUAL[measure][1]
    return -most, most


def can_be(measure: str, values: Array, unit: LogUnit) -> bool:
    """Whether nearly all values are possible in that unit."""
    low, high = limits_of(measure)
    turned = in_si(values[np.isfinite(values)], unit)
    if turned.size == 0:
        return False
    return bool(np.mean((turned < low) | (turned > high)) <= 0.01) and not (
        measure == "speed" and 0.0 < top_of(turned) < STANDING
    )


def is_usual(measure: str, values: Array, unit: LogUnit) -> bool:
    """Whether nearly the largest value is of the usual size in that unit; a channel of zeros says nothing against it."""
    if measure not in USUAL:
        return True
    low, high = USUAL[measure]
    top = top_of(in_si(values, unit))
    return top == 0.0 or low <= top <= high


def units_that_fit(measure: str, values: Array) -> list[LogUnit]:
    """Units in which a channel would be possible and of the usual size."""
    return [
        unit
        for unit in UNITS_OF[measure]
        if can_be(measure, values, unit) and is_usual(measure, values, unit)
    ]


def guess_unit(measure: str, values: Array) -> tuple[LogUnit | None, bool]:
    """The likeliest unit of a channel whose file does not say, and whether there is no doubt about it."""
    units = UNITS_OF[measure]
    top = top_of(values)
    if measure in ("lap", "beacon", "gear"):
        return units[0], True
    if measure in ("latitude", "longitude"):
        by_name = {unit.name: unit for unit in units}
        if top <= (90.0 if measure == "latitude" else 180.0):
            return by_name["deg"], top > 3.2
        return (by_name["1e-7 deg"], top > 1e6) if top > 1e6 else (by_name["ddmm"], False)
    if measure in ("brake", "throttle"):
        by_name = {unit.name: unit for unit in units}
        if top <= 1.1:
            return by_name["share"], top > 0.2
        return by_name["%"], 95.0 <= top <= 102.0
    fitting = units_that_fit(measure, values)
    if not fitting:
        return None, False
    if measure not in TYPICAL:
        return fitting[0], False
    return min(fitting, key=lambda unit: abs(np.log(top * unit.si / TYPICAL[measure]))), False


def largest(measure: str, values: Array, unit: LogUnit) -> str:
    """``up to 212 km/h``: nearly the largest value, as written."""
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return "no values"
    name = "" if unit.name in ("count", "share", "switch", "ddmm") else f" {unit.name}"
    low, high = np.percentile(finite, [100.0 - TOP, TOP])
    return f"{show(float(f'{low:.4g}'))} to {show(float(f'{high:.4g}'))}{name}"


def would_be_usual(measure: str, values: Array, unit: LogUnit) -> str:
    """``; it would be usual in share`` for the units in which a channel has the usual size, or nothing."""
    names = [other.name for other in units_that_fit(measure, values) if other.name != unit.name]
    return f"; it would be usual in {' or '.join(names)}" if names else ""


def would_be_true(measure: str, values: Array, unit: LogUnit) -> str:
    """``; in km/h it would be true`` for the units that make a channel possible, or nothing."""
    names = [other.name for other in units_that_fit(measure, values) if other.name != unit.name]
    return (
        f"; it would be true in {' or '.join(names)}"
        if names
        else "; no unit that is known would make it true"
    )
