"""The price of giving up the trail, and of mistakes: against finer meshes, differences of re-solves, and common practice."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from coupe_on_marrow_fen import known, reading, section

from lapwright.corner import impose
from lapwright.corner.mistakes import kinds, mistakes
from lapwright.corner.trail import half_loss, trail_worth


def loss(name, imposed, step=None):
    outcome = section(name, step).changed(imposed)
    assert outcome.status == "driven", outcome.words
    return outcome.drive.cost - section(name, step).base.cost


@pytest.mark.parametrize("name", ["Gate", "Pound", "Oxbow"])
def test_without_trail_braking_time_is_lost_on_any_mesh(name):
    """The mesh of the card against one of half its intervals."""
    at = reading(name).turn_in.at
    first, fine = section(name).stretch.mesh(None, np.zeros(0)).steps.min(), None
    coarse = loss(name, impose.off_by(known(name), at))
    fine = loss(name, impose.off_by(known(name, 0.5 * first), at), 0.5 * first)
    assert coarse > 0.01
    assert coarse == pytest.approx(fine, abs=1e-3)


@pytest.fixture(scope="module")
def oxbow():
    return trail_worth(section("Oxbow"), known("Oxbow"))


def test_the_worth_of_trail_braking_falls_to_nothing_at_the_best_release(oxbow):
    before = [point.loss for point in oxbow.points if point.station <= oxbow.best]
    assert before[-1] == 0.0
    assert all(a > b - 2e-4 for a, b in pairwise(before))
    assert oxbow.no_trail == pytest.approx(
        np.interp(oxbow.turn_in, [p.station for p in oxbow.points], [p.loss for p in oxbow.points])
    )
    assert oxbow.no_trail > 0.02


def test_holding_the_brake_too_long_costs_as_well(oxbow):
    past = [point.loss for point in oxbow.points if point.station > oxbow.best]
    assert past and all(b > a for a, b in pairwise(past))


def test_half_of_the_loss_lies_between_turn_in_and_the_best_release(oxbow):
    assert 0.0 < half_loss(oxbow) < oxbow.best - oxbow.turn_in


def test_no_trail_no_worth():
    assert trail_worth(section("Heron"), known("Heron")) is None
    assert trail_worth(section("Kiln"), known("Kiln")) is None


SMOOTH = ["peak_10_percent_low", "slowest_3_kmh_low", "brake_5_m_late"]


@pytest.mark.parametrize("key", SMOOTH)
def test_the_price_of_one_unit_more_is_the_difference_of_two_solves(key):
    """Multipliers of a mistake's bounds against a central difference."""
    name = "Gate"
    kind = next(kind for kind in kinds(known(name)) if kind.key == key)
    (made,) = (m for m in mistakes(section(name), known(name), (key,)))
    step = 0.1 * kind.size
    low, high = (loss(name, kind.bounds(known(name), kind.size + sign * step)) for sign in (-1.0, 1.0))
    assert made.slope == pytest.approx((high - low) / (2.0 * step), rel=0.03)
    assert made.slope > 0.0


@pytest.mark.parametrize("key", ["slowest_3_kmh_low", "peak_10_percent_low"])
def test_a_small_mistake_costs_what_its_prices_add_up_to(key):
    """Integral of the price by Simpson's rule from no mistake, which costs nothing to first order, to the whole."""
    name = "Gate"
    kind = next(kind for kind in kinds(known(name)) if kind.key == key)
    half, whole = (
        mistakes(section(name), known(name), (key,), size=share * kind.size)[0] for share in (0.5, 1.0)
    )
    assert kind.size / 6.0 * (4.0 * half.slope + whole.slope) == pytest.approx(whole.loss, rel=0.03)


@pytest.mark.parametrize("name", ["Gate", "Windmill", "Pound", "Oxbow"])
def test_late_costs_more_than_early(name):
    """Common practice: a late brake point is paid for in the corner and after it, an early one by metres driven slower."""
    found = {m.key: m for m in mistakes(section(name), known(name), ("brake_10_m_early", "brake_10_m_late"))}
    early, late = found["brake_10_m_early"], found["brake_10_m_late"]
    assert early.status == "driven" and early.loss > 0.0
    assert late.status == "off the road" or late.loss > 3.0 * early.loss
    if late.status == "driven":
        assert abs(late.moved) > abs(early.moved)


def test_more_of_a_mistake_costs_more():
    found = {m.key: m for m in mistakes(section("Oxbow"), known("Oxbow"))}
    assert 0.0 < found["brake_5_m_early"].loss < found["brake_10_m_early"].loss
    assert 0.0 < found["brake_5_m_late"].loss < found["brake_10_m_late"].loss
    for made in found.values():
        assert made.status == "driven" and made.loss > -1e-3
        assert made.edge is None or made.edge >= 0.0


def test_a_corner_without_a_brake_has_mistakes_of_its_own():
    flat = [kind.key for kind in kinds(known("Heron"))]
    lifted = [kind.key for kind in kinds(known("Kiln"))]
    assert not any("brake" in key or "release" in key for key in [*flat, *lifted])
    assert any(key.startswith("lift_") for key in lifted)
    assert any(key.startswith("throttle_") for key in flat)
