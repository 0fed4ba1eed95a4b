"""In how many parts intervals are to be cut, against an exhaustive search."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from lapwright.transcription.meshcheck import GOAL, MOST_PARTS, SHRINKING, MeshError, parts


def error_of(lap_time, broken=()) -> MeshError:
    effect = np.asarray(lap_time, dtype=float)
    marked = np.zeros(len(effect), dtype=bool)
    marked[list(broken)] = True
    zero = np.zeros(len(effect))
    return MeshError(zero, zero[:, None], effect, np.where(marked, np.inf, 0.0), marked, zero)


def left(effect, numbers) -> float:
    return float(np.sum(np.abs(effect) / np.asarray(numbers, dtype=float) ** SHRINKING))


def test_nothing_is_cut_within_the_tolerance():
    np.testing.assert_array_equal(parts(error_of([1e-3, -2e-3, 0.0]), 4e-3), [1, 1, 1])


@pytest.mark.parametrize("seed", range(6))
def test_no_fewer_intervals_would_do(seed):
    """Every choice of 1 to 4 parts for five intervals is tried."""
    effect = np.random.default_rng(seed).lognormal(-7.0, 1.5, 5) * np.array([1, -1, 1, -1, 1])
    tolerance = 0.6 * np.sum(np.abs(effect))
    goal = GOAL * tolerance
    found = parts(error_of(effect), tolerance)
    assert left(effect, found) <= goal
    enough = [c for c in product(range(1, MOST_PARTS + 1), repeat=5) if left(effect, c) <= goal]
    # Gains taken in turn overshoot by less than the last one taken.
    assert sum(found) <= min(sum(c) for c in enough) + 1


def test_a_larger_error_gets_no_fewer_parts():
    effect = np.geomspace(1e-7, 1e-2, 40)
    found = parts(error_of(effect), 5e-3)
    assert np.all(np.diff(found) >= 0)
    assert found[0] == 1 and 2 < found[-1] <= MOST_PARTS


def test_what_cannot_be_reached_cuts_no_interval_for_nothing():
    effect = np.array([1.0, 1e-9, 1.0, 1e-9])
    np.testing.assert_array_equal(parts(error_of(effect), 1e-3), [4, 1, 4, 1])


def test_broken_limits_and_lost_integrations_are_cut_whatever_their_error():
    np.testing.assert_array_equal(parts(error_of([1e-6, 0.0, 0.0], broken=(1,)), 1.0), [1, 2, 1])
    np.testing.assert_array_equal(parts(error_of([np.inf, 1e-6, -1e-6]), 1.0), [4, 1, 1])


@pytest.mark.parametrize("tolerance", [0.0, -1.0, np.nan])
def test_a_tolerance_must_be_positive(tolerance):
    with pytest.raises(ValueError, match="must be positive"):
        parts(error_of([1.0]), tolerance)
