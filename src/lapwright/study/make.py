"""The balance of a car on a circuit, from one lap and some dozens more."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from lapwright.errors import Fault, InputError
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.lap.spans import spans_of
from lapwright.reference.kept import keep
from lapwright.reference.solve import ReferenceLap
from lapwright.study.balance import Balance, BestSetup, BrakeCorner, Moved, TyreState
from lapwright.study.best import Bounded, find_best
from lapwright.study.brakes import ShareLaps, brake_corner
from lapwright.study.effects import Effect, Pair, check_effects, effects_of
from lapwright.study.entry import Entry, entries_of
from lapwright.study.ideal_share import along
from lapwright.study.numbers import number_called, numbers_of
from lapwright.study.tyres import COLD, tyre_states
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, Vehicle

Progress = Callable[[str, str], None]

CHECKS = 12
"""Effects that are checked by solves, the largest ones, when nobody says how many."""

ALWAYS = ("brakes.front_share", "chassis.roll_stiffness_front_share", "aero.downforce_front_share")
"""Numbers that are checked however small their effect: they are set for the balance and not for the lap time alone."""


@dataclass(frozen=True)
class BalanceOptions:
    """What a balance is to have.

    Attributes
    ----------
    corner : name of the one corner that is asked about; empty for all
    checks : how many effects are checked by solves; 0 for none
    scan : whether laps at several brake shares are solved
    tyres : whether laps with cold tyres are; cold : share of its grip that a cold tyre has
    best : numbers of the best setup by key, with bounds or None for the usual reach around the car's own value
    most_doublings : how often a deviation may double on the entries of the best setup; None for no limit
    no_less_stable : whether that may be no oftener than with the car as it is
    """

    corner: str = ""
    checks: int = CHECKS
    scan: bool = True
    tyres: bool = True
    cold: float = COLD
    best: tuple[tuple[str, tuple[float, float] | None], ...] = ()
    most_doublings: float | None = None
    no_less_stable: bool = False


def make_balance(
    result: ReferenceLap,
    track: Track,
    options: BalanceOptions | None = None,
    progress: Progress | None = None,
) -> Balance:
    """Everything that a balance tells.

    Parameters
    ----------
    result, track
        From ``solve_lap``, of a full car.
    options
        What it is to have.
    progress
        Called with the name of a stage and a few words.

    Raises
    ------
    InputError
        For a friction-circle car, a number that the car does not have, or bounds that make no sense.
    """
    options = options or BalanceOptions()
    vehicle = four_wheels(result.vehicle)
    choices = bounded_numbers(vehicle, options.best)
    known = keep(result, track)
    reports = corner_reports(result.lap, track)
    spans = spans_of(track, reports, reports, float(result.lap.s[0]), float(result.lap.s[-1]))
    effects = effects_of(result, track, numbers_of(vehicle), spans)
    effects, pairs = _checked(result, track, effects, options.checks, progress)
    entries = entries_of(track, vehicle, result.lap, reports, options.corner)
    moved = tuple(
        _moved(effect, pairs[effect.number.key], track, entries)
        for effect in effects
        if effect.number.key in pairs and pairs[effect.number.key].up is not None
    )
    tell = None if progress is None else lambda words: progress("brake share", words)
    shares = ShareLaps(result, track, spans, progress=tell)
    scan = shares.scan() if options.scan and not options.tyres else None
    notices: tuple[str, ...] = ()
    tyres: tuple[TyreState, ...] = ()
    if options.tyres:
        tell = None if progress is None else lambda words: progress("tyres", words)
        tyres, notices = tyre_states(
            result, track, reports, spans, shares, cold=options.cold, only=options.corner, progress=tell
        )
        scan = tyres[0].scan
    best: BestSetup | None = None
    if choices:
        tell = None if progress is None else lambda words: progress("best setup", words)
        limit = options.most_doublings
        if options.no_less_stable:
            now = sum(entry.doublings for entry in entries)
            limit = now if limit is None else min(limit, now)
        best = find_best(
            result,
            known,
            track,
            choices,
            spans,
            most_doublings=limit,
            only=options.corner,
            progress=tell,
        )
    return Balance(
        known=known,
        reports=reports,
        spans=spans,
        effects=effects,
        entries=entries,
        moved=moved,
        brakes=_brakes(track, vehicle, result, reports, options.corner),
        scan=scan,
        tyres=tyres,
        best=best,
        corner=options.corner,
        notices=notices,
    )


def four_wheels(vehicle: AnyVehicle) -> Vehicle:
    """The car, when it has axles.

    Raises
    ------
    InputError
        For a friction-circle car.
    """
    if isinstance(vehicle, Vehicle):
        return vehicle
    raise InputError(
        f"{vehicle.name} is a point with one circle of grip: it has no axles that could be balanced; "
        "lapwright lap tells what its limits cost"
    )


def bounded_numbers(
    vehicle: Vehicle, wanted: Sequence[tuple[str, tuple[float, float] | None]]
) -> tuple[Bounded, ...]:
    """The numbers of a search with their bounds.

    Parameters
    ----------
    vehicle
        The car.
    wanted
        Keys with bounds in the unit of the file; None for the usual reach around the car's own value.

    Raises
    ------
    InputError
        For unknown keys, keys given twice and bounds that make no sense, all of them together.
    """
    faults: list[Fault] = []
    found: list[Bounded] = []
    seen: set[str] = set()
    for key, bounds in wanted:
        try:
            number = number_called(vehicle, key)
        except InputError as error:
            faults += error.faults
            continue
        if key in seen:
            faults += InputError(f"{key} is given twice").faults
            continue
        seen.add(key)
        value = number.value(vehicle)
        low, high = bounds or (value - number.reach, value + number.reach)
        if bounds is None:
            low, high = max(low, number.low), min(high, number.high)
        if bounds is None and value >= 0.0:
            # A share stays a share, a length a length.
            low = max(low, 0.05 * value)
            high = min(high, 0.95) if _is_share(key) and value < 0.95 else high
        for bound in (low, high):
            if not number.allows(bound):
                faults += InputError(f"a bound of {key} is {bound:g}: {number.allowed} is allowed").faults
        if not low < high:
            faults += InputError(f"{key} has the bounds {low:g} to {high:g}: the first must be lower").faults
        found.append(Bounded(number, low, high))
    if faults:
        raise InputError(faults)
    return tuple(found)


def _is_share(key: str) -> bool:
    return key.endswith("share") or ".ramp_" in key


def _checked(
    result: ReferenceLap,
    track: Track,
    effects: tuple[Effect, ...],
    checks: int,
    progress: Progress | None,
) -> tuple[tuple[Effect, ...], dict[str, Pair]]:
    """Effects with the largest, and those that are set for the balance, checked."""
    if checks <= 0:
        return effects, {}
    wanted = {effect.number.key for effect in effects[:checks]} | set(ALWAYS)
    first = [effect for effect in effects if effect.number.key in wanted]
    count = len(first)
    stage = iter(range(1, count + 1))
    tell = (
        None if progress is None else lambda words: progress("checks", f"{next(stage)} of {count}, {words}")
    )
    done, pairs = check_effects(result, track, first, count, tell)
    by_key = {effect.number.key: effect for effect in done}
    return tuple(by_key.get(effect.number.key, effect) for effect in effects), pairs


def _moved(effect: Effect, pair: Pair, track: Track, entries: Sequence[Entry]) -> Moved:
    """What one step up does to the entries."""
    lap = pair.up
    assert lap is not None and isinstance(lap.vehicle, Vehicle)
    reports = corner_reports(lap.lap, track)
    station: dict[str, float] = {}
    growth: dict[str, float] = {}
    begins: dict[str, float] = {}
    reach: dict[str, float] = {}
    entry_under: dict[str, float] = {}
    exit_under: dict[str, float] = {}
    for before in entries:
        for after in entries_of(track, lap.vehicle, lap.lap, reports, before.corner):
            entry_under[before.corner] = after.understeer_entry - before.understeer_entry
            exit_under[before.corner] = after.understeer_exit - before.understeer_exit
            if before.nervous is not None and after.nervous is not None:
                name, a, b = before.corner, before.nervous, after.nervous
                station[name] = _away(track, a.station, b.station)
                growth[name] = b.growth - a.growth
                reach[name] = b.length - a.length
                if a.begins is not None and b.begins is not None:
                    begins[name] = _away(track, a.begins, b.begins)
    return Moved(effect.number, station, growth, entry_under, exit_under, begins, reach)


def _away(track: Track, one: float, other: float) -> float:
    """How far another station lies ahead [m], the shorter way round a closed track."""
    length = track.length if track.closed else 0.0
    away = other - one
    return (away + 0.5 * length) % length - 0.5 * length if length else away


def _brakes(
    track: Track, vehicle: Vehicle, result: ReferenceLap, reports: Sequence[CornerReport], only: str
) -> tuple[BrakeCorner, ...]:
    trace = along(result.lap, vehicle)
    found = [
        brake_corner(track, vehicle, result.lap, report, trace)
        for report in reports
        if not only or report.name == only
    ]
    return tuple(corner for corner in found if corner is not None)
