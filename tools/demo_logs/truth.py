"""What a drive really did, measured on the drive itself before any sensor saw it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from demo_logs.drive import Ground, ground, sawing_rate
from demo_logs.drivers import Driven
from demo_logs.faults import KINDS, Fault

from lapwright.driver.shares import running, shares
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.lap.lap import Array, Lap
from lapwright.lap.phases import BRAKE_ON, THROTTLE_ON
from lapwright.quantities import DEG, KMH

PLACES = {
    "brake_early": ("brake_on", -1.0),
    "brake_late": ("brake_on", 1.0),
    "release_early": ("brake_off", -1.0),
    "release_late": ("brake_off", 1.0),
    "throttle_late": ("pick_up", 1.0),
    "full_late": ("full_throttle", 1.0),
}
"""Faults that are the place of something: which, and the sign of a fault."""

WHOLLY_HIS = ("release_steps", "brake_twice", "throttle_lift", "hands_busy")
"""Faults whose size is what the driver did, not a difference."""

NEAR_LEVEL = 0.03
"""A release stands still where the brake is within this of half of the peak (share of full brake)."""


class _Pair:
    """A corner of a lap and of the reference, both a row a metre."""

    def __init__(self, on: Ground, lap: Lap, corner: str) -> None:
        self.on, self.laps = on, (lap, on.lap)
        own = {report.name: report for report in corner_reports(lap, on.track)}
        self.reports: tuple[CornerReport, CornerReport] = (own[corner], on.reports[corner])
        self.known = on.corner(corner)

    def piece(self, which: int, channel: str, start: float, end: float) -> Array:
        lap = self.laps[which]
        values: Array = getattr(lap, channel)[(lap.s >= start) & (lap.s <= end)]
        return values

    def gap(self, which: int, side: float, start: float, end: float) -> float:
        """Least distance [m] between the car's flank and the edge on a side (+1 left)."""
        lap = self.laps[which]
        rows = (lap.s >= start) & (lap.s <= end)
        road = self.on.track.road(lap.s[rows])
        width = road.width_left if side > 0 else road.width_right
        return float(np.min(width - side * lap.n[rows])) - 0.5 * self.on.vehicle.chassis.width


def measured(on: Ground, lap: Lap, fault: Fault) -> tuple[float, float, float]:
    """Size of a fault in the unit of its kind, and what it is the difference of: driver and reference.

    Parameters
    ----------
    on
        Where and with what: the reference is the quickest lap with the tyres of that lap.
    lap
        The drive, a row a metre.
    fault
        Which, and where.
    """
    pair = _Pair(on, lap, fault.corner)
    if fault.key in PLACES:
        name, sign = PLACES[fault.key]
        mine, theirs = (float(getattr(report, name)) for report in pair.reports)
        return sign * (mine - theirs), mine, theirs
    if fault.key == "slow":
        mine, theirs = (KMH * report.slowest_speed for report in pair.reports)
        return theirs - mine, mine, theirs
    if fault.key == "peak_low":
        mine, theirs = (float(report.brake_peak or 0.0) for report in pair.reports)
        return 1.0 - mine / theirs, mine, theirs
    mine, theirs = (_value(pair, which, fault.key) for which in (0, 1))
    return mine if fault.key in WHOLLY_HIS else mine - theirs, mine, theirs


def _value(pair: _Pair, which: int, key: str) -> float:
    """What a fault of this kind is read from, on the driver's lap (0) or the reference (1)."""
    known, reading = pair.known, pair.known.reading
    side = 1.0 if reading.direction == "left" else -1.0
    clip = reading.clip.at
    turn_in = reading.turn_in.at if reading.turn_in else reading.start.at
    if key == "entry_unused":
        return pair.gap(which, -side, known.entry - 40.0, turn_in + 15.0)
    if key == "apex_missed":
        return pair.gap(which, side, clip - 15.0, clip + 15.0)
    if key == "exit_unused":
        return pair.gap(which, -side, clip + 10.0, known.stretch.corner_end + 60.0)
    if key == "hands_busy":
        start = float(pair.reports[1].turn_in or reading.start.at)
        return _sawing(pair, which, start + 10.0, float(pair.reports[1].end) - 10.0)
    if key == "coast":
        rows = (known.entry, float(pair.reports[1].full_throttle or reading.end.at))
        brake, throttle = (pair.piece(which, name, *rows) for name in ("brake", "throttle"))
        braked = int(np.flatnonzero(brake >= BRAKE_ON)[-1])
        return float(np.sum((throttle < THROTTLE_ON)[braked + 1 :]))
    if key == "throttle_lift":
        throttle = pair.piece(which, "throttle", clip - 60.0, known.stretch.corner_end)
        return float(np.max(np.maximum.accumulate(throttle) - throttle))
    assert reading.braking is not None
    brake = pair.piece(which, "brake", reading.braking.on.at - 20.0, known.off + 20.0)
    peak = reading.braking.peak
    if key == "release_steps":
        return float(np.sum(np.abs(brake[int(np.argmax(brake)) :] - 0.5 * peak) < NEAR_LEVEL))
    if key == "brake_twice":
        after = brake[int(np.argmax(brake)) :]
        # The height at which it is held, not the first touch: a mean over ten metres.
        held = np.convolve(after, np.full(10, 0.1), "valid")
        return float(np.max(held[1:] - np.minimum.accumulate(after)[: held.size - 1])) / peak
    raise ValueError(f"{key} is none of {', '.join(KINDS)}")


