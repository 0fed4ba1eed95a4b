"""Differences in a driver's words: what he did, what the reference does, and what to try."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from lapwright.driver.difference import Difference
from lapwright.driver.pair import Pair
from lapwright.lap.landmarks import landmark_fixes, nearest_fix
from lapwright.outputs.words import fix_phrase
from lapwright.quantities import KMH
from lapwright.track.track import Track


class Said(NamedTuple):
    """What was done, and what to try instead."""

    done: str
    advice: str


def place_words(station: float, track: Track, pair: Pair) -> str:
    """A place told by the nearest landmark, or by the corner's start: "5 m before 150 m board", "12 m into Gate"."""
    at = float(track.wrap(np.array([station]))[0]) if track.closed else station
    near = fix_phrase(nearest_fix(*landmark_fixes(at, track)))
    if near:
        return near
    from_start = station - pair.theirs.start
    if from_start < 0.0:
        return f"{-from_start:.0f} m before {pair.name}"
    return f"{from_start:.0f} m into {pair.name}"


def said(what: Difference, pair: Pair) -> Said:
    """A difference as a sentence about what was done, and one about what to try.

    Parameters
    ----------
    what
        From ``findings.differences``.
    pair
        The corner that it was found in.
    """
    return WAYS[what.key](what, pair)


def _where(station: float, pair: Pair) -> str:
    return place_words(station, pair.track, pair)


def _metres(value: float) -> str:
    return f"{value:.0f} m" if value >= 1.5 else f"{value:.1f} m"


def _pressure(what: Difference, pair: Pair) -> str:
    """How hard the brake was pressed, where that is known."""
    return "" if pair.switch else f", {100 * what.size:.0f} % of full pressure"


def _to_slowest(pair: Pair, station: float) -> str:
    """A place told from the slowest point of the reference: one point for both, or the two could not be held together."""
    past = station - pair.at(pair.theirs.slowest_at)
    return f"{abs(past):.0f} m {'before' if past < 0 else 'past'} the slowest point"


def _moved(verb: str, late: bool) -> Callable[[Difference, Pair], Said]:
    def words(what: Difference, pair: Pair) -> Said:
        side = "late" if late else "early"
        here, there = _where(what.driver, pair), _where(what.reference, pair)
        done = f"{verb} {_metres(what.size)} {side}: {here} instead of {there}"
        if late:
            return Said(done, f"{verb} {_metres(what.size)} earlier, {there}")
        return Said(done, f"{verb} {_metres(what.size)} later, in steps of a few metres: in the end {there}")

    return words


def _peak_low(what: Difference, pair: Pair) -> Said:
    done = (
        f"Peak brake {100 * what.size:.0f} % low: {100 * what.driver:.0f} % of full pressure instead of "
        f"{100 * what.reference:.0f} %"
    )
    return Said(
        done,
        f"Press harder at once: {100 * what.reference:.0f} % of full pressure; only then brake later, in steps",
    )


def _peak_high(what: Difference, pair: Pair) -> Said:
    done = (
        f"Peak brake {100 * what.size:.0f} % higher than the reference: {100 * what.driver:.0f} % of full pressure instead "
        f"of {100 * what.reference:.0f} %"
    )
    return Said(done, f"Begin a little earlier with {100 * what.reference:.0f} % of full pressure")


def _build_slow(what: Difference, pair: Pair) -> Said:
    return Said(
        f"Brake slow to build: {what.size:.2f} s longer to its peak",
        "Squeeze to the peak in one movement; only then brake later, in steps",
    )


def _release(late: bool) -> Callable[[Difference, Pair], Said]:
    def words(what: Difference, pair: Pair) -> Said:
        side, trail = ("late", "long") if late else ("early", "short")
        done = (
            f"Brake off {_metres(what.size)} {side}, the trail is too {trail}: {_to_slowest(pair, what.driver)} "
            f"instead of {_to_slowest(pair, what.reference)}"
        )
        advice = (
            f"Let the brake go {_metres(what.size)} earlier, {_to_slowest(pair, what.reference)}"
            if late
            else f"Keep a little brake on {_metres(what.size)} longer, to {_to_slowest(pair, what.reference)}"
        )
        return Said(done, advice)

    return words


def _steps(what: Difference, pair: Pair) -> Said:
    count = max(round(what.driver), 2)
    return Said(
        f"Brake released in {count} steps, held at {100 * what.size:.0f} % of its peak from {_where(what.start, pair)}",
        "Let the brake go in one long movement as the steering comes on",
    )


def _again(what: Difference, pair: Pair) -> Said:
    return Said(
        f"A second application of the brake{_pressure(what, pair)}, {_where(what.start, pair)}",
        "Leave some brake on instead of coming off it and back",
    )


