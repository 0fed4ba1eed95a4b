"""A log cut at the line, and what each piece of it is."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.fixes import ASTRAY, places_of
from lapwright.driver.log import Log, Signal
from lapwright.driver.placing import Placing
from lapwright.driver.session import WHOLE
from lapwright.driver.stations import Way
from lapwright.track.track import Track

Array = NDArray[np.float64]

AT_THE_LINE = 6.0
"""A log that begins or ends so near to the line [m] begins or ends at it."""

STOPPED, STOP_TIME = 1.0, 2.0
"""A car slower than this [m/s] for so long [s] has stopped."""

SPEED_GAP, PLACE_GAP = 1.0, 4.0
"""Longest gap of the speed and of the places [s] in a lap that can be compared."""

OFF_ROAD, OFF_TIME = 4.0, 1.0
"""A car farther beyond the edge than this [m], its noise aside, for so long [s] has left the road."""

MARGIN = 3.0
"""Time [s] that belongs to a run over an open road before its start and after its end."""

BACK = 8.0
"""A car that comes back along the road by more than this [m] has spun, or turned round."""


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece of a log between two crossings of the line, or before the first, or after the last.

    Attributes
    ----------
    start, end : [s]
    whole : from line to line; what happened in between is not looked at yet
    why : status and words of one that is not
    """

    start: float
    end: float
    whole: bool
    why: str

    @property
    def told(self) -> tuple[str, str]:
        """Status and words of a piece that is not whole."""
        kind, _, words = self.why.partition(": ")
        return kind, words


def pieces_of(way: Way, track: Track) -> list[Piece]:
    """The log from line to line."""
    length, first, last = track.length, float(way.s[0]), float(way.s[-1])
    if not track.closed:
        return _open_pieces(way, length)
    low, high = int(np.ceil((first - AT_THE_LINE) / length)), int(np.floor((last + AT_THE_LINE) / length))
    lines = [_time_at(way, k * length) for k in range(low, high + 1)]
    pieces = [Piece(a, b, True, "") for a, b in itertools.pairwise(lines)]
    if not lines:
        return [Piece(float(way.t[0]), float(way.t[-1]), False, "missing piece: it does not pass the line")]
    if first < low * length - AT_THE_LINE:
        pieces.insert(
            0,
            Piece(
                float(way.t[0]),
                lines[0],
                False,
                f"out-lap: it begins {low * length - first:.0f} m before the line",
            ),
        )
    if last > high * length + AT_THE_LINE:
        pieces.append(
            Piece(
                lines[-1],
                float(way.t[-1]),
                False,
                f"in-lap: it ends {last - high * length:.0f} m after the line",
            )
        )
    return pieces


def _open_pieces(way: Way, length: float) -> list[Piece]:
    """One run over an open road, from its start to its end."""
    if way.s[0] <= AT_THE_LINE and way.s[-1] >= length - AT_THE_LINE:
        return [Piece(_time_at(way, 0.0), _time_at(way, length), True, "")]
    why = f"missing piece: it runs from {way.s[0]:.0f} to {way.s[-1]:.0f} m of a road of {length:.0f} m"
    return [Piece(float(way.t[0]), float(way.t[-1]), False, why)]


def open_runs(log: Log, track: Track, placing: Placing) -> list[tuple[float, float]]:
    """When each run over an open road begins and ends [s], with what was driven ahead of it and beyond, up to ``MARGIN``.

    A run goes from the last place at the road's start to the first one at its end; on the way back the car passes these in
    the other order. A logger that was switched off in between leaps from the one to the other.
    """
    at, x, y = places_of(log)
    s, n = track.project(*placing.apply(x, y))
    near = np.abs(n) <= ASTRAY
    t, s = at[near], s[near]
    at_start, at_end = s <= AT_THE_LINE, s >= track.length - AT_THE_LINE
    marks = np.flatnonzero(at_start | at_end)
    begins = np.flatnonzero(at_start[marks[:-1]] & at_end[marks[1:]])
    runs = []
    for first, last in zip(marks[begins], marks[begins + 1], strict=True):
        early = np.arange(first + 1)[(t[: first + 1] > t[first] - MARGIN)]
        late = np.arange(last, t.size)[(t[last:] < t[last] + MARGIN)]
        # Only as far as the places go on being ahead of the start, or beyond the end.
        before = int(np.argmin(at_start[early][::-1])) or early.size
        after = int(np.argmin(at_end[late])) or late.size
        runs.append((float(t[first - before + 1]), float(t[last + after - 1])))
    return runs


