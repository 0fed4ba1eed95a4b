"""The brake share of a car on a lap: which share suits the lap and each entry, and which axle locks first where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from lapwright.errors import NoSolutionError
from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array, Lap
from lapwright.lap.spans import Span, leaves, split_up
from lapwright.quantities import G
from lapwright.reference.solve import ReferenceLap, solve_again
from lapwright.study.adhesion import adhesion_used
from lapwright.study.balance import BrakeCorner, ShareScan
from lapwright.study.effects import slopes_of
from lapwright.study.ideal_share import TraceShares, along, ideal_share, limit_deceleration, locking_shares
from lapwright.study.numbers import number_called
from lapwright.track.track import Track
from lapwright.vehicle.parameters import Vehicle

SHARE = "brakes.front_share"

STEP, SIDE, FARTHEST = 0.02, 3, 12
"""Step between the brake shares that are tried, how many to either side, and how many at most where the best lies beyond."""

NEAR, FINE = 0.01, 1001
"""Lap time [s] within which another share is as good as the best one, and how many shares are looked at for that."""

NOTHING, WORTH_GOING_ON = 1e-3, 2e-4
"""Gain [s] of an end of what was tried below which the car's own share is as good, and gain of a step beyond which another
one is tried."""

Curve = Callable[[Any], Any]
"""A time [s] over shares."""

ENTRY_PHASES = ("braking", "lift", "entry")
"""Phases of a corner that are its entry."""

CURVES, POINTS = 4, 60
"""Lateral accelerations for which the ideal share is told, and decelerations of each."""

TRAIL = 0.2
"""Share of the corner's largest lateral acceleration from which braking counts as trail braking."""


class ShareLaps:
    """Laps at brake shares around a car's own, each solved once.

    Parameters
    ----------
    result, track
        A solved lap of a full car, and its road.
    spans
        The pieces of the lap.
    step
        Between one share and the next.
    progress
        Called with a few words before each solve.
    """

    def __init__(
        self,
        result: ReferenceLap,
        track: Track,
        spans: Sequence[Span],
        step: float = STEP,
        progress: Callable[[str], None] | None = None,
    ) -> None:
        assert isinstance(result.vehicle, Vehicle)
        self.result, self.track, self.spans, self.step, self.progress = result, track, spans, step, progress
        self.number = number_called(result.vehicle, SHARE)
        self.own = self.number.value(result.vehicle)
        self.laps: dict[int, ReferenceLap | None] = {0: result}
        self.slopes: dict[int, Array] = {}

    def scan(self, side: int = SIDE, reach: tuple[float, float] | None = None) -> ShareScan:
        """What the laps at several shares say.

        Every lap gives its slope by the share, corner by corner, from its multipliers. The best share of the lap is where
        that of the lap vanishes, between two that were solved; the best of an entry where that of its braking and entry
        phases does. Of several such shares the quickest counts; where nothing is to be gained, the car's own.

        Parameters
        ----------
        side
            How many shares to either side; more on the side on which the lap goes on getting quicker.
        reach
            Shares between which laps are solved in any case.
        """
        low, high = -side, side
        if reach is not None:
            low = min(low, int(np.floor((reach[0] - self.own) / self.step)))
            high = max(high, int(np.ceil((reach[1] - self.own) / self.step)))
        # From the car's own share outwards: each starts from its neighbour.
        for k in (*range(1, high + 1), *range(-1, low - 1, -1)):
            self._lap(k)
        for sign, last in ((1, high), (-1, -low)):
            while last < FARTHEST and self._still_better(sign * last, sign):
                last += 1
                self._lap(sign * last)
        solved = [(k, lap) for k, lap in sorted(self.laps.items()) if lap is not None]
        shares = self.own + self.step * np.array([k for k, _ in solved], dtype=float)
        slopes = np.array([self._slope(k) for k, _ in solved])
        times = np.array([lap.time for _, lap in solved])
        curve = CubicHermiteSpline(shares, times, slopes.sum(axis=1)) if len(solved) > 1 else None
        best, at_end = lowest_place(shares, slopes.sum(axis=1), curve)
        if at_end and curve is not None and self.result.time - float(curve(best)) < NOTHING:
            # A lap that hardly brakes falls a little towards some end: that says nothing.
            best, at_end = self.own, False
        entries, worth = _entries(shares, slopes, self.spans, self.own)
        every = sorted(self.laps)
        return ShareScan(
            shares=self.own + self.step * np.array(every, dtype=float),
            lap_times=np.array([np.nan if lap is None else lap.time for lap in map(self.laps.get, every)]),
            best_share=best,
            best_time=float(times[0]) if curve is None else float(curve(best)),
            at_end=at_end,
            near=((best, best),) if curve is None else near_stretches(shares, curve, best),
            best_entries=entries,
            worth_entries=worth,
        )

    def _lap(self, k: int) -> ReferenceLap | None:
        """The lap k steps away, from its neighbour nearer to the car's own."""
        if k not in self.laps:
            assert isinstance(self.result.vehicle, Vehicle)
            share = self.own + k * self.step
            if not 0.0 < share < 1.0:
                return None
            if self.progress is not None:
                self.progress(f"brake share {share:.3f}")
            nearer = self.laps.get(k - int(np.sign(k))) or self.result
            try:
                self.laps[k] = solve_again(
                    nearer, self.track, self.number.changed(self.result.vehicle, share)
                )
            except NoSolutionError:
                self.laps[k] = None
        return self.laps[k]

    def _slope(self, k: int) -> Array:
        """Slope of the lap time by the share [s per unit] of a lap that there is, by the leaves of the lap."""
        if k not in self.slopes:
            lap = self.laps[k]
            assert lap is not None
            self.slopes[k] = _parts(lap, self.track, self.spans)
        return self.slopes[k]

    def _still_better(self, end: int, sign: int) -> bool:
        """Whether the lap is quicker at an end of what was tried than one step before it."""
        last, before = self.laps.get(end), self.laps.get(end - sign)
        return last is not None and before is not None and last.time < before.time - WORTH_GOING_ON


