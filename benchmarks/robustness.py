"""How often a cold start ends in a checked answer: random closed circuits, every shipped car in turn.

Each circuit follows from its seed alone, so a failed case can be drawn again: ``--seed`` and ``--start`` pick the first,
``--count`` how many. Also shown is the solver that answered: the structured interior point alone, or IPOPT as its fallback.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

import numpy as np

from lapwright.errors import InputError, NoSolutionError
from lapwright.inputs.files import load_vehicle
from lapwright.reference.solve import WAYS, solve_lap
from lapwright.solver.solution import Solution
from lapwright.track.build import build_track
from lapwright.track.definition import (
    Arc,
    ElementLine,
    PointLine,
    Station,
    Straight,
    TrackDefinition,
)
from lapwright.track.track import Track

CARS = ("cup-coupe", "club-monoposto", "rally-hatch", "touring-saloon", "teaching-car")
SHORTEST, LONGEST, TIGHTEST = 300.0, 7000.0, 10.0
GRAVITY = 9.81
LIFT = 0.35
"""Share of gravity that a crest may take away at the highest speed."""
KINK = np.radians(5.0)
"""Change of heading of a kink, on the tightest radius there is: a car that cuts it hardly turns."""
KINKS = 4
"""Kinks in a circuit of the harsher kind at the most."""
ROW = "{:>5} {:<15} {:>8} {:>8} {:<8} {:<10} {:>8} {:>6} {:>10} {:>7} {:>12}"
HEADS = (
    "seed", "car", "length_m", "radius_m", "status", "solver", "lap_s", "stages", "iterations", "cpu_s", "mesh_error_s",
)  # fmt: skip
DRAWS = 400
"""Circuits drawn for one case before the generator itself is at fault."""


def circuit(seed: int, harsh: bool = False) -> Track:
    """The first valid circuit that follows from ``seed``; a harsh one is a polygon with kinks, on steeper hills."""
    rng = np.random.default_rng(seed)
    for _ in range(DRAWS):
        length = float(np.exp(rng.uniform(np.log(SHORTEST), np.log(LONGEST))))
        as_polygon = rng.random() < 0.6
        line = polygon(rng, length, harsh) if harsh or as_polygon else wave(rng, length)
        if line is None:
            continue
        try:
            bare = build_track(
                TrackDefinition(f"random {seed}", True, line, (Station(0.0, 3.5),), (Station(0.0, 3.5),))
            )
            if not SHORTEST <= bare.length <= LONGEST or bare.report.radius_min < TIGHTEST:
                continue
            return build_track(dressed(rng, bare, line, least_hills=0.6 if harsh else 0.0))
        except InputError:
            continue
    raise RuntimeError(f"no valid circuit in {DRAWS} draws from seed {seed}")


def polygon(rng: np.random.Generator, length: float, kinked: bool = False) -> ElementLine | None:
    """A random star-shaped polygon with its corners rounded by clothoid, arc, clothoid; None when the corners do not fit.

    A kinked one has its longest edges broken outwards or inwards by ``KINK``, with a bend there as tight and short as can be.
    """
    count = int(rng.integers(3, 6 + int(length / 400.0)))
    angle = 2.0 * np.pi * (np.arange(count) + rng.uniform(-0.35, 0.35, count)) / count
    corner = rng.uniform(0.35, 1.0, count) * np.exp(1j * angle)
    kink = np.zeros(count, dtype=bool)
    if kinked:
        corner, kink = broken(rng, corner)
        count = len(corner)
    edge = np.roll(corner, -1) - corner
    factor = length / float(np.sum(np.abs(edge)))
    edge *= factor
    turn = np.angle(edge / np.roll(edge, 1))
    size = np.abs(edge)
    room = 0.48 * np.minimum(size, np.roll(size, 1))
    bends = []
    tangent = np.zeros(count)
    for i in range(count):
        radius = TIGHTEST * 1.02 * float(np.exp(rng.uniform(0.0, 2.7)))
        ramp_share = rng.uniform(0.1, 0.9)
        if kink[i]:
            radius, ramp_share = TIGHTEST * 1.02, 0.2
        for _ in range(40):
            ramp = ramp_share * abs(turn[i]) * radius
            bend = Arc(radius, float(turn[i]), ramp, ramp)
            tangent[i] = tangent_length(bend)
            if tangent[i] <= room[i]:
                break
            radius *= 0.9
        if tangent[i] > room[i] or radius < TIGHTEST:
            return None
        bends.append(bend)
    straight = size - tangent - np.roll(tangent, -1)
    # The line lies on the straight before the first bend.
    share = rng.uniform(0.2, 0.8)
    elements: list[Straight | Arc] = [Straight(float(share * straight[-1]))]
    for i in range(count):
        rest = float(straight[i]) if i < count - 1 else float((1.0 - share) * straight[-1])
        elements += [bends[i], Straight(rest)]
    return ElementLine(tuple(elements))


def broken(rng: np.random.Generator, corner: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A polygon with corners of ``KINK`` added in the middle of its longest edges, and which corners those are."""
    edge = np.roll(corner, -1) - corner
    chosen = np.sort(np.argsort(-np.abs(edge))[: int(rng.integers(2, KINKS + 1))])
    aside = 0.5 * np.tan(0.5 * KINK) * rng.choice([-1.0, 1.0], len(chosen))
    middles = corner[chosen] + edge[chosen] * (0.5 + 1j * aside)
    return np.insert(corner, chosen + 1, middles), np.insert(np.zeros(len(corner), bool), chosen + 1, True)


