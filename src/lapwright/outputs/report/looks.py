"""Who is drawn how: the same colours and strokes in the report and on the figures of a comparison."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from lapwright.outputs.figures.style import DRIVER, REFERENCE


@dataclass(frozen=True)
class Look:
    """How one person's lap is drawn.

    Attributes
    ----------
    key : "ref", "d1", "d2", ...
    name : as people see it
    colour : of the line
    dash : lengths of strokes and gaps [line widths]; empty for a solid line
    word : the stroke in a word
    """

    key: str
    name: str
    colour: str
    dash: tuple[float, ...]
    word: str


OF_REFERENCE = Look("ref", "Reference", REFERENCE, (), "solid")

OF_DRIVERS = (
    (DRIVER, (4.0, 1.6), "dashed"),
    ("#009E73", (5.0, 1.4, 1.2, 1.4), "dash-dot"),
    ("#CC79A7", (1.3, 1.3), "dotted"),
    ("#56B4E9", (8.0, 1.6), "long dashes"),
    ("#D55E00", (5.0, 1.3, 1.2, 1.3, 1.2, 1.3), "dash-dot-dot"),
)
"""Colours from Okabe & Ito, Color Universal Design, 2008; beyond five drivers they come round again."""


def looks(record: Mapping[str, Any]) -> list[Look]:
    """The reference, then the drivers in the order of the record."""
    found = [OF_REFERENCE]
    for number, driver in enumerate(record["drivers"]):
        found.append(Look(f"d{number + 1}", str(driver["name"]), *OF_DRIVERS[number % len(OF_DRIVERS)]))
    return found
