"""Differences on the way in: foot off, brake on, how hard, how quickly, and off again."""

from __future__ import annotations

import numpy as np

from lapwright.corner import impose
from lapwright.corner.impose import Imposed, Known
from lapwright.driver import imposed
from lapwright.driver.difference import COAST, FELT, SECONDS, SHARE, SURE, Difference, floor
from lapwright.driver.pair import Pair
from lapwright.lap.phases import FULL_THROTTLE
from lapwright.lap.unrolled import first_rise

BRUSH = 0.02
"""Brake of the reference, share of full, that a switch would show."""


def entry_differences(pair: Pair) -> list[Difference]:
    """The foot leaves the throttle and comes on the brake."""
    ours, theirs = pair.ours, pair.theirs
    brakes, should = ours.brake_on is not None, theirs.brake_on is not None
    if brakes and should:
        return _brake_point(pair)
    if brakes and theirs.entry in ("lift", "flat"):
        start, end = pair.at(ours.brake_on), pair.at(ours.brake_off)
        size = float(ours.brake_peak or 0.0)

        def pressed(known: Known) -> Imposed:
            return imposed.pedal_no_higher(known, pair.driver, start, end, "a brake that is not needed")

        bound = None if pair.switch else pressed
        # A switch does not tell a brush of the pedal, which the reference may do too, from a stop.
        if (
            pair.switch
            and float(np.max(pair.reference.brake[pair.rows(start - 30.0, end + 30.0)], initial=0.0)) > BRUSH
        ):
            return []
        return [Difference("brake_not_needed", pair.name, size, "share", start, end, start, np.nan, bound)]
    if should and not brakes and ours.entry in ("lift", "flat"):
        start, end = pair.at(theirs.brake_on), pair.at(theirs.brake_off)

        def without(known: Known) -> Imposed:
            return impose.peak_lower(known, 0.95)

        size = float(theirs.brake_peak or 0.0)
        return [Difference("brake_missing", pair.name, size, "share", start, end, np.nan, start, without)]
    return [] if should else _lift(pair)


def _brake_point(pair: Pair) -> list[Difference]:
    later = pair.later("brake_on")
    on, point = pair.at(pair.ours.brake_on), pair.at(pair.theirs.brake_on)
    found = []
    if later > 0.0:
        later = max(later - _due(pair, on, point), 0.0)
    if abs(later) >= floor(pair):
        size = abs(later)
        key, bound = (
            ("brake_late", impose.entry_later) if later > 0 else ("brake_early", impose.entry_earlier)
        )
        found.append(
            Difference(
                key,
                pair.name,
                size,
                "m",
                min(on, point) - 5.0,
                max(on, point) + FELT,
                on,
                point,
                lambda known: bound(known, size),
            )
        )
    if pair.ours.lift_at is not None and pair.theirs.lift_at is not None:
        lift = pair.at(pair.ours.lift_at)
        longer = (on - lift) - (point - pair.at(pair.theirs.lift_at))
        if longer >= max(COAST, floor(pair)):

            def waiting(known: Known) -> Imposed:
                return imposed.pedal_no_higher(known, pair.driver, lift, on, "waiting before the brake")

            found.append(
                Difference(
                    "coast_before_brake", pair.name, longer, "m", lift - 5.0, on, on - lift,
                    point - pair.at(pair.theirs.lift_at), waiting,
                )
            )  # fmt: skip
    return found


def _due(pair: Pair, on: float, point: float) -> float:
    """How much later a car may brake that arrives slower than the reference [m]: as far as it needs less road to slow down.

    From v^2 = v0^2 - 2 a s at the reference's own deceleration: who comes in slower is not late for braking where he need not
    brake yet.
    """
    before = min(on, point) - 2.0
    here, there = (pair.value(which, "speed", before) for which in ("driver", "reference"))
    rows = pair.rows(point, max(pair.at(pair.theirs.brake_off), point + 3.0))
    speed, t = pair.reference.speed[rows], pair.reference.t[rows]
    slowing = (speed[0] - speed[-1]) / max(float(t[-1] - t[0]), 1e-3)
    return max(there * there - here * here, 0.0) / (2.0 * max(float(slowing), 1.0))