def tangent_length(bend: Arc) -> float:
    """Distance from either end of a symmetric bend to where its tangents meet."""
    total = bend.radius * abs(bend.angle) + bend.ramp_in
    s = np.linspace(0.0, total, 4001)
    rise = np.clip(np.minimum(s, total - s) / max(bend.ramp_in, 1e-9), 0.0, 1.0) / bend.radius
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (rise[1:] + rise[:-1]) * np.diff(s))])
    end = np.trapezoid(np.exp(1j * heading), s)
    return float(abs(end) / (2.0 * np.cos(0.5 * bend.angle)))


def wave(rng: np.random.Generator, length: float) -> PointLine:
    """Surveyed points on a closed curve whose distance from its middle is a random Fourier series."""
    highest = int(rng.integers(2, 5 + int(length / 500.0)))
    order = np.arange(1, highest + 1)
    phi = np.linspace(0.0, 2.0 * np.pi, 4001)
    size = rng.uniform(0.0, 0.45, highest) / order**0.7
    shape = 1.0 + np.sum(
        size[:, None] * np.cos(order[:, None] * phi + rng.uniform(0, 2 * np.pi, (highest, 1))), axis=0
    )
    curve = np.maximum(shape, 0.15) * np.exp(1j * phi)
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(curve)))])
    scale = length / along[-1]
    count = max(int(length / 8.0), 40)
    at = np.arange(count) / count * along[-1]
    points = scale * (np.interp(at, along, curve.real) + 1j * np.interp(at, along, curve.imag))
    points += rng.normal(0.0, 0.03, count) + 1j * rng.normal(0.0, 0.03, count)
    return PointLine(tuple((float(p.real), float(p.imag)) for p in points))


def dressed(
    rng: np.random.Generator, bare: Track, line: ElementLine | PointLine, least_hills: float = 0.0
) -> TrackDefinition:
    """The circuit with hills, banks and changing widths; hills are at least that share of the highest allowed."""
    length = bare.length
    count = max(int(length / 30.0), 12)
    at = np.arange(count) / count * length
    fastest = 75.0 if length > 1500.0 else 50.0
    sharpest = LIFT * GRAVITY / fastest**2
    height = series(rng, at, length, max(2, int(length / 400.0)))
    grid = np.append(height, height[:2])
    step = length / count
    slope, bend = np.max(np.abs(np.diff(grid))) / step, np.max(np.abs(np.diff(grid, 2))) / step**2
    height *= rng.uniform(least_hills, 1.0) * min(sharpest / bend, 0.10 / slope)
    bank = np.radians(rng.uniform(0.0, 6.0)) * series(rng, at, length, max(2, int(length / 300.0)))
    left, right = (
        np.clip(
            rng.uniform(4.0, 6.5)
            + rng.uniform(0.0, 1.5) * series(rng, at, length, max(2, int(length / 200.0))),
            3.5,
            7.0,
        )
        for _ in range(2)
    )

    def stations(values: np.ndarray) -> tuple[Station, ...]:
        return tuple(Station(float(a), float(v)) for a, v in zip(at, values, strict=True))

    return TrackDefinition(
        bare.name, True, line, stations(left), stations(right), stations(height), stations(bank)
    )


def series(rng: np.random.Generator, at: np.ndarray, length: float, highest: int) -> np.ndarray:
    """A random periodic function with a largest value of one."""
    order = np.arange(1, highest + 1)
    size = rng.normal(size=highest) / order
    phase = rng.uniform(0.0, 2.0 * np.pi, highest)
    value = np.sum(
        size[:, None] * np.cos(2.0 * np.pi * order[:, None] * at / length + phase[:, None]), axis=0
    )
    return np.asarray(value / np.max(np.abs(value)))


@dataclass
class Outcome:
    """What became of one case; ``solves`` are (solver, status, iterations, intervals), one after the other."""

    seed: int
    car: str
    length: float = 0.0
    radius: float = 0.0
    status: str = "failed"
    sentence: str = ""
    seconds: float = 0.0
    lap: float | None = None
    mesh_error: float | None = None
    solves: list[tuple[str, str, int, int]] = field(default_factory=list)

    @property
    def iterations(self) -> int:
        """Iterations of all solves."""
        return sum(count for _, _, count, _ in self.solves)

    @property
    def solver(self) -> str:
        """Which solver answered: the last one asked."""
        return self.solves[-1][0] if self.status == "solved" else "-"

    def noted(self, name: str, solve: Callable[..., Solution]) -> Callable[..., Solution]:
        """A solver that leaves a note of how each solve went, also of a case that fails."""

        def noting(*args: Any, **words: Any) -> Solution:
            solution = solve(*args, **words)
            intervals = solution.nlp.mesh.intervals
            self.solves.append((name, solution.status.name, solution.iterations, intervals))
            return solution

        return noting


