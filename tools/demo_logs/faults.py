"""Faults of invented drivers, as bounds that the quickest lap with that fault has to keep.

What a fault is taken from is the reference at that corner (``Known``). The sizes are what is asked; what the drive really did
is measured afterwards (``truth``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lapwright.corner import impose
from lapwright.corner.impose import Known, corridor, foot
from lapwright.lap.lap import Array
from lapwright.problem.model import Corridor
from lapwright.track.track import Track

EASE = 4.0
"""Distance [m] over which a bound of a pedal sets in or ends."""

OPENING = 0.05
"""Metres sideways by which a bound of the line opens for each metre before and after its stretch."""

CLOSED = 0.03
"""Travel of either pedal below which a foot counts as off it."""

Bounds = Callable[[Track, Known, float], list[Corridor]]


@dataclass(frozen=True)
class Fault:
    """One fault in one corner: ``key`` of ``KINDS``, ``size`` in its unit."""

    corner: str
    key: str
    size: float


@dataclass(frozen=True)
class Kind:
    """A kind of fault: unit of its size, meaning, and the bounds it sets; None for hands that are busy while driving."""

    unit: str
    meaning: str
    bounds: Bounds | None


def _side(known: Known) -> float:
    """+1 for a left-hander, whose inside is on the left, -1 for a right-hander."""
    return 1.0 if known.reading.direction == "left" else -1.0


def _off_edge(
    track: Track, known: Known, side: float, gap: float, start: float, end: float
) -> list[Corridor]:
    """The car's flank at least ``gap`` [m] from the edge on a ``side`` from one station to another."""
    half = 0.5 * known.vehicle.chassis.width  # type: ignore[union-attr]

    def bound(s: Array) -> Array:
        road = track.road(np.clip(np.ravel(s), 0.0, track.length))
        width = (road.width_left if side > 0 else road.width_right).reshape(np.shape(s))
        away = np.maximum(np.maximum(start - s, s - end), 0.0)
        return side * (width - half - gap + OPENING * away)

    return [corridor("n", upper=bound) if side > 0 else corridor("n", lower=bound)]


def _window(s: Array, start: float, end: float, inside: float, outside: float) -> Array:
    """``inside`` from ``start`` to ``end``, ``outside`` away from them, straight in between over ``EASE``."""
    return np.interp(s, [start - EASE, start, end, end + EASE], [outside, inside, inside, outside])


def brake_early(track: Track, known: Known, size: float) -> list[Corridor]:
    """Off the throttle and on the brake earlier."""
    return [impose.entry_earlier(known, size).bound]


def brake_late(track: Track, known: Known, size: float) -> list[Corridor]:
    """Late on the brake and wide at the apex for it."""
    clip = known.reading.clip
    wide = _off_edge(track, known, _side(known), 0.15 * size, clip.at - 12.0, clip.at + 12.0)
    return [impose.entry_later(known, size).bound, *wide]


def peak_low(track: Track, known: Known, size: float) -> list[Corridor]:
    """A peak lower by a share of itself, and a foot that takes its time on the way there."""
    braking = known.reading.braking
    assert braking is not None
    start, end = braking.on.at - 60.0, braking.peak_at.at + 5.0

    def slow(s: Array) -> Array:
        # Lifting the throttle is as quick as ever: only the brake is slow.
        return np.where((s >= start) & (s <= end) & (known.pedal(s) <= 0.0), -0.5, -1.0)

    return [impose.peak_lower(known, size).bound, corridor("pedal_effort", lower=slow)]


def release_early(track: Track, known: Known, size: float) -> list[Corridor]:
    """The brake off earlier: what is left of the trail is too short."""
    return [impose.off_by(known, known.off - size).bound]


def release_late(track: Track, known: Known, size: float) -> list[Corridor]:
    """The brake held longer."""
    return [impose.held_until(known, known.off + size).bound]


def release_steps(track: Track, known: Known, size: float) -> list[Corridor]:
    """The release stands still for ``size`` metres at half of the peak."""
    braking = known.reading.braking
    assert braking is not None
    level = -0.5 * braking.peak
    rows = (known.lap.s > braking.peak_at.at) & (known.lap.pedal >= level)
    middle = float(known.lap.s[rows][0])
    start, end = middle - 0.6 * size, middle + 0.4 * size
    return [
        foot(
            known,
            lower=lambda s: _window(s, start, end, level - 0.01, -1.0),
            upper=lambda s: _window(s, start, end, level + 0.01, 1.0),
        )
    ]


