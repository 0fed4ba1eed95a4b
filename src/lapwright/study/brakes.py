"""The brake share of a car on a lap: which share suits the lap and each entry, and which axle locks first where."""

from __future__ import annotations

from collections.abc import Callable, Sequence

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

ENTRY_PHASES = ("braking", "lift", "entry")
"""Phases of a corner that are its entry."""

CURVES, POINTS = 4, 60
"""Lateral accelerations for which the ideal share is told, and decelerations of each."""

TRAIL = 0.2
"""Share of the corner's largest lateral acceleration from which braking counts as trail braking."""


def scan_shares(
    result: ReferenceLap,
    track: Track,
    spans: Sequence[Span],
    side: int = SIDE,
    step: float = STEP,
    progress: Callable[[str], None] | None = None,
) -> ShareScan:
    """Laps at brake shares around the car's own.

    Every lap gives its slope by the share, corner by corner, from its multipliers. The best share of the lap is where that of
    the lap vanishes, between two that were solved; the best of an entry where that of its braking and entry phases does.

    Parameters
    ----------
    result, track
        A solved lap of a full car, and its road.
    spans
        The pieces of the lap.
    side, step
        How many shares to either side, and how far apart; more on the side on which the lap goes on getting quicker.
    progress
        Called with a few words before each solve.
    """
    assert isinstance(result.vehicle, Vehicle)
    number = number_called(result.vehicle, SHARE)
    own = number.value(result.vehicle)
    laps: dict[int, ReferenceLap | None] = {0: result}

    def lap_at(k: int) -> ReferenceLap | None:
        """The lap k steps away, from its neighbour nearer to the car's own."""
        if k not in laps:
            share = own + k * step
            if not 0.0 < share < 1.0:
                laps[k] = None
                return None
            if progress is not None:
                progress(f"brake share {share:.3f}")
            nearer = laps.get(k - int(np.sign(k))) or result
            try:
                laps[k] = solve_again(nearer, track, number.changed(result.vehicle, share))  # type: ignore[arg-type]
            except NoSolutionError:
                laps[k] = None
        return laps[k]

    for k in range(1, side + 1):
        lap_at(k), lap_at(-k)
    for sign in (1, -1):
        last = side
        while last < FARTHEST and _still_better(laps, sign * last, sign):
            last += 1
            lap_at(sign * last)
    tried = [(own + k * step, lap) for k, lap in sorted(laps.items()) if lap is not None]
    shares = np.array([share for share, _ in tried])
    slopes = np.array([_parts(lap, track, spans) for _, lap in tried])
    times = np.array([lap.time for _, lap in tried])
    best, at_end = _root(shares, slopes.sum(axis=1))
    entries, worth = _entries(shares, slopes, spans, own)
    return ShareScan(
        shares=shares,
        lap_times=times,
        best_share=best,
        best_time=float(CubicHermiteSpline(shares, times, slopes.sum(axis=1))(best)),
        at_end=at_end,
        best_entries=entries,
        worth_entries=worth,
    )


def _still_better(laps: dict[int, ReferenceLap | None], end: int, sign: int) -> bool:
    """Whether the lap is quicker at an end of what was tried than one step before it."""
    last, before = laps.get(end), laps.get(end - sign)
    return last is not None and before is not None and last.time < before.time


def _parts(lap: ReferenceLap, track: Track, spans: Sequence[Span]) -> Array:
    """Slope of the lap time by the share [s per unit], by the leaves of the lap."""
    assert isinstance(lap.vehicle, Vehicle)
    slopes = slopes_of(lap, track, [number_called(lap.vehicle, SHARE)])[0]
    return split_up(lap.solution.nlp.mesh.nodes, slopes, spans)


def _root(shares: Array, slopes: Array) -> tuple[float, bool]:
    """Where a slope goes from negative to positive; the better end, and True, when it does not."""
    up = np.flatnonzero((slopes[:-1] < 0.0) & (slopes[1:] >= 0.0))
    if not up.size:
        return float(shares[-1] if slopes[-1] < 0.0 else shares[0]), True
    k = int(up[0])
    return float(shares[k] - slopes[k] * (shares[k + 1] - shares[k]) / (slopes[k + 1] - slopes[k])), False


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
        share, at_end = _root(shares, slope)
        best[span.name] = float("nan") if at_end else share
        if not at_end and shares.size > 1:
            gained = PchipInterpolator(shares, slope).integrate(share, own)
            worth[span.name] = float(gained)
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
