"""The optimum on a given line, against closed forms and against the optimum itself."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from faulty_laps import driven, reference, target

from lapwright.driver.line import NARROWEST, optimum_on_line, tube
from lapwright.lap.resample import resample
from lapwright.problem.lap import lap_problem
from lapwright.problem.section import confined
from lapwright.quantities import G
from lapwright.reference.kept import keep
from lapwright.reference.solve import LapOptions, solve_lap
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.solution import Start
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, TrackDefinition
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.nlp import transcribe
from lapwright.vehicle.parameters import FrictionCircle

RADIUS, GRIP = 40.0, 1.2


def test_a_circle_driven_off_the_inside_edge():
    """v^2 = mu g r (any handbook; Milliken 1995 [from memory]): on a line r from the middle, T = 2 pi sqrt(r / (mu g)). The
    car takes the inner side of its tube.
    """
    arcs = ElementLine(tuple(Arc(RADIUS, 0.5 * math.pi) for _ in range(4)))
    road = TrackDefinition("ring", True, arcs, (Station(0.0, 6.0),), (Station(0.0, 6.0),))
    track = build_track(road)
    result = solve_lap(track, FrictionCircle("point", GRIP), options=LapOptions(mesh=2.0, tolerance=1.0))
    known = keep(result, track)
    lap = resample(known.lap, 1.0)
    offset = np.full_like(lap.n, -1.0)
    moved = replace(lap, n=offset, xi=np.zeros_like(lap.n), speed=np.full_like(lap.n, 15.0))
    found = optimum_on_line(track, known, driven(moved, time=60.0))
    assert found is not None and found.half == NARROWEST and found.beyond == 0.0
    r = RADIUS + 1.0 - NARROWEST
    assert found.time == pytest.approx(2.0 * math.pi * math.sqrt(r / (GRIP * G)), abs=2e-3)
    assert known.lap.time == pytest.approx(2.0 * math.pi * math.sqrt((RADIUS - 6.0) / (GRIP * G)), abs=2e-3)


def test_on_its_own_line_the_optimum_is_itself():
    track, _, known, _ = reference()
    found = optimum_on_line(track, known, driven(target()))
    assert found.time == pytest.approx(known.lap.time, abs=0.01)
    assert np.max(np.abs(np.interp(target().s, found.lap.s, found.lap.n) - target().n)) < NARROWEST + 0.03


def test_a_worse_line_costs_and_a_wider_tube_costs_less():
    track, _, known, _ = reference()
    lap = target()
    # 1.2 m off the optimum's line to the inside of the way into Oxbow.
    shift = 1.2 * np.exp(-0.5 * ((lap.s - 2690.0) / 35.0) ** 2)
    moved = replace(lap, n=lap.n - shift)
    narrow = optimum_on_line(track, known, driven(moved))
    wide = driven(moved)
    wide = optimum_on_line(track, known, replace(wide, noise=replace(wide.noise, across=0.25)))
    assert wide.half == 0.5
    assert narrow.time > wide.time > known.lap.time - 0.005
    assert narrow.time > known.lap.time + 0.01


def test_a_line_off_the_road_is_brought_back_and_said():
    track, _, known, _ = reference()
    lap = target()
    off = replace(lap, n=np.where((lap.s > 500.0) & (lap.s < 560.0), 7.5, lap.n))
    found = optimum_on_line(track, known, driven(off))
    assert found is None or found.beyond > 1.0


@pytest.mark.slow
def test_another_solver_from_another_start_finds_the_same_lap_on_a_line():
    """IPOPT, from the reference instead of the driver's lap, in the same tube about a line 1.2 m off before Oxbow."""
    track, result, known, _ = reference()
    lap = target()
    moved = replace(lap, n=lap.n - 1.2 * np.exp(-0.5 * ((lap.s - 2690.0) / 35.0) ** 2))
    found = optimum_on_line(track, known, driven(moved))
    problem = lap_problem(track, known.vehicle, known.start, known.end)
    bound, _ = tube(problem, moved, found.half)
    nlp = transcribe(confined(problem, [bound]), Mesh(known.nodes), 2, result.solution.nlp.functions)
    other = solve_ipopt(nlp, Start(nlp.pack(known.guess())))
    assert other.status.solved
    assert found.time == pytest.approx(other.time(), abs=2e-3)
