"""Faults that were imposed are found, with their size, and nothing else is."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from faulty_laps import driven, reference, target, with_faults

from lapwright.corner import impose
from lapwright.driver import imposed
from lapwright.driver.findings import differences
from lapwright.driver.pair import pairs
from lapwright.driver.pricing import NOTHING, priced
from lapwright.driver.shares import running, shares
from lapwright.lap.corners import corner_reports

LINE_FAULT = 1.5


def compared(lap, drive=None):
    track, _, known, pricer = reference()
    ours, theirs = corner_reports(lap, track), corner_reports(target(), track)
    run = running(lap, target(), known)
    parts = shares(run, track, ours, theirs)
    corners = pairs(track, drive or driven(lap), target(), ours, theirs, parts)
    found = [difference for pair in corners for difference in differences(pair)]
    return priced(found, run, parts, pricer, track.length), {part.name: part for part in parts}


def off_the_outside(known):
    lap = target()
    shifted = replace(lap, n=lap.n - LINE_FAULT)
    return imposed.line_held(known, reference()[0], shifted, 2650.0, 2735.0, 1.0, "off the outside")


def wait_for_the_throttle(known):
    place = known.reading.pick_up.at
    return imposed.coasting(known, place - 5.0, place + 25.0)


def half_throttle(known):
    """Half of the throttle until 20 m past the place of full throttle, and from there as quickly as the foot can: 0.55 of its
    travel in 0.55 of ``throttle_rise``, 0.4 s, at 37 m/s: 8 m more.
    """
    lap = replace(target(), pedal=np.minimum(target().pedal, 0.45))
    return imposed.pedal_no_higher(
        known, lap, known.reading.pick_up.at, known.reading.full.at + 20.0, "half throttle"
    )


FAULTS = {
    "first": {
        "Gate": (lambda known: impose.entry_earlier(known, 12.0), "brake_early", 12.0),
        "Pound": (lambda known: impose.slowest_lower(known, 5.0 / 3.6), "slow", 5.0 / 3.6),
        "Oxbow": (lambda known: impose.off_by(known, known.off - 20.0), "release_early", 20.0),
    },
    "second": {
        "Gate": (lambda known: impose.peak_lower(known, 0.25), "peak_low", 0.25),
        "Windmill": (half_throttle, "full_late", 28.0),
        "Oxbow": (off_the_outside, "entry_unused", LINE_FAULT),
    },
    "third": {
        "Gate": (lambda known: impose.held_until(known, known.off + 15.0), "release_late", 15.0),
        "Sluice": (wait_for_the_throttle, "coast", 25.0),
        "Windmill": (lambda known: imposed.built_slower(known, 0.3), "build_slow", 0.3),
    },
}


@cache
def faulty(which):
    lap = with_faults({corner: fault for corner, (fault, _, _) in FAULTS[which].items()})
    return lap, *compared(lap)


@pytest.mark.parametrize(
    ("which", "corner"), [(which, corner) for which, faults in FAULTS.items() for corner in faults]
)
def test_a_fault_is_found_in_its_corner_with_its_size(which, corner):
    _, findings, _ = faulty(which)
    _, key, size = FAULTS[which][corner]
    here = [one for one in findings if one.what.corner == corner and one.what.key == key]
    assert len(here) == 1, [(one.what.corner, one.what.key, one.what.size) for one in findings]
    unit = here[0].what.unit
    close = max(0.2 * size, 2.0) if unit == "m" and size > 5.0 else 0.2 * size
    assert here[0].what.size == pytest.approx(size, abs=close)
    assert here[0].status == "solved"


@pytest.mark.parametrize("which", FAULTS)
def test_corners_without_a_fault_have_no_finding_of_weight(which):
    _, findings, _ = faulty(which)
    wrong = [one for one in findings if one.what.corner not in FAULTS[which] and one.loss > 0.02]
    assert not wrong, [(one.what.corner, one.what.key, one.loss) for one in wrong]


@pytest.mark.parametrize("which", FAULTS)
def test_the_dearest_finding_of_a_corner_is_about_what_the_corner_lost(which):
    """One fault a corner: its price on the section is what the whole lap lost there, speed carried out included."""
    _, findings, parts = faulty(which)
    for corner in FAULTS[which]:
        lost = parts[corner].caused
        dearest = max(one.loss for one in findings if one.what.corner == corner)
        assert dearest == pytest.approx(lost, abs=max(0.15 * abs(lost), 0.004)), corner


def test_the_reference_against_itself_has_nothing_to_find():
    findings, parts = compared(target())
    assert not findings
    assert max(abs(part.difference) for part in parts.values()) < 1e-9


def test_a_difference_that_costs_nothing_is_style():
    _, findings, _ = faulty("first")
    cheap = [one for one in findings if one.loss < NOTHING]
    assert cheap and all(one.style for one in cheap)


def test_without_channels_there_are_no_findings_about_them():
    lap, _, _ = faulty("first")
    only_speed, _ = compared(lap, driven(lap, has=frozenset({"speed"})))
    assert {one.what.key for one in only_speed} == {"slow"}
    switch, _ = compared(lap, driven(lap, brake_switch=True))
    assert not {"peak_low", "peak_high", "build_slow"} & {one.what.key for one in switch}
    blurred, _ = compared(lap, driven(lap, noise=driven(lap).noise.__class__(along=8.0, speed=2.0)))
    assert {one.what.key for one in blurred if one.what.unit == "m" and one.what.size < 20.0} == set()


def test_a_brake_that_is_a_switch_does_not_make_a_brush_of_it_a_stop():
    """The reference brushes the brake at Kiln; a switch would show that as a full brake."""
    lap = target()
    on = (lap.brake > 0.03).astype(float)
    told, _ = compared(lap, driven(replace(lap, brake=on, pedal=lap.throttle - on), brake_switch=True))
    assert lap.brake[(lap.s > 2990.0) & (lap.s < 3060.0)].max() > 0.03
    assert not {"brake_not_needed", "peak_low", "peak_high"} & {one.what.key for one in told}
