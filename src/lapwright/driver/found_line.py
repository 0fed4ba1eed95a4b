"""Differences of the line: road that the reference uses and the driver does not."""

from __future__ import annotations

import numpy as np

from lapwright.corner.impose import Imposed, Known
from lapwright.driver import imposed
from lapwright.driver.difference import LINE, SURE, Difference
from lapwright.driver.pair import Pair


def line_differences(pair: Pair) -> list[Difference]:
    """Road that the reference uses and the driver does not: outside before the corner, inside at it, outside after it."""
    clip = pair.at(pair.theirs.clip_at)
    inner = pair.side
    out = pair.end
    if "-" in pair.theirs.direction:
        # Of a corner that turns both ways only the first half has one outside.
        out = min(out, clip + 20.0)
    places = (
        ("entry_unused", -inner, pair.begin, clip),
        ("apex_missed", inner, clip - 25.0, clip + 25.0),
        ("exit_unused", -inner, clip, out + 60.0),
    )
    found = []
    across = pair.noise.across if np.isfinite(pair.noise.across) else 0.0
    least = max(LINE, SURE * across)
    for key, side, start, end in places:
        rows = pair.rows(start, end)
        if rows.stop - rows.start < 3:
            continue
        s = pair.reference.s[rows]
        ours, theirs = pair.gap("driver", side)[rows], pair.gap("reference", side)[rows]
        nearest = int(np.argmin(theirs))
        size = float(ours[nearest] - theirs[nearest])
        if size < least or float(np.min(ours) - np.min(theirs)) < least:
            continue
        apart = ours - theirs >= 0.5 * size
        first, last = nearest, nearest
        while first > 0 and apart[first - 1]:
            first -= 1
        while last < s.size - 1 and apart[last + 1]:
            last += 1
        a, b = float(s[first]), float(s[last])

        def held(known: Known, a: float = a, b: float = b, side: float = side, key: str = key) -> Imposed:
            return imposed.line_held(known, pair.track, pair.driver, a, b, side, key)

        found.append(
            Difference(
                key,
                pair.name,
                float(np.min(ours) - np.min(theirs)),
                "m",
                a,
                b,
                float(np.min(ours)),
                float(np.min(theirs)),
                held,
            )
        )
    return found
