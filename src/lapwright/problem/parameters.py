"""A car's numbers as one flat vector with names, and back again with symbols in place of numbers."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")


def flatten(thing: Any, prefix: str = "") -> dict[str, float]:
    """Every number in a (nested) frozen dataclass, by dotted name; text, None and tables are left out.

    Arrays are spelled out as ``name.0``, ``name.1`` and so on.
    """
    numbers: dict[str, float] = {}
    for item in fields(thing):
        value, name = getattr(thing, item.name), f"{prefix}{item.name}"
        if is_dataclass(value):
            numbers.update(flatten(value, f"{name}."))
        elif isinstance(value, np.ndarray):
            numbers.update({f"{name}.{i}": float(v) for i, v in enumerate(value)})
        elif isinstance(value, (int, float)) and not isinstance(value, bool):
            numbers[name] = float(value)
    return numbers


def substitute(thing: T, symbols: dict[str, Any], prefix: str = "") -> T:
    """A copy of ``thing`` with every number named in ``symbols`` replaced."""
    changes: dict[str, Any] = {}
    for item in fields(thing):  # type: ignore[arg-type]
        value, name = getattr(thing, item.name), f"{prefix}{item.name}"
        if is_dataclass(value):
            changes[item.name] = substitute(value, symbols, f"{name}.")
        elif isinstance(value, np.ndarray):
            changes[item.name] = [symbols.get(f"{name}.{i}", v) for i, v in enumerate(value)]
        elif name in symbols:
            changes[item.name] = symbols[name]
    return replace(thing, **changes)  # type: ignore[type-var]


def same_form(one: Any, other: Any) -> bool:
    """Whether two (nested) frozen dataclasses differ in nothing but numbers: one set of formulas then serves both."""
    if type(one) is not type(other):
        return False
    if is_dataclass(one):
        return all(same_form(getattr(one, item.name), getattr(other, item.name)) for item in fields(one))
    if isinstance(one, np.ndarray):
        return bool(one.shape == other.shape)
    if isinstance(one, tuple):
        # Engine and gears reach the formulas as a drive curve, whose numbers are parameters like any other.
        return len(one) == len(other) and all(same_form(a, b) for a, b in zip(one, other, strict=True))
    if isinstance(one, (int, float)) and not isinstance(one, bool):
        return True
    return bool(one == other)


def as_vector(numbers: dict[str, float]) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    """Names and values of ``numbers``, in order."""
    return tuple(numbers), np.array(list(numbers.values()), dtype=float)
