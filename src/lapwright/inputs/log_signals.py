"""Channels of a log made of its columns: SI units, checked, gaps left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.agreement import place_speed_ratio
from lapwright.driver.globe import east_north
from lapwright.driver.log import Signal
from lapwright.driver.signs import find_signs
from lapwright.errors import Fault, InputError
from lapwright.inputs.channel_map import Pick
from lapwright.inputs.log_clock import Array
from lapwright.inputs.log_layout import Title
from lapwright.inputs.log_ranges import (
    STANDING,
    in_si,
    is_usual,
    largest,
    limits_of,
    top_of,
    would_be_true,
    would_be_usual,
)
from lapwright.inputs.log_units import UNITS_OF
from lapwright.inputs.numbers import show

FEWEST = 100
"""Samples of speed at least."""

SPIKES = 0.001
"""Share of samples that may be impossible, and are then left out; more make the unit doubtful."""

DISAGREE, AGREE = 0.1, 0.04
"""Shares by which the speed and that of the places differ when something is wrong, and when they are the same."""

KEPT_CONSTANT = frozenset(("lap", "beacon", "gear"))
"""Channels that may stay the same in a whole log."""

PLACES = ("latitude", "longitude", "x", "y")


@dataclass(frozen=True)
class Raw:
    """A column as written: times (M,) [s], values (M,), NaN in gaps, and the rows they stand in."""

    t: Array
    values: Array
    row: NDArray[np.int64]


@dataclass
class Built:
    """Channels, and what there is to say."""

    signals: dict[str, Signal] = field(default_factory=dict)
    geographic: bool = False
    faults: list[Fault] = field(default_factory=list)
    notices: list[Fault] = field(default_factory=list)


def build_signals(
    file: str, picks: Sequence[Pick], raw: Mapping[int, Raw], line: NDArray[np.int64], header: int
) -> Built:
    """Channels from columns.

    Parameters
    ----------
    file
        The log, in messages.
    picks
        What is what.
    raw
        Columns by their number.
    line
        Line of every row; empty for a file without lines.
    header
        Line of the titles.

    Raises
    ------
    InputError
        Every fault: values that cannot be true in their unit, a speed that is always zero or the same, too few samples.
    """
    work = _Work(file, line, header)
    turned = {pick.measure: work.converted(pick, raw[pick.title.column]) for pick in picks}
    for pick in picks:
        if pick.measure not in PLACES:
            work.add(pick, turned[pick.measure])
    by_name = {pick.measure: pick for pick in picks}
    for pair in (("latitude", "longitude"), ("x", "y")):
        if pair[0] in by_name:
            work.add_places([by_name[name] for name in pair], [turned[name] for name in pair])
    speed = work.built.signals.get("speed")
    if speed is not None and speed.t.size < FEWEST:
        message = f"the speed has {speed.t.size} samples; at least {FEWEST} are needed"
        work.built.faults.append(Fault(message, (), file, header, by_name["speed"].title.column))
    if not work.built.faults and speed is not None:
        work.compare_with_places(by_name["speed"])
    if work.built.faults:
        raise InputError([*work.built.faults])
    if speed is not None:
        work.say_gaps(speed)
        fixed = frozenset(pick.measure for pick in picks if pick.sign)
        signs = find_signs(work.built.signals, fixed)
        work.built.signals = dict(signs.signals)
        work.built.notices += [Fault(text, (), file) for text in signs.words]
    return work.built


@dataclass
class _Work:
    file: str
    line: NDArray[np.int64]
    header: int
    built: Built = field(default_factory=Built)

    def fault(self, message: str, title: Title, row: int = -1) -> None:
        line = int(self.line[row]) if 0 <= row < self.line.size else self.header
        self.built.faults.append(Fault(message, (), self.file, line, title.column if line else 0))

    def notice(self, message: str, title: Title | None = None) -> None:
        place = (self.header, title.place) if title is not None and self.header else (0, 0)
        self.built.notices.append(Fault(message, (), self.file, *place))

    def converted(self, pick: Pick, raw: Raw) -> Raw:
        """Gaps left out, in SI, with the sign of the map; impossible values left out when they are few."""
        good = np.isfinite(raw.values)
        written = raw if good.all() else Raw(raw.t[good], raw.values[good], raw.row[good])
        values = in_si(written.values, pick.unit) * (pick.sign or 1)
        low, high = limits_of(pick.measure)
        out = (values < low) | (values > high)
        if not out.any():
            self.doubt_unit(pick, written.values)
            return Raw(written.t, values, written.row)
        first = int(np.flatnonzero(out)[0])
        name = f"{pick.title.text}: "
        unit = "" if pick.unit.name in ("count", "share", "switch") else f" {pick.unit.name}"
        if out.mean() > SPIKES:
            message = (
                f"{name}{pick.measure} of {show(written.values[first])}{unit} cannot be true"
                f" ({int(out.sum())} of {out.size} values)"
                + would_be_true(pick.measure, written.values, pick.unit)
            )
            self.fault(message, pick.title, int(written.row[first]))
        else:
            message = f"{name}{int(out.sum())} impossible values (such as {show(written.values[first])}{unit}) are left out"
            self.notice(message, pick.title)
        return Raw(written.t[~out], values[~out], written.row[~out])

    def doubt_unit(self, pick: Pick, written: Array) -> None:
        """A notice about a channel that is possible in its unit, but usual only in another."""
        better = (
            ""
            if is_usual(pick.measure, written, pick.unit)
            else would_be_usual(pick.measure, written, pick.unit)
        )
        if better:
            shown = largest(pick.measure, written, pick.unit)
            self.notice(f"{pick.title.text}: {shown} is unusual for {pick.measure}{better}", pick.title)

    def add(self, pick: Pick, raw: Raw) -> None:
        """One channel that is no place."""
        title, measure = pick.title, pick.measure
        needed = measure == "speed"
        say = self.fault if needed else self.notice
        rest = "" if needed else "; the channel is left out"
        if raw.values.size == 0:
            if not any(title.text in fault.message for fault in self.built.faults):
                say(f"{title.text}: there are no values{rest}", title)
            return
        constant = bool(np.ptp(raw.values) == 0.0)
        if constant and measure not in KEPT_CONSTANT:
            what = (
                "is zero throughout"
                if raw.values[0] == 0.0
                else f"is the same throughout ({show(raw.values[0])} in SI)"
            )
            say(f"{title.text}: {measure} {what}{rest}", title)
            return
        if needed and top_of(raw.values) < STANDING:
            message = (
                f"{title.text}: the car never goes faster than {raw.values.max():.3g} m/s in {pick.unit.name}"
            )
            self.fault(message + would_be_true("speed", raw.values / pick.unit.si, pick.unit), title)
            return
        values, switch = raw.values, False
        if measure == "brake":
            values, switch = _switch(values, pick.unit.name == "switch")
        self.built.signals[measure] = Signal(raw.t, values, raw.row, title.column, title.text, switch)

    def add_places(self, picks: Sequence[Pick], raws: Sequence[Raw]) -> None:
        """Both axes of a place, from the rows that have both."""
        rows, first, second = np.intersect1d(
            raws[0].row, raws[1].row, assume_unique=True, return_indices=True
        )
        one, two, t = raws[0].values[first], raws[1].values[second], raws[0].t[first]
        geographic = picks[0].measure == "latitude"
        if geographic:
            nowhere = (one == 0.0) & (two == 0.0)
            if nowhere.any():
                self.notice(
                    f"{int(nowhere.sum())} places at latitude 0, longitude 0 are left out: no fix yet",
                    picks[0].title,
                )
                one, two, t, rows = one[~nowhere], two[~nowhere], t[~nowhere], rows[~nowhere]
        names = " and ".join(pick.title.text for pick in picks)
        if t.size < 2 or (np.ptp(one) == 0.0 and np.ptp(two) == 0.0):
            self.notice(
                f"{names}: "
                + ("there are no places" if t.size < 2 else "the place never changes")
                + "; left out"
            )
            return
        if geographic:
            one, two = east_north(one, two)
        keep = _fresh(one, two)
        if not keep.all():
            held = round(keep.size / int(keep.sum()))
            self.notice(
                f"{names}: each place is repeated about {held} times; the first of each is kept",
                picks[0].title,
            )
        self.built.geographic = geographic
        for name, values, pick in (("x", one, picks[0]), ("y", two, picks[1])):
            self.built.signals[name] = Signal(
                t[keep], values[keep], rows[keep], pick.title.column, pick.title.text
            )

    def compare_with_places(self, pick: Pick) -> None:
        """A fault when the places go as fast as the speed would in another unit; a notice when they go otherwise."""
        ratio = place_speed_ratio(self.built.signals)
        if not np.isfinite(ratio) or abs(ratio - 1.0) < DISAGREE:
            return
        text = f"{pick.title.text}: the places go {ratio:.3g} times as fast as the speed in {pick.unit.name} says"
        better = [unit for unit in UNITS_OF["speed"] if abs(ratio * pick.unit.si / unit.si - 1.0) < AGREE]
        if better:
            names = " or ".join(unit.name for unit in better)
            self.fault(
                f"{text}; in {names} they would agree (or the unit of the places is another)", pick.title
            )
        else:
            self.notice(f"{text}; one of the two is wrong", pick.title)

    def say_gaps(self, speed: Signal) -> None:
        """A notice about times without speed."""
        steps = np.diff(speed.t)
        long = np.flatnonzero(steps > max(1.0, 5.0 * float(np.median(steps))))
        if long.size:
            worst = int(long[np.argmax(steps[long])])
            line = int(self.line[speed.row[worst]]) if speed.row[worst] < self.line.size else 0
            message = (
                f"{long.size} gap{'s' if long.size > 1 else ''} in the speed, the longest of {steps[worst]:.1f} s"
                f" after {speed.t[worst]:.1f} s"
            )
            self.built.notices.append(Fault(message, (), self.file, line, speed.column if line else 0))


def _switch(values: Array, told: bool) -> tuple[Array, bool]:
    """A pedal that is only on or off as 0 and 1, and whether it is one."""
    low, high = float(values.min()), float(values.max())
    if told or bool(np.all((values == low) | (values == high))):
        return (values > 0.5 * (low + high)).astype(float), True
    return values, False


def _fresh(one: Array, two: Array) -> NDArray[np.bool_]:
    """Which places are new ones, in a log that repeats each of them until the next fix; all of them in another.

    A car that stands keeps some: every n-th, n the usual number of repeats.
    """
    new = np.concatenate([[True], (np.diff(one) != 0.0) | (np.diff(two) != 0.0)])
    begins = np.flatnonzero(new)
    runs = np.diff(np.append(begins, new.size))
    usual = int(np.median(runs)) if runs.size else 1
    if usual < 2:
        return np.ones(new.size, dtype=bool)
    inside = np.arange(new.size) - np.repeat(begins, runs)
    # A hold of one row more than usual is the logger's clock, not another fix.
    return np.asarray((inside % usual == 0) & ((inside == 0) | (np.repeat(runs, runs) > 3 * usual)))
