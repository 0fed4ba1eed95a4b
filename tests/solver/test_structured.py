"""The structured interior point on the sprint: closed form, central path, what it says at the end, interrupts."""

from __future__ import annotations

import os
import signal
import threading
from functools import cache

import numpy as np
import pytest
from straight_sprint import ENTRY, PULL, begin, best_time, sprint, too_fast_an_end

from lapwright.quantities import G
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.solution import Solution, Start
from lapwright.solver.structured import solve_structured


@cache
def solved() -> Solution:
    return solve_structured(sprint(), begin())


def products(found: Solution, point: Start | None = None) -> np.ndarray:
    """Slack times multiplier of every limit and of every bound that is there, over the weight of its point.

    The weight is the point's share of the road times the number of points.
    """
    nlp = found.nlp
    layout = nlp.layout
    x, rows, bounds = (
        (found.x, found.row_multipliers, found.bound_multipliers)
        if point is None
        else (point.x, point.row_multipliers, point.bound_multipliers)
    )
    metres = nlp.mesh.steps[:, None, None] * nlp.collocation.weights[None, :, None]
    weight = metres / metres.mean()
    limits = -nlp.evaluator.rows(x, found.p)[layout.limits] * rows[layout.limits] / weight
    places = layout.states
    free = (nlp.lower < nlp.upper)[places]
    pull = bounds[places]
    room = np.where(pull > 0.0, (nlp.upper - x)[places], (x - nlp.lower)[places])
    # Far from both bounds the two pulls cancel in part: only what is near one tells its own product.
    near = free & (room < 1e-2)
    return np.concatenate([limits.ravel(), (room * np.abs(pull) / weight)[near]])


def test_uniform_acceleration():
    found = solved()
    assert found.status.solved and found.status.name == "solved"
    assert found.time() == pytest.approx(best_time(), abs=2e-5)
    speeds, exact = found.states[:-1, 2], np.sqrt(ENTRY**2 + 2.0 * PULL * sprint().mesh.nodes[:-1])
    assert speeds == pytest.approx(exact, abs=1e-3)
    assert found.objective == pytest.approx(found.time(), abs=1e-12)


@pytest.mark.parametrize("speed", [5.0, 40.0, 120.0])
def test_where_it_starts_does_not_matter(speed):
    found = solve_structured(sprint(), begin(speed))
    assert found.status.solved
    assert found.time() == pytest.approx(solved().time(), abs=1e-6)


def test_multipliers_are_those_of_the_lagrangian():
    """Gradient of cost + multipliers . rows + bound multipliers vanishes, with the signs that are written down."""
    found, nlp = solved(), sprint()
    e, p = nlp.evaluator, nlp.parameters
    pattern = e.jacobian_pattern
    column = np.repeat(np.arange(nlp.layout.size), np.diff(pattern.starts))
    pull = np.bincount(
        column, e.jacobian(found.x, p) * found.row_multipliers[pattern.rows], minlength=nlp.layout.size
    )
    free = nlp.lower < nlp.upper
    np.testing.assert_allclose(
        (e.gradient(found.x, p) + pull + found.bound_multipliers)[free], 0.0, atol=1e-6
    )
    assert np.max(np.abs(found.bound_multipliers[~free])) == 0.0
    limits = found.row_multipliers[nlp.layout.limits]
    assert limits.min() > 0.0
    acceleration = [limit.name for limit in nlp.problem.model.limits].index("acceleration")
    assert limits[..., acceleration].ravel()[:-1].min() > 1e-4
    assert np.delete(limits, acceleration, axis=-1).max() < 1e-5


@pytest.mark.parametrize("barrier", [1e-2, 1e-4, 3e-6])
def test_central_path(barrier):
    """On it every slack times its multiplier is the barrier parameter (Waechter & Biegler 2006, eq. (4) [from memory])."""
    found = solve_structured(sprint(), begin(), barrier_target=barrier)
    assert found.status.solved
    assert found.history["barrier"][-1] == pytest.approx(barrier)
    # The last barrier problem is solved when they are within one parameter of it.
    assert np.max(np.abs(products(found) - barrier)) < 1.1 * barrier
    assert np.median(products(found)) == pytest.approx(barrier, rel=0.2)
    assert found.time() > solved().time()


def test_points_on_the_way():
    """Decreasing barriers, each kept when its conditions hold to within twenty times the parameter."""
    found = solved()
    barriers = np.array([point.barrier for point in found.path])
    assert len(barriers) >= 4
    assert np.all(np.diff(barriers) < 0.0)
    assert barriers[-1] == 1e-7
    for point in found.path:
        size = products(found, point)
        assert np.all(np.abs(size - point.barrier) < 21.0 * point.barrier)
    last = found.path[-1]
    np.testing.assert_array_equal(last.x, found.x)
    np.testing.assert_array_equal(last.row_multipliers, found.row_multipliers)
    np.testing.assert_array_equal(last.bound_multipliers, found.bound_multipliers)


