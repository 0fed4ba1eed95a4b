"""Times of a log: numbers, clocks and dates as seconds that rise."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DAY = 86_400.0
COARSE = 0.3
"""Share of rows with the time of the row above from which the time is taken to be written too coarsely."""

SHOWN = 10
"""Faults of one kind that are listed; the others are counted."""

_HEAD = re.compile(r"(?:^|[T ])(?:(\d{1,3}):)?(\d{1,2})$")
_ZONE = re.compile(r"(?<=:\d\d)([.,]\d*)?[+-]\d\d:?\d\d$")


@dataclass(frozen=True)
class Times:
    """Times of the rows that are kept.

    Attributes
    ----------
    t : (M,) [s] from the first, never falling
    row : (M,) which rows
    back : rows whose time is before that of the row above, with both times [s]
    words : what was repaired, for notices
    """

    t: Array
    row: NDArray[np.int64]
    back: tuple[tuple[int, float, float], ...]
    words: tuple[str, ...]


def clock_seconds(texts: Sequence[str]) -> Array:
    """Seconds since midnight of ``h:m:s``, ``m:s`` and dates with a time of day; NaN where a text is neither.

    Parameters
    ----------
    texts
        Of the cells.
    """
    import pandas as pd

    cells = np.asarray(texts, dtype=object).tolist()
    first = next((text.strip() for text in cells if ":" in text), "")
    if first.endswith("Z") or _ZONE.search(first):
        cells = [_ZONE.sub(r"\1", text.strip().removesuffix("Z")) for text in cells]
    parted = [text.rpartition(":") for text in cells]
    seconds = pd.to_numeric(
        pd.Series([part[2].replace(",", ".") for part in parted], dtype=object), errors="coerce"
    )
    # What stands before the seconds changes once a minute: few texts, each read once.
    heads, kinds = pd.factorize(np.array([part[0] for part in parted], dtype=object))
    minutes = np.array([_minutes(str(text).strip()) for text in kinds], dtype=float)
    values = (
        60.0 * minutes[heads] + np.asarray(seconds, dtype=float)
        if kinds.size
        else np.full(len(parted), np.nan)
    )
    return np.where((np.asarray(seconds) >= 0.0) & (np.asarray(seconds) < 61.0), values, np.nan)


def _minutes(text: str) -> float:
    """Minutes since midnight of ``h:m`` or ``m``, perhaps behind a date; NaN for anything else."""
    found = _HEAD.search(text)
    return 60.0 * float(found.group(1) or 0) + float(found.group(2)) if found else np.nan


def rising(seconds: Array, clock: bool, same: NDArray[np.bool_], dense: NDArray[np.bool_]) -> Times:
    """Times that never fall.

    Parameters
    ----------
    seconds
        (N,) as read [s]; NaN where there is none.
    clock
        They are times of day: a fall by nearly a day is midnight.
    same
        (N,) whether a row is the same as the one above in every cell.
    dense
        (N,) rows in which the fastest channel has a value.

    Returns
    -------
    Times
        Rows without a time and repeated rows are left out. Where most of the fastest channel's rows share a time, it was
        written too coarsely, and the rows are spread evenly.
    """
    words = []
    row = np.flatnonzero(np.isfinite(seconds))
    t = seconds[row]
    if t.size == 0:
        return Times(t, row.astype(np.int64), (), ())
    if clock:
        falls = np.concatenate([[0.0], np.diff(t) < -0.5 * DAY])
        t = t + DAY * np.cumsum(falls)
    twice = np.concatenate([[False], same[row[1:]] & (np.diff(t) == 0.0)])
    if twice.any():
        words.append(f"{int(twice.sum())} repeated rows are left out")
        row, t = row[~twice], t[~twice]
    steps = np.diff(t)
    back = tuple((int(row[k + 1]), float(t[k]), float(t[k + 1])) for k in np.flatnonzero(steps < 0.0))
    fast = t[dense[row]]
    if not back and fast.size > 1 and np.mean(np.diff(fast) == 0.0) > COARSE:
        t = _spread(t)
        words.append(
            "times are written too coarsely, several rows to a time: the rows are spread evenly between the times"
        )
    return Times(t - t[0], row.astype(np.int64), back, tuple(words))


def without_repeats(t: Array, values: Array) -> tuple[Array, NDArray[np.int64]]:
    """Values with NaN where a value at the same time stands before, and which those are.

    Rows may share a time, each with the samples of another sensor; of one channel's samples at a time the first counts.
    """
    have = np.flatnonzero(np.isfinite(values))
    again = have[1:][np.diff(t[have]) == 0.0]
    if again.size == 0:
        return values, again
    values = values.copy()
    values[again] = np.nan
    return values, again


def _spread(t: Array) -> Array:
    """Rows that share a time, spread up to the next time; the last ones at the usual step."""
    begins = np.flatnonzero(np.concatenate([[True], np.diff(t) > 0.0]))
    step = float(np.median(np.diff(t[begins]))) if begins.size > 1 else 1.0
    # After a gap, too, rows go on at the usual step.
    until = np.minimum(np.append(t[begins[1:]], np.inf), t[begins] + step)
    count = np.diff(np.append(begins, t.size))
    place = np.arange(t.size) - np.repeat(begins, count)
    return t + place * np.repeat((until - t[begins]) / count, count)