def between(log: Log, first: float, last: float) -> Log:
    """The part of a log between two times [s]; its clock goes on."""

    def part(signal: Signal) -> Signal:
        rows = slice(*np.searchsorted(signal.t, [first, last]))
        return replace(signal, t=signal.t[rows], values=signal.values[rows], row=signal.row[rows])

    signals: Mapping[str, Signal] = {name: part(signal) for name, signal in log.signals.items()}
    return replace(log, signals=signals)


def _time_at(way: Way, station: float) -> float:
    """When the car is at a station: a little before the log begins or after it ends at the speed it has there."""
    if station < way.s[0]:
        return float(way.t[0] - (way.s[0] - station) / max(way.speed[0], 0.1))
    if station > way.s[-1]:
        return float(way.t[-1] + (station - way.s[-1]) / max(way.speed[-1], 0.1))
    return float(np.interp(station, way.s, way.t))


def status_of(t: Array, speed: Array, piece: Piece) -> tuple[str, str]:
    """What a piece from line to line is, told by its speed."""
    if t.size < 10:
        return "missing piece", "it holds fewer than ten samples"
    gap = np.diff(np.concatenate([[piece.start], t, [piece.end]]))
    worst = int(np.argmax(gap))
    if gap[worst] > SPEED_GAP:
        return (
            "missing piece",
            f"{gap[worst]:.1f} s without speed, {t[max(worst - 1, 0)] - piece.start:.1f} s into the lap",
        )
    standing = speed < STOPPED
    runs = np.split(np.arange(t.size), np.flatnonzero(np.diff(standing.astype(int)) != 0) + 1)
    for run in runs:
        if standing[run[0]] and t[run[-1]] - t[run[0]] > STOP_TIME:
            return (
                "stopped",
                f"it stands for {t[run[-1]] - t[run[0]]:.0f} s, {t[run[0]] - piece.start:.0f} s into the lap",
            )
    return WHOLE, ""


def status_of_places(way: Way, rows: slice, piece: Piece) -> tuple[str, str]:
    """The same, told by its places."""
    fixes = slice(*np.searchsorted(way.fix_t, [piece.start, piece.end]))
    t = np.concatenate([[piece.start], way.fix_t[fixes], [piece.end]])
    gap = np.diff(t)
    worst = int(np.argmax(gap))
    if gap[worst] > PLACE_GAP:
        return (
            "missing piece",
            f"{gap[worst]:.1f} s without places, {t[worst] - piece.start:.1f} s into the lap",
        )
    s = way.fix_s[fixes]
    fallen = float(np.max(np.maximum.accumulate(s) - s)) if s.size else 0.0
    if fallen > BACK + 4.0 * way.raw:
        return "wrong way", f"it comes back along the road by {fallen:.0f} m: a spin, or turned round"
    off = way.fix_off[fixes]
    beyond = off > OFF_ROAD + 3.0 * way.raw
    for run in np.split(np.arange(off.size), np.flatnonzero(np.diff(beyond.astype(int)) != 0) + 1):
        if run.size and beyond[run[0]]:
            first, last = way.fix_t[fixes][run[0]], way.fix_t[fixes][run[-1]]
            if last - first > OFF_TIME:
                return (
                    "off the road",
                    f"up to {off[run].max():.0f} m beyond its edge, {first - piece.start:.0f} s into the lap",
                )
    return WHOLE, ""
