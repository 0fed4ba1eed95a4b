"""A driver's laps held against the reference: where the time is, why, and what each difference is worth."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from lapwright.driver.consequences import following
from lapwright.driver.findings import differences
from lapwright.driver.fit import CarFit, fit_car, fitted_vehicle
from lapwright.driver.line import WIDEST, LineOptimum, optimum_on_line
from lapwright.driver.pair import Pair, pairs
from lapwright.driver.pricing import MOST, Finding, Pricer, priced
from lapwright.driver.session import DriverLap, Session
from lapwright.driver.several import Several, several_laps
from lapwright.driver.shares import Running, Share, running, shares
from lapwright.errors import InputError, NoSolutionError
from lapwright.lap.corners import corner_reports
from lapwright.lap.lap import Lap
from lapwright.lap.resample import lap_at
from lapwright.reference.kept import KeptLap
from lapwright.reference.solve import solve_lap
from lapwright.track.track import Track
from lapwright.vehicle.margin import with_margin
from lapwright.vehicle.parameters import AnyVehicle, Vehicle

StepCallback = Callable[[str, str], None]
"""Called with a driver's name and what is being worked out."""


SIDE_BY_SIDE = 5
"""Laps that are compared at once at the most: more strokes cannot be told apart in a picture."""

QUICKEST = 8
"""Laps of a log, the quickest ones, from which the grip of the car is read: the others showed less of it."""


@dataclass(frozen=True, eq=False)
class Driven:
    """One driver's lap against the reference.

    Attributes
    ----------
    session : the log
    drive : the lap that is compared; ``lap`` its channels
    run : differences along the road
    on_line : the optimum on the driver's line; None when the line is not known, or no way was found along it
    line_words : how narrow the line was held, or why it is not known
    parts : corners and straights, see ``shares``
    pairs : the corners of both laps
    findings : what was done otherwise and costs something, the dearest first; ``style`` what costs nothing; ``along`` what
        follows from another finding, each with that one
    several : of all whole laps of the log; None for fewer than two
    fit : the grip and the power that the car showed, see ``fit``
    fair : lap time [s] of the reference with a car that has what was shown; None when that is what the file says, was not
        shown, or no such lap was found
    """

    session: Session
    drive: DriverLap
    run: Running
    on_line: LineOptimum | None
    line_words: str
    parts: tuple[Share, ...]
    pairs: tuple[Pair, ...]
    findings: tuple[Finding, ...]
    style: tuple[Finding, ...]
    along: tuple[tuple[Finding, Finding], ...]
    several: Several | None
    fit: CarFit
    fair: float | None

    @property
    def lap(self) -> Lap:
        """Channels of the lap that is compared."""
        assert self.drive.lap is not None
        return self.drive.lap


@dataclass(frozen=True, eq=False)
class Comparison:
    """Everybody against the reference.

    Attributes
    ----------
    track, known : the road, and the reference on it
    target : the reference with rows where the drivers' laps have theirs
    drivers : one for each log, in the order given
    """

    track: Track
    known: KeptLap
    target: Lap
    drivers: tuple[Driven, ...]


def compare(
    track: Track,
    known: KeptLap,
    sessions: Sequence[Session],
    *,
    number: int | None = None,
    every: bool = False,
    most: int = MOST,
    progress: StepCallback | None = None,
) -> Comparison:
    """Hold the best lap of every log, the one with a number, or all of them against the reference.

    Parameters
    ----------
    track, known
        The road and the reference lap on it, from ``reference.kept.keep``.
    sessions
        Logs laid on the road, from ``sessions.session_of``.
    number
        Of the lap to compare; None for the best of each log.
    every
        Every whole lap of every log, ``SIDE_BY_SIDE`` in all at the most, instead.
    most
        How many differences of a lap are priced by a solve each.
    progress
        Told what is being worked out.

    Raises
    ------
    InputError
        When a log has no whole lap, not the one that was asked for, or too many for all of them.
    """
    picked = [(session, chosen_lap(session, number)) for session in sessions]
    chosen = _all_laps(sessions) if every else picked
    first = chosen[0][1].lap
    assert first is not None
    target = rows_of(known.lap, first)
    pricer = Pricer(track, known, corner_reports(known.lap, track))
    drivers = tuple(
        _driven(track, known, target, session, drive, pricer, most, progress) for session, drive in chosen
    )
    return Comparison(track, known, target, drivers)