def test_other_numbers_of_the_car():
    nlp = sprint()
    names = list(nlp.problem.model.parameters)
    values = nlp.problem.model.values.copy()
    values[names.index("accel_limit")] = 5.0 / G
    found = solve_structured(nlp, begin(), p=nlp.with_values(values))
    assert found.time() == pytest.approx(best_time(5.0), abs=2e-5)
    np.testing.assert_array_equal(found.p, nlp.with_values(values))
    assert solve_structured(nlp, begin()).time() == solved().time()


def test_history_and_progress_tell_the_same():
    seen = []
    found = solve_structured(sprint(), begin(), progress=seen.append)
    assert [p.iteration for p in seen] == list(range(found.iterations + 1))
    for name in ("objective", "violation", "dual_violation", "barrier"):
        assert len(found.history[name]) == found.iterations + 1
    assert [p.objective for p in seen] == found.history["objective"].tolist()
    assert [p.violation for p in seen] == found.history["violation"].tolist()
    assert seen[0].violation > 1e-3 > seen[-1].violation
    assert np.all(np.diff(found.history["barrier"]) <= 0.0)
    assert np.all((found.history["step"] > 0.0) & (found.history["step"] <= 1.0))
    # The end is held against the general evaluator, which shares no code with the loop but the model.
    rows = sprint().evaluator.rows(found.x, found.p)
    broken = np.maximum(rows - sprint().row_upper, sprint().row_lower - rows)
    assert np.max(broken) < 1e-6
    assert found.objective == pytest.approx(sprint().evaluator.objective(found.x, found.p), rel=1e-12)


def test_unknowns_are_strictly_inside_their_bounds():
    found, nlp = solved(), sprint()
    free = nlp.lower < nlp.upper
    assert np.all((found.x > nlp.lower)[free] & (found.x < nlp.upper)[free])
    np.testing.assert_array_equal(found.x[~free], nlp.lower[~free])


def test_running_out_of_iterations_is_a_value_with_words():
    found = solve_structured(sprint(), begin(), max_iterations=2)
    assert not found.status.solved
    assert found.iterations == 2
    assert found.status.words == "the iterations ran out"
    assert "--max-iterations" in found.status.advice


def test_what_cannot_be_done_is_not_called_solved():
    found = solve_structured(too_fast_an_end(), begin(), max_iterations=300)
    assert not found.status.solved
    assert found.status.words and found.status.advice
    assert np.all(np.isfinite(found.x))
    # Other solvers agree that there is no way.
    assert solve_ipopt(too_fast_an_end(), begin(), max_iterations=300).status.name == "infeasible"


def test_what_is_no_number_is_said():
    nlp = sprint()
    values = nlp.problem.model.values.copy()
    values[list(nlp.problem.model.parameters).index("accel_limit")] = np.nan
    found = solve_structured(nlp, begin(), p=nlp.with_values(values))
    assert found.status.name == "invalid number"
    assert not found.status.solved
    assert found.iterations == 0
    assert found.status.words and found.status.advice


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_it_and_comes_out_as_an_exception(number):
    before = signal.getsignal(number)
    seen = []

    def progress(step):
        seen.append(step.iteration)
        if step.iteration == 2:
            os.kill(os.getpid(), number)

    with pytest.raises(KeyboardInterrupt):
        solve_structured(sprint(), begin(), progress=progress)
    assert seen == [0, 1, 2]
    assert signal.getsignal(number) is before


def test_a_callback_may_raise_to_stop():
    seen = []

    def progress(step):
        seen.append(step.iteration)
        if step.iteration == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        solve_structured(sprint(), begin(), progress=progress)
    assert seen == [0, 1, 2, 3]


def test_any_other_error_of_a_callback_comes_out_as_it_is():
    before = signal.getsignal(signal.SIGINT)

    def progress(step):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        solve_structured(sprint(), begin(), progress=progress)
    assert signal.getsignal(signal.SIGINT) is before


def test_it_solves_on_another_thread_too():
    found = []
    thread = threading.Thread(target=lambda: found.append(solve_structured(sprint(), begin())))
    thread.start()
    thread.join(60.0)
    assert found[0].time() == solved().time()


def test_the_gap_of_the_barrier():
    """What is left to gain, by slacks times multipliers of what is active, is what the cost still falls by."""
    best = solve_structured(sprint(), begin(), tolerance=1e-10)
    for tolerance, share in ((1e-5, 0.25), (1e-6, 0.1)):
        found = solve_structured(sprint(), begin(), tolerance=tolerance)
        assert found.barrier_gap == pytest.approx(found.objective - best.objective, rel=share)
