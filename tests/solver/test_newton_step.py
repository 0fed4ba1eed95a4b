"""The Newton step along the chain against a general sparse solver (SuperLU, through scipy) on the whole system."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from newton_systems import copied, flat, listed, nlp_of, random_iterate, solver_of, whole

CASES = [
    ("car", "closed", None, 2, 13),
    ("car", "closed", None, 2, 16),
    ("car", "free", None, 2, 5),
    ("car", "fixed", None, 2, 11),
    ("car", "free", False, 2, 9),
    ("car", "fixed", None, 1, 16),
    ("circle", "closed", True, 1, 7),
    ("circle", "closed", True, 2, 24),
    ("circle", "closed", False, 3, 10),
    ("circle", "free", True, 3, 16),
    ("circle", "free", False, 2, 3),
    ("circle", "fixed", True, 2, 17),
    ("circle", "fixed", False, 1, 8),
    ("circle", "pinned", True, 3, 8),
]
"""Car, ends, controls at every point (None: as the model has them), degree, intervals: the pieces are eight."""

BARRIER = 0.03


def close(found: np.ndarray, wanted: np.ndarray, what: str) -> None:
    size = max(1.0, float(np.max(np.abs(wanted), initial=0.0)))
    np.testing.assert_allclose(found, wanted, rtol=1e-7, atol=1e-9 * size, err_msg=what)


@pytest.mark.parametrize("shift", [0.0, 30.0])
@pytest.mark.parametrize("case", CASES)
def test_every_block_of_the_step(case, shift):
    nlp = nlp_of(*case)
    solver = solver_of(nlp)
    chain = solver.chain
    at = random_iterate(chain, 7, 1e-3 if shift == 0.0 else 0.3)
    solver.prepare(at, solver.evaluate(at), BARRIER)
    direction = solver.direction(shift)
    assert direction is not None
    dx, equations, slack, multiplier = whole(chain, at, shift).step(BARRIER)
    found, rows = flat(chain, direction, dx)
    layout = nlp.layout
    for what, index in (
        ("first node", layout.nodes[0]),
        ("states", layout.states),
        ("controls", layout.controls),
        ("algebraics", layout.algebraics),
    ):
        close(found[index], dx[index], what)
    close(rows[layout.defects], equations[: layout.defects.size].reshape(layout.defects.shape), "defects")
    close(rows[layout.balances], equations[layout.defects.size :].reshape(layout.balances.shape), "balances")
    close(listed(chain, direction.slack, direction.first_slack), slack, "slacks")
    close(listed(chain, direction.multiplier, direction.first_multiplier), multiplier, "inequalities")
    assert direction.cost_slope == pytest.approx(
        nlp.evaluator.gradient(flat(chain, at, dx)[0], nlp.parameters) @ dx
    )


SMALL = [
    ("circle", "closed", True, 2, 9),
    ("circle", "closed", False, 2, 5),
    ("circle", "free", True, 1, 9),
    ("circle", "fixed", True, 2, 8),
    ("circle", "pinned", True, 2, 4),
    ("car", "closed", None, 1, 3),
]


@pytest.mark.parametrize("case", SMALL)
def test_a_step_is_given_only_with_the_inertia_of_a_minimum(case):
    """n positive and m negative eigenvalues (Nocedal & Wright, 2006, theorem 16.3 [from memory])."""
    nlp = nlp_of(*case)
    given, refused = 0, 0
    solver = solver_of(nlp)
    for seed, curvature in enumerate(np.logspace(-2.0, 2.0, 8)):
        # From a Hessian that the inequalities rule to one that the equations' multipliers do.
        at = random_iterate(solver.chain, seed, curvature)
        values = solver.evaluate(at)
        for shift in (0.0, curvature, 1e3):
            eigenvalues = np.linalg.eigvalsh(whole(solver.chain, at, shift).reduced())
            right = np.count_nonzero(eigenvalues > 0.0) == np.count_nonzero(nlp.lower < nlp.upper)
            solver.prepare(at, values, BARRIER)
            # A stiff step first leaves stiff tails behind, with which the pivots alone hardly ever turn negative.
            assert solver.direction(1e6) is not None
            if solver.direction(shift) is None:
                refused += not right
            else:
                given += 1
                assert right
    assert given >= 3 and refused >= 1


@pytest.mark.parametrize("case", CASES)
def test_every_bound_and_limit_counts_once(case):
    """A control that is held over an interval has one bound there, an end state that is fixed none."""
    nlp = nlp_of(*case)
    chain = solver_of(nlp).chain
    free = nlp.lower < nlp.upper
    bounds = np.isfinite(nlp.lower[free]).sum() + np.isfinite(nlp.upper[free]).sum()
    weights = listed(chain, chain.target, chain.first_target)
    assert len(weights) == nlp.layout.limits.size + bounds
    metres = nlp.mesh.steps * nlp.collocation.weights[:, None]
    np.testing.assert_allclose(
        chain.target[:, 0, chain.place],
        metres / metres.mean(),
        rtol=1e-12,
        err_msg="share of the road over its mean",
    )


@pytest.mark.parametrize("case", [("circle", "closed", True, 2, 24), ("car", "free", None, 2, 5)])
def test_the_step_does_not_depend_on_what_was_solved_before(case):
    """Each step leaves a value function behind as the tail of the next one's pieces: any tail gives the same answer."""
    nlp = nlp_of(*case)
    solver, fresh = solver_of(nlp), solver_of(nlp)
    other, at = (random_iterate(solver.chain, seed, 1e-3) for seed in (1, 2))
    solver.prepare(other, solver.evaluate(other), 1.0)
    assert solver.direction(0.0) is not None
    found = []
    for each in (solver, fresh):
        each.prepare(at, each.evaluate(at), BARRIER)
        direction = each.direction(0.0)
        assert direction is not None
        found.append(copied(direction))
    for name in ("first", "y", "slack", "multiplier", "defect", "balance", "first_slack", "first_multiplier"):
        close(getattr(found[0], name), getattr(found[1], name), name)


def test_a_state_fixed_inside_the_road_is_refused():
    nlp = nlp_of("circle", "free", True, 2, 9)
    lower, upper = nlp.lower.copy(), nlp.upper.copy()
    lower[nlp.layout.nodes[4, 0]] = upper[nlp.layout.nodes[4, 0]] = 0.1
    with pytest.raises(ValueError, match="fixed inside the road"):
        solver_of(replace(nlp, lower=lower, upper=upper))


def test_empty_places_move_nothing():
    nlp = nlp_of("circle", "closed", True, 2, 10)
    solver = solver_of(nlp)
    assert len(solver.chain.empty) == 6
    at = random_iterate(solver.chain, 4, 1e-3)
    solver.prepare(at, solver.evaluate(at), BARRIER)
    direction = solver.direction(0.0)
    assert direction is not None
    for step in (direction.y, direction.slack, direction.multiplier):
        assert not step[:, :, solver.chain.empty].any()
