"""Cases solved one from another: the order, and every answer against the lap that is solved by itself."""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from lapwright.inputs.files import load_track, load_vehicle
from lapwright.problem.lap import EndState
from lapwright.reference.solve import LapOptions, solve_lap
from lapwright.study.cases import COLD, COLD_AFTER, FAULT, NEAR, NO_SOLUTION, SOLVED, Axis, Case, Step, Study
from lapwright.study.run import sweep
from lapwright.study.solving import Bench, steps_of, sweep_options

ROOT = Path(__file__).resolve().parents[2]
SHARES = (0.60, 0.62, 0.64, 0.66, 0.68, 0.70)


@lru_cache(maxsize=1)
def bowl():
    return load_track(ROOT / "tracks" / "tarn-bowl.yaml"), load_vehicle(ROOT / "vehicles" / "cup-coupe.yaml")


def with_share(vehicle, share):
    return replace(vehicle, brakes=replace(vehicle.brakes, front_share=share))


def case(number, values, vehicle, track=0, fault="", start=None):
    return Case(
        number,
        "tarn-bowl",
        "cup-coupe",
        values,
        track,
        vehicle,
        start or EndState(),
        EndState(),
        str(number),
        fault,
    )


def study_of(cases, tracks=None, axes=("vehicle.brakes.front_share",), **more):
    track, _ = bowl()
    made = tuple(
        Axis(name, name, False, min(c.values[i] for c in cases), max(c.values[i] for c in cases))
        for i, name in enumerate(axes)
    )
    return Study("made for a test", "grid", made, tracks or (track,), tuple(cases), LapOptions(**more))


def shares(*values, **more):
    _, vehicle = bowl()
    cases = [case(0, (0.65,), vehicle)]
    cases += [case(k, (v,), with_share(vehicle, v)) for k, v in enumerate(values, 1)]
    return study_of(cases, **more)


def solved(study, steps=None):
    bench, starts, answers = Bench(study), {}, {}
    for step in steps or steps_of(study):
        answer = bench.solve(step, starts)
        answers[step.case] = answer.result
        if answer.start is not None:
            starts[step.case] = answer.start
    return answers, starts


def test_every_case_is_one_step_and_what_it_begins_from_comes_before():
    rng = np.random.default_rng(3)
    _, vehicle = bowl()
    cases = [case(0, (0.5, 0.5), vehicle)]
    cases += [case(k, tuple(map(float, v)), vehicle) for k, v in enumerate(rng.random((300, 2)), 1)]
    study = study_of(cases, axes=("a", "b"))
    steps = steps_of(study)
    assert sorted(step.case for step in steps) == list(range(301))
    done = set()
    for step in steps:
        assert set(step.near) <= done
        done.add(step.case)
    kept = {step.case for step in steps if step.keep}
    assert {i for step in steps for i in step.near} == kept
    assert steps[0] == Step(0, (), True)
    # Those that others begin from lie no farther apart than chance would put them: each case has one near it.
    places = np.array([c.values for c in cases])
    far = [np.linalg.norm(places[s.case] - places[s.near[0]]) for s in steps if s.near and not s.keep]
    assert max(far) < 0.2
    assert len(kept) < 0.2 * len(cases)


def test_a_case_begins_from_the_nearest_that_is_kept():
    _, vehicle = bowl()
    values = np.linspace(0.0, 1.0, 201)
    cases = [case(0, (0.0,), vehicle)] + [case(k, (float(v),), vehicle) for k, v in enumerate(values, 1)]
    study = study_of(cases, axes=("a",))
    steps = steps_of(study)
    kept = np.array([cases[s.case].values[0] for s in steps if s.keep])
    for step in steps:
        if not step.keep and step.near:
            here = cases[step.case].values[0]
            assert abs(cases[step.near[0]].values[0] - here) == pytest.approx(np.abs(kept - here).min())


def test_cars_of_another_form_and_other_ends_are_groups_of_their_own():
    _, vehicle = bowl()
    line = vehicle.driveline
    open_one = replace(vehicle, driveline=replace(line, differential=replace(line.differential, type="open")))
    cases = [
        case(0, (0.0,), vehicle),
        case(1, (1.0,), vehicle),
        case(2, (0.0,), open_one),
        case(3, (1.0,), open_one),
    ]
    steps = {step.case: step for step in steps_of(study_of(cases, axes=("a",)))}
    assert steps[1].near == (0,)
    assert not steps[2].near or not steps[3].near
    assert {i for k in (2, 3) for i in steps[k].near} <= {2, 3}


def test_cases_with_a_fault_are_not_steps():
    _, vehicle = bowl()
    cases = [
        case(0, (0.0,), vehicle),
        case(1, (1.0,), vehicle, fault="too wide"),
        case(2, (1.0,), None, fault="no car"),
    ]
    study = study_of(cases, axes=("a",))
    assert [step.case for step in steps_of(study)] == [0]
    assert Bench(study).solve(Step(1), {}).result.status == FAULT


