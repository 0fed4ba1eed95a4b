"""The balance of a car on its way into a corner: which axle and wheel holds it, what the other has left, how stable it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array, Lap
from lapwright.reference.evidence import active_stretches
from lapwright.study.stability import LateralMotion, lateral_motion
from lapwright.track.track import Track
from lapwright.vehicle.car import static_loads
from lapwright.vehicle.parameters import Vehicle
from lapwright.vehicle.tyre import shape_factors


@dataclass(frozen=True)
class Change:
    """Where another axle begins to hold the car: from ``before`` to ``after`` ("front", "rear", "both", "none") at a station
    [m]; ``wheel`` that is at its limit from there on ("front left", ...), empty for none.
    """

    station: float
    before: str
    after: str
    wheel: str


@dataclass(frozen=True)
class Nervous:
    """The least stable point of an entry.

    Attributes
    ----------
    station : [m]; to_turn_in : distance from turn-in [m], negative before it
    growth : rate of the fastest growing deviation [1/s]; doubling : time in which it doubles [s], None when it dies out
    brake : share of peak pressure there; accel_lat : [m/s2]; speed : [m/s]
    axle : which one is at its limit there
    stretches : (start, end) stations [m] with the brake on where deviations grow
    begins : station [m] where they first do, between rows; None where they die out all along
    length : of all such stretches [m]
    """

    station: float
    to_turn_in: float | None
    growth: float
    doubling: float | None
    brake: float
    accel_lat: float
    speed: float
    axle: str
    stretches: tuple[tuple[float, float], ...]
    begins: float | None = None
    length: float = 0.0


@dataclass(frozen=True, eq=False)
class Entry:
    """The way into a corner, row by row, from where the foot moves to the slowest point; arrays are (M,) in driving order.

    Attributes
    ----------
    corner, direction : name; "left" or "right" (the first word, for a complex)
    start, turn_in, brake_off, slowest, end : stations [m], growing, on past the line where need be; ``turn_in`` and
        ``brake_off`` None where there is none; ``end`` is that of the corner
    s, time : stations [m] and time from the first row [s]
    speed, brake, throttle, accel_long, accel_lat : of the lap, SI
    use_front, use_rear : share of each axle's grip in use
    limiting_axle : "front", "rear", "both" or "none"; limiting_wheel : index in ``lap.WHEELS`` of the most used wheel, -1 for
        none at its limit
    changes : where the limit goes from one axle to another; first_limit : the first axle held, "none" when there is none
    shares : share of the entry's time that each of "front", "rear", "both", "none" holds the car
    spare_front, spare_rear : side force that each axle could still add at its braking [N]
    steer, neutral_steer, understeer : road-wheel angle, that of a neutral car on the same path, their difference [rad];
        towards the corner positive (of a complex: the way that the path bends), so that positive ``understeer`` is understeer
    understeer_entry, understeer_exit : mean over time from turn-in to the slowest point, and from there to the end [rad]; a
        car that is steered against its bend has no turn-in before the slowest point, and counts from the corner's start
    growth, static_margin, yaw_stiffness : see ``stability.LateralMotion``
    turn_moment, hold_moment : yaw moment that the front axle could still add into the corner, and the rear axle against it
        [N m]
    nervous : the least stable point with the brake on; None where the brake is not used
    doublings : how often a deviation would double on the way in if nobody caught it: the integral of the growth over time
        where it is positive and the brake is on, over ln 2
    """

    corner: str
    direction: str
    start: float
    turn_in: float | None
    brake_off: float | None
    slowest: float
    end: float
    s: Array
    time: Array
    speed: Array
    brake: Array
    throttle: Array
    accel_long: Array
    accel_lat: Array
    use_front: Array
    use_rear: Array
    limiting_axle: NDArray[np.str_]
    limiting_wheel: NDArray[np.int64]
    changes: tuple[Change, ...]
    first_limit: str
    shares: dict[str, float]
    spare_front: Array
    spare_rear: Array
    steer: Array
    neutral_steer: Array
    understeer: Array
    understeer_entry: float
    understeer_exit: float
    growth: Array
    static_margin: Array
    yaw_stiffness: Array
    turn_moment: Array
    hold_moment: Array
    nervous: Nervous | None
    doublings: float = 0.0


EARLIEST = 400.0
"""Farthest before a corner [m] that an entry begins."""

LEAD = 5.0
"""Distance [m] before the foot moves at which an entry begins."""

BRAKING = 0.05
"""Share of peak pressure from which the brake counts as on: below it no point of an entry is called nervous."""

CLEAR = 0.2
"""Share of the sharpest curvature of a complex from which its path counts as bending one way."""

FLICKER = 3.0
"""Length [m] below which a stretch with another axle at the limit is left out: the limit is told from rows a metre or two
apart.
"""

WEAKEST = 0.02
"""Share of the side stiffness of freely rolling tyres below which a static margin is not told."""

WHEEL_NAMES = ("front left", "front right", "rear left", "rear right")


def entries_of(
    track: Track, vehicle: Vehicle, lap: Lap, reports: Sequence[CornerReport], only: str = ""
) -> tuple[Entry, ...]:
    """The entries of a lap: of every corner that is braked or lifted for, in driving order.

    Parameters
    ----------
    track, vehicle, lap
        A lap of the full car with all its channels.
    reports
        Its corners.
    only
        Name of the one corner that is wanted, however it is entered; empty for all that are braked or lifted for.
    """
    motion = lateral_motion(track, vehicle, lap)
    tables = _Tables(track, vehicle, lap, motion)
    wanted = [r for r in reports if (r.name == only if only else r.entry in ("brake", "lift"))]
    return tuple(tables.entry(report) for report in wanted)


@dataclass(frozen=True, eq=False)
class _Tables:
    """A lap's rows with everything that is known of them, laid out so that a corner may lie across the line."""

    track: Track
    vehicle: Vehicle
    lap: Lap
    motion: LateralMotion

    def entry(self, report: CornerReport) -> Entry:
        """The entry of one corner."""
        lap, length = self.lap, self.track.length if self.lap.closed else 0.0
        begin, turn_in, brake_off, slowest, end = self._stations(report)
        stations, index = self._rows(begin, end, length)
        inside = stations <= slowest + 1e-9
        s, rows = stations[inside], index[inside]
        turns = stations // length if length else np.zeros(stations.shape)
        clock = lap.t[index] - lap.t[0] + (turns - turns[0]) * (lap.time if length else 0.0)
        sign = self._senses(report, index)
        steer, neutral, under = self._understeer(index, sign)
        margin = self.motion.static_margin(self._weakest())
        spare, turn, hold = self._in_hand(rows, sign[inside])
        axle = lap.limiting_axle[rows]
        return Entry(
            corner=report.name,
            direction="left" if report.direction.startswith("left") else "right",
            start=begin,
            turn_in=turn_in,
            brake_off=brake_off,
            slowest=slowest,
            end=end,
            s=s,
            time=(clock - clock[0])[inside],
            speed=lap.speed[rows],
            brake=lap.brake[rows],
            throttle=lap.throttle[rows],
            accel_long=lap.accel_long[rows],
            accel_lat=lap.accel_lat[rows],
            use_front=lap.grip_use_front[rows],
            use_rear=lap.grip_use_rear[rows],
            limiting_axle=axle,
            limiting_wheel=self._wheels(rows),
            changes=self._changes(s, axle, rows),
            first_limit=next((str(a) for a in axle[s >= begin + LEAD] if a != "none"), "none"),
            shares=_time_shares(clock[inside], axle),
            spare_front=spare[0],
            spare_rear=spare[1],
            steer=steer[inside],
            neutral_steer=neutral[inside],
            understeer=under[inside],
            understeer_entry=_mean(
                clock, under, stations, self._turning_from(report, begin, turn_in, slowest), slowest
            ),
            understeer_exit=_mean(clock, under, stations, slowest, end),
            growth=self.motion.growth[rows],
            static_margin=margin[rows],
            yaw_stiffness=self.motion.yaw_stiffness[rows],
            turn_moment=turn,
            hold_moment=hold,
            nervous=self._nervous(s, rows, turn_in),
            doublings=_doublings(clock[inside], self.motion.growth[rows], lap.brake[rows] >= BRAKING),
        )

    def _stations(self, report: CornerReport) -> tuple[float, float | None, float | None, float, float]:
        """Begin, turn-in, brake-off, slowest point and end, growing, around the corner's start."""
        length = self.track.length if self.lap.closed else 0.0
        start = report.start

        def near(station: float | None) -> float | None:
            if station is None or not length:
                return station
            return start + (station - start + 0.5 * length) % length - 0.5 * length

        feet = [near(x) for x in (report.lift_at, report.brake_on)]
        known = [x for x in (*feet, near(report.turn_in)) if x is not None and start - EARLIEST < x]
        begin = min([start, *known]) - LEAD
        slowest = near(report.slowest_at)
        end = start + (report.end - start) % length if length else report.end
        assert slowest is not None
        begin = begin if length else max(begin, float(self.lap.s[0]))
        return (
            begin,
            near(report.turn_in),
            near(report.brake_off),
            max(slowest, begin + 1.0),
            max(end, slowest),
        )

    def _turning_from(
        self, report: CornerReport, begin: float, turn_in: float | None, slowest: float
    ) -> float:
        """Station from which a car counts as turning: turn-in, or the corner's start where there is none in time."""
        if turn_in is not None and turn_in < slowest - FLICKER:
            return turn_in
        return report.start if report.start < slowest - FLICKER else begin

    def _rows(self, begin: float, end: float, length: float) -> tuple[Array, NDArray[np.int64]]:
        """Stations, on past the line, and rows of the lap between two stations, and the first row beyond them."""
        stations, count = self.lap.s, self.lap.s.size
        if length:
            count -= 1
            stations = np.concatenate([stations[:count] + turn * length for turn in (-1, 0, 1, 2)])
        first, last = np.searchsorted(stations, [begin - 1e-9, end - 1e-9])
        rows = np.arange(first, min(last + 1, stations.size))
        return stations[rows], rows % count

    def _senses(self, report: CornerReport, rows: NDArray[np.int64]) -> Array:
        """1 where the corner turns left, -1 where it turns right; of a complex by the path, once it bends clearly."""
        first = 1.0 if report.direction.startswith("left") else -1.0
        if report.direction in ("left", "right"):
            return np.full(rows.size, first)
        bend = self.lap.curvature[rows]
        clear = np.abs(bend) > CLEAR * np.abs(bend).max()
        last = np.maximum.accumulate(np.where(clear, np.arange(rows.size), -1))
        return np.where(last >= 0, np.sign(bend[last]), first)

    def _understeer(self, rows: NDArray[np.int64], sign: Array) -> tuple[Array, Array, Array]:
        """Road-wheel angle, neutral steer angle and understeer angle [rad], towards the corner positive.

        A car on tyres that need no slip goes round a bend of curvature k with atan(L k) (ISO 8855, Ackermann steer angle
        [from memory]); what the wheels are turned beyond that is the understeer angle (Milliken & Milliken, ch. 5 [from
        memory]).
        """
        steer = sign * self.lap.steering_wheel[rows] / self.vehicle.steering.ratio
        neutral = sign * np.arctan(self.vehicle.chassis.wheelbase * self.lap.curvature[rows])
        return steer, neutral, steer - neutral

    def _weakest(self) -> float:
        """Side stiffness [N/rad] below which a neutral steer point has no meaning: a share of what the tyres have when they
        roll freely with the car's weight on them.
        """
        total = 0.0
        for tyre, load in zip(
            (self.vehicle.tyres.front, self.vehicle.tyres.rear), static_loads(self.vehicle), strict=True
        ):
            shape, stiffness = shape_factors(tyre.sliding_grip_ratio)
            total += 2.0 * tyre.peak_mu_lat * load * float(shape * stiffness) / tyre.peak_slip_angle
        return WEAKEST * total

    def _in_hand(self, rows: NDArray[np.int64], sign: Array) -> tuple[tuple[Array, Array], Array, Array]:
        """Side force that each axle could add into the corner [N], and the yaw moments of these: of the front into it, of the
        rear against it [N m] (the yaw moment method of Milliken & Milliken, ch. 8 [from memory] asks for the same).
        """
        lap, c = self.lap, self.vehicle.chassis
        used = np.clip(lap.force_long[rows] / lap.grip_long[rows], -1.0, 1.0)
        most = lap.grip_lat[rows] * np.sqrt(1.0 - used**2)
        left = np.maximum(most - sign[:, None] * lap.force_lat[rows], 0.0)
        front, rear = left[:, :2].sum(axis=1), left[:, 2:].sum(axis=1)
        return (front, rear), c.cg_to_front * front, c.cg_to_rear * rear

    def _wheels(self, rows: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of the wheel nearest to its limit where an axle is limiting, else -1."""
        lap = self.lap
        worst = np.argmax(lap.grip_use[rows], axis=1)
        return np.where(lap.limiting_axle[rows] == "none", -1, worst).astype(np.int64)

    def _changes(self, s: Array, axle: NDArray[np.str_], rows: NDArray[np.int64]) -> tuple[Change, ...]:
        """Where the limit goes over from one axle to another; a flicker shorter than ``FLICKER`` is none."""
        steady = _steadied(s, axle)
        wheels, found = self._wheels(rows), []
        for k in np.flatnonzero(steady[1:] != steady[:-1]):
            wheel = int(wheels[k + 1])
            found.append(
                Change(
                    0.5 * float(s[k] + s[k + 1]),
                    str(steady[k]),
                    str(steady[k + 1]),
                    WHEEL_NAMES[wheel] if wheel >= 0 and steady[k + 1] != "none" else "",
                )
            )
        return tuple(found)

    def _nervous(self, s: Array, rows: NDArray[np.int64], turn_in: float | None) -> Nervous | None:
        lap = self.lap
        on = lap.brake[rows] >= BRAKING
        if not on.any():
            return None
        growth = self.motion.growth[rows]
        k = int(np.argmax(np.where(on, growth, -np.inf)))
        worst, station = float(growth[k]), _top(s, growth, on, k)
        stretches = active_stretches(s, on & (growth > 0.0))
        return Nervous(
            station=station,
            to_turn_in=None if turn_in is None else station - turn_in,
            growth=worst,
            doubling=float(np.log(2.0) / worst) if worst > 0.0 else None,
            brake=float(lap.brake[rows[k]]),
            accel_lat=float(lap.accel_lat[rows[k]]),
            speed=float(lap.speed[rows[k]]),
            axle=str(lap.limiting_axle[rows[k]]),
            stretches=stretches,
            begins=_begins(s, growth, on),
            length=float(sum(end - start for start, end in stretches)),
        )


def _top(s: Array, growth: Array, on: NDArray[np.bool_], k: int) -> float:
    """Station of the largest growth, by the parabola through the largest value and its neighbours."""
    if not 0 < k < s.size - 1 or not (on[k - 1] and on[k + 1]):
        return float(s[k])
    a, b, _ = np.polyfit(s[k - 1 : k + 2] - s[k], growth[k - 1 : k + 2], 2)
    top = -0.5 * b / a if a < 0.0 else 0.0
    return float(np.clip(s[k] + top, s[k - 1], s[k + 1]))


def _doublings(clock: Array, growth: Array, on: NDArray[np.bool_]) -> float:
    """Time integral of the growth where it is positive and the brake is on, over ln 2."""
    rate = np.where(on, np.maximum(growth, 0.0), 0.0)
    return float(np.trapezoid(rate, clock) / np.log(2.0))


def _begins(s: Array, growth: Array, on: NDArray[np.bool_]) -> float | None:
    """Station where deviations first grow with the brake on, by a straight line between two rows."""
    first = np.flatnonzero(on & (growth > 0.0))
    if not first.size:
        return None
    k = int(first[0])
    if k == 0 or not on[k - 1] or growth[k - 1] > 0.0:
        return float(s[k])
    return float(s[k - 1] - growth[k - 1] * (s[k] - s[k - 1]) / (growth[k] - growth[k - 1]))


def _steadied(s: Array, axle: NDArray[np.str_]) -> NDArray[np.str_]:
    """The limiting axle without stretches shorter than ``FLICKER``: such a one takes what came before it."""
    found = axle.copy()
    starts = np.flatnonzero(np.concatenate([[True], axle[1:] != axle[:-1]]))
    ends = np.concatenate([starts[1:], [axle.size]])
    for a, b in zip(starts, ends, strict=True):
        last = s[b] if b < s.size else s[-1]
        if a > 0 and last - s[a] < FLICKER:
            found[a:b] = found[a - 1]
    return found


def _time_shares(clock: Array, axle: NDArray[np.str_]) -> dict[str, float]:
    """Share of the time in which each axle holds the car."""
    weight = np.gradient(clock) if clock.size > 1 else np.ones(1)
    total = float(weight.sum())
    return {name: float(weight[axle == name].sum()) / total for name in ("front", "rear", "both", "none")}


def _mean(clock: Array, values: Array, s: Array, start: float, end: float) -> float:
    """Mean over time between two stations, by straight lines between the rows; NaN when there is no way between them."""
    start, end = max(start, float(s[0])), min(end, float(s[-1]))
    if end - start < 1e-6:
        return float("nan")
    at = np.concatenate([[start], s[(s > start) & (s < end)], [end]])
    moments = np.interp(at, s, clock)
    return float(np.trapezoid(np.interp(at, s, values), moments) / (moments[-1] - moments[0]))