def brake_twice(track: Track, known: Known, size: float) -> list[Corridor]:
    """Off the brake too far in the middle of the braking and on again by a ``size`` of the peak."""
    braking = known.reading.braking
    assert braking is not None
    gap = braking.peak_at.at + 0.35 * (braking.off.at - braking.peak_at.at)
    low = -0.25 * braking.peak
    again = low - size * braking.peak
    return [
        foot(known, lower=lambda s: _window(s, gap, gap + 3.0, low, -1.0)),
        foot(known, upper=lambda s: _window(s, gap - 2.0, gap + 10.0, low + 0.01, 1.0)),
        foot(known, upper=lambda s: _window(s, gap + 15.0, gap + 18.0, again, 1.0)),
        foot(known, lower=lambda s: _window(s, gap + 6.0, known.off, again - 0.01, -1.0)),
    ]


def coast(track: Track, known: Known, size: float) -> list[Corridor]:
    """Neither pedal for ``size`` metres more than the reference."""
    pick_up = known.reading.pick_up
    assert pick_up is not None
    start, end = known.off - 0.6 * size, pick_up.at + 0.4 * size
    return [
        foot(
            known,
            lower=lambda s: np.where((s >= start) & (s <= end), -CLOSED, -1.0),
            upper=lambda s: np.where(s < start, 1.0, np.interp(s, [end, end + EASE], [CLOSED, 1.0])),
        )
    ]


def slow(track: Track, known: Known, size: float) -> list[Corridor]:
    """Slower at the slowest point, ``size`` in km/h."""
    return [impose.slowest_lower(known, size / 3.6).bound]


def throttle_lift(track: Track, known: Known, size: float) -> list[Corridor]:
    """Throttle early, then let go again by a ``size`` of its travel, all but to nothing."""
    pick_up = known.reading.pick_up
    assert pick_up is not None
    first = pick_up.at - 8.0
    return [
        foot(known, lower=lambda s: _window(s, first, first + 5.0, size + 0.01, -1.0)),
        foot(known, upper=lambda s: _window(s, first - 10.0, first + 20.0, size + 0.03, 1.0)),
        foot(known, upper=lambda s: _window(s, first + 22.0, first + 26.0, 0.02, 1.0)),
    ]


def throttle_late(track: Track, known: Known, size: float) -> list[Corridor]:
    """The throttle picked up later."""
    return [impose.throttle_later(known, size).bound]


def full_late(track: Track, known: Known, size: float) -> list[Corridor]:
    """The last of the throttle late: no more than four fifths until then."""
    full = known.reading.full
    assert full is not None
    end = full.at + size - 2.0

    def upper(s: Array) -> Array:
        after = np.interp(s, [end, end + EASE], [0.8, 1.0])
        return np.where(s >= known.off, after, 1.0)

    return [foot(known, upper=upper)]


def entry_unused(track: Track, known: Known, size: float) -> list[Corridor]:
    """Away from the outside edge on the way in."""
    reading = known.reading
    turn_in = reading.turn_in.at if reading.turn_in else reading.start.at
    return _off_edge(track, known, -_side(known), size, known.entry - 40.0, turn_in + 15.0)


def apex_missed(track: Track, known: Known, size: float) -> list[Corridor]:
    """Away from the inside edge at the apex."""
    clip = known.reading.clip.at
    return _off_edge(track, known, _side(known), size, clip - 15.0, clip + 15.0)


def exit_unused(track: Track, known: Known, size: float) -> list[Corridor]:
    """Away from the outside edge on the way out."""
    clip = known.reading.clip.at
    return _off_edge(track, known, -_side(known), size, clip + 10.0, known.stretch.corner_end + 60.0)


KINDS = {
    "brake_early": Kind("m", "on the brake earlier", brake_early),
    "brake_late": Kind("m", "on the brake later, and wide at the apex", brake_late),
    "peak_low": Kind("share", "peak brake lower, slow to build", peak_low),
    "release_early": Kind("m", "brake off earlier: the trail too short", release_early),
    "release_late": Kind("m", "brake held longer", release_late),
    "release_steps": Kind("m", "brake released in two steps: length of the stand-still", release_steps),
    "brake_twice": Kind("share", "brake let off and pressed again, share of the peak", brake_twice),
    "coast": Kind("m", "neither pedal for longer", coast),
    "slow": Kind("km/h", "slowest speed lower", slow),
    "throttle_lift": Kind("share", "throttle early, then let go again by so much", throttle_lift),
    "throttle_late": Kind("m", "throttle picked up later", throttle_late),
    "full_late": Kind("m", "throttle full later", full_late),
    "entry_unused": Kind("m", "away from the outside edge on the way in", entry_unused),
    "apex_missed": Kind("m", "away from the inside edge at the apex", apex_missed),
    "exit_unused": Kind("m", "away from the outside edge on the way out", exit_unused),
    "hands_busy": Kind("deg", "sawing at the hand wheel: amplitude", None),
}
"""What can be put into a lap."""