def _parts(lap: ReferenceLap, track: Track, spans: Sequence[Span]) -> Array:
    """Slope of the lap time by the share [s per unit], by the leaves of the lap."""
    assert isinstance(lap.vehicle, Vehicle)
    slopes = slopes_of(lap, track, [number_called(lap.vehicle, SHARE)])[0]
    return split_up(lap.solution.nlp.mesh.nodes, slopes, spans)


def lowest_place(shares: Array, slopes: Array, curve: Curve | None) -> tuple[float, bool]:
    """The lowest place of a curve over shares, and whether it is an end of them.

    Parameters
    ----------
    shares, slopes
        (K,) shares, ascending, and the slope of the curve there, which is taken for straight between them.
    curve
        Time [s] over shares, up to a constant; None for a single share.
    """
    found = [(float(shares[0]), True)] if slopes[0] >= 0.0 or curve is None else []
    found += [(float(shares[-1]), True)] if slopes[-1] < 0.0 else []
    for k in np.flatnonzero((slopes[:-1] < 0.0) & (slopes[1:] >= 0.0)):
        root = shares[k] - slopes[k] * (shares[k + 1] - shares[k]) / (slopes[k + 1] - slopes[k])
        found.append((float(root), False))
    return found[0] if curve is None else min(found, key=lambda one: float(curve(one[0])))


def near_stretches(shares: Array, curve: Curve, best: float) -> tuple[tuple[float, float], ...]:
    """Stretches, first and last share of each, on which a lap takes at most ``NEAR`` longer than with the best one.

    Parameters
    ----------
    shares
        Those that were tried, ascending.
    curve, best
        Lap time [s] over shares, and the best share.
    """
    at = np.union1d(np.linspace(shares[0], shares[-1], FINE), [best])
    good = np.flatnonzero(curve(at) <= curve(best) + NEAR)
    runs = np.split(good, np.flatnonzero(np.diff(good) > 1) + 1)
    return tuple((float(at[run[0]]), float(at[run[-1]])) for run in runs)


