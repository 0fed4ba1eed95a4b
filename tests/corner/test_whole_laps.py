"""What a section says a habit or a mistake costs, against whole laps on which it is imposed: nothing priced, nothing cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from coupe_on_marrow_fen import known, lap, reading, section

from lapwright.corner import impose
from lapwright.corner.section import carried
from lapwright.problem.lap import lap_problem
from lapwright.problem.section import confined
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.solution import Start
from lapwright.solver.structured import solve_structured
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.nlp import transcribe


def without_trail(name):
    return impose.off_by(known(name), reading(name).turn_in.at)


def slower(name):
    return impose.slowest_lower(known(name), 3.0 / 3.6)


def section_loss(name, imposed):
    outcome = section(name).changed(imposed)
    assert outcome.status == "driven"
    return outcome.drive.cost - section(name).base.cost


def lap_time(problem, nodes):
    old = lap()[1].solution
    nlp = transcribe(problem, Mesh(nodes), 2, old.nlp.functions)
    solution = solve_structured(nlp, carried(old, nlp))
    assert solution.status.solved
    return solution.time()


@pytest.mark.parametrize("habit", [without_trail, slower])
@pytest.mark.parametrize("name", ["Gate", "Oxbow"])
def test_a_section_loses_what_the_lap_loses(name, habit):
    """On the lap's own mesh, halved, with a node where the bound has its corner: a metre there is worth 10 ms."""
    _, result, _ = lap()
    imposed, stretch = habit(name), section(name).stretch

    def inside(bound, free):
        return lambda s: np.where((s > stretch.start) & (s < stretch.end), bound(s), free)

    bound = imposed.bound
    bound = replace(bound, lower=inside(bound.lower, -np.inf), upper=inside(bound.upper, np.inf))
    mesh = result.solution.nlp.mesh
    nodes = mesh.split(np.full(mesh.intervals, 2)).nodes
    if imposed.corner is not None:
        nodes = nodes.copy()
        nodes[np.argmin(np.abs(nodes - imposed.corner))] = imposed.corner
    problem = lap_problem(lap()[0], result.vehicle)
    lost = lap_time(confined(problem, [bound]), nodes) - lap_time(problem, nodes)
    assert section_loss(name, imposed) == pytest.approx(lost, rel=0.03)


@pytest.mark.parametrize("habit", [without_trail, lambda name: impose.entry_later(known(name), 5.0)])
def test_another_solver_from_another_start_finds_the_same_loss(habit):
    """IPOPT, from the lap as it is and with no multipliers."""
    made, imposed = section("Gate"), habit("Gate")
    first = made._nodes_before(imposed.begin)[0]
    problem = made._from_node(confined(made.problem, [imposed.bound]), first)
    nlp = transcribe(problem, made._mesh(first, imposed.corner), 2, made.nlp.functions)
    solution = solve_ipopt(nlp, Start(nlp.pack(lap()[2].guess())))
    assert solution.status.solved
    before = made.base.solution.interval_times()[:first].sum()
    out = made.worth @ (solution.states[-1] - made.base.solution.states[-1])
    loss = before + solution.time() + out - made.base.cost
    assert section_loss("Gate", imposed) == pytest.approx(loss, abs=2e-4)
