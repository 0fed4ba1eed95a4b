"""What the benchmarks of the solver have in common: what is driven, and how time is taken."""

from __future__ import annotations

import math
import os
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from lapwright.inputs.files import load_track, load_vehicle
from lapwright.problem.lap import EndState
from lapwright.problem.parameters import flatten, substitute
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle

T = TypeVar("T")
ROOT = Path(__file__).resolve().parent.parent
ENTRY = 20.0
"""Speed [m/s] with which an open road is entered."""
SEED = 20
"""Of the changes of a car."""
NEAR, FAR = 0.01, 0.03
"""Least and largest change of a number of a car that is a neighbour."""
SOLVERS = ("structured", "ipopt")
TEN = (
    "chassis.mass", "chassis.cg_height", "chassis.front_mass_share", "chassis.roll_stiffness_front_share",
    "tyres.front.grip_scale", "tyres.rear.grip_scale", "aero.drag_area", "aero.downforce_area", "brakes.front_share",
    "driveline.efficiency",
)  # fmt: skip
"""The numbers of a car that are changed."""


@dataclass(frozen=True)
class Took:
    """Seconds by the clock, and of the processor."""

    wall: float
    cpu: float


def timed(call: Callable[[], T]) -> tuple[T, Took]:
    """What a call returns, and what it took."""
    began, worked = time.perf_counter(), time.process_time()
    found = call()
    return found, Took(time.perf_counter() - began, time.process_time() - worked)


def medians(times: Sequence[Took]) -> Took:
    """Medians of both kinds of seconds."""
    return Took(statistics.median(t.wall for t in times), statistics.median(t.cpu for t in times))


def names(folder: str) -> list[str]:
    """Names of the files that ship in a folder."""
    return sorted(path.stem for path in (ROOT / folder).glob("*.yaml"))


def circuit(name: str) -> Track:
    """A shipped circuit, or a made-up one of so many kilometres by a name such as ``ring:5.2``."""
    kind, _, size = name.partition(":")
    return ring(float(size)) if kind == "ring" else load_track(ROOT / "tracks" / f"{name}.yaml")


def car(name: str) -> AnyVehicle:
    """A shipped car."""
    return load_vehicle(ROOT / "vehicles" / f"{name}.yaml")


def entry(track: Track) -> EndState | None:
    """How the road is entered when it is open."""
    return None if track.closed else EndState(speed=ENTRY)


def ring(kilometres: float) -> Track:
    """A made-up circuit of about that length: the same three bends over and over, closed by its symmetry."""
    count = max(2, round(kilometres / 0.65))
    last = math.radians(30.0) + 2.0 * math.pi / count
    motif = (
        Straight(160.0),
        Arc(60.0, math.radians(70.0), 20.0, 20.0),
        Straight(60.0),
        Arc(40.0, math.radians(-100.0), 15.0, 15.0),
        Straight(120.0),
        Arc(50.0, last, 15.0, 15.0),
        Straight(80.0),
    )
    half = (Station(0.0, 5.5),)
    return build_track(TrackDefinition(f"ring of {count}", True, ElementLine(motif * count), half, half))


def changed(vehicle: AnyVehicle, factors: dict[str, float]) -> AnyVehicle:
    """The car with some of its numbers multiplied."""
    numbers = flatten(vehicle)
    return substitute(vehicle, {name: numbers[name] * factor for name, factor in factors.items()})


def drawn(rng: np.random.Generator, least: float, most: float) -> dict[str, float]:
    """Factors for ``TEN``, each between ``least`` and ``most`` away from 1, up or down."""
    away = rng.uniform(least, most, len(TEN)) * rng.choice([-1.0, 1.0], len(TEN))
    return dict(zip(TEN, (1.0 + away).tolist(), strict=True))


def table(heads: Sequence[str], words: Sequence[int] = (16,)) -> Callable[..., None]:
    """Print the heads of a table; the rows of the same widths are printed by what is returned.

    The first columns have the widths ``words`` and begin at the left; floats are shown with the digits that matter.
    """
    widths = [*words, *(max(len(head) + 1, 9) for head in heads[len(words) :])]

    def row(*cells: Any) -> None:
        texts = [cell if isinstance(cell, str) else number(cell) for cell in cells]
        texts = [
            text.ljust(w) if i < len(words) else text.rjust(w)
            for i, (text, w) in enumerate(zip(texts, widths, strict=True))
        ]
        print("".join(texts).rstrip(), flush=True)

    row(*heads)
    return row


def number(value: float) -> str:
    """Whole numbers as they are, others with three digits or more."""
    if isinstance(value, int) or not math.isfinite(value):
        return str(value)
    if abs(value) < 5e-7:
        return "0"
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(digits, 6)}f}"


def title(text: str) -> None:
    """A line above a table."""
    print(f"\n{text}", flush=True)


def environment() -> dict[str, str]:
    """Of a process that is timed: one thread, and compiled Python modules kept as they are for a user."""
    one = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"} | one
