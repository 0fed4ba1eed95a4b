"""Differences that are in the shape of a trace and not in a place: steps, second applications, lifts, corrections."""

from __future__ import annotations

import numpy as np

from lapwright.corner.impose import Imposed, Known
from lapwright.driver import hesitation, imposed
from lapwright.driver.difference import FELT, Difference
from lapwright.driver.pair import Pair
from lapwright.vehicle.parameters import FrictionCircle

MORE = 2
"""Corrections of the steering more than the reference's that count."""


def hesitation_differences(pair: Pair) -> list[Difference]:
    """What the shape of pedals and steering tells in a corner.

    Parameters
    ----------
    pair
        The corner of both laps.
    """
    found: list[Difference] = []
    if "brake" in pair.has and not pair.switch and pair.ours.brake_on is not None:
        # A brake that is let off and pressed again is let go in steps too: it is the one fault.
        found += _again(pair) or _steps(pair)
    if "throttle" in pair.has:
        found += _lift_again(pair)
    if "steering" in pair.has:
        found += _corrections(pair)
    return found


def _steps(pair: Pair) -> list[Difference]:
    span = (pair.at(pair.ours.brake_on), pair.at(pair.ours.brake_off) + 5.0)
    ours = hesitation.release_steps(pair.driver, *span, pair.noise)
    if ours.count < 2 or pair.theirs.brake_on is None:
        return []
    theirs = hesitation.release_steps(
        pair.reference, pair.at(pair.theirs.brake_on), pair.at(pair.theirs.brake_off) + 5.0, pair.noise
    )
    if ours.count <= theirs.count:
        return []
    # What the step takes away: brake that the reference has from the first let-go to the end of the hold.
    start, end = ours.start - FELT, ours.end

    def less(known: Known) -> Imposed:
        return imposed.pedal_no_lower(known, pair.driver, start, end, "the brake let go in a step")

    return [
        Difference(
            "release_steps",
            pair.name,
            ours.size,
            "share",
            ours.start,
            ours.end,
            float(ours.count),
            float(theirs.count),
            less,
        )
    ]


def _again(pair: Pair) -> list[Difference]:
    last = max(pair.slowest, pair.at(pair.ours.brake_off)) + FELT
    ours = hesitation.second_application(pair.driver, pair.at(pair.ours.brake_on) - 2.0, last, pair.noise)
    if ours.count < 2 or not np.isfinite(ours.start):
        return []
    theirs = hesitation.second_application(pair.reference, pair.begin, last, pair.noise)
    if theirs.count >= ours.count:
        return []

    def pressed(known: Known) -> Imposed:
        return imposed.pedal_no_higher(
            known, pair.driver, ours.start, ours.end, "a second application of the brake"
        )

    return [
        Difference(
            "brake_again", pair.name, ours.size, "share", ours.start, ours.end + FELT, np.nan, np.nan, pressed
        )
    ]


def _lift_again(pair: Pair) -> list[Difference]:
    full = pair.at(pair.ours.full_throttle)
    last = full if np.isfinite(full) else pair.end
    off = pair.at(pair.ours.brake_off)
    first = off if np.isfinite(off) and off < last else pair.slowest - 60.0
    span = (first, max(last, pair.end))
    ours, theirs = (hesitation.throttle_lift(lap, *span, pair.noise) for lap in (pair.driver, pair.reference))
    if ours.count < 1 or ours.size < 2.0 * theirs.size:
        return []

    def lifted(known: Known) -> Imposed:
        return imposed.pedal_no_higher(known, pair.driver, ours.start, ours.end, "a lift after the pick-up")

    return [
        Difference(
            "throttle_lift",
            pair.name,
            ours.size,
            "share",
            ours.start,
            ours.end + FELT,
            np.nan,
            np.nan,
            lifted,
        )
    ]


def _corrections(pair: Pair) -> list[Difference]:
    span = (pair.turn_in - 20.0, pair.end + 20.0)
    ours, theirs = (
        hesitation.steering_corrections(lap, *span, pair.noise) for lap in (pair.driver, pair.reference)
    )
    if ours.count - theirs.count < MORE:
        return []

    def hands(known: Known) -> Imposed | None:
        if isinstance(known.vehicle, FrictionCircle):
            return None
        calm = hesitation.without_corrections(pair.driver)
        return imposed.steered(known, pair.driver, ours.start, ours.end, calm, known.vehicle.steering.ratio)

    return [
        Difference(
            "corrections",
            pair.name,
            ours.size,
            "rad",
            ours.start,
            ours.end,
            float(ours.count),
            float(theirs.count),
            hands,
        )
    ]
