"""A balance in an engineer's sentences: what helps, which axle holds the car where, how fast a disturbance doubles."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from lapwright.lap.lap import Array
from lapwright.lap.phases import BRAKE_ON
from lapwright.lap.spans import Span
from lapwright.outputs.sweep_groups import figure_of
from lapwright.quantities import DEG
from lapwright.study.balance import Moved
from lapwright.study.effects import Effect
from lapwright.study.entry import Entry
from lapwright.study.numbers import SetupNumber

NOTHING = 1e-3
"""Seconds a step below which an effect is said to be nothing: a lap is known to some milliseconds."""

MOSTLY = 0.5
"""Share of an effect from which a piece of the lap has most of it."""

SHORTEST = 5.0
"""Stretches at the limit that are shorter than this [m] are not told in sentences."""

STRETCHES = 3
"""Stretches at the limit that a sentence tells: the longest."""

STILL = 0.2
"""Change of a growth rate [1/s] that is none: a doubling time of 0.1 s moves by 3 % of itself."""

NEUTRAL = 0.01 * DEG
"""Change of the understeer [rad] that is none."""

GROWS = 0.5
"""Change of where a disturbance grows [m] that is none: rows lie a metre or two apart."""

HELD = {"front": "front-limited", "rear": "rear-limited", "both": "limited by both axles"}

Piece = tuple[Span, Span]


def own(name: str) -> str:
    """A name's possessive: "Gate's", "Reeds'"."""
    return f"{name}'" if name.endswith("s") else f"{name}'s"


def piece_words(piece: Piece) -> str:
    """A piece of the lap, e.g. "Gate's braking", "on the way to Gate", "Gate"."""
    span, leaf = piece
    if span.kind == "straight":
        return f"on the way {span.name}" if span.name.startswith("to ") else f"on {span.name}"
    return f"in {span.name}" if leaf is span else f"in {own(span.name)} {leaf.name}"


def capital(words: str) -> str:
    """The same with a capital first letter."""
    return words[:1].upper() + words[1:]


def with_unit(value: float, unit: str) -> str:
    """A value in the unit of the file, e.g. "220 kW"."""
    return f"{figure_of(value)} {unit}".rstrip()


def seconds(value: float) -> str:
    """Seconds without their sign, to a millisecond."""
    return f"{abs(value):.3f} s"


def is_nothing(effect: Effect) -> bool:
    """Whether neither the first order nor a solve gives a millisecond for a step."""
    check = effect.check
    found = [effect.per_step] if check is None else [effect.per_step, check.up or 0.0, check.down or 0.0]
    return max(abs(value) for value in found) < NOTHING


def _from_to(number: SetupNumber, value: float, steps: int) -> str:
    """One step, e.g. "0.62 to 0.63", "220 to 222 kW"."""
    return f"{figure_of(value)} to {with_unit(value + steps * number.step, number.unit)}"


def effect_words(effect: Effect, pieces: Sequence[Piece]) -> str:
    """What a number is worth, and where: no more than solves and first order say.

    Parameters
    ----------
    effect
        Of one number.
    pieces
        ``lap.spans.leaves`` of the lap's pieces, in the order of ``Effect.parts``.
    """
    number, check = effect.number, effect.check
    name = capital(number.words)
    if is_nothing(effect):
        return f"{name}: nothing, a step of {with_unit(number.step, number.unit)} moves the lap by less than 1 ms."
    said = f"{name}: {_direction(effect)}"
    if check is None:
        said += " (first order)"
    if check is None or check.agrees:
        said += _largest(effect, pieces)
    if (
        check is not None
        and check.words
        and not (check.agrees and (check.up or 0.0) * (check.down or 0.0) > 0.0)
    ):
        said += f"; {check.words}"
    return f"{said}."