def _entries(
    shares: Array, slopes: Array, spans: Sequence[Span], own: float
) -> tuple[dict[str, float], dict[str, float]]:
    """Best share of each braked corner's entry, and what it is worth there."""
    pieces = leaves(spans)
    best, worth = {}, {}
    for span in spans:
        if span.kind != "corner" or not any(phase.name == "braking" for phase in span.phases):
            continue
        mine = [i for i, (owner, leaf) in enumerate(pieces) if owner is span and leaf.name in ENTRY_PHASES]
        slope = slopes[:, mine].sum(axis=1)
        curve = PchipInterpolator(shares, slope).antiderivative() if shares.size > 1 else None
        share, at_end = lowest_place(shares, slope, curve)
        best[span.name] = float("nan") if at_end else share
        if not at_end and curve is not None:
            worth[span.name] = float(curve(own) - curve(share))
    return best, worth


def brake_corner(
    track: Track, vehicle: Vehicle, lap: Lap, report: CornerReport, trace: TraceShares | None = None
) -> BrakeCorner | None:
    """The brake share in one corner; None for a corner without a braking zone of its own.

    Parameters
    ----------
    track, vehicle, lap
        A lap of a full car.
    report
        The corner.
    trace
        ``ideal_share.along`` of the lap, when it is there already.
    """
    if report.brake_on is None or report.brake_on_speed is None:
        return None
    trace = trace or along(lap, vehicle)
    speed = report.brake_on_speed
    rows = _braking_rows(track, lap, report)
    trail = rows[np.abs(lap.accel_lat[rows]) > TRAIL * report.lateral_max]
    most = float(limit_deceleration(vehicle, speed, 0.0).z)
    z = np.linspace(0.1, max(most, 0.3), POINTS)
    used = adhesion_used(vehicle, z, speed, overrun=True)
    lateral = np.round(np.linspace(0.0, 0.75, CURVES) * report.lateral_max / G, 1) * G
    ideal = np.array([ideal_share(vehicle, speed, z, a) for a in lateral])
    return BrakeCorner(
        corner=report.name,
        speed=speed,
        z=z,
        used_front=np.asarray(used[0]),
        used_rear=np.asarray(used[1]),
        accel_lat=lateral,
        ideal=ideal,
        locks_straight=float(locking_shares(vehicle, speed, 0.0)),
        locks_turn=_locks_in_turn(vehicle, lap, trace, trail),
        trace=_cut(trace, rows),
    )


def _braking_rows(track: Track, lap: Lap, report: CornerReport) -> Array:
    """Rows of the lap from brake-on to brake-off of a corner, in driving order."""
    assert report.brake_on is not None
    length = track.length if lap.closed else 0.0
    end = report.brake_off if report.brake_off is not None else report.slowest_at
    count = lap.s.size - 1 if lap.closed else lap.s.size
    ahead = lap.s[:count] - report.brake_on
    reach = end - report.brake_on
    if length:
        ahead, reach = ahead % length, reach % length
    rows = np.flatnonzero((ahead >= 0.0) & (ahead <= reach))
    return np.asarray(rows[np.argsort(ahead[rows], kind="stable")])


def _locks_in_turn(vehicle: Vehicle, lap: Lap, trace: TraceShares, trail: Array) -> float | None:
    """Share at which both axles lock together in trail braking: of the rows whose wheels are at their limit the middle one's
    own; where none is, by a steady turn at the middle of the trail.
    """
    if not trail.size:
        return None
    limit = trail[trace.at_limit[trail] & np.isfinite(trace.locking[trail])]
    if limit.size:
        return float(np.median(trace.locking[limit]))
    middle = int(trail[trail.size // 2])
    found = float(locking_shares(vehicle, float(lap.speed[middle]), float(lap.accel_lat[middle])))
    return found if np.isfinite(found) else None


def _cut(trace: TraceShares, rows: Array) -> TraceShares:
    """Some rows of the shares along a lap."""
    index = rows.astype(int)
    return TraceShares(
        s=trace.s[index],
        share=trace.share,
        ideal=trace.ideal[index],
        locking=trace.locking[index],
        first=trace.first[index],
        margin=trace.margin[index],
        use_front=trace.use_front[index],
        use_rear=trace.use_rear[index],
    )
