"""Who is drawn how and where the corners are: the same in the report and on the figures of a comparison."""

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

    def line(self, width: float = 2.0) -> dict[str, Any]:
        """For matplotlib."""
        style: Any = (0, self.dash) if self.dash else "-"
        return {
            "color": self.colour,
            "linestyle": style,
            "linewidth": width,
            "zorder": 3 if self.key == "ref" else 4,
        }


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


def corner_columns(
    record: Mapping[str, Any], length: float
) -> tuple[dict[str, list[Any]], dict[str, list[Any]]]:
    """Bands of the corners and their names over distance; one across the line stands at both ends."""
    bands: dict[str, list[Any]] = {"start": [], "end": []}
    names: dict[str, list[Any]] = {"at": [], "row": [], "name": []}
    for number, corner in enumerate(record["drivers"][0]["corners"]):
        start, end = float(corner["start_m"]), float(corner["end_m"])
        for shift in (0.0,) if start <= end else (-length, 0.0):
            stop = end if start <= end else end + length
            bands["start"].append(start + shift)
            bands["end"].append(stop + shift)
            names["at"].append(0.5 * (start + stop) + shift)
            names["row"].append(0.5 + (number + 1) % 2)
            names["name"].append(str(corner["name"]))
    return bands, names