def _direction(effect: Effect) -> str:
    """Which way helps and by how much; where a solve is missing only what the other one says."""
    number, value, check = effect.number, effect.value, effect.check
    up, down = (effect.per_step, -effect.per_step) if check is None else (check.up, check.down)
    if up is None or down is None:
        one, steps = (down, -1) if up is None else (up, 1)
        if one is None:
            first = "gains" if effect.per_step < 0.0 else "costs"
            step = _from_to(number, value, 1)
            return f"a step from {step} {first} {seconds(effect.per_step)} a lap to first order"
        way = "more" if steps > 0 else "less"
        does = "helps" if one < 0.0 else "costs time"
        return f"{way} {does}, a step from {_from_to(number, value, steps)} {_worth(one)}"
    if up >= 0.0 and down >= 0.0:
        return f"best as it is: a step more costs {seconds(up)}, a step less {seconds(down)}"
    if up < 0.0 and down < 0.0:
        return f"either way helps, a step more by {seconds(up)}, a step less by {seconds(down)}"
    way, steps, gain = ("more", 1, up) if up < 0.0 else ("less", -1, down)
    return f"{way} helps, a step from {_from_to(number, value, steps)} {_worth(gain)}"


def _worth(change: float) -> str:
    """Of a change of the lap time."""
    if abs(change) < NOTHING:
        return "moves the lap by less than 1 ms"
    return f"is worth {seconds(change)} a lap" if change < 0.0 else f"loses {seconds(change)} a lap"


def _largest(effect: Effect, pieces: Sequence[Piece]) -> str:
    """The piece of the lap that has the most of an effect; one that goes against it, when it is worth telling."""
    if abs(effect.per_step) < NOTHING or not effect.parts:
        return ""
    shares = np.array(effect.parts) / effect.per_step
    k = int(np.argmax(shares))
    if abs(effect.parts[k]) < NOTHING:
        return ", spread over the lap"
    how = "most of it" if shares[k] >= MOSTLY else "the largest piece"
    said = f", {how} {piece_words(pieces[k])} ({seconds(effect.parts[k])})"
    against = int(np.argmin(shares))
    if shares[against] < -0.25 and abs(effect.parts[against]) >= NOTHING:
        said += f"; it goes the other way {piece_words(pieces[against])} ({seconds(effect.parts[against])})"
    return said


# -- entries -----------------------------------------------------------------------------------------------------------------


def brake_on(entry: Entry) -> float | None:
    """Station [m] where the brake rises through ``BRAKE_ON``; None where it never does, or is on from the first row."""
    return _rise(entry.s, entry.brake)


def _rise(s: Array, brake: Array) -> float | None:
    on = np.flatnonzero(brake >= BRAKE_ON)
    if not on.size or on[0] == 0:
        return None
    i = int(on[0])
    part = (BRAKE_ON - brake[i - 1]) / (brake[i] - brake[i - 1])
    return float(s[i - 1] + part * (s[i] - s[i - 1]))


def key_points(entry: Entry) -> tuple[tuple[str, float], ...]:
    """Name and station [m] of what a driver does on the way in, in driving order."""
    points = (
        ("brake-on", brake_on(entry)),
        ("turn-in", entry.turn_in),
        ("brake-off", entry.brake_off),
        ("the slowest point", entry.slowest),
    )
    found = [(name, at) for name, at in points if at is not None and entry.start <= at <= entry.end]
    return tuple(sorted(found, key=lambda point: point[1]))


def place_words(entry: Entry, station: float) -> str:
    """A place told from the nearest key point, e.g. "12 m before turn-in"."""
    name, at = min(key_points(entry), key=lambda point: abs(point[1] - station))
    metres = round(abs(station - at))
    if metres == 0:
        return f"at {name}"
    return f"{metres} m {'after' if station > at else 'before'} {name}"


def limit_stretches(entry: Entry) -> tuple[tuple[str, float, float], ...]:
    """Axle ("front", "rear", "both", "none") and stations [m] from where to where it holds the car; the whole entry."""
    cuts = [
        entry.start,
        *(change.station for change in entry.changes),
        max(entry.slowest, float(entry.s[-1])),
    ]
    first = entry.changes[0].before if entry.changes else str(entry.limiting_axle[0])
    axles = [first, *(change.after for change in entry.changes)]
    return tuple((axle, a, b) for axle, a, b in zip(axles, cuts[:-1], cuts[1:], strict=True) if b > a)