def test_laps_from_neighbours_are_those_solved_by_themselves():
    """IPOPT and the laps from nothing are held against each other in tests/reference; here the neighbour against nothing."""
    track, vehicle = bowl()
    study = shares(*SHARES)
    answers, _ = solved(study)
    assert answers[0].begun == COLD
    assert {answers[k].begun for k in range(1, len(SHARES) + 1)} == {NEAR}
    options = sweep_options(track.length, study.options)
    for k, share in enumerate(SHARES, 1):
        alone = solve_lap(track, with_share(vehicle, share), options=options)
        assert answers[k].status == SOLVED
        # Two meshes, each graded by a lap of its own: within what both say they are wrong by at most.
        assert answers[k].lap_time == pytest.approx(
            alone.time, abs=answers[k].mesh_error + alone.mesh_error.total
        )
        assert answers[k].lap_time == pytest.approx(alone.time, abs=4e-3)
    assert all(a.mesh_error <= 0.01 for a in answers.values())


def test_the_same_numbers_to_the_last_digit_in_any_order():
    study = shares(*SHARES)
    answers, starts = solved(study)
    steps = steps_of(study)
    ready = [s for s in steps if s.keep]
    shuffled = ready + [s for s in reversed(steps) if not s.keep]
    again, _ = solved(study, shuffled)
    for i, answer in answers.items():
        assert replace(again[i], seconds=0.0) == replace(answer, seconds=0.0)
    # A bench that has seen nothing else gives the same for one step alone.
    last = next(s for s in steps if s.near)
    alone = Bench(study).solve(last, starts)
    assert replace(alone.result, seconds=0.0) == replace(answers[last.case], seconds=0.0)


def test_a_mesh_that_is_too_coarse_for_a_case_is_split():
    study = shares(0.60, tolerance=0.0105, mesh=11.0)
    answers, _ = solved(study)
    strict = replace(study, options=replace(study.options, tolerance=0.8 * answers[1].mesh_error))
    _, starts = solved(study, steps_of(study)[:1])
    found = Bench(strict).solve(steps_of(study)[1], starts).result
    assert found.begun == NEAR
    assert found.mesh_error <= strict.options.tolerance < answers[1].mesh_error
    assert found.iterations > answers[1].iterations


def test_a_neighbour_that_leads_nowhere_is_told():
    _, vehicle = bowl()
    study = shares(0.60)
    _, starts = solved(study, steps_of(study)[:1])
    tyres = vehicle.tyres
    weak = replace(
        vehicle,
        tyres=replace(
            tyres, front=replace(tyres.front, grip_scale=0.35), rear=replace(tyres.rear, grip_scale=0.35)
        ),
    )
    far = replace(study, cases=(study.cases[0], replace(study.cases[1], vehicle=weak)))
    found = Bench(far).solve(steps_of(study)[1], starts).result
    assert found.status == SOLVED
    assert found.begun in (NEAR, COLD_AFTER)
    alone = solve_lap(bowl()[0], weak, options=sweep_options(bowl()[0].length, LapOptions()))
    assert found.lap_time == pytest.approx(alone.time, abs=0.02)


def test_a_case_without_an_answer_says_why():
    """A road entered far too fast for its first bend has no lap; the row says so and holds no number."""
    track, vehicle = load_track(ROOT / "tracks" / "gannet-rise.yaml"), bowl()[1]
    fast = replace(case(1, (0.0,), vehicle, start=EndState(speed=95.0)), circuit="gannet-rise")
    study = study_of([fast], tracks=(track,), axes=("a",))
    found = Bench(study).solve(Step(0), {}).result
    assert found.status == NO_SOLUTION
    assert "no solution" in found.words and "Chapel" in found.words
    assert found.lap_time is None and found.mesh_error is None and not found.corners


def test_corners_of_a_lap_are_those_of_its_reading():
    track, vehicle = bowl()
    answers, _ = solved(shares(0.60), steps_of(shares(0.60))[:1])
    assert [c.name for c in answers[0].corners] == [c.name for c in track.corners]
    lap = solve_lap(track, vehicle).lap
    slowest = {c.name: c.slowest_speed for c in answers[0].corners}
    for corner in track.corners:
        rows = (lap.s >= corner.start) & (lap.s <= corner.end)
        if rows.any() and corner.start < corner.end:
            assert slowest[corner.name] == pytest.approx(lap.speed[rows].min(), abs=0.3)


def test_a_sweep_from_python_has_the_numbers_of_its_cases_one_by_one():
    study = shares(0.62)
    answers, _ = solved(study)
    for place, found in enumerate(sweep(study, workers=1)):
        assert replace(found, seconds=0.0) == replace(answers[place], seconds=0.0)
