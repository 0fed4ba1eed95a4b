"""What the columns of a log are likely to be: a channel map proposed from titles, units and values."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lapwright.errors import Fault
from lapwright.inputs.log_layout import Title
from lapwright.inputs.log_names import EXACT, PARTLY, QUALIFIED, guesses
from lapwright.inputs.log_ranges import Array, can_be, guess_unit, is_usual, largest, would_be_usual
from lapwright.inputs.log_units import TIME, LogUnit, is_unit, unit_of

FITS = {
    EXACT: "the title says so",
    QUALIFIED: "the title says so, with where it comes from",
    PARTLY: "part of the title says so",
}
ORDER = (
    "speed", "latitude", "longitude", "x", "y", "distance", "lap", "beacon", "brake_pressure", "brake", "throttle",
    "steering_wheel", "road_wheel", "accel_long", "accel_lat", "yaw_rate", "gear", "engine_speed",
)  # fmt: skip
"""Channels in the order of a map."""

SINCE_1970 = {"s": (9e8, 4e9), "ms": (9e11, 4e12), "us": (9e14, 4e15), "ns": (9e17, 4e18)}
"""Sizes of times counted from the first of January 1970 (POSIX), for the years 1998 to 2096."""


@dataclass(frozen=True)
class Entry:
    """A column taken for a channel: which, in which unit, whether beyond doubt, and why."""

    measure: str
    title: Title
    unit: LogUnit
    sure: bool
    why: str


@dataclass(frozen=True)
class Proposal:
    """A channel map proposed for a log.

    Attributes
    ----------
    file, driver : the log, and the driver that it names ('' without)
    time : the time; None for a log whose channels have times of their own
    entries : channels, in the order of a map
    left : titles of the columns that are not used
    faults : why there can be no map: no speed, no time
    header : line of the titles
    """

    file: str
    driver: str
    time: Entry | None
    entries: tuple[Entry, ...]
    left: tuple[str, ...]
    faults: tuple[Fault, ...]
    header: int

    @property
    def doubts(self) -> tuple[Entry, ...]:
        """What is not beyond doubt."""
        return tuple(entry for entry in (self.time, *self.entries) if entry is not None and not entry.sure)

    @property
    def sure(self) -> bool:
        """Whether name, unit and values of all that is taken agree, and nothing is lacking."""
        return not self.faults and not self.doubts

    @property
    def summary(self) -> list[str]:
        """In sentences: what was taken for what, what is not used."""
        taken = [entry for entry in (self.time, *self.entries) if entry is not None]
        words = ", ".join(f"{entry.measure} from {entry.title.text} ({entry.unit.name})" for entry in taken)
        sentences = [f"recognised: {words}"] if taken else []
        if self.left:
            sentences.append(f"not used: {', '.join(self.left)}")
        return sentences

    @property
    def text(self) -> str:
        """The map as YAML, with a comment on each line: why."""
        lines = [
            f"# Channel map proposed for {_comment(self.file)}.",
            "# Look at each line, mend it where it is wrong, then pass this file with --map.",
        ]
        lines += [f"# Lacking: {_comment(fault.message)}" for fault in self.faults]
        if self.driver:
            lines.append(f"driver: {_quoted(self.driver)}  # from the preamble")
        if self.time is not None:
            lines.append(f"time: {self._keys(self.time)}  # {_reason(self.time)}")
        lines.append("channels:")
        lines += [f"  {entry.measure}: {self._keys(entry)}  # {_reason(entry)}" for entry in self.entries]
        if not self.entries:
            lines[-1] = "channels: {}"
        if self.left:
            lines.append("# Columns that are not used: " + _comment(", ".join(self.left)))
        return "\n".join(lines) + "\n"

    def _keys(self, entry: Entry) -> str:
        every = [other.title.text for other in (self.time, *self.entries) if other is not None] + list(
            self.left
        )
        # A title that two columns share does not tell which is meant; the number of the column does.
        twice = every.count(entry.title.text) > 1 or not entry.title.text
        column = str(entry.title.column) if twice else _quoted(entry.title.text)
        return f"{{column: {column}, unit: {_quoted(entry.unit.name)}}}"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _comment(text: str) -> str:
    return " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())


def _reason(entry: Entry) -> str:
    return _comment(("sure: " if entry.sure else "IN DOUBT: ") + entry.why)


@dataclass(frozen=True)
class _Candidate:
    entry: Entry
    fit: int
    rank: tuple[int, int, int]


def propose(
    file: str,
    titles: Sequence[Title],
    values: Callable[[int], Array],
    clocks: frozenset[int] = frozenset(),
    driver: str = "",
    header: int = 0,
    timed: bool = True,
) -> Proposal:
    """A channel map for a log.

    Parameters
    ----------
    file, titles
        The log and its columns.
    values
        Sample of a column by its number, in the order of the file, NaN where it has no number.
    clocks
        Columns that hold times of day as text; ``values`` has them in seconds.
    driver, header
        From the preamble, and the line of the titles.
    timed
        Whether a column must hold the time.
    """
    found: dict[str, list[_Candidate]] = {}
    for title in titles:
        if not guesses(title.name):
            continue
        for candidate in _candidates(title, values(title.column), title.column in clocks):
            found.setdefault(candidate.entry.measure, []).append(candidate)
    faults = []
    time = _best(found.pop("time", [])) if timed else None
    if timed and time is None:
        message = "no column is known to be the time; say which in a channel map (time: {column: ...} or {rate_hz: ...})"
        faults.append(Fault(message, (), file, header, 1))
    taken: dict[str, Entry] = {}
    for measure in ORDER:
        entry = _best(found.get(measure, []))
        if entry is not None and (time is None or entry.title.column != time.title.column):
            taken[measure] = entry
    _settle_places(taken)
    if "speed" not in taken:
        message = (
            "no column is known to be the speed; say which in a channel map "
            "(channels: {speed: {column: ..., unit: ...}})"
        )
        faults.append(Fault(message, (), file, header, 1))
    used = {entry.title.column for entry in (time, *taken.values()) if entry is not None}
    left = tuple(title.text for title in titles if title.column not in used and title.text)
    entries = tuple(taken[measure] for measure in ORDER if measure in taken)
    return Proposal(file, driver, time, entries, left, tuple(faults), header)


def _settle_places(taken: dict[str, Entry]) -> None:
    """Latitude and longitude go before x and y; half a place is none."""
    for pair in (("latitude", "longitude"), ("x", "y")):
        if not all(name in taken for name in pair):
            for name in pair:
                taken.pop(name, None)
    if "latitude" in taken:
        taken.pop("x", None)
        taken.pop("y", None)


def _best(candidates: list[_Candidate]) -> Entry | None:
    """The best candidate; in doubt when another is as good."""
    if not candidates:
        return None
    ranked = sorted(candidates, key=lambda one: one.rank, reverse=True)
    first = ranked[0]
    rivals = [one.entry.title for one in ranked[1:] if one.rank == first.rank]
    # Times that rise are as good as each other.
    if not rivals or first.entry.measure == "time":
        return first.entry
    others = ", ".join(f"{title.text} (column {title.column})" for title in rivals[:3])
    why = f"{first.entry.why}; but it may as well be {others}"
    return Entry(first.entry.measure, first.entry.title, first.entry.unit, False, why)


def _candidates(title: Title, values: Array, clock: bool) -> list[_Candidate]:
    """What a column may be: of all that its title may say the best that unit and values allow."""
    found = []
    for guess in guesses(title.name):
        if guess.measure == "time":
            found.append(_as_time(title, guess.fit, guess.unit, values, clock))
        elif not clock:
            found.append(_as_channel(title, guess.measure, guess.fit, guess.unit, values))
            if guess.measure == "brake" and unit_of("brake", title.unit or guess.unit) is None:
                found.append(_as_channel(title, "brake_pressure", guess.fit, guess.unit, values))
    good = [one for one in found if one is not None]
    most = max((one.fit for one in good), default=0)
    return [one for one in good if one.fit == most]


def _as_channel(title: Title, measure: str, fit: int, tail: str, values: Array) -> _Candidate | None:
    if not np.isfinite(values).any():
        return None
    written = title.unit or tail
    unit = unit_of(measure, written) if written else None
    if written and unit is None and is_unit(written) and written not in ("-", "1", "#"):
        return None
    if unit is not None:
        certain, source = True, "the unit is written"
    else:
        if measure == "brake_pressure" and fit and not written and _is_pedal(title):
            return None
        guessed, certain = guess_unit(measure, values)
        if guessed is None:
            return None
        unit, source = (
            guessed,
            "the unit follows from the values" if certain else "the unit is guessed from the values",
        )
        if written and measure not in ("lap", "beacon", "gear"):
            certain, source = False, f"the unit {written} is not known, guessed from the values"
    if measure in ("lap", "gear", "beacon"):
        source = "numbers without a unit"
        finite = values[np.isfinite(values)]
        if measure != "beacon" and np.any(finite != np.round(finite)):
            return None
    fits, usual = can_be(measure, values, unit), is_usual(measure, values, unit)
    why = f"{FITS[fit]}, {source}, {largest(measure, values, unit)}"
    if not fits:
        why += ", which cannot be true in this unit" + would_be_usual(measure, values, unit)
    elif not usual:
        why += f", which is unusual for {measure}" + would_be_usual(measure, values, unit)
    sure = fit >= QUALIFIED and certain and fits and usual
    return _Candidate(Entry(measure, title, unit, sure, why), fit, (int(fits), fit, int(certain)))


def _is_pedal(title: Title) -> bool:
    """Whether the title says brake and not brake pressure."""
    return any(guess.measure == "brake" and guess.fit >= QUALIFIED for guess in guesses(title.name))


def _as_time(title: Title, fit: int, tail: str, values: Array, clock: bool) -> _Candidate | None:
    finite = values[np.isfinite(values)]
    if finite.size < 2:
        return None
    by_name: Mapping[str, LogUnit] = {unit.name: unit for unit in TIME}
    steps = np.diff(finite)
    rises = bool(np.mean(steps < 0.0) < 0.002)
    written = title.unit or tail
    unit = unit_of("time", written) if written else None
    if written and unit is None and is_unit(written):
        return None
    certain, source = True, "the unit is written"
    if clock:
        unit, source = by_name["h:m:s"], "a clock"
    elif unit is None or unit.name == "h:m:s":
        step = float(np.median(steps[steps > 0.0])) if np.any(steps > 0.0) else 0.0
        unit = by_name["s"] if step < 1.5 else by_name["ms"] if step < 2000.0 else by_name["us"]
        certain, source = 0.0 < step < 1.0, f"the unit follows from steps of {step:.4g}"
        since = next((name for name, (low, high) in SINCE_1970.items() if low < finite[0] < high), "")
        if since:
            unit, certain, source = by_name[since], True, "counted from 1970"
    why = f"{FITS[fit]}, {source}, " + ("it rises" if rises else "but it does not keep rising")
    return _Candidate(
        Entry("time", title, unit, rises and certain and fit >= QUALIFIED, why),
        fit,
        (int(rises), fit, int(certain)),
    )