def held_words(entry: Entry) -> str:
    """Which axle holds the car from where to where: the longest stretches, in driving order."""
    found = [one for one in limit_stretches(entry) if one[0] in HELD and one[2] - one[1] >= SHORTEST]
    longest = sorted(found, key=lambda one: one[1] - one[2])[:STRETCHES]
    if not longest:
        return "no axle is at its limit for long"
    said = []
    for axle, a, b in sorted(longest, key=lambda one: one[1]):
        said.append(f"{HELD[axle]} {from_to_words(entry, a, b)}")
    return ", ".join(said)


def from_to_words(entry: Entry, start: float, end: float) -> str:
    """A stretch, e.g. "from 24 m after brake-on to turn-in", "from 4 to 16 m after brake-on"."""
    begin, stop = (place_words(entry, at).removeprefix("at ") for at in (start, end))
    metres, _, rest = begin.partition(" m ")
    if rest and stop.endswith(f" m {rest}"):
        return f"from {metres} to {stop}"
    return f"from {begin} to {stop}"


def stable_words(entry: Entry) -> str:
    """How fast a disturbance grows at the least stable point; empty without a brake."""
    spot = entry.nervous
    if spot is None:
        return ""
    where = f"{place_words(entry, spot.station)} ({100.0 * spot.brake:.0f} % brake)"
    if spot.doubling is None or spot.growth <= 0.0:
        half = f", by half in {math.log(2.0) / -spot.growth:.2f} s" if spot.growth < 0.0 else ""
        return f"least stable {where}, where a disturbance still dies out{half}"
    return f"least stable {where}, where a disturbance doubles in {round(spot.doubling, 3):.2f} s"


def spare_while(entry: Entry, axle: str) -> float | None:
    """Mean side force [N] over the stretch that the other axle could add while ``axle`` alone is at its limit."""
    rows = entry.limiting_axle == axle
    if not rows.any():
        return None
    return float(np.mean((entry.spare_front if axle == "rear" else entry.spare_rear)[rows]))


def entry_words(entry: Entry) -> str:
    """Which axle holds the car on the way in, and how stable it is, in one sentence."""
    stable = stable_words(entry)
    return f"{entry.corner}: {held_words(entry)}{'; ' if stable else ''}{stable}."


def moved_words(moved: Moved) -> str:
    """What a step of a number does to the entries: how many get calmer, where most, and the steering."""
    number = moved.number
    head = f"{capital(number.words)} +{with_unit(number.step, number.unit)}"
    growth = {name: change for name, change in moved.growth.items() if math.isfinite(change)}
    said = []
    if growth:
        calmer = [name for name, change in growth.items() if change <= -STILL]
        worse = [name for name, change in growth.items() if change >= STILL]
        if calmer:
            said.append(_most("calmer", calmer, moved, len(growth)))
        if worse:
            said.append(_most("less stable", worse, moved, len(growth)))
        if not calmer and not worse:
            said.append("as stable as before")
    for words, values in (("grows from", moved.begins), ("grows over", moved.length)):
        known = [value for value in values.values() if math.isfinite(value)]
        metres = float(np.mean(known)) if known else 0.0
        if abs(metres) >= GROWS:
            side = (
                ("later" if metres > 0.0 else "earlier")
                if words == "grows from"
                else ("more" if metres > 0.0 else "less")
            )
            said.append(f"a disturbance {words} {abs(metres):.1f} m {side} on average")
    means = []
    for words, values in (("entry", moved.understeer_entry), ("exit", moved.understeer_exit)):
        known = [value for value in values.values() if math.isfinite(value)]
        if known and abs(float(np.mean(known))) >= NEUTRAL:
            means.append(f"{float(np.mean(known)) / DEG:+.2f} deg on {words}")
    if means:
        said.append(f"mean understeer {' and '.join(means)}")
    return f"{head}: {', '.join(said) if said else 'nothing moves'}."


def _most(word: str, corners: Sequence[str], moved: Moved, count: int) -> str:
    top = max(corners, key=lambda name: abs(moved.growth[name]))
    said = f"{word} in {len(corners)} of {count} entries, most in {top} (growth {moved.growth[top]:+.2f} 1/s"
    metres = moved.station.get(top, math.nan)
    if math.isfinite(metres) and abs(metres) >= 1.0:
        said += f", the least stable point {abs(metres):.0f} m {'later' if metres > 0 else 'earlier'}"
    return f"{said})"