def refused(*_: Any, **__: Any) -> Solution:
    """In the place of IPOPT when there is to be no fallback."""
    raise NoSolutionError("the structured interior point came to no answer")


def case(number: int, seed: int, car: str | None, harsh: bool, fallback: bool) -> Outcome:
    """Solve one case from nothing."""
    outcome = Outcome(seed + number, car or CARS[number % len(CARS)])
    vehicle = load_vehicle(Path(__file__).resolve().parent.parent / "vehicles" / f"{outcome.car}.yaml")
    track = circuit(outcome.seed, harsh)
    outcome.length, outcome.radius = track.length, track.report.radius_min
    noted = {
        name: replace(way, solve=outcome.noted(name, way.solve if fallback or name != "ipopt" else refused))
        for name, way in WAYS.items()
    }
    # Processor time: other work on the machine must not count.
    began = time.process_time()
    try:
        with patch.dict(WAYS, noted):
            result = solve_lap(track, vehicle)
        outcome.status, outcome.lap, outcome.mesh_error = "solved", result.time, result.mesh_error.total
    except (NoSolutionError, InputError) as error:
        outcome.sentence = str(error)
    except Exception:
        outcome.status, outcome.sentence = "CRASHED", traceback.format_exc()
    outcome.seconds = time.process_time() - began
    return outcome


def show(outcome: Outcome) -> None:
    """One row of the table; the solves and the sentence of a case that failed or needed the fallback."""
    lap = "-" if outcome.lap is None else f"{outcome.lap:.3f}"
    error = "-" if outcome.mesh_error is None else f"{outcome.mesh_error:.4f}"
    size = f"{outcome.length:.0f}", f"{outcome.radius:.1f}"
    effort = len(outcome.solves), outcome.iterations, f"{outcome.seconds:.1f}"
    print(
        ROW.format(outcome.seed, outcome.car, *size, outcome.status, outcome.solver, lap, *effort, error),
        flush=True,
    )
    if outcome.solver != "structured":
        tried = "; ".join(
            f"{name} on {intervals}: {status} after {count}"
            for name, status, count, intervals in outcome.solves
        )
        print("      " + "\n".join([tried, outcome.sentence]).strip().replace("\n", "\n      "), flush=True)


def main() -> int:
    """Run the cases; 1 when any failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=60, help="cases (default 60)")
    parser.add_argument("--seed", type=int, default=1000, help="seed of case 0 (default 1000)")
    parser.add_argument("--start", type=int, default=0, help="first case (default 0)")
    parser.add_argument("--car", choices=CARS, help="this car only, in place of each in turn")
    parser.add_argument(
        "--harsh", action="store_true", help="circuits with kinks of 5 degrees, on steeper hills"
    )
    parser.add_argument("--no-fallback", action="store_true", help="the structured interior point or nothing")
    parser.add_argument("--jobs", type=int, default=1, help="processes side by side (default 1)")
    args = parser.parse_args()
    print(ROW.format(*HEADS), flush=True)
    solve = partial(case, seed=args.seed, car=args.car, harsh=args.harsh, fallback=not args.no_fallback)
    numbers = range(args.start, args.start + args.count)
    outcomes = []
    with multiprocessing.get_context("spawn").Pool(args.jobs) as pool:
        for outcome in pool.imap_unordered(solve, numbers):
            show(outcome)
            outcomes.append(outcome)
    return total(outcomes)


def total(outcomes: list[Outcome]) -> int:
    """Print the sums; 1 when any case failed."""
    solved = [outcome for outcome in outcomes if outcome.status == "solved"]
    crashed = sum(outcome.status == "CRASHED" for outcome in outcomes)
    alone = sum(outcome.solver == "structured" for outcome in solved)
    print(
        f"{len(solved)} of {len(outcomes)} solved, {alone} of them by the structured interior point alone, "
        f"{len(solved) - alone} by the fallback; {len(outcomes) - len(solved) - crashed} failed, {crashed} crashed"
    )
    if solved:
        seconds = np.array([outcome.seconds for outcome in solved])
        iterations = np.array([outcome.iterations for outcome in solved])
        print(
            f"median of those solved: {np.median(seconds):.2f} s of processor time, {np.median(iterations):.0f} iterations"
        )
        print(
            f"worst of those solved: {seconds.max():.2f} s of processor time, {iterations.max()} iterations"
        )
        print(
            f"took more than a coarse and a graded mesh: {sum(len(outcome.solves) > 2 for outcome in solved)}"
        )
        print(
            f"a solve did not end in an answer on the way: {sum(not_first_time(outcome) for outcome in solved)}"
        )
    return 0 if len(solved) == len(outcomes) else 1


def not_first_time(outcome: Outcome) -> bool:
    """Whether another guess, a solve afresh or the fallback was needed."""
    return any(status != "solved" for _, status, _, _ in outcome.solves)


if __name__ == "__main__":
    raise SystemExit(main())