def _all_laps(sessions: Sequence[Session]) -> list[tuple[Session, DriverLap]]:
    """Every whole lap with its log."""
    found = [(session, lap) for session in sessions for lap in session.laps if lap.whole]
    if len(found) > SIDE_BY_SIDE:
        raise InputError(
            sessions[0].log.fault(
                f"{len(found)} whole laps are too many to be held side by side: at most {SIDE_BY_SIDE}; pick one by its "
                "number"
            )
        )
    return found


def margin_of(vehicle: AnyVehicle) -> float:
    """Share of the grip that a car's driver leaves unused [-]; none for a friction-circle car."""
    return vehicle.driver.grip_margin if isinstance(vehicle, Vehicle) else 0.0


def rows_of(lap: Lap, like: Lap) -> Lap:
    """A solved lap with rows at the stations of another."""
    return lap_at(lap, np.clip(like.s, lap.s[0], lap.s[-1]))


def chosen_lap(session: Session, number: int | None) -> DriverLap:
    """The best whole lap of a log, or the one with a number.

    Raises
    ------
    InputError
        When there is no such lap: says which there are, and why the others cannot be compared.
    """
    told = "; ".join(
        f"lap {lap.number} " + (f"{lap.time:.3f} s" if lap.whole else f"{lap.status}: {lap.words}")
        for lap in session.laps
    )
    if number is not None:
        found = next((lap for lap in session.laps if lap.number == number), None)
        if found is None or not found.whole:
            message = f"lap {number} cannot be compared" if found else f"there is no lap {number}"
            raise InputError(session.log.fault(f"{message} (in the log: {told or 'no lap'})"))
        return found
    if session.best is None:
        raise InputError(session.log.fault(f"no lap of the log can be compared: {told or 'it holds none'}"))
    return session.best


def _driven(
    track: Track,
    known: KeptLap,
    target: Lap,
    session: Session,
    drive: DriverLap,
    pricer: Pricer,
    most: int,
    progress: StepCallback | None,
) -> Driven:
    def say(what: str) -> None:
        if progress is not None:
            progress(drive.driver, what)

    lap = drive.lap
    assert lap is not None
    say("the optimum on the driver's line")
    on_line, words = _on_line(track, known, drive)
    ours, theirs = corner_reports(lap, track), corner_reports(target, track)
    run = running(lap, target, known, None if on_line is None else rows_of(on_line.lap, target))
    parts = shares(run, track, ours, theirs)
    corners = pairs(track, drive, target, ours, theirs, parts)
    found = [difference for pair in corners for difference in differences(pair)]
    length = track.length if track.closed else 0.0
    worth = priced(
        found,
        run,
        parts,
        pricer,
        length,
        along=drive.noise.along if drive.noise is not None and np.isfinite(drive.noise.along) else 0.0,
        most=most,
        progress=lambda what: say(f"{what.corner}, {what.key.replace('_', ' ')}"),
    )
    follows = following(worth, pricer, {pair.name: pair for pair in corners})
    whole = [one for one in session.laps if one.whole]
    spans = [(share.name, share.start, share.end) for share in parts]
    say("the grip that was seen")
    fit = fit_car(
        track,
        known.vehicle,
        sorted(whole, key=lambda one: one.time)[:QUICKEST],
        target,
        margin_of(known.vehicle),
    )
    return Driven(
        session=session,
        drive=drive,
        run=run,
        on_line=on_line,
        line_words=words,
        parts=parts,
        pairs=corners,
        findings=tuple(one for k, one in enumerate(worth) if k not in follows and not one.style),
        style=tuple(one for k, one in enumerate(worth) if k not in follows and one.style),
        along=tuple((worth[k], worth[parent]) for k, parent in follows.items()),
        several=several_laps(track, whole, spans) if len(whole) > 1 else None,
        fit=fit,
        fair=_fair(track, known, fit),
    )


def _fair(track: Track, known: KeptLap, fit: CarFit) -> float | None:
    """The reference's lap time with the grip, the power and the drag that the car showed."""
    if not fit.differs:
        return None
    try:
        # What was shown has the margin in it already.
        car = with_margin(fitted_vehicle(known.vehicle, fit), 0.0)
        return solve_lap(track, car, start=known.start, end=known.end).time
    except NoSolutionError:
        return None


def _on_line(track: Track, known: KeptLap, drive: DriverLap) -> tuple[LineOptimum | None, str]:
    if "line" not in drive.has:
        return None, "the line is not known: the log has no place"
    found = optimum_on_line(track, known, drive)
    if found is None:
        return None, f"no way was found along the driver's line, not even {WIDEST:g} m to either side of it"
    words = f"held within {found.half:.2f} m to either side of the driver's line"
    if found.beyond > 0.0:
        words += f", which was brought back onto the road by up to {found.beyond:.2f} m"
    return found, words
