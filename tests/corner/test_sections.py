"""A section of a lap against the lap, its worth at the end against longer sections, and changed sections."""

from __future__ import annotations

import numpy as np
import pytest
from coupe_on_marrow_fen import known, lap, reading, report, section

from lapwright.corner import impose
from lapwright.corner.card import make_booklet
from lapwright.corner.impose import Imposed
from lapwright.corner.section import OFF_ROAD, carried
from lapwright.corner.stretch import stretch_of
from lapwright.lap.corners import corner_reports
from lapwright.lap.unrolled import unroll
from lapwright.problem.model import Corridor
from lapwright.solver.structured import solve_structured
from lapwright.transcription.nlp import transcribe

CORNERS = (
    "Gate",
    "Heron",
    "Windmill",
    "Sluice",
    "Pound",
    "Reeds",
    "Alder",
    "Oxbow",
    "Kiln",
    "Ferry",
    "Long Acre",
)


@pytest.mark.parametrize("name", CORNERS)
def test_a_section_is_driven_as_the_lap(name):
    """Two solves of the same corner, meshes of 1 to 2 m and of 5.5 m."""
    made = section(name)
    road, own, stretch = unroll(lap()[2].lap), made.base.lap, made.stretch
    rows = (own.s >= stretch.corner_start) & (own.s <= stretch.corner_end)
    assert np.max(np.abs(own.speed[rows] - np.interp(own.s[rows], road.s, road.speed))) < 0.2
    whole = road.at("t", stretch.end) - road.at("t", stretch.start)
    assert made.base.time == pytest.approx(whole, abs=5e-3)
    assert made.base.mesh_error < 2e-3


@pytest.mark.parametrize("name", CORNERS)
def test_a_section_begins_before_its_corner_and_ends_after_it(name):
    stretch = section(name).stretch
    assert stretch.start < stretch.entry - 15.0 and stretch.entry <= stretch.corner_start + 1e-9
    assert stretch.corner_end <= stretch.fine_end <= stretch.end
    steps = section(name).nlp.mesh.steps
    nodes = section(name).nlp.mesh.nodes
    fine = (nodes[:-1] > stretch.entry) & (nodes[1:] < stretch.fine_end)
    assert np.all(steps[fine] <= 2.0 + 1e-9) and steps.max() <= 8.0 + 1e-9


def test_a_section_may_run_across_the_line():
    """Long Acre ends 140 m before the line, and the next braking is 630 m behind it."""
    stretch = section("Long Acre").stretch
    assert stretch.end > lap()[0].length + 500.0


def test_nothing_imposed_changes_nothing():
    made = section("Oxbow")
    again = made.changed()
    assert again.status == "driven"
    assert again.drive.cost == pytest.approx(made.base.cost, abs=1e-5)


@pytest.mark.parametrize(
    "imposed",
    [
        lambda k: impose.entry_earlier(k, 0.0),
        lambda k: impose.entry_later(k, 0.0),
        lambda k: impose.peak_lower(k, 0.0),
        lambda k: impose.off_by(k, k.off),
        lambda k: impose.held_until(k, k.off - impose.EASE),
        lambda k: impose.slowest_lower(k, 0.0),
        lambda k: impose.throttle_later(k, 0.0),
    ],
)
def test_imposing_what_is_done_anyway_costs_next_to_nothing(imposed):
    outcome = section("Gate").changed(imposed(known("Gate")))
    assert outcome.status == "driven"
    assert outcome.drive.cost - section("Gate").base.cost == pytest.approx(0.0, abs=5e-5)


@pytest.mark.parametrize(
    ("name", "late"), [("Pound", 20.0), ("Pound", 40.0), ("Gate", 30.0), ("Oxbow", 30.0)]
)
def test_a_bound_that_no_car_can_keep_is_told_with_place_and_size(name, late):
    """So late on the brake that the car leaves the road."""
    made, taken = section(name), known(name)
    outcome = made.changed(impose.entry_later(taken, late))
    assert outcome.status == "off the road"
    assert outcome.drive is None
    assert outcome.off_by > OFF_ROAD
    assert made.stretch.entry < outcome.off_at < made.stretch.corner_end + 50.0


def test_a_demand_against_the_physics_is_not_called_off_the_road():
    """A speed that the engine cannot give is a demand that fails anywhere, on the road or off it."""
    made = section("Pound")
    fast = Corridor(
        "u", lambda s: np.where(s > 1990.0, 90.0, 3.0), lambda s: np.full(np.shape(s), np.inf), "too fast", ""
    )
    outcome = made.changed(Imposed(fast))
    assert outcome.status == "not solved"
    assert outcome.words


def test_speed_is_worth_what_a_faster_start_gains():
    """The price of a metre a second, from the multipliers of the lap, against a section entered slower and faster."""
    made = section("Windmill")
    k = int(np.searchsorted(made.nlp.mesh.nodes, made.stretch.entry - 30.0))
    node = made.nlp.mesh.nodes[k]
    kept = lap()[2]
    u = [state.name for state in made.problem.model.states].index("u")
    costs = []
    for step in (-0.2, 0.2):
        problem = made._from_node(made.problem, k)
        problem.start_values["u"] += step
        nlp = transcribe(problem, made._mesh(k, None), 2, made.nlp.functions)
        solution = solve_structured(nlp, carried(made.base.solution, nlp))
        assert solution.status.solved
        out = made.worth @ (solution.states[-1] - made.base.solution.states[-1])
        costs.append(solution.time() + float(out))
    worth = np.interp(node, kept.nodes, kept.worth[:, u])
    assert worth < 0.0
    assert (costs[1] - costs[0]) / 0.4 == pytest.approx(worth, rel=0.02)


def test_the_stretch_of_every_corner_holds_it_whole():
    track, _, kept = lap()
    for corner in corner_reports(kept.lap, track):
        stretch = stretch_of(kept.lap, corner, kept.nodes)
        assert stretch.corner_start == pytest.approx(corner.start)
        found = corner_reports(section(corner.name).base.lap, track)
        assert corner.name in [r.name for r in found]


@pytest.mark.slow
def test_a_booklet_holds_every_corner():
    track, _, kept = lap()
    names = [card.name for card in make_booklet(track, kept)]
    assert names == list(CORNERS)
    assert report("Gate").name == "Gate" and reading("Gate").name == "Gate"