def _sawing(pair: _Pair, which: int, start: float, end: float) -> float:
    """Amplitude [deg] of the hand wheel beside the reference at the rate of busy hands, by least squares over time."""
    s = pair.piece(which, "s", start, end)
    extra = (
        pair.piece(which, "steering_wheel", start, end) - pair.piece(1, "steering_wheel", start, end)
    ) / DEG
    turns = sawing_rate(pair.on, start, end) * (s - s[0])
    slow = np.polynomial.chebyshev.chebvander(2.0 * (s - s[0]) / (s[-1] - s[0]) - 1.0, 4)
    fitted = np.linalg.lstsq(np.column_stack([np.sin(turns), np.cos(turns), slow]), extra, rcond=None)[0]
    return float(np.hypot(fitted[0], fitted[1]))


def losses(on: Ground, lap: Lap) -> Mapping[str, float]:
    """Time lost [s] that each corner caused, with what the car carries out of it priced by the reference's own worth."""
    run = running(lap, on.lap, on.known)
    parts = shares(run, on.track, corner_reports(lap, on.track), corner_reports(on.lap, on.track))
    return {part.name: part.caused for part in parts if part.kind == "corner"}


def lap_truth(driven: Driven, number: int, full: Ground, reference_time: float) -> dict[str, Any]:
    """What is written down of a timed lap (0 is the first)."""
    on, timed, lap = driven.grounds[number], driven.driver.laps[number], driven.lap(number)
    lost = losses(on, lap)
    faulty = {fault.corner for fault in timed.faults}
    return {
        "lap_in_log": driven.timed_number(number),
        "time_s": round(lap.time, 4),
        "grip_of_tyres": timed.grip,
        "quickest_with_these_tyres_s": round(on.lap.time, 4),
        "behind_reference_s": round(lap.time - reference_time, 4),
        "faults": [_fault_truth(on, full, lap, fault, lost) for fault in timed.faults],
        "clean_corners_lost_s": {name: round(value, 4) for name, value in lost.items() if name not in faulty},
    }


def _fault_truth(
    on: Ground, full: Ground, lap: Lap, fault: Fault, lost: Mapping[str, float]
) -> dict[str, Any]:
    size, mine, theirs = measured(on, lap, fault)
    return {
        "corner": fault.corner,
        "fault": fault.key,
        "unit": KINDS[fault.key].unit,
        "put_in": fault.size,
        "driven": round(size, 3),
        "driver": round(mine, 3),
        "reference": round(theirs, 3),
        "against_full_grip": round(measured(full, lap, fault)[0], 3),
        "corner_lost_s": round(lost[fault.corner], 4),
    }


def whole_truth(
    drives: Sequence[Driven], files: Sequence[Mapping[str, Any]], reference: Lap
) -> dict[str, Any]:
    """Everything that is written down, plain values."""
    full = ground()
    return {
        "circuit": "tracks/marrow-fen.yaml",
        "vehicle": "vehicles/cup-coupe.yaml",
        "grip_margin": 0.0,
        "reference_time_s": round(reference.time, 4),
        "faults": {key: {"unit": kind.unit, "meaning": kind.meaning} for key, kind in KINDS.items()},
        "drives": [
            {
                "driver": driven.driver.name,
                "key": driven.driver.key,
                "laps": [lap_truth(driven, k, full, reference.time) for k in range(len(driven.timed))],
            }
            for driven in drives
        ],
        "files": list(files),
    }
