"""Two solvers for one lap: they agree, and one answers where the other does not."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from made_up_roads import bean, definition

from lapwright import load_track, load_vehicle
from lapwright.errors import InputError, NoSolutionError
from lapwright.problem.lap import EndState, lap_problem
from lapwright.reference import solve as recipe
from lapwright.reference.guess import first_guess
from lapwright.reference.solve import LapOptions, ReferenceLap, solve_lap
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.solution import Start
from lapwright.solver.structured import solve_structured
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, Straight
from lapwright.transcription.mesh import uniform_mesh
from lapwright.transcription.nlp import Nlp, transcribe
from lapwright.vehicle.parameters import FrictionCircle

ROOT = Path(__file__).parents[2]
CIRCUITS = ("cinder-yard", "gannet-rise", "marrow-fen", "otter-heath", "tarn-bowl")
STEP = 12.0
OURS, OTHER = "structured interior point", "IPOPT"


def test_every_shipped_circuit_is_driven_here():
    assert sorted(CIRCUITS) == sorted(path.stem for path in (ROOT / "tracks").glob("*.yaml"))


def begun(circuit: str, car: str) -> tuple[Nlp, Start]:
    """A circuit on an even mesh, with a cold guess."""
    track = load_track(ROOT / "tracks" / f"{circuit}.yaml")
    vehicle = load_vehicle(ROOT / "vehicles" / f"{car}.yaml")
    start = EndState() if track.closed else EndState(20.0)
    problem = lap_problem(track, vehicle, start)
    nlp = transcribe(problem, uniform_mesh(0.0, track.length, STEP, problem.breaks))
    return nlp, Start(nlp.pack(first_guess(track, vehicle, start, EndState())))


@pytest.mark.parametrize("car", ["cup-coupe", "teaching-car"])
@pytest.mark.parametrize("circuit", CIRCUITS)
def test_both_find_the_same_lap(circuit, car):
    """From one cold guess on one mesh, each on its own (IPOPT: Waechter & Biegler 2006, with MUMPS)."""
    nlp, begin = begun(circuit, car)
    ours, other = solve_structured(nlp, begin), solve_ipopt(nlp, begin)
    assert ours.status.solved and other.status.solved
    assert ours.time() == pytest.approx(other.time(), abs=2e-3)
    assert ours.objective == pytest.approx(other.objective, abs=2e-3)
    u = nlp.problem.model.state_index("u")
    assert np.mean(np.abs(ours.states[:, u] - other.states[:, u])) < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("car", ["club-monoposto", "rally-hatch", "touring-saloon"])
@pytest.mark.parametrize("circuit", CIRCUITS)
def test_the_answer_is_an_optimum_to_ipopt_as_well(circuit, car):
    """IPOPT goes on from it and stays; from the cold guess it comes out no more than 2 ms quicker.

    On so coarse a mesh these cars have more than one optimum, a few ms apart, and ours may be the quicker one.
    """
    nlp, begin = begun(circuit, car)
    ours, other = solve_structured(nlp, begin), solve_ipopt(nlp, begin)
    assert ours.status.solved and other.status.solved
    onward = solve_ipopt(nlp, Start(ours.x, ours.row_multipliers, ours.bound_multipliers, 1e-6))
    assert onward.status.solved
    assert onward.objective == pytest.approx(ours.objective, abs=2e-4)
    u = nlp.problem.model.state_index("u")
    assert np.mean(np.abs(ours.states[:, u] - onward.states[:, u])) < 0.01
    assert ours.objective < other.objective + 2e-3


CAR = FrictionCircle("point", 1.2, 900.0, 0.5, 90e3, 0.3)
QUICK = LapOptions(mesh=6.0, tolerance=0.1)


@cache
def lap(solver: str) -> ReferenceLap:
    return solve_lap(build_track(bean()), CAR, options=replace(QUICK, solver=solver))


def stopped(solve, iterations):
    """A solver that is not let go on."""

    def stops(nlp, start, **options):
        return solve(nlp, start, **{**options, "max_iterations": iterations})

    return stops


@pytest.fixture
def hinder(monkeypatch):
    """Stop solvers, by the name of the option, after some iterations."""

    def hindered(*names, iterations=2):
        for name in names:
            way = recipe.WAYS[name]
            monkeypatch.setitem(recipe.WAYS, name, replace(way, solve=stopped(way.solve, iterations)))

    return hindered


def test_each_alone():
    assert lap("structured").solver == OURS
    assert lap("ipopt").solver == OTHER
    for solver in ("structured", "ipopt"):
        assert {stage.solver for stage in lap(solver).stages} == {lap(solver).solver}
    assert lap("structured").time == pytest.approx(lap("ipopt").time, abs=5e-3)


def test_ipopt_answers_where_the_other_does_not(hinder):
    hinder("structured")
    found = solve_lap(build_track(bean()), CAR, options=QUICK)
    assert found.solver == OTHER
    assert found.solution.status.solved
    assert found.time == pytest.approx(lap("ipopt").time, abs=1e-9)
    solvers = [stage.solver for stage in found.stages]
    tried = solvers.count(OURS)
    assert tried >= 1
    assert solvers == [OURS] * tried + [OTHER] * (len(solvers) - tried)
    for stage in found.stages[:tried]:
        assert stage.status == "not converged" and stage.iterations == 2
    assert found.stages[-1].status == "solved"
    assert found.iterations == sum(stage.iterations for stage in found.stages)


def test_ipopt_takes_over_in_the_middle(monkeypatch):
    """The coarse mesh is solved, the graded one is not, not even afresh."""
    calls = []

    def only_once(nlp, start, **options):
        calls.append(nlp.mesh.intervals)
        most = options["max_iterations"] if len(calls) == 1 else 1
        return solve_structured(nlp, start, **{**options, "max_iterations": most})

    monkeypatch.setitem(recipe.WAYS, "structured", replace(recipe.WAYS["structured"], solve=only_once))
    found = solve_lap(build_track(bean()), CAR, options=QUICK)
    assert len(calls) >= 2
    told = [(stage.solver, stage.status) for stage in found.stages]
    assert told[0] == (OURS, "solved")
    assert told[1 : len(calls)] == [(OURS, "not converged")] * (len(calls) - 1)
    assert {solver for solver, _ in told[len(calls) :]} == {OTHER}
    assert found.solver == OTHER
    assert found.time == pytest.approx(lap("ipopt").time, abs=1e-9)


def test_asked_for_alone_ipopt_does_not_need_the_other(hinder):
    hinder("structured")
    found = solve_lap(build_track(bean()), CAR, options=replace(QUICK, solver="ipopt"))
    assert {stage.solver for stage in found.stages} == {OTHER}


def test_ipopt_is_not_asked_where_the_other_answers(hinder):
    hinder("ipopt")
    assert solve_lap(build_track(bean()), CAR, options=QUICK).time == lap("structured").time


def test_both_failing_is_said_in_words(hinder):
    hinder("structured", "ipopt")
    with pytest.raises(NoSolutionError) as refusal:
        solve_lap(build_track(bean()), CAR, options=QUICK)
    text = str(refusal.value)
    assert text.startswith("no solution")
    assert "the iterations ran out" in text
    assert "Worst at" in text and "What to try: " in text
    # One refusal, not the chain of what was tried before it.
    assert refusal.value.__cause__ is None and refusal.value.__suppress_context__


def test_entered_far_too_fast_both_refuse():
    """50 m/s braked with 1.2 g over 40 m is still 39 m/s at a hairpin of 10 m, where v^2 / R is 15 g."""
    track = build_track(definition([Straight(40.0), Arc(10.0, 3.0, 5.0, 5.0), Straight(30.0)], 3.5))
    for solver in ("structured", "ipopt"):
        with pytest.raises(NoSolutionError) as refusal:
            solve_lap(
                track,
                FrictionCircle("point", 1.2),
                start=EndState(50.0),
                options=LapOptions(mesh=4.0, solver=solver, max_iterations=150),
            )
        assert "--start-speed-mps" in str(refusal.value)


def test_an_unknown_solver_is_refused():
    with pytest.raises(InputError, match="structured or ipopt"):
        LapOptions(solver="magic")
