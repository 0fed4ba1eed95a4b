"""Which differences follow from which: a tight line is braked for later and driven slower, and is one fault, not three.

When a difference is imposed on the reference and all else is driven as well as possible, what else then differs goes with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from lapwright.driver.difference import Difference
from lapwright.driver.findings import differences
from lapwright.driver.pair import Pair
from lapwright.driver.pricing import Finding, Pricer
from lapwright.driver.session import Noise
from lapwright.lap.corners import corner_reports
from lapwright.lap.resample import lap_at

MUCH = 0.5
"""Share of a difference that must show up when another is imposed to follow from it."""

WEIGHT = 0.25
"""Share of its price that the other must have: what costs next to nothing explains nothing."""

ALL = frozenset({"line", "brake", "throttle", "steering", "speed"})
NONE = Noise(across=0.0, along=0.0, speed=0.0, brake=0.0, throttle=0.0, steering=0.0)
GRID = 1.0
"""Spacing of the rows at which two drives of a section are held side by side [m]."""

ALIKE = {
    "coast": "throttle",
    "throttle_late": "throttle",
    "full_late": "throttle",
    "lift_late": "brake_late",
    "lift_early": "brake_early",
}
"""Findings that tell of the same."""


def following(findings: Sequence[Finding], pricer: Pricer, pairs: Mapping[str, Pair]) -> dict[int, int]:
    """Which findings follow from which, by their places in the list.

    Parameters
    ----------
    findings
        Of one lap, priced.
    pricer
        With the sections that they were imposed on.
    pairs
        The corners of the lap, by name.

    Returns
    -------
    For each finding that follows from another: which one. Nothing follows from what itself follows.
    """
    found: dict[int, int] = {}
    for corner in dict.fromkeys(finding.what.corner for finding in findings):
        here = [k for k, finding in enumerate(findings) if finding.what.corner == corner]
        shown = {k: _shown(findings[k], pricer, pairs[corner]) for k in here if findings[k].drive is not None}
        children = {
            k: [other for other in here if other != k and _explains(findings[k], shown[k], findings[other])]
            for k in shown
        }
        # Of those that explain others the one goes first that, imposed, looks most like what was driven.
        order = sorted(
            (k for k in children if children[k]), key=lambda k: _unlike(findings[k], pairs[corner])
        )
        for parent in order:
            if parent in found:
                continue
            for child in children[parent]:
                if child not in found and child not in found.values():
                    found[child] = parent
    return found


def _explains(parent: Finding, shown: Sequence[Difference], other: Finding) -> bool:
    if parent.loss < WEIGHT * other.loss:
        return False
    wanted = ALIKE.get(other.what.key, other.what.key)
    return any(ALIKE.get(one.key, one.key) == wanted and one.size >= MUCH * other.what.size for one in shown)


def _unlike(finding: Finding, pair: Pair) -> float:
    """How far the reference with a difference imposed is from the driver's lap, from the corner's first foot to its end.

    Root mean squares of the speed [m/s] and, where it is known, of the line [m], added up: a metre a second and a metre are
    about as hard to tell apart.
    """
    assert finding.drive is not None
    lap, s = finding.drive.lap, pair.driver.s
    rows = (s >= max(pair.begin, lap.s[0])) & (s <= min(pair.end, lap.s[-1]))
    s = s[rows]
    apart = np.interp(s, lap.s, lap.speed) - pair.driver.speed[rows]
    total = float(np.sqrt(np.mean(apart**2)))
    if "line" in pair.has:
        beside = np.interp(s, lap.s, lap.n) - pair.driver.n[rows]
        total += float(np.sqrt(np.mean(beside**2)))
    return total


def _shown(finding: Finding, pricer: Pricer, pair: Pair) -> tuple[Difference, ...]:
    """What else differs on the section when a difference is imposed."""
    made = pricer.section(finding.what.corner)
    assert made is not None and finding.drive is not None
    base, lap = made[0].base.lap, finding.drive.lap
    first, last = max(base.s[0], lap.s[0]), min(base.s[-1], lap.s[-1])
    s = np.linspace(first, last, max(int((last - first) / GRID), 2))
    mine, theirs = lap_at(lap, s), lap_at(base, s)
    reports = [
        next((r for r in corner_reports(one, pair.track) if r.name == pair.name), None)
        for one in (mine, theirs)
    ]
    if reports[0] is None or reports[1] is None:
        return ()
    begin = max(pair.begin, float(s[0]))
    side = replace(
        pair,
        driver=mine,
        reference=theirs,
        ours=reports[0],
        theirs=reports[1],
        begin=begin,
        noise=NONE,
        has=ALL,
        switch=False,
    )
    return tuple(one for one in differences(side) if one.key != finding.what.key)
