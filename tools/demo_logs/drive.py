"""From faults to a drive: the lap that an invented driver intends, and what the replay car makes of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from demo_logs.faults import KINDS, Fault

from lapwright.corner.impose import Known
from lapwright.corner.reading import read_corner
from lapwright.corner.section import carried
from lapwright.corner.stretch import stretch_of
from lapwright.inputs.files import load_track, load_vehicle
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.lap.lap import Array, Lap
from lapwright.lap.resample import lap_at, piece
from lapwright.problem.lap import lap_problem
from lapwright.problem.model import Corridor
from lapwright.problem.section import confined
from lapwright.quantities import DEG
from lapwright.reference.channels import lap_of
from lapwright.reference.kept import KeptLap, keep
from lapwright.reference.solve import LapOptions, ReferenceLap, solve_lap
from lapwright.replay.stint import Busy
from lapwright.solver.structured import solve_structured
from lapwright.track.track import Track
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.nlp import transcribe
from lapwright.vehicle.parameters import Vehicle

ROOT = Path(__file__).parents[2]

MESH = 3.0
"""Mean interval of the laps that are intended [m]: a brake point should not hang on the mesh."""

SAWING = 2.2
"""How often a second busy hands go to and fro [Hz]."""


def grid_of(track: Track) -> Array:
    """Stations a metre apart, from line to line."""
    return np.linspace(0.0, track.length, int(np.ceil(track.length)) + 1)


@dataclass(frozen=True, eq=False)
class Ground:
    """Where and with what: the circuit, the car with its tyres as they are, and the quickest lap of that."""

    track: Track
    vehicle: Vehicle
    result: ReferenceLap

    @cached_property
    def known(self) -> KeptLap:
        """What is kept of the quickest lap."""
        return keep(self.result, self.track)

    @cached_property
    def lap(self) -> Lap:
        """The quickest lap, a row a metre."""
        return lap_at(self.known.lap, grid_of(self.track))

    @cached_property
    def reports(self) -> dict[str, CornerReport]:
        """Its corners by name."""
        return {report.name: report for report in corner_reports(self.lap, self.track)}

    def corner(self, name: str) -> Known:
        """The reference at a corner."""
        lap, report = self.known.lap, self.reports[name]
        stretch = stretch_of(lap, report, self.known.nodes)
        part = piece(lap, stretch.start, stretch.end)
        return Known(part, read_corner(part, self.track, stretch, name), stretch, self.vehicle)


def ground(grip: float = 1.0) -> Ground:
    """Marrow Fen and the Cup coupe, on tyres with so much of their grip."""
    track = load_track(ROOT / "tracks" / "marrow-fen.yaml")
    vehicle = load_vehicle(ROOT / "vehicles" / "cup-coupe.yaml")
    assert isinstance(vehicle, Vehicle)
    front, rear = (
        replace(tyre, grip_scale=grip * tyre.grip_scale) for tyre in (vehicle.tyres.front, vehicle.tyres.rear)
    )
    vehicle = replace(vehicle, tyres=replace(vehicle.tyres, front=front, rear=rear))
    return Ground(track, vehicle, solve_lap(track, vehicle, options=LapOptions(mesh=MESH)))


def intended(on: Ground, faults: Sequence[Fault]) -> Lap:
    """The quickest lap with these faults in it.

    Raises
    ------
    RuntimeError
        When no such lap is found.
    """
    bounds: list[Corridor] = []
    for fault in faults:
        make = KINDS[fault.key].bounds
        if make is not None:
            known = on.corner(fault.corner)
            start, end = known.stretch.start, known.stretch.end
            bounds += [_inside(bound, start, end) for bound in make(on.track, known, fault.size)]
    if not bounds:
        return on.known.lap
    old = on.result.solution
    problem = confined(lap_problem(on.track, on.result.vehicle), bounds)
    nlp = transcribe(problem, Mesh(old.nlp.mesh.nodes), 2, old.nlp.functions)
    solution = solve_structured(nlp, carried(old, nlp), max_iterations=400)
    if not solution.status.solved:
        raise RuntimeError(f"no lap with {faults}: {solution.status}")
    return lap_of(solution, on.track, on.result.vehicle)


def _inside(bound: Corridor, start: float, end: float) -> Corridor:
    def within(values: Callable[[Array], Array], free: float) -> Callable[[Array], Array]:
        return lambda s: np.where((s > start) & (s < end), values(s), free)

    return replace(bound, lower=within(bound.lower, -np.inf), upper=within(bound.upper, np.inf))


def sawing_rate(on: Ground, start: float, end: float) -> float:
    """Angle of the to and fro of busy hands per metre of road [rad/m], at the speed in the middle."""
    return 2.0 * float(np.pi) * SAWING / float(np.interp(0.5 * (start + end), on.lap.s, on.lap.speed))


def busy_hands(on: Ground, faults: Sequence[Fault]) -> Busy | None:
    """What busy hands put on top, from turn-in to where the throttle is full."""
    sawing = [fault for fault in faults if fault.key == "hands_busy"]
    if not sawing:
        return None
    places = []
    for fault in sawing:
        report = on.reports[fault.corner]
        start, end = report.turn_in or report.start, report.end
        speed = float(np.interp(0.5 * (start + end), on.lap.s, on.lap.speed))
        places.append(
            (start, end, 2.0 * np.pi * SAWING / speed, fault.size * DEG / on.vehicle.steering.ratio)
        )

    def busy(s: float) -> float:
        for start, end, rate, size in places:
            if start <= s <= end:
                window = min((s - start) / 10.0, (end - s) / 10.0, 1.0)
                return size * window * float(np.sin(rate * (s - start)))
        return 0.0

    return busy