def _lift(pair: Pair) -> list[Difference]:
    """A corner that the reference takes without the brake."""
    rows = pair.rows(pair.begin, pair.end)
    s, ours, theirs = pair.driver.s[rows], pair.driver.throttle[rows], pair.reference.throttle[rows]
    least, should = float(np.min(ours, initial=1.0)), float(np.min(theirs, initial=1.0))
    if least >= FULL_THROTTLE:
        return []
    off = s[ours < FULL_THROTTLE]
    if should >= FULL_THROTTLE:
        start, end = float(off[0]), float(off[-1])

        def lifted(known: Known) -> Imposed:
            return imposed.pedal_no_higher(known, pair.driver, start, end, "a lift that is not needed")

        size = end - start
        if size < floor(pair):
            return []
        return [
            Difference(
                "lift_not_needed", pair.name, size, "m", start - 5.0, end + FELT, 1.0 - least, np.nan, lifted
            )
        ]
    point = float(s[theirs < FULL_THROTTLE][0])
    later = float(off[0]) - point
    if abs(later) < floor(pair):
        return []
    key, bound = ("lift_late", impose.entry_later) if later > 0 else ("lift_early", impose.entry_earlier)
    size, start = abs(later), float(off[0])
    return [
        Difference(
            key,
            pair.name,
            size,
            "m",
            min(start, point) - 5.0,
            max(start, point) + FELT,
            start,
            point,
            lambda known: bound(known, size),
        )
    ]


def peak_differences(pair: Pair) -> list[Difference]:
    """How hard, and how quickly there."""
    ours, theirs = pair.ours, pair.theirs
    if ours.brake_on is None or theirs.brake_on is None or pair.switch:
        return []
    found = []
    peak, should = float(ours.brake_peak or 0.0), float(theirs.brake_peak or 0.0)
    start, end = pair.at(theirs.brake_on), max(pair.at(ours.brake_peak_at), pair.turn_in)
    noise = pair.noise.brake if np.isfinite(pair.noise.brake) else 0.0
    low = (should - peak) / should
    if low >= max(SHARE, SURE * noise / should):
        found.append(
            Difference(
                "peak_low",
                pair.name,
                low,
                "share",
                start,
                end,
                peak,
                should,
                lambda known: impose.peak_lower(known, low),
            )
        )
    elif -low >= max(SHARE, SURE * noise / should):
        found.append(
            Difference(
                "peak_high", pair.name, -low, "share", start, end, peak, should,
                lambda known: imposed.peak_higher(known, -low),
            )
        )  # fmt: skip
    slower = _build_time(pair, "driver", ours.brake_on, peak) - _build_time(
        pair, "reference", theirs.brake_on, should
    )
    if slower >= SECONDS:
        found.append(
            Difference(
                "build_slow", pair.name, slower, "s", pair.at(ours.brake_on), pair.at(ours.brake_on) + 40.0, np.nan, np.nan,
                lambda known: imposed.built_slower(known, slower),
            )
        )  # fmt: skip
    return found


def _build_time(pair: Pair, which: str, on: float, peak: float) -> float:
    """Time from brake-on to nine tenths of the lower of both peaks [s]."""
    level = 0.9 * min(peak, float(pair.theirs.brake_peak or peak))
    lap = pair.driver if which == "driver" else pair.reference
    begin = pair.at(on)
    rows = (lap.s >= begin - 1.5) & (lap.s <= begin + 150.0)
    s, brake = lap.s[rows], lap.brake[rows]
    there = first_rise(s, brake, level)
    if there is None:
        return float("nan")
    return pair.value(which, "t", there) - pair.value(which, "t", begin)


def release_differences(pair: Pair) -> list[Difference]:
    """Where the brake is off for good."""
    later = pair.later("brake_off")
    if not np.isfinite(later) or abs(later) < floor(pair):
        return []
    off, should = pair.at(pair.ours.brake_off), pair.at(pair.theirs.brake_off)
    if later > 0:

        def held(known: Known) -> Imposed:
            return impose.held_until(known, known.off + later)

        return [Difference("release_late", pair.name, later, "m", should - FELT, off, off, should, held)]

    def let_go(known: Known) -> Imposed:
        return impose.off_by(known, known.off + later)

    return [Difference("release_early", pair.name, -later, "m", off - FELT, should, off, should, let_go)]
