"""Sweeps made by hand, for the tests of table, text and figures: lap times from a smooth made-up formula.

Nothing in them was measured or solved. A front brake share of ``SHARE`` and a rear wing of ``WING`` are fastest.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from lapwright.problem.lap import EndState
from lapwright.reference.solve import LapOptions
from lapwright.study.cases import (
    COLD,
    FAULT,
    LOST,
    NEAR,
    NO_SOLUTION,
    SOLVED,
    Axis,
    Case,
    CaseResult,
    CornerNumbers,
    Study,
)
from lapwright.track.track import Track

SHARE, WING = 0.62, 7.0
"""Where the made-up lap time is least."""

LEAST = 87.4
"""Lap time there [s]."""

BRAKES = Axis("vehicle.brakes.front_share", "brakes.front_share", False, 0.5, 0.7)
REAR_WING = Axis("vehicle.aero.rear_wing_deg", "rear_wing [deg]", False, 2.0, 12.0)
MASS = Axis("vehicle.chassis.mass_kg", "mass [kg]", False, 1180.0, 1320.0)
LOCK = Axis("vehicle.driveline.differential.type", "differential.type", True, 0.0, 0.0)
GRIP = Axis("conditions.grip_scale", "grip_scale", False, 0.9, 1.05)
BASE = {BRAKES.name: 0.58, REAR_WING.name: 5.0, MASS.name: 1240.0, LOCK.name: "open", GRIP.name: 1.0}

TYPES = ("open", "limited slip", "locked")
MORE = {"open": 0.25, "limited slip": 0.0, "locked": 0.4}
"""What a differential adds [s]."""


def made_time(values: dict[str, float | str | None]) -> float:
    """The made-up lap time [s]: a bowl in brakes and wing, a slope in mass and grip, steps for the differential."""
    said = {**BASE, **{name: value for name, value in values.items() if value is not None}}
    share, wing = said[BRAKES.name] - SHARE, said[REAR_WING.name] - WING
    time = LEAST + 40.0 * share**2 + 0.02 * wing**2 + 0.3 * share * wing
    time += 0.004 * (said[MASS.name] - BASE[MASS.name]) - 18.0 * (said[GRIP.name] - 1.0)
    return time + MORE[said[LOCK.name]] - MORE[BASE[LOCK.name]]


def made_corners(track: Track, time: float, told: Sequence[str] = ()) -> tuple[CornerNumbers, ...]:
    """A lap's corners, every second one without braking."""
    return tuple(
        CornerNumbers(corner.name, 0.05 * time + k, None if k % 2 else 80.0 - 0.5 * time + k, 20.0 + 2.5 * k)
        for k, corner in enumerate(track.corners)
        if not told or corner.name in told
    )


def one_in(many: int) -> Callable[[int], str]:
    """Every so many cases one that has no answer, each time for another reason."""
    return lambda number: (
        (NO_SOLUTION, FAULT, LOST)[number // many % 3] if number and number % many == 0 else SOLVED
    )


WORDS = {
    NO_SOLUTION: "no lap was found: the solver stopped after 400 iterations\nat 1234.5 m the car leaves the road",
    FAULT: 'brakes.front_share, "rear" and front: together more than 1',
    LOST: "the process that worked on it died twice",
}


def made_study(
    track: Track,
    axes: Sequence[Axis],
    values: Sequence[tuple[float | str | None, ...]],
    plan: str = "grid",
    pairs: Sequence[tuple[str, str]] = (("fen-loop", "cup-coupe"),),
    fate: Callable[[int], str] = lambda number: SOLVED,
    corners: tuple[str, ...] = (),
    base: tuple[float | str | None, ...] | None = None,
) -> tuple[Study, list[CaseResult]]:
    """A study and its results; ``fate`` says what becomes of a case by its number."""
    current = tuple(BASE[axis.name] for axis in axes) if base is None else base
    cases, results = [], []
    for pair, (circuit, car) in enumerate(pairs):
        for number, row in enumerate([current, *values]):
            key = f"{pair}-{number}"
            cases.append(Case(number, circuit, car, row, 0, None, EndState(), EndState(), key))
            status = fate(number)
            named = {axis.name: value for axis, value in zip(axes, row, strict=True)}
            time = made_time(named) + 5.0 * pair
            if status == SOLVED:
                told = made_corners(track, time, corners)
                begun = NEAR if number else COLD
                results.append(CaseResult(key, SOLVED, "", time, 0.0031, 40 + number, begun, 0.5, told))
            else:
                begun = COLD if status == NO_SOLUTION else ""
                tried = 400 if status == NO_SOLUTION else 0
                results.append(CaseResult(key, status, WORDS[status], iterations=tried, begun=begun))
    study = Study(
        "Brakes and wing (invented)", plan, tuple(axes), (track,), tuple(cases), LapOptions(), corners
    )
    firsts = [k for k, case in enumerate(cases) if case.number == 0]
    order = firsts + [k for k in range(len(cases)) if k not in firsts]
    return replace(study, cases=tuple(cases[k] for k in order)), [results[k] for k in order]


def grid(*levels: Sequence[float | str]) -> list[tuple[float | str, ...]]:
    """Every combination, the last axis running fastest."""
    return list(itertools.product(*levels))


def hypercube(axes: Sequence[Axis], count: int, seed: int = 5) -> list[tuple[float | str, ...]]:
    """Random samples, each axis cut in ``count`` slices with one sample in each (McKay, Beckman & Conover 1979)."""
    random = np.random.default_rng(seed)
    columns: list[list[float | str]] = []
    for axis in axes:
        u = (random.permutation(count) + random.random(count)) / count
        if axis.words:
            columns.append([TYPES[int(v * len(TYPES))] for v in u])
        else:
            columns.append([float(v) for v in axis.low + u * (axis.high - axis.low)])
    return list(zip(*columns, strict=True))
