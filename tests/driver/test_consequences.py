"""What follows from what, on laps with one fault in a corner: the fault is told, and what it drags along is put under it."""

from __future__ import annotations

from functools import cache

import pytest
from faulty_laps import driven, reference, target, with_faults

from lapwright.corner import impose
from lapwright.driver import imposed
from lapwright.driver.consequences import following
from lapwright.driver.findings import differences
from lapwright.driver.pair import pairs
from lapwright.driver.pricing import priced
from lapwright.driver.shares import running, shares
from lapwright.lap.corners import corner_reports

FAULTS = {
    "Gate": (lambda known: impose.peak_lower(known, 0.25), "peak_low"),
    "Pound": (lambda known: impose.slowest_lower(known, 5.0 / 3.6), "slow"),
    "Oxbow": (lambda known: impose.off_by(known, known.off - 20.0), "release_early"),
    "Windmill": (lambda known: imposed.built_slower(known, 0.35), "build_slow"),
}


@cache
def told():
    track, _, known, pricer = reference()
    lap = with_faults({corner: fault for corner, (fault, _) in FAULTS.items()})
    ours, theirs = corner_reports(lap, track), corner_reports(target(), track)
    run = running(lap, target(), known)
    parts = shares(run, track, ours, theirs)
    corners = pairs(track, driven(lap), target(), ours, theirs, parts)
    found = [difference for pair in corners for difference in differences(pair)]
    findings = priced(found, run, parts, pricer, track.length)
    return findings, following(findings, pricer, {pair.name: pair for pair in corners})


@pytest.mark.parametrize("corner", FAULTS)
def test_the_fault_itself_follows_from_nothing(corner):
    findings, follows = told()
    (place,) = [
        k for k, one in enumerate(findings) if (one.what.corner, one.what.key) == (corner, FAULTS[corner][1])
    ]
    assert place not in follows


def test_what_a_fault_drags_along_is_put_under_it():
    """Who brakes less hard begins earlier; who comes off the brake early waits for longer."""
    findings, follows = told()
    along = {
        (findings[k].what.corner, findings[k].what.key): findings[parent].what.key
        for k, parent in follows.items()
    }
    assert along[("Gate", "brake_early")] == "peak_low"
    assert along[("Oxbow", "coast")] == "release_early"
    assert all(findings[k].what.corner == findings[parent].what.corner for k, parent in follows.items())
    assert not set(follows.values()) & set(follows)


def test_hardly_anything_of_weight_is_left_beside_the_faults():
    findings, follows = told()
    left = [
        (one.what.corner, one.what.key)
        for k, one in enumerate(findings)
        if k not in follows and one.loss > 0.01
    ]
    assert set(left) <= {(corner, key) for corner, (_, key) in FAULTS.items()}
