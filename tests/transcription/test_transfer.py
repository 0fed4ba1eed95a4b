"""Solutions carried between meshes: nothing changes on the same mesh, polynomials survive any other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lapwright.problem.lap import EndState, lap_problem
from lapwright.problem.model import Problem
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.nlp import Nlp, transcribe
from lapwright.transcription.transfer import carry_multipliers, carry_unknowns
from lapwright.vehicle.parameters import FrictionCircle

WIDTH = (Station(0.0, 6.0),)


def problem_of(closed: bool, per_point: bool = True) -> Problem:
    elements = tuple(Arc(60.0, np.pi / 2.0) for _ in range(4)) if closed else (Straight(200.0),)
    track = build_track(TrackDefinition("Road", closed, ElementLine(elements), WIDTH, WIDTH))
    problem = lap_problem(track, FrictionCircle("Point", 1.3), None if closed else EndState(20.0))
    model = replace(problem.model, controls_per_point=per_point)
    return replace(problem, model=model, start_values={}, end_values={})


def nlp_of(problem: Problem, intervals: int, degree: int = 2, seed: int = 0) -> Nlp:
    """An uneven mesh whose nodes are no round numbers."""
    shares = np.random.default_rng(seed).uniform(0.5, 1.5, intervals)
    nodes = np.concatenate([[0.0], np.cumsum(shares / shares.sum())]) * problem.length
    nodes[-1] = problem.end
    return transcribe(problem, Mesh(nodes), degree)


def inside(nlp: Nlp, seed: int) -> np.ndarray:
    """Random unknowns within the bounds."""
    low, high = np.clip(nlp.lower, -1.0, 1.0), np.clip(nlp.upper, -1.0, 1.0)
    return low + (high - low) * np.random.default_rng(seed).uniform(0.1, 0.9, len(low))


@pytest.mark.parametrize("closed", [True, False])
@pytest.mark.parametrize("per_point", [True, False])
@pytest.mark.parametrize("degree", [1, 2, 4])
def test_same_mesh_is_the_identity(closed, per_point, degree):
    nlp = nlp_of(problem_of(closed, per_point), 37, degree)
    x = inside(nlp, 1)
    np.testing.assert_allclose(carry_unknowns(nlp, x, nlp), x, atol=1e-11)
    rng = np.random.default_rng(2)
    rows, bounds = rng.normal(size=nlp.layout.rows), rng.normal(size=nlp.layout.size)
    carried_rows, carried_bounds = carry_multipliers(nlp, rows, bounds, nlp)
    np.testing.assert_allclose(carried_rows, rows, rtol=1e-9, atol=1e-11)
    np.testing.assert_allclose(carried_bounds, bounds, rtol=1e-9, atol=1e-11)


def with_states(nlp: Nlp, curve) -> np.ndarray:
    x = np.zeros(nlp.layout.size)
    for i in range(len(nlp.problem.model.states)):
        x[nlp.layout.nodes[:, i]] = curve(i, nlp.mesh.nodes / nlp.mesh.nodes[-1])
        x[nlp.layout.states[..., i]] = curve(i, nlp.stations / nlp.mesh.nodes[-1])
    return x


@pytest.mark.parametrize("degree", [1, 2, 3])
@pytest.mark.parametrize(("before", "after"), [(5, 13), (13, 4)])
def test_polynomials_of_the_degree_are_carried_exactly(degree, before, after):
    problem = problem_of(False)
    old, new = nlp_of(problem, before, degree, 1), nlp_of(problem, after, degree, 2)

    def curve(i, t):
        return 0.4 + 0.1 * i - 0.3 * t ** max(degree - i, 0)

    found = carry_unknowns(old, with_states(old, curve), new)
    wanted = with_states(new, curve)
    states = np.concatenate([new.layout.nodes.ravel(), new.layout.states.ravel()])
    np.testing.assert_allclose(found[states], wanted[states], atol=1e-12)


def test_another_degree_of_collocation_takes_the_same_polynomial():
    problem = problem_of(False)
    old, new = nlp_of(problem, 6, 2, 1), nlp_of(problem, 7, 4, 2)
    found = carry_unknowns(old, with_states(old, lambda i, t: 0.2 + 0.3 * t * t), new)
    wanted = 0.2 + 0.3 * (new.stations / 200.0) ** 2
    for i in range(3):
        np.testing.assert_allclose(found[new.layout.states[..., i]], wanted, rtol=1e-12)


def test_controls_straight_over_the_road_stay_straight():
    problem = problem_of(False)
    old, new = nlp_of(problem, 9, 2, 1), nlp_of(problem, 14, 2, 2)
    x = with_states(old, lambda i, t: 0.5 + 0.0 * t)
    x[old.layout.controls] = (old.stations / 200.0)[..., None] * np.array([1.0, -0.5])
    between = np.clip(new.stations, old.stations[0, 0], None) / 200.0
    found = carry_unknowns(old, x, new)[new.layout.controls]
    np.testing.assert_allclose(found, between[..., None] * np.array([1.0, -0.5]), atol=1e-12)


def test_held_controls_are_those_of_the_interval_they_come_from():
    problem = problem_of(False, per_point=False)
    old = nlp_of(problem, 8, 2, 1)
    new = transcribe(problem, old.mesh.split(np.ones(8, dtype=bool)), 2)
    x = with_states(old, lambda i, t: 0.5 + 0.0 * t)
    held = np.random.default_rng(4).uniform(-1.0, 1.0, (8, 2))
    x[old.layout.controls[:, 0]] = held
    np.testing.assert_allclose(
        carry_unknowns(old, x, new)[new.layout.controls[:, 0]], np.repeat(held, 2, axis=0), atol=1e-14
    )


def test_what_is_carried_stays_within_the_bounds():
    problem = problem_of(False)
    old, new = nlp_of(problem, 5, 3, 1), nlp_of(problem, 21, 3, 2)
    x = np.where(np.random.default_rng(3).uniform(size=old.layout.size) > 0.5, 1e3, -1e3)
    found = carry_unknowns(old, np.clip(x, old.lower, old.upper), new)
    assert np.all(found >= new.lower) and np.all(found <= new.upper)


def test_multipliers_keep_their_weight_per_metre():
    """One density everywhere: the sum over the road is the same on any mesh, defects are the adjoint itself."""
    problem = problem_of(False)
    old, new = nlp_of(problem, 10, 2, 1), nlp_of(problem, 17, 3, 2)

    def spread(nlp: Nlp) -> tuple[np.ndarray, np.ndarray]:
        metres = (nlp.mesh.steps[:, None] * nlp.collocation.weights)[..., None]
        rows, bounds = np.zeros(nlp.layout.rows), np.zeros(nlp.layout.size)
        rows[nlp.layout.limits] = 0.3 * metres
        rows[nlp.layout.defects] = 0.7 * nlp.collocation.weights[None, :, None]
        bounds[nlp.layout.states] = bounds[nlp.layout.controls] = -0.2 * metres
        return rows, bounds

    found_rows, found_bounds = carry_multipliers(old, *spread(old), new)
    wanted_rows, wanted_bounds = spread(new)
    np.testing.assert_allclose(found_rows, wanted_rows, atol=1e-13)
    np.testing.assert_allclose(found_bounds, wanted_bounds, atol=1e-13)
    assert found_rows[new.layout.limits[..., 0]].sum() == pytest.approx(0.3 * 200.0)


@pytest.mark.parametrize("closed", [True, False])
def test_half_the_distance_from_a_bound_is_kept(closed):
    """However a polynomial swings between two points: the distance to a bound is no less than half of what it was there."""
    problem = problem_of(closed)
    old, new = nlp_of(problem, 6, 3, 1), nlp_of(problem, 41, 2, 2)
    rng = np.random.default_rng(8)
    room = 10.0 ** rng.uniform(-6.0, -1.0, old.layout.size)
    side = rng.uniform(size=old.layout.size) > 0.5
    x = np.where(side, old.upper - room, old.lower + room)
    x = np.where(np.isfinite(x), x, 0.0)
    found = carry_unknowns(old, x, new)
    for i in range(3):
        places, theirs = old.layout.states[..., i].ravel(), new.layout.states[..., i].ravel()
        for distance, carried in (
            ((x - old.lower)[places], (found - new.lower)[theirs]),
            ((old.upper - x)[places], (new.upper - found)[theirs]),
        ):
            # Between two points the carried distance is no less than half of the smaller of both.
            here = np.searchsorted(old.stations.ravel(), new.stations.ravel())
            before, after = np.clip(here - 1, 0, None), np.clip(here, None, len(distance) - 1)
            least = np.minimum(distance[before], distance[after])
            finite = np.isfinite(least)
            assert np.all(carried[finite] >= 0.5 * least[finite] * (1.0 - 1e-9))


def test_what_is_fixed_is_carried_as_it_is():
    problem = replace(problem_of(False), start_values={"u": 20.0, "n": 1.0}, end_values={"u": 12.0})
    old, new = nlp_of(problem, 6, 2, 1), nlp_of(problem, 15, 2, 2)
    found = carry_unknowns(old, inside(old, 3), new)
    first, last = new.layout.nodes[0], new.layout.nodes[-1]
    assert (found * new.scale)[first[2]] == pytest.approx(20.0)
    assert (found * new.scale)[first[0]] == pytest.approx(1.0)
    assert (found * new.scale)[last[2]] == pytest.approx(12.0)


def test_a_road_that_narrows_leaves_the_middle():
    """Where half the old distances from both sides do not fit any more there is one place left."""
    problem = problem_of(False)
    old = nlp_of(problem, 6, 2, 1)
    new = nlp_of(problem, 9, 2, 2)
    n = new.layout.states[..., 0]
    lower, upper = new.lower.copy(), new.upper.copy()
    lower[n], upper[n] = 0.30, 0.32
    narrow = replace(new, lower=lower, upper=upper)
    x = inside(old, 5)
    x[old.layout.states[..., 0]] = 0.0
    found = carry_unknowns(old, x, narrow)
    np.testing.assert_allclose(found[n], 0.31, atol=1e-12)
