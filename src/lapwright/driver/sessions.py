"""A log split into laps, and every lap laid on the road."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.fixes import places_of
from lapwright.driver.lap_channels import Course, channels_of
from lapwright.driver.log import Log, Signal
from lapwright.driver.penalised import white_noise
from lapwright.driver.placing import AS_THEY_ARE, NEAR, Placing, place_on
from lapwright.driver.session import WHOLE, Alignment, DriverLap, Noise, Session
from lapwright.driver.speed_pattern import ODD, crossings, driven, lap_stations
from lapwright.driver.splitting import (
    MARGIN,
    Piece,
    between,
    open_runs,
    pieces_of,
    status_of,
    status_of_places,
)
from lapwright.driver.stations import Way, way_by_places
from lapwright.errors import InputError
from lapwright.lap.lap import Lap
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle

Array = NDArray[np.float64]


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
    at, x, y = places_of(log)
    placing = place_on(track, x, y, log.geographic, target)
    _refuse_elsewhere(log, track, placing)
    found = _ways(log, track, placing, target)
    laps = tuple(
        _lap_by_places(log, track, vehicle, way, piece, number)
        for number, (way, piece) in enumerate(found, 1)
    )
    ways = [way for way, _ in found if way is not None]
    return Session(log, laps, (*_notices_of(placing), *(_notices_of_fixes(ways[0], at.size) if ways else ())))


def _ways(log: Log, track: Track, placing: Placing, target: Lap | None) -> list[tuple[Way | None, Piece]]:
    """Pieces of a log, each with the way that it is a part of."""
    if track.closed:
        way = way_by_places(log, track, placing, target)
        return [(way, piece) for piece in pieces_of(way, track)]
    # Over an open road stations begin anew with every run, and the car comes back in between.
    found: list[tuple[Way | None, Piece]] = []
    at = float(log.signals["speed"].t[0])
    for start, end in open_runs(log, track, placing):
        part = between(log, start, end)
        way = way_by_places(part, track, placing, target)
        piece = pieces_of(way, track)[0]
        if piece.start > at + 2.0 * MARGIN:
            found.append((None, Piece(at, piece.start, False, "out-lap: on the way to the start")))
        found.append((way, piece))
        at = piece.end
    last = float(log.signals["speed"].t[-1])
    if not found or last > at + 2.0 * MARGIN:
        why = (
            "in-lap: after the end of the road" if found else "missing piece: it does not run from end to end"
        )
        found.append((None, Piece(at, last, False, why)))
    return found


def _notices_of(placing: Placing) -> tuple[str, ...]:
    if placing.words == AS_THEY_ARE:
        return ()
    angle = float(np.degrees(np.angle(placing.turn)))
    return (
        f"the log's places were {placing.words}: turned by {angle:.1f} degrees; half of them lie within "
        f"{placing.off[0]:.1f} m of the line, 95 % within {placing.off[1]:.1f} m. A shift of all of the line to one side "
        "cannot be told",
    )


def _notices_of_fixes(way: Way, count: int) -> tuple[str, ...]:
    notices = []
    if way.lag:
        late = "later" if way.lag > 0.0 else "earlier"
        notices.append(
            f"the places come {abs(way.lag):.2f} s {late} than the speed: they were put onto its clock, as they run "
            "ahead of it and fall behind with the speed"
        )
    if way.stray:
        notices.append(f"{way.stray} of {count} places leap away from their neighbours and were left out")
    return tuple(notices)


def _refuse_elsewhere(log: Log, track: Track, placing: Placing) -> None:
    median, most = placing.off
    if placing.backward and median <= 2.0 * NEAR:
        raise InputError(log.fault(f"the log is driven the other way round {track.name}", "x", 0))
    if median > NEAR:
        far = "it is too short to tell"
        if np.isfinite(median):
            far = (
                f"laid on it as well as can be, half of its places lie more than {median:.0f} m from the line, one in twenty "
                f"more than {most:.0f} m; {100.0 * _share_off(log, track, placing):.0f} % of them are off the road"
            )
        raise InputError(log.fault(f"this is not a log of {track.name}: {far}", "x", 0))


def _share_off(log: Log, track: Track, placing: Placing) -> float:
    """Share of a log's places that are off the road; of some two thousand of them."""
    _, x, y = places_of(log)
    some = slice(None, None, max(x.size // 2000, 1))
    s, n = track.project(*placing.apply(x[some], y[some]))
    road = track.road(s)
    return float(np.mean((n > road.width_left) | (n < -road.width_right)))


def _lap_by_places(
    log: Log, track: Track, vehicle: AnyVehicle, way: Way | None, piece: Piece, number: int
) -> DriverLap:
    if way is None or not piece.whole:
        return _without_channels(log, number, piece, *piece.told)
    rows = slice(*np.searchsorted(way.t, [piece.start, piece.end]))
    status, words = status_of(way.t[rows], way.speed[rows], piece)
    if status == WHOLE:
        status, words = status_of_places(way, rows, piece)
    driver = _without_channels(log, number, piece, status, words)
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
    return _filled(
        driver, log, lap, has, alignment, across=way.across, raw=way.raw, along=way.along, curved=way.curved
    )


def _without_channels(log: Log, number: int, piece: Piece, status: str, words: str) -> DriverLap:
    time = piece.end - piece.start if piece.whole else float("nan")
    return DriverLap(log.driver, log.file, number, piece.start, status, words, time, None, frozenset())


def _filled(
    driver: DriverLap,
    log: Log,
    lap: Lap,
    has: frozenset[str],
    alignment: Alignment,
    along: float,
    across: float = np.nan,
    raw: float = np.nan,
    curved: float = np.nan,
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
            curvature=_curvature_noise(log, lap, curved),
            brake=_white(log, "brake_pressure", lap)
            if "brake_pressure" in log.signals
            else _white(log, "brake"),
            throttle=_white(log, "throttle"),
            steering=_white(log, "steering_wheel"),
        ),
        alignment=alignment,
    )


def _curvature_noise(log: Log, lap: Lap, curved: float) -> float:
    """Noise of the curvature [1/m], by the channel that it was made from; ``curved`` is that of the smoothed line."""
    speed = float(np.median(lap.speed))
    if "yaw_rate" in log.signals:
        return _white(log, "yaw_rate") / speed
    if "accel_lat" in log.signals:
        return _white(log, "accel_lat") / speed**2
    return curved


@lru_cache(maxsize=12)
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


def _clock(log: Log, piece: Piece) -> float:
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


# -- without places ----------------------------------------------------------------------------------------------------


def _by_pattern(log: Log, track: Track, vehicle: AnyVehicle, target: Lap | None) -> Session:
    found = crossings(log, track, target)
    t, way = driven(log)
    pieces: list[Piece] = []
    marks = found.crossings
    if not marks.size or marks[0] > t[0] + 0.5:
        end = float(marks[0]) if marks.size else float(t[-1])
        pieces.append(Piece(float(t[0]), end, False, "out-lap: it begins before the line"))
    for a, b in itertools.pairwise(marks):
        ends = np.interp([a, b], t, way)
        apart = (ends[1] - ends[0]) / track.length - 1.0
        odd = abs(apart) > ODD
        why = (
            f"missing piece: its distance is {ends[1] - ends[0]:.0f} m, the road has {track.length:.0f} m"
            if odd
            else ""
        )
        pieces.append(Piece(float(a), float(b), not odd, why))
    if marks.size and marks[-1] < t[-1] - 0.5:
        pieces.append(Piece(float(marks[-1]), float(t[-1]), False, "in-lap: it ends after the line"))
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
    piece: Piece,
    number: int,
    t: Array,
    way: Array,
) -> DriverLap:
    rows = slice(*np.searchsorted(t, [piece.start, piece.end]))
    speed = np.maximum(log.signals["speed"].values, 0.0)
    status, words = status_of(t[rows], speed[rows], piece) if piece.whole else piece.told
    driver = _without_channels(log, number, piece, status, words)
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
    return _filled(driver, log, lap, has, alignment, along=along)
