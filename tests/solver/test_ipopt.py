"""The call of IPOPT: its central path, what it says at the end, progress and interrupts."""

from __future__ import annotations

import os
import signal
import threading
from functools import cache
from math import sqrt

import numpy as np
import pytest
from straight_sprint import ENTRY, LENGTH, PULL, begin, sprint, too_fast_an_end

from lapwright.quantities import G
from lapwright.solver.interrupt import noted_interrupts
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.solution import Start
from lapwright.solver.status import IPOPT_STATUS, ipopt_status


@cache
def solved():
    return solve_ipopt(sprint(), begin())


def test_uniform_acceleration():
    """v^2 = v0^2 + 2 a s and t = (v - v0) / a."""
    found = solved()
    last = sqrt(ENTRY**2 + 2.0 * PULL * LENGTH)
    assert found.status.solved and found.status.name == "solved"
    assert found.time() == pytest.approx((last - ENTRY) / PULL, abs=1e-5)
    # The control of the very last point has no weight in the time of a free end: of Radau's two points it moves one up and
    # the other down.
    speeds, exact = found.states[:-1, 2], np.sqrt(ENTRY**2 + 2.0 * PULL * sprint().mesh.nodes[:-1])
    assert speeds == pytest.approx(exact, abs=1e-3)
    assert found.objective == pytest.approx(found.time(), abs=1e-12)


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
    limits = found.row_multipliers[nlp.layout.limits]
    assert limits.min() > -1e-9
    acceleration = [limit.name for limit in nlp.problem.model.limits].index("acceleration")
    assert limits[..., acceleration].ravel()[:-1].min() > 1e-4
    assert np.delete(limits, acceleration, axis=-1).max() < 1e-5


def test_central_path():
    """On it every slack times its multiplier is the barrier parameter (Waechter & Biegler 2006, eq. (4) [from memory])."""
    barrier = 1e-3
    found, nlp = solve_ipopt(sprint(), begin(), barrier_target=barrier), sprint()
    assert found.status.solved
    rows = nlp.evaluator.rows(found.x, found.p)[nlp.layout.limits]
    products = -rows * found.row_multipliers[nlp.layout.limits]
    # A stop on the way is taken when the products are within ten times the parameter.
    assert np.all(products > 0.2 * barrier)
    assert np.all(products < 11.0 * barrier)
    assert np.all(
        solved().row_multipliers[nlp.layout.limits]
        * -nlp.evaluator.rows(solved().x, found.p)[nlp.layout.limits]
        < 1e-6
    )
    assert found.time() > solved().time() + 1e-4


def test_a_start_with_multipliers_goes_on_from_there():
    path = solve_ipopt(sprint(), begin(), barrier_target=1e-4)
    onward = Start(path.x, path.row_multipliers, path.bound_multipliers, 1e-4)
    again = solve_ipopt(sprint(), onward)
    assert again.status.solved
    assert again.iterations < 0.7 * solved().iterations
    assert again.time() == pytest.approx(solved().time(), abs=1e-6)


def test_other_numbers_of_the_car():
    nlp = sprint()
    names = list(nlp.problem.model.parameters)
    values = nlp.problem.model.values.copy()
    values[names.index("accel_limit")] = 5.0 / G
    found = solve_ipopt(nlp, begin(), p=nlp.with_values(values))
    assert found.time() == pytest.approx((sqrt(ENTRY**2 + 2.0 * 5.0 * LENGTH) - ENTRY) / 5.0, abs=1e-5)
    assert solve_ipopt(nlp, begin()).time() == solved().time()


def test_history_and_progress_tell_the_same():
    seen = []
    found = solve_ipopt(sprint(), begin(), progress=seen.append)
    assert [p.iteration for p in seen] == list(range(found.iterations + 1))
    assert [p.objective for p in seen] == pytest.approx(found.history["objective"].tolist(), rel=1e-9)
    assert {len(column) for column in found.history.values()} == {found.iterations + 1}
    assert seen[0].violation > 1e-3 > seen[-1].violation
    # What is left to gain is at most the barrier parameter for every inequality.
    assert 0.0 < found.barrier_gap < 1e-3
    assert found.objective - (sqrt(ENTRY**2 + 2.0 * PULL * LENGTH) - ENTRY) / PULL < found.barrier_gap + 1e-5


def test_running_out_of_iterations_is_a_value_with_words():
    found = solve_ipopt(sprint(), begin(), max_iterations=2)
    assert not found.status.solved
    assert found.iterations == 2
    assert found.status.words == "the iterations ran out"
    assert "--max-iterations" in found.status.advice


def test_what_cannot_be_done_is_called_infeasible():
    found = solve_ipopt(too_fast_an_end(), begin(), max_iterations=300)
    assert found.status.name == "infeasible"
    assert not found.status.solved


def test_only_one_ending_counts_as_solved():
    assert [name for name, status in IPOPT_STATUS.items() if status.solved] == ["Solve_Succeeded"]
    for status in IPOPT_STATUS.values():
        assert status.words and status.words[0].islower()
    unknown = ipopt_status("Moon_In_The_Wrong_House")
    assert not unknown.solved and "Moon_In_The_Wrong_House" in unknown.words


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_the_solve_and_comes_out_as_an_exception(number):
    before = signal.getsignal(number)
    seen = []

    def progress(step):
        seen.append(step.iteration)
        if step.iteration == 2:
            os.kill(os.getpid(), number)

    with pytest.raises(KeyboardInterrupt):
        solve_ipopt(sprint(), begin(), progress=progress)
    assert 2 in seen and max(seen) <= 4
    assert signal.getsignal(number) is before


def test_progress_may_raise_to_stop():
    def progress(step):
        if step.iteration == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        solve_ipopt(sprint(), begin(), progress=progress)


def test_handlers_come_back_when_the_body_fails():
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(ZeroDivisionError), noted_interrupts():
        assert signal.getsignal(signal.SIGINT) is not before
        raise ZeroDivisionError
    assert signal.getsignal(signal.SIGINT) is before


def test_off_the_main_thread_it_solves_as_well():
    found = []
    thread = threading.Thread(target=lambda: found.append(solve_ipopt(sprint(), begin())))
    thread.start()
    thread.join(60.0)
    assert found[0].time() == pytest.approx(solved().time(), abs=1e-12)
