"""A log split into laps, and every lap laid on the road."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.lap_channels import Course, channels_of
from lapwright.driver.log import Log, Signal
from lapwright.driver.penalised import white_noise
from lapwright.driver.placing import NEAR, Placing, place_on
from lapwright.driver.session import WHOLE, Alignment, DriverLap, Noise, Session
from lapwright.driver.speed_pattern import ODD, crossings, driven, lap_stations
from lapwright.driver.stations import Way, way_by_places
from lapwright.errors import InputError
from lapwright.lap.lap import Lap
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle

Array = NDArray[np.float64]

AT_THE_LINE = 6.0
"""A log that begins or ends so near to the line [m] begins or ends at it."""

STOPPED, STOP_TIME = 1.0, 2.0
"""A car slower than this [m/s] for so long [s] has stopped."""

SPEED_GAP, PLACE_GAP = 1.0, 4.0
"""Longest gap of the speed and of the places [s] in a lap that can be compared."""

OFF_ROAD, OFF_TIME = 4.0, 1.0
"""A car farther beyond the edge than this [m], its noise aside, for so long [s] has left the road."""

BACK = 8.0
"""A car that comes back along the road by more than this [m] has spun, or turned round."""


@dataclass(frozen=True, eq=False)
class _Piece:
    """A piece of a log between two crossings of the line, or before the first, or after the last."""

    start: float
    end: float
    whole: bool
    why: str


def session_of(log: Log, track: Track, vehicle: AnyVehicle, target: Lap | None = None) -> Session:
    """A log's laps on the road.

    Parameters
    ----------
    log
        With speed; with ``x`` and ``y`` when the line is to be known.
    track, vehicle
        Where and with what it was driven.
    target
        The reference: its line places the log's axes better than the centreline does, and its speed pattern places a log that
        has no places.

    Raises
    ------
    InputError
        For a log of another circuit (how far off the road it lies), one driven the other way round, one without speed.
    """
    if "speed" not in log.signals:
        raise InputError(log.fault("no speed in the log: nothing can be compared without it"))
    if log.has("x", "y"):
        return _by_places(log, track, vehicle, target)
    return _by_pattern(log, track, vehicle, target)


# -- with places -------------------------------------------------------------------------------------------------------


def _by_places(log: Log, track: Track, vehicle: AnyVehicle, target: Lap | None) -> Session:
    fixes, y = log.signals["x"], log.signals["y"]
    placing = place_on(track, fixes.values, np.interp(fixes.t, y.t, y.values), log.geographic, target)
    _refuse_elsewhere(log, track, placing)
    way = way_by_places(log, track, placing, target)
    if way.s[-1] - way.s[0] < -0.3 * track.length:
        raise InputError(log.fault(f"the log is driven the other way round {track.name}", "x", 0))
    notices = []
    if placing.words != "the log is in the circuit file's own axes":
        angle = float(np.degrees(np.angle(placing.turn)))
        notices.append(
            f"the log's places were {placing.words}: turned by {angle:.1f} degrees; half of them lie within "
            f"{placing.off[0]:.1f} m of the line, 95 % within {placing.off[1]:.1f} m. A shift of all of the line to one side "
            "cannot be told"
        )
    if way.lag:
        late = "later" if way.lag > 0.0 else "earlier"
        notices.append(
            f"the places come {abs(way.lag):.2f} s {late} than the speed: they were put onto its clock, as they run "
            "ahead of it and fall behind with the speed"
        )
    if way.stray:
        notices.append(
            f"{way.stray} of {fixes.t.size} places leap away from their neighbours and were left out"
        )
    laps = tuple(
        _lap_by_places(log, track, vehicle, way, piece, number, placing)
        for number, piece in enumerate(_pieces(way, track), 1)
    )
    return Session(log, laps, tuple(notices))


def _refuse_elsewhere(log: Log, track: Track, placing: Placing) -> None:
    median, most = placing.off
    if placing.backward and median <= 2.0 * NEAR:
        raise InputError(log.fault(f"the log is driven the other way round {track.name}", "x", 0))
    if median > NEAR:
        far = "it is too short to tell"
        if np.isfinite(median):
            far = (
                f"laid on it as well as can be, half of its places lie more than {median:.0f} m from the line, one in twenty "
                f"more than {most:.0f} m"
            )
        raise InputError(log.fault(f"this is not a log of {track.name}: {far}", "x", 0))


def _pieces(way: Way, track: Track) -> list[_Piece]:
    """The log from line to line."""
    length, first, last = track.length, float(way.s[0]), float(way.s[-1])
    if not track.closed:
        return _open_pieces(way, length)
    low, high = int(np.ceil((first - AT_THE_LINE) / length)), int(np.floor((last + AT_THE_LINE) / length))
    lines = [_time_at(way, k * length) for k in range(low, high + 1)]
    pieces = [_Piece(a, b, True, "") for a, b in itertools.pairwise(lines)]
    if not lines:
        return [_Piece(float(way.t[0]), float(way.t[-1]), False, "missing piece: it does not pass the line")]
    if first < low * length - AT_THE_LINE:
        pieces.insert(
            0,
            _Piece(
                float(way.t[0]),
                lines[0],
                False,
                f"out-lap: it begins {low * length - first:.0f} m before the line",
            ),
        )
    if last > high * length + AT_THE_LINE:
        pieces.append(
            _Piece(
                lines[-1],
                float(way.t[-1]),
                False,
                f"in-lap: it ends {last - high * length:.0f} m after the line",
            )
        )
    return pieces


def _open_pieces(way: Way, length: float) -> list[_Piece]:
    """Runs over an open road from its start to its end; stations of different runs begin anew."""
    again = np.flatnonzero(np.diff(way.s) < -0.5 * length)
    pieces = []
    for rows in np.split(np.arange(way.t.size), again + 1):
        s, t = way.s[rows], way.t[rows]
        if s[0] <= AT_THE_LINE and s[-1] >= length - AT_THE_LINE:
            ends = np.interp([0.0, length], s, t)
            speed = np.maximum(way.speed[rows], 0.1)
            start = ends[0] - max(s[0], 0.0) / speed[0]
            end = ends[1] + max(length - s[-1], 0.0) / speed[-1]
            pieces.append(_Piece(float(start), float(end), True, ""))
        else:
            why = f"missing piece: it runs from {s[0]:.0f} to {s[-1]:.0f} m of a road of {length:.0f} m"
            pieces.append(_Piece(float(t[0]), float(t[-1]), False, why))
    return pieces


def _time_at(way: Way, station: float) -> float:
    """When the car is at a station; a little before the log begins or after it ends at the speed it has there."""
    if station < way.s[0]:
        return float(way.t[0] - (way.s[0] - station) / max(way.speed[0], 0.1))
    if station > way.s[-1]:
        return float(way.t[-1] + (station - way.s[-1]) / max(way.speed[-1], 0.1))
    return float(np.interp(station, way.s, way.t))


def _lap_by_places(
    log: Log, track: Track, vehicle: AnyVehicle, way: Way, piece: _Piece, number: int, placing: Placing
) -> DriverLap:
    rows = slice(*np.searchsorted(way.t, [piece.start, piece.end]))
    status, words = _status(log, way.t[rows], way.speed[rows], piece)
    if status == WHOLE:
        status, words = _status_of_places(way, rows, piece)
    driver = DriverLap(
        log.driver,
        log.file,
        number,
        piece.start,
        status,
        words,
        piece.end - piece.start if piece.whole else np.nan,
        None,
        frozenset(),
    )
    if status != WHOLE:
        return driver
    base = round(float(way.s[rows][0]) / track.length) * track.length if track.closed else 0.0
    course = Course(
        t=np.concatenate([[piece.start], way.t[rows], [piece.end]]),
        s=np.concatenate([[0.0], np.clip(way.s[rows] - base, 0.0, track.length), [track.length]]),
        **{
            name: np.concatenate([getattr(way, name)[rows][:1], getattr(way, name)[rows], getattr(way, name)[rows][-1:]])
            for name in ("speed", "n", "slope", "bend")
        },
    )  # fmt: skip
    lap, has = channels_of(track, vehicle, log, course)
    fixes = slice(*np.searchsorted(way.fix_t, [piece.start, piece.end]))
    alignment = Alignment(
        method="position",
        stretch=-way.stretch / (1.0 + way.stretch),
        closing=float(track.length * way.stretch),
        clock=_clock(log, piece),
        median_off=float(np.median(way.fix_off[fixes])) if fixes.stop > fixes.start else np.nan,
        worst_off=float(np.max(way.fix_off[fixes])) if fixes.stop > fixes.start else np.nan,
        delay=0.0,
        filter=way.words,
    )
    return _filled(driver, log, lap, has, alignment, across=way.across, raw=way.raw, along=way.along)


def _filled(
    driver: DriverLap,
    log: Log,
    lap: Lap,
    has: frozenset[str],
    alignment: Alignment,
    across: float,
    raw: float,
    along: float,
) -> DriverLap:
    brake = log.signals.get("brake_pressure") or log.signals.get("brake")
    return replace(
        driver,
        lap=lap,
        has=has,
        brake_switch=bool(brake is not None and brake.switch),
        noise=Noise(
            across=across,
            raw=raw,
            along=along,
            speed=_white(log, "speed"),
            brake=_white(log, "brake_pressure", lap)
            if "brake_pressure" in log.signals
            else _white(log, "brake"),
            throttle=_white(log, "throttle"),
            steering=_white(log, "steering_wheel"),
        ),
        alignment=alignment,
    )


@lru_cache(maxsize=64)
def _white_of(signal: Signal) -> float:
    """White noise of a channel, once for all laps: a signal is compared by identity."""
    return white_noise(signal.values)


def _white(log: Log, name: str, lap: Lap | None = None) -> float:
    """White noise of a channel; of a pressure as a share of the brake."""
    if name not in log.signals:
        return float("nan")
    noise = _white_of(log.signals[name])
    if lap is None:
        return noise
    rows = np.isfinite(lap.brake) & (lap.brake > 0.1) & (lap.brake < 1.2)
    scale = float(np.median(lap.brake[rows] / lap.brake_pressure[rows])) if np.any(rows) else np.nan
    return noise * scale


def _clock(log: Log, piece: _Piece) -> float:
    """By how much the line crossings differ from those of the log's own lap counter [s]; NaN without one."""
    if "lap" not in log.signals:
        return float("nan")
    lap = log.signals["lap"]
    marks = lap.t[np.flatnonzero(np.diff(np.round(lap.values)) != 0) + 1]
    if not marks.size:
        return float("nan")
    nearest = marks[int(np.argmin(np.abs(marks - piece.end)))]
    apart = float(piece.end - nearest)
    return apart if abs(apart) < 5.0 else float("nan")


