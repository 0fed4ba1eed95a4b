"""What the driver did otherwise than the reference, corner by corner: how much, where, and how to impose it.

Nothing here says what a difference is worth: that is ``pricing``. A difference below what the log can tell is not seen.
"""

from __future__ import annotations

from lapwright.driver.difference import Difference
from lapwright.driver.found_braking import entry_differences, peak_differences, release_differences
from lapwright.driver.found_hesitation import hesitation_differences
from lapwright.driver.found_line import line_differences
from lapwright.driver.found_throttle import speed_differences, throttle_differences
from lapwright.driver.pair import Pair


def differences(pair: Pair) -> tuple[Difference, ...]:
    """Everything that was driven otherwise in a corner, in driving order.

    Parameters
    ----------
    pair
        The corner of both laps.
    """
    found: list[Difference] = []
    if "brake" in pair.has and "throttle" in pair.has:
        found += entry_differences(pair)
    if "brake" in pair.has:
        found += peak_differences(pair) + release_differences(pair)
    found += speed_differences(pair)
    if "throttle" in pair.has:
        found += throttle_differences(pair)
    found += hesitation_differences(pair)
    if "line" in pair.has:
        found += line_differences(pair)
    return tuple(sorted(found, key=lambda one: one.start))