def _coast(what: Difference, pair: Pair) -> Said:
    return Said(
        f"On neither pedal for {_metres(what.driver)} after the brake, {_metres(what.size)} more than needed",
        f"Stay on the brake longer or come to the throttle sooner: the reference waits {_metres(what.reference)}",
    )


def _coast_before(what: Difference, pair: Pair) -> Said:
    return Said(
        f"Off the throttle {_metres(what.driver)} before the brake comes, {_metres(what.size)} more than needed",
        "Stay on the throttle until the brake point, and move the foot at once",
    )


def _slow(what: Difference, pair: Pair) -> Said:
    here, there = pair.at(pair.ours.slowest_at), pair.at(pair.theirs.slowest_at)
    done = f"Slowest speed {what.size * KMH:.0f} km/h low: {what.driver * KMH:.0f} instead of {what.reference * KMH:.0f} km/h"
    if abs(here - there) >= 5.0:
        done += f", {abs(here - there):.0f} m {'earlier' if here < there else 'later'}"
    return Said(done, f"Carry {what.reference * KMH:.0f} km/h at the slowest point: slow down less")


def _full_late(what: Difference, pair: Pair) -> Said:
    return Said(
        f"Full throttle {_metres(what.size)} late: {_to_slowest(pair, what.driver)} instead of "
        f"{_to_slowest(pair, what.reference)}",
        "Once on the throttle, open it steadily as the wheel unwinds",
    )


def _throttle(late: bool) -> Callable[[Difference, Pair], Said]:
    def words(what: Difference, pair: Pair) -> Said:
        ours, theirs = (
            _to_slowest(pair, what.driver),
            _to_slowest(pair, what.reference),
        )
        side = "late" if late else "early"
        advice = "Pick the throttle up" if late else "Wait with the throttle"
        return Said(
            f"Throttle picked up {_metres(what.size)} {side}: {ours} instead of {theirs}",
            f"{advice} {_metres(what.size)} {'earlier' if late else 'longer'}, {theirs}",
        )

    return words


def _throttle_lift(what: Difference, pair: Pair) -> Said:
    return Said(
        f"Throttle picked up and lifted again by {100 * what.size:.0f} %, {_to_slowest(pair, what.start)}",
        "Wait until the throttle can be opened once and for all",
    )


def _unused(what: str, verb: str) -> Callable[[Difference, Pair], Said]:
    def words(one: Difference, pair: Pair) -> Said:
        done = (
            f"{one.size:.1f} m of road left {what}: the car's middle {one.driver:.1f} m from the edge instead of "
            f"{one.reference:.1f} m"
        )
        return Said(done, f"{verb}: {one.size:.1f} m more")

    return words


def _corrections(what: Difference, pair: Pair) -> Said:
    count = round(what.driver)
    return Said(
        f"{count} corrections of the steering, the largest {math.degrees(what.size):.0f} deg at the wheel",
        "One movement of the hands into the corner and one out of it",
    )


def _brake_not_needed(what: Difference, pair: Pair) -> Said:
    return Said(
        f"Braked where the reference only lifts or stays on the throttle{_pressure(what, pair)}, "
        f"{_where(what.driver, pair)}",
        "Leave the brake alone, a lift is enough, if that",
    )


def _brake_missing(what: Difference, pair: Pair) -> Said:
    return Said(
        f"Not braked: the reference uses {100 * what.size:.0f} % of full pressure, {_where(what.reference, pair)}",
        f"Brake, {_where(what.reference, pair)}, and go on the throttle earlier",
    )


def _lift_not_needed(what: Difference, pair: Pair) -> Said:
    return Said(
        f"Lifted for {_metres(what.size)} where the throttle can stay open, {_where(what.start + 5.0, pair)}",
        "Stay on the throttle, step by step over several laps",
    )


WAYS: dict[str, Callable[[Difference, Pair], Said]] = {
    "brake_early": _moved("Brake on", False),
    "brake_late": _moved("Brake on", True),
    "lift_early": _moved("Lift", False),
    "lift_late": _moved("Lift", True),
    "coast_before_brake": _coast_before,
    "brake_not_needed": _brake_not_needed,
    "brake_missing": _brake_missing,
    "lift_not_needed": _lift_not_needed,
    "peak_low": _peak_low,
    "peak_high": _peak_high,
    "build_slow": _build_slow,
    "release_early": _release(False),
    "release_late": _release(True),
    "release_steps": _steps,
    "brake_again": _again,
    "coast": _coast,
    "slow": _slow,
    "throttle_early": _throttle(False),
    "throttle_late": _throttle(True),
    "throttle_lift": _throttle_lift,
    "full_late": _full_late,
    "entry_unused": _unused("unused outside, before the corner", "Begin the corner from farther out"),
    "apex_missed": _unused("unused inside, at the apex", "Come closer to the inside"),
    "exit_unused": _unused("unused outside, after the corner", "Let the car run out"),
    "corrections": _corrections,
}
"""By the key of a difference."""