def _status(log: Log, t: Array, speed: Array, piece: _Piece) -> tuple[str, str]:
    """What a piece is, told by its ends and its speed."""
    if not piece.whole:
        kind, _, words = piece.why.partition(": ")
        return kind, words
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


def _status_of_places(way: Way, rows: slice, piece: _Piece) -> tuple[str, str]:
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


# -- without places ----------------------------------------------------------------------------------------------------


def _by_pattern(log: Log, track: Track, vehicle: AnyVehicle, target: Lap | None) -> Session:
    found = crossings(log, track, target)
    t, way = driven(log)
    pieces: list[_Piece] = []
    marks = found.crossings
    if not marks.size or marks[0] > t[0] + 0.5:
        end = float(marks[0]) if marks.size else float(t[-1])
        pieces.append(_Piece(float(t[0]), end, False, "out-lap: it begins before the line"))
    for a, b in itertools.pairwise(marks):
        ends = np.interp([a, b], t, way)
        apart = (ends[1] - ends[0]) / track.length - 1.0
        odd = abs(apart) > ODD
        why = (
            f"missing piece: its distance is {ends[1] - ends[0]:.0f} m, the road has {track.length:.0f} m"
            if odd
            else ""
        )
        pieces.append(_Piece(float(a), float(b), not odd, why))
    if marks.size and marks[-1] < t[-1] - 0.5:
        pieces.append(_Piece(float(marks[-1]), float(t[-1]), False, "in-lap: it ends after the line"))
    laps = tuple(
        _lap_by_pattern(log, track, vehicle, target, piece, number, t, way)
        for number, piece in enumerate(pieces, 1)
    )
    if not any(lap.whole for lap in laps) and target is not None and not any(piece.whole for piece in pieces):
        told = "; ".join(f"lap {lap.number}: {lap.words}" for lap in laps)
        raise InputError(
            log.fault(
                f"no lap of {track.name} is found in the log, which has no places (by {found.by}): {told}",
                "speed",
                0,
            )
        )
    return Session(log, laps, (f"no places in the log: laps are told by {found.by}",))


