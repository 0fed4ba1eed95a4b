"""Worked examples of the filter's rules.

Waechter & Biegler, Mathematical Programming 106 (2006) 25-57, section 2.3, equations (18) to (20) [from memory]: a trial must
lower the violation by the share 1e-5 or the objective by 1e-5 of the violation; where the violation is already small and the
step promises descent, alpha (-slope)^2.3 > violation^1.1, it must lower the objective instead; whatever is left behind is
forbidden from then on; violations above 1e4 max(1, first one) always are.
"""

from __future__ import annotations

import pytest

from lapwright.solver.filter import Filter

UPHILL, DOWNHILL = 1.0, -1.0


@pytest.mark.parametrize(
    ("violation", "objective", "taken"),
    [
        (1.9, 10.0, True),
        (2.1, 9.9, True),
        (2.1, 10.0, False),
        (2.0, 10.0, False),
        (2.0 * (1.0 - 2e-5), 11.0, True),
        (2.0 * (1.0 - 0.5e-5), 11.0, False),
        (2.5, 10.0 - 4e-5, True),
        (2.5, 10.0 - 1e-5, False),
    ],
)
def test_violation_or_objective_must_fall_enough(violation, objective, taken):
    """From (2, 10): violation to 2 - 2e-5, or objective to 10 - 2e-5."""
    assert Filter(2.0).takes((2.0, 10.0), (violation, objective), UPHILL, 1.0) is taken


def test_what_is_left_behind_is_forbidden_ever_after():
    kept = Filter(5.0)
    assert kept.takes((5.0, 10.0), (1.0, 12.0), UPHILL, 1.0)
    # Better than (1, 12) in the objective, but (5, 10) beats it in both.
    assert not kept.takes((1.0, 12.0), (5.0, 11.0), UPHILL, 1.0)
    assert kept.takes((1.0, 12.0), (4.9, 11.0), UPHILL, 1.0)
    # Now (1, 12) is forbidden too, with its margins: objective 12 - 1e-5 at a violation of 1 is the corner.
    assert not kept.takes((4.9, 11.0), (1.0, 12.0), UPHILL, 1.0)
    assert not kept.takes((4.9, 11.0), (2.0, 12.0), UPHILL, 1.0)
    assert kept.takes((4.9, 11.0), (0.99, 12.0), UPHILL, 1.0)


def test_a_refused_trial_leaves_no_trace():
    kept = Filter(2.0)
    assert not kept.takes((2.0, 10.0), (3.0, 11.0), UPHILL, 1.0)
    assert kept.points == []


def test_a_violation_far_above_the_first_is_refused():
    for first, most in ((0.5, 1e4), (3.0, 3e4)):
        assert not Filter(first).takes((first, 10.0), (1.001 * most, -1e9), UPHILL, 1.0)
        assert Filter(first).takes((first, 10.0), (0.999 * most, -1e9), UPHILL, 1.0)


def test_near_feasible_a_step_that_promises_descent_must_descend():
    """violation 1e-6 is under 1e-4 and 1 > 1e-6^1.1: a lower violation does not help a higher objective."""
    kept = Filter(1.0)
    here = (1e-6, 10.0)
    assert not kept.takes(here, (0.0, 10.1), DOWNHILL, 1.0)
    assert not kept.takes(here, (0.0, 10.0), DOWNHILL, 1.0)
    assert kept.takes(here, (1e-2, 9.9), DOWNHILL, 1.0)
    # Such a step is no reason to forbid anything.
    assert kept.points == []


def test_without_promise_the_violation_may_pay_for_the_objective():
    assert Filter(1.0).takes((1e-6, 10.0), (0.0, 10.1), UPHILL, 1.0)
    # (1e-3)^2.3 = 1.3e-7 is less than (1e-6)^1.1 = 2.5e-7; twice the slope promises enough.
    assert Filter(1.0).takes((1e-6, 10.0), (0.0, 10.1), -1e-3, 1.0)
    assert not Filter(1.0).takes((1e-6, 10.0), (0.0, 10.1), -2e-3, 1.0)
    # A quarter of that step does not: 6.2e-7 / 4 = 1.5e-7.
    assert Filter(1.0).takes((1e-6, 10.0), (0.0, 10.1), -2e-3, 0.25)


def test_far_from_feasible_descent_is_not_asked_for():
    """The least violation grows with the first one: 1e-4 max(1, first)."""
    here, trial = (2e-3, 10.0), (1e-3, 10.1)
    assert Filter(1.0).takes(here, trial, DOWNHILL, 1.0)
    assert not Filter(50.0).takes(here, trial, DOWNHILL, 1.0)


def test_rounding_of_the_objective_is_no_ascent():
    """At the end of a barrier problem nothing changes but the last digit."""
    assert Filter(1.0).takes((1e-12, 10.0), (1e-12, 10.0 + 2e-15), -1e-9, 1.0)
    assert not Filter(1.0).takes((1e-12, 10.0), (1e-12, 10.0 + 1e-9), -1e-9, 1.0)


def test_what_is_no_number_is_refused():
    assert not Filter(1.0).takes((1.0, 10.0), (float("nan"), 9.0), UPHILL, 1.0)
    assert not Filter(1.0).takes((1e-6, 10.0), (0.0, float("nan")), DOWNHILL, 1.0)
