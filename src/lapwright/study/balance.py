"""Everything that a balance of a car on a circuit consists of."""

from __future__ import annotations

from dataclasses import dataclass, field

from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array
from lapwright.lap.spans import Span
from lapwright.reference.kept import KeptLap
from lapwright.study.effects import Effect
from lapwright.study.entry import Entry
from lapwright.study.ideal_share import TraceShares
from lapwright.study.numbers import SetupNumber
from lapwright.vehicle.parameters import Vehicle


@dataclass(frozen=True, eq=False)
class ShareScan:
    """Laps at several brake shares.

    Attributes
    ----------
    shares : (K,) tried, ascending; lap_times : (K,) [s], NaN where there was no solution
    best_share, best_time : where the slope of the lap time by the share vanishes [-], [s], the quickest of several such;
        ``at_end`` when the least lies at an end of what was tried
    near : stretches of the shares tried with which the lap takes hardly longer than with the best one (``brakes.NEAR``)
    best_entries : best share for each entry by its corner's name: where the multipliers' slope of that corner's part (its
        braking and entry phases) vanishes; NaN where it does not within what was tried
    worth_entries : what these are worth there against the car's own share [s], positive
    """

    shares: Array
    lap_times: Array
    best_share: float
    best_time: float
    at_end: bool
    near: tuple[tuple[float, float], ...]
    best_entries: dict[str, float]
    worth_entries: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class BrakeCorner:
    """The brake share in one corner.

    Attributes
    ----------
    corner : name
    speed : at brake-on [m/s], for which the curves below hold
    z : (K,) decelerations [g]; used_front, used_rear : (K,) adhesion used straight on at this speed with the car's share
    accel_lat : (J,) lateral accelerations [m/s2]; ideal : (J, K) ideal share at each of them, NaN beyond the grip
    locks_straight : share at which both axles reach their limit together in straight braking; below it the rear is first
    locks_turn : the same at the lateral acceleration of the middle of the trail braking; None without any
    trace : the ideal share along the trace
    """

    corner: str
    speed: float
    z: Array
    used_front: Array
    used_rear: Array
    accel_lat: Array
    ideal: Array
    locks_straight: float
    locks_turn: float | None
    trace: TraceShares


@dataclass(frozen=True, eq=False)
class TyreState:
    """A lap with tyres of another temperature.

    Attributes
    ----------
    name : "hot", "cold front", "cold rear" or "cold"; factors : on the grip of the front and the rear tyres
    lap_time : [s]; entries : as for the car itself; scan : brake shares tried with these tyres
    reports : corners of the lap
    """

    name: str
    factors: tuple[float, float]
    lap_time: float
    entries: tuple[Entry, ...]
    reports: tuple[CornerReport, ...]
    scan: ShareScan


@dataclass(frozen=True)
class Chosen:
    """A number of the best setup: value before and after, its bounds, all in the unit of the file; ``at_bound`` "low", "high"
    or "", and what a step further would still gain [s].
    """

    number: SetupNumber
    before: float
    after: float
    low: float
    high: float
    at_bound: str
    further: float


@dataclass(frozen=True, eq=False)
class BestSetup:
    """The best setup within bounds.

    Attributes
    ----------
    chosen : the numbers
    vehicle : the car with them
    before, after : lap times [s]
    parts : what was made in each piece of the lap [s], in the order of ``leaves(Balance.spans)``, negative is quicker: the
        time lost there, and the speed that is missing at its end as the rest of the lap prices it
    entries : of the new lap, in the order of ``Balance.entries``
    most_doublings : the limit on the doublings of all entries together, or of the one asked about; None without
    held : whether it is kept. When it is not, this is the setup that comes nearest to keeping it
    solves : laps that it took; words : how the search ended
    """

    chosen: tuple[Chosen, ...]
    vehicle: Vehicle
    before: float
    after: float
    parts: tuple[float, ...]
    entries: tuple[Entry, ...]
    most_doublings: float | None
    held: bool
    solves: int
    words: str


@dataclass(frozen=True, eq=False)
class Moved:
    """How one step of a number moves the entries: by corner, the change of the least stable point's station [m], of its
    growth [1/s] and of the mean understeer on entry and exit [rad], step up less car as it is; ``begins`` and ``length`` that
    of where deviations first grow with the brake on [m], where they do with both cars, and of how far they do [m].
    """

    number: SetupNumber
    station: dict[str, float]
    growth: dict[str, float]
    understeer_entry: dict[str, float]
    understeer_exit: dict[str, float]
    begins: dict[str, float] = field(default_factory=dict)
    length: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Balance:
    """A car's balance on a circuit.

    Attributes
    ----------
    known : the reference lap; reports : its corners
    spans : the lap cut into straights and corners with their phases; effects are split by these
    effects : of every number, largest first
    entries : of every corner that is entered with the brake or a lift, or of the one that was asked for
    moved : what a step of each checked number does to the entries
    brakes : the brake share corner by corner; scan : laps at several shares
    tyres : hot first
    best : None when it was not asked for
    corner : name of the corner that was asked for, or ''
    notices : sentences
    """

    known: KeptLap
    reports: tuple[CornerReport, ...]
    spans: tuple[Span, ...]
    effects: tuple[Effect, ...]
    entries: tuple[Entry, ...]
    moved: tuple[Moved, ...]
    brakes: tuple[BrakeCorner, ...]
    scan: ShareScan | None
    tyres: tuple[TyreState, ...]
    best: BestSetup | None
    corner: str
    notices: tuple[str, ...]
