"""How often a cold start ends in a checked answer: random closed circuits, every shipped car in turn.

Each circuit follows from its seed alone, so a failed case can be drawn again: ``--seed`` and ``--start`` pick the first,
``--count`` how many.
"""

from __future__ import annotations

import argparse
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from lapwright.errors import InputError, NoSolutionError
from lapwright.inputs.files import load_vehicle
from lapwright.reference.solve import ReferenceLap, solve_lap
from lapwright.solver.solution import Progress
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
ROW = "{:>5} {:<15} {:>8} {:>8} {:<8} {:>8} {:>6} {:>10} {:>7} {:>12}"
DRAWS = 400
"""Circuits drawn for one case before the generator itself is at fault."""


def circuit(seed: int) -> Track:
    """The first valid circuit that follows from ``seed``."""
    rng = np.random.default_rng(seed)
    for _ in range(DRAWS):
        length = float(np.exp(rng.uniform(np.log(SHORTEST), np.log(LONGEST))))
        line = polygon(rng, length) if rng.random() < 0.6 else wave(rng, length)
        if line is None:
            continue
        try:
            bare = build_track(
                TrackDefinition(f"random {seed}", True, line, (Station(0.0, 3.5),), (Station(0.0, 3.5),))
            )
            if not SHORTEST <= bare.length <= LONGEST or bare.report.radius_min < TIGHTEST:
                continue
            return build_track(dressed(rng, bare, line))
        except InputError:
            continue
    raise RuntimeError(f"no valid circuit in {DRAWS} draws from seed {seed}")


def polygon(rng: np.random.Generator, length: float) -> ElementLine | None:
    """A random star-shaped polygon with its corners rounded by clothoid, arc, clothoid; None when the corners do not fit."""
    count = int(rng.integers(3, 6 + int(length / 400.0)))
    angle = 2.0 * np.pi * (np.arange(count) + rng.uniform(-0.35, 0.35, count)) / count
    corner = rng.uniform(0.35, 1.0, count) * np.exp(1j * angle)
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


def dressed(rng: np.random.Generator, bare: Track, line: ElementLine | PointLine) -> TrackDefinition:
    """The circuit with hills, banks and changing widths."""
    length = bare.length
    count = max(int(length / 30.0), 12)
    at = np.arange(count) / count * length
    fastest = 75.0 if length > 1500.0 else 50.0
    sharpest = LIFT * GRAVITY / fastest**2
    height = series(rng, at, length, max(2, int(length / 400.0)))
    grid = np.append(height, height[:2])
    step = length / count
    slope, bend = np.max(np.abs(np.diff(grid))) / step, np.max(np.abs(np.diff(grid, 2))) / step**2
    height *= rng.uniform(0.0, 1.0) * min(sharpest / bend, 0.10 / slope)
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
    """What became of one case."""

    status: str = "failed"
    sentence: str = ""
    seconds: float = 0.0
    result: ReferenceLap | None = None
    stages: dict[str, int] = field(default_factory=dict)

    def note(self, stage: str, progress: Progress) -> None:
        """Count the iterations of each stage, also of a case that fails."""
        self.stages[stage] = progress.iteration


def attempt(track: Track, vehicle: object) -> Outcome:
    """Solve one case from nothing."""
    outcome = Outcome()
    # Processor time: other work on the machine must not count.
    began = time.process_time()
    try:
        outcome.result = solve_lap(track, vehicle, progress=outcome.note)  # type: ignore[arg-type]
        outcome.status = "solved"
    except (NoSolutionError, InputError) as error:
        outcome.sentence = str(error)
    except Exception:
        outcome.status, outcome.sentence = "CRASHED", traceback.format_exc()
    outcome.seconds = time.process_time() - began
    return outcome


def main() -> int:
    """Run the cases; 1 when any failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=60, help="cases (default 60)")
    parser.add_argument("--seed", type=int, default=1000, help="seed of case 0 (default 1000)")
    parser.add_argument("--start", type=int, default=0, help="first case (default 0)")
    parser.add_argument("--car", choices=CARS, help="this car only, in place of each in turn")
    args = parser.parse_args()
    folder = Path(__file__).resolve().parent.parent / "vehicles"
    cars = {name: load_vehicle(folder / f"{name}.yaml") for name in CARS}
    heads = ("seed", "car", "length_m", "radius_m", "status", "lap_s", "stages", "iterations", "cpu_s")
    print(ROW.format(*heads, "mesh_error_s"))
    outcomes = []
    for number in range(args.start, args.start + args.count):
        seed, name = args.seed + number, args.car or CARS[number % len(CARS)]
        track = circuit(seed)
        outcome = attempt(track, cars[name])
        outcomes.append(outcome)
        lap, error = "-", "-"
        if outcome.result:
            lap, error = f"{outcome.result.time:.3f}", f"{outcome.result.mesh_error.total:.4f}"
        size, tightest = f"{track.length:.0f}", f"{track.report.radius_min:.1f}"
        iterations, seconds = sum(outcome.stages.values()), f"{outcome.seconds:.1f}"
        stages = len(outcome.stages)
        row = (seed, name, size, tightest, outcome.status, lap, stages, iterations, seconds, error)
        print(ROW.format(*row), flush=True)
        if outcome.sentence:
            tried = ", ".join(f"{stage}: {count}" for stage, count in outcome.stages.items())
            print(
                f"      stages and iterations: {tried}\n      " + outcome.sentence.replace("\n", "\n      "),
                flush=True,
            )
    return total(outcomes)


def total(outcomes: list[Outcome]) -> int:
    """Print the sums; 1 when any case failed."""
    solved = [outcome for outcome in outcomes if outcome.status == "solved"]
    crashed = sum(outcome.status == "CRASHED" for outcome in outcomes)
    print(
        f"{len(solved)} of {len(outcomes)} solved, {len(outcomes) - len(solved) - crashed} failed, {crashed} crashed"
    )
    if solved:
        seconds = np.array([outcome.seconds for outcome in solved])
        iterations = np.array([sum(outcome.stages.values()) for outcome in solved])
        print(
            f"median of those solved: {np.median(seconds):.1f} s of processor time, {np.median(iterations):.0f} iterations"
        )
        print(
            f"worst of those solved: {seconds.max():.1f} s of processor time, {iterations.max()} iterations"
        )
        print(
            f"took more than a coarse and a graded mesh: {sum(len(outcome.stages) > 2 for outcome in solved)}"
        )
    return 0 if len(solved) == len(outcomes) else 1


if __name__ == "__main__":
    raise SystemExit(main())