def _lap_by_pattern(
    log: Log,
    track: Track,
    vehicle: AnyVehicle,
    target: Lap | None,
    piece: _Piece,
    number: int,
    t: Array,
    way: Array,
) -> DriverLap:
    rows = slice(*np.searchsorted(t, [piece.start, piece.end]))
    speed = np.maximum(log.signals["speed"].values, 0.0)
    status, words = _status(log, t[rows], speed[rows], piece)
    driver = DriverLap(
        log.driver,
        log.file,
        number,
        piece.start,
        status,
        words,
        piece.end - piece.start if piece.whole else np.nan,
        None,
        frozenset(),
    )
    if status != WHOLE:
        return driver
    times = np.concatenate([[piece.start], t[rows], [piece.end]])
    times = times[np.concatenate([[True], np.diff(times) > 0.0])]
    own = np.interp(times, t, way) - np.interp(piece.start, t, way)
    pace = np.interp(times, t, speed)
    s, stretch, along = lap_stations(track, target, own, pace)
    none = np.full(times.size, np.nan)
    lap, has = channels_of(track, vehicle, log, Course(times, s, pace / (1.0 + stretch), none, none, none))
    alignment = Alignment(
        method="distance and speed",
        stretch=stretch,
        closing=-float(track.length * stretch),
        clock=float("nan"),
        median_off=float("nan"),
        worst_off=float("nan"),
        delay=0.0,
        filter="no filter: distance by the speed, corners moved under those of the reference",
    )
    return _filled(driver, log, lap, has, alignment, across=float("nan"), raw=float("nan"), along=along)
