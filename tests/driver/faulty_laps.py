"""Laps of the full car on the main circuit with faults imposed, as a driver would have driven them: solved, not measured."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from lapwright.corner.section import carried
from lapwright.driver.pricing import Pricer
from lapwright.driver.session import WHOLE, DriverLap, Noise
from lapwright.inputs.files import load_track, load_vehicle
from lapwright.lap.corners import corner_reports
from lapwright.lap.resample import lap_at
from lapwright.problem.lap import lap_problem
from lapwright.problem.section import confined
from lapwright.reference.channels import lap_of
from lapwright.reference.kept import keep
from lapwright.reference.solve import solve_lap
from lapwright.solver.structured import solve_structured
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.nlp import transcribe

ROOT = Path(__file__).parents[2]
HAS = frozenset({"line", "brake", "throttle", "steering", "speed"})


@cache
def reference():
    """Track, reference lap, what is kept of it, and the sections to price on."""
    track = load_track(ROOT / "tracks" / "marrow-fen.yaml")
    result = solve_lap(track, load_vehicle(ROOT / "vehicles" / "cup-coupe.yaml"))
    known = keep(result, track)
    return track, result, known, Pricer(track, known, corner_reports(known.lap, track))


def grid():
    track = reference()[0]
    return np.linspace(0.0, track.length, int(np.ceil(track.length)) + 1)


@cache
def target():
    return lap_at(reference()[2].lap, grid())


def driven(lap, **changes):
    """A lap as if it had been logged without noise."""
    drive = DriverLap(
        "made up", "made-up.csv", 1, 0.0, WHOLE, "", lap.time, replace(lap, kind="driver"), HAS,
        noise=Noise(across=0.02, along=0.05, speed=0.02, brake=0.002, throttle=0.002),
    )  # fmt: skip
    return replace(drive, **changes)


def with_faults(faults):
    """The quickest lap with faults in some corners: ``faults`` maps a corner to a function from Known to Imposed."""
    track, result, _, pricer = reference()
    nodes = result.solution.nlp.mesh.nodes.copy()
    bounds = []
    for corner, fault in faults.items():
        section, known = pricer.section(corner)
        imposed, stretch = fault(known), section.stretch
        assert stretch.start >= 0.0 and stretch.end <= track.length

        def inside(bound, free, stretch=stretch):
            return lambda s: np.where((s > stretch.start) & (s < stretch.end), bound(s), free)

        bound = imposed.bound
        bounds.append(replace(bound, lower=inside(bound.lower, -np.inf), upper=inside(bound.upper, np.inf)))
        if imposed.corner is not None:
            nodes[np.argmin(np.abs(nodes - imposed.corner))] = imposed.corner
    problem = confined(lap_problem(track, result.vehicle), bounds)
    nlp = transcribe(problem, Mesh(nodes), 2, result.solution.nlp.functions)
    solution = solve_structured(nlp, carried(result.solution, nlp))
    assert solution.status.solved
    return lap_at(lap_of(solution, track, result.vehicle), grid())
