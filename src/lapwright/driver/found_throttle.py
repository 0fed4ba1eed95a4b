"""Differences on the way out: the slowest speed, the wait for the throttle, and the way to full."""

from __future__ import annotations

import numpy as np

from lapwright.corner import impose
from lapwright.corner.impose import Imposed, Known
from lapwright.driver import imposed
from lapwright.driver.difference import COAST, FELT, METRES, SPEED, SURE, Difference, floor
from lapwright.driver.pair import Pair


def speed_differences(pair: Pair) -> list[Difference]:
    """The slowest speed."""
    slower = pair.theirs.slowest_speed - pair.ours.slowest_speed
    noise = pair.noise.speed if np.isfinite(pair.noise.speed) else 0.0
    if slower < max(SPEED, SURE * noise) or (pair.theirs.entry == "flat" and pair.ours.entry == "flat"):
        return []
    here, there = pair.at(pair.ours.slowest_at), pair.at(pair.theirs.slowest_at)
    return [
        Difference(
            "slow", pair.name, slower, "m/s", min(here, there) - FELT, max(here, there) + FELT, pair.ours.slowest_speed,
            pair.theirs.slowest_speed, lambda known: impose.slowest_lower(known, slower),
        )
    ]  # fmt: skip


def throttle_differences(pair: Pair) -> list[Difference]:
    """The way back to full throttle."""
    ours, theirs = pair.ours, pair.theirs
    found = []
    on, should = pair.at(ours.pick_up), pair.at(theirs.pick_up)
    if np.isfinite(on) and np.isfinite(should):
        later = on - should
        if "brake" in pair.has:
            found += _coast(pair, on, should)
        if later >= floor(pair) and not any(one.key == "coast" for one in found):
            found.append(
                Difference(
                    "throttle_late", pair.name, later, "m", should, on + FELT, on, should,
                    lambda known: impose.throttle_later(known, later),
                )
            )  # fmt: skip
        elif later <= -floor(pair):
            found.append(
                Difference(
                    "throttle_early",
                    pair.name,
                    -later,
                    "m",
                    on,
                    should + FELT,
                    on,
                    should,
                    lambda known: imposed.throttle_earlier(known, -later),
                )
            )
    full, wanted = pair.at(ours.full_throttle), pair.at(theirs.full_throttle)
    if np.isfinite(full) and np.isfinite(wanted) and np.isfinite(on):
        # What came late already is not counted again.
        late = (full - wanted) - max(on - should if np.isfinite(should) else 0.0, 0.0)
        if late >= max(2.0 * METRES, floor(pair)):
            begin = max(on, should if np.isfinite(should) else on)

            def slow_foot(known: Known) -> Imposed:
                return imposed.pedal_no_higher(known, pair.driver, begin, full, "throttle late to full")

            found.append(
                Difference("full_late", pair.name, full - wanted, "m", begin, full, full, wanted, slow_foot)
            )
    return found


def _coast(pair: Pair, on: float, should: float) -> list[Difference]:
    """A foot that is on neither pedal between brake and throttle."""
    off, wanted = pair.at(pair.ours.brake_off), pair.at(pair.theirs.brake_off)
    if not np.isfinite(off) or not np.isfinite(wanted):
        return []
    mine, needed = max(on - off, 0.0), max(should - wanted, 0.0)
    longer = mine - needed
    if longer < max(COAST, floor(pair)):
        return []
    # The brake that came off early is told as such; it is the foot that then waits that is told here.
    start = max(off, min(wanted, on - COAST))

    def waiting(known: Known) -> Imposed:
        return imposed.coasting(known, start, on)

    return [Difference("coast", pair.name, longer, "m", off, on + FELT, mine, needed, waiting)]
