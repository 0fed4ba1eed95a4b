"""The difference cut into corners, straights and phases."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from faulty_laps import driven, reference, target, with_faults

from lapwright.corner import impose
from lapwright.corner.section import carried
from lapwright.driver.line import optimum_on_line
from lapwright.driver.shares import running, shares, worth_of_speed
from lapwright.lap.corners import corner_reports
from lapwright.lap.resample import lap_at
from lapwright.solver.structured import solve_structured
from lapwright.transcription.nlp import transcribe

CORNERS = ("Gate", "Pound", "Oxbow")


@cache
def slow_lap():
    """5 km/h too slow in three corners."""
    return with_faults({name: lambda known: impose.slowest_lower(known, 5.0 / 3.6) for name in CORNERS})


@cache
def found():
    track, _, known, _ = reference()
    lap = slow_lap()
    on_line = lap_at(optimum_on_line(track, known, driven(lap)).lap, lap.s)
    run = running(lap, target(), known, on_line)
    return run, shares(run, track, corner_reports(lap, track), corner_reports(target(), track))


def test_the_running_difference_ends_at_that_of_the_lap_times():
    run, _ = found()
    assert run.time[0] == 0.0
    assert run.time[-1] == pytest.approx(slow_lap().time - target().time, abs=1e-9)


@pytest.mark.parametrize("what", ["difference", "line", "inputs", "caused", "driver", "reference"])
def test_parts_add_up_to_the_whole_and_phases_to_their_corner(what):
    run, parts = found()
    wholes = {
        "difference": run.time[-1],
        "line": run.line[-1],
        "inputs": run.time[-1] - run.line[-1],
        "caused": run.value[-1] - run.value[0],
        "driver": slow_lap().time,
        "reference": target().time,
    }
    assert sum(getattr(part, what) for part in parts) == pytest.approx(wholes[what], abs=1e-9)
    for part in parts:
        if part.phases:
            total = sum(getattr(phase, what) for phase in part.phases)
            assert total == pytest.approx(getattr(part, what), abs=1e-9), part.name


def test_parts_lie_end_to_end():
    _, parts = found()
    length = reference()[0].length
    for part, following in zip(parts, parts[1:] + parts[:1], strict=True):
        assert (part.end - following.start) % length == pytest.approx(0.0, abs=1e-6)


def test_what_was_lost_is_booked_where_it_was_made():
    """A lap slow in three corners loses on the straights behind them, but the loss is made in the corners: the costate tells
    (Bryson & Ho, Applied Optimal Control, 1975, ch. 2 [from memory]). The whole is known from the lap times.
    """
    run, parts = found()
    made = {part.name: part.caused for part in parts}
    at_fault = sum(made[name] for name in CORNERS)
    assert at_fault == pytest.approx(run.time[-1], rel=0.06)
    straights = [part for part in parts if part.kind == "straight"]
    assert max(abs(part.caused) for part in straights) < 0.005
    lost, caused = (sum(abs(getattr(part, what)) for part in straights) for what in ("difference", "caused"))
    assert lost > 3.0 * caused


@pytest.mark.parametrize("corner", ["Gate", "Windmill", "Oxbow"])
def test_worth_of_speed_against_sections_entered_faster_and_slower(corner):
    """A central difference of re-solves: the section that begins on the straight before a corner, entered 0.3 m/s faster and
    slower, against the costate of the whole lap there. The section's own end is priced, which was tested against whole laps.
    """
    _, _, known, pricer = reference()
    section = pricer.section(corner)[0]
    costs = []
    for change in (0.3, -0.3):
        values = dict(section.problem.start_values)
        values["u"] += change
        nlp = transcribe(
            replace(section.problem, start_values=values), section.nlp.mesh, 2, section.nlp.functions
        )
        solution = solve_structured(nlp, carried(section.base.solution, nlp))
        assert solution.status.solved
        costs.append(solution.time() + section.worth @ solution.states[-1])
    worth = worth_of_speed(known, np.array([section.stretch.start]))[0]
    assert worth == pytest.approx((costs[0] - costs[1]) / 0.6, rel=0.03)


def test_a_corner_that_begins_before_the_one_ahead_has_ended_takes_over():
    track, _, known, _ = reference()
    lap = target()
    reports = list(corner_reports(lap, track))
    i = [report.name for report in reports].index("Ferry")
    reports[i] = replace(reports[i], lift_at=3150.0, brake_on=3150.0)
    parts = shares(running(lap, lap, known), track, reports, corner_reports(lap, track))
    names = [part.name for part in parts]
    assert "to Ferry" not in names
    kiln, ferry = (parts[names.index(name)] for name in ("Kiln", "Ferry"))
    assert kiln.end == ferry.start == pytest.approx(3145.0)
