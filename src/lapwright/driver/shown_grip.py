"""The grip of each axle that a car showed: the forces that its motion needed, over the most that its file's tyres give."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.felt import calm, levelled, motion_of, window_of
from lapwright.driver.session import DriverLap
from lapwright.driver.shown import Shown, percent_words, unseen
from lapwright.lap.channels import car_lap, circle_lap
from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array, Lap
from lapwright.quantities import G
from lapwright.track.track import Track
from lapwright.vehicle.loads import drag
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle, Vehicle

Rows = NDArray[np.int64]

TOP = 0.9
"""Quantile of an axle's use in a corner that stands for the most it showed there."""

LEAST_ROWS = 6
"""Rows of a corner in which an axle must limit the reference to tell of its grip: as many metres."""

FLOOR, BLIND = 0.01, 0.015
"""Least standard error of a grip, with and without a lateral acceleration in the log: the estimate itself is no better."""

LONE = 0.02
"""Standard error of a grip that one corner alone shows."""

ALIKE = 0.015
"""Corners within this of the third best, as a share, bear it out."""

PLACES = 0.14
"""The same for each metre of noise in the places, where they alone tell of the motion: twice the scatter of the corners of a
lap that is known (0.02 at 0.3 m)."""

ROTATING = 0.03
"""The same without a lateral acceleration: a car's rotation is not quite that of its path."""

UNPLACED = 0.04
"""The same without places: stations are known to some 3 to 10 m, and it is not quite the same rows that are compared."""

COARSEST = 0.8
"""Noise of the places [m] beyond which they alone tell nothing of grip."""

BEARERS = 3
"""Corners that have to agree for grip to count as seen; fewer show that there was at least so much."""

LAPS = 4
"""One lap in so many may be a lucky reading (of eight the third best counts): the greatest of noisy values is too great."""


def axle_use(track: Track, vehicle: AnyVehicle, lap: Lap, window: float) -> Array:
    """Force of each axle over the most that its tyres give, (2, M) front and rear [-], for the motion of a lap.

    Side forces by the balance of a car with two axles, m a_y = F_f + F_r and I r' = a F_f - b F_r (any textbook; Gillespie,
    Fundamentals of Vehicle Dynamics, 1992, ch. 6 [from memory]); along the car m a_x + drag, shared by the brake share when
    it slows and by the driveline when it does not; both averaged over ``window`` [s]. The most is that of the file's tyres
    under the loads that go with these accelerations, on the road's grip there. A friction-circle car has one use, twice.
    """
    long, lateral = calm(lap.t, lap.accel_long, window), calm(lap.t, lap.accel_lat, window)
    if isinstance(vehicle, FrictionCircle):
        air = 0.5 * vehicle.air_density * vehicle.drag_area * lap.speed**2
        forces = np.vstack([long + air / vehicle.mass, lateral]) / G
        n = np.nan_to_num(lap.n)
        there = circle_lap("driver", track, vehicle, lap.s, lap.t, np.vstack([n, 0.0 * n, lap.speed]), forces)
        return np.vstack([there.grip_use[:, 0]] * 2)
    chassis = vehicle.chassis
    yaw = calm(lap.t, lap.yaw_rate, window)
    wheel = np.nan_to_num(lap.steering_wheel) / vehicle.steering.ratio
    zero = np.zeros_like(lap.s)
    pedal = np.nan_to_num(lap.pedal)
    states = np.stack([np.nan_to_num(lap.n), zero, lap.speed, zero, yaw, wheel, pedal, long, lateral])
    there = car_lap("driver", track, vehicle, lap.s, lap.t, states, np.zeros((4, lap.s.size)))
    moment = chassis.yaw_inertia * np.gradient(yaw, lap.t)
    side_front = (chassis.cg_to_rear * chassis.mass * lateral + moment) / chassis.wheelbase
    side_rear = (chassis.cg_to_front * chassis.mass * lateral - moment) / chassis.wheelbase
    along = chassis.mass * long + drag(vehicle.aero, lap.speed)
    share = np.where(along < 0.0, vehicle.brakes.front_share, _driven_front(vehicle))
    peak_long, peak_side = there.grip_long, there.grip_lat
    front = np.hypot(share * along / peak_long[:, :2].sum(axis=1), side_front / peak_side[:, :2].sum(axis=1))
    rear = np.hypot(
        (1.0 - share) * along / peak_long[:, 2:].sum(axis=1), side_rear / peak_side[:, 2:].sum(axis=1)
    )
    return np.vstack([front, rear])


def _driven_front(vehicle: Vehicle) -> float:
    driveline = vehicle.driveline
    return float({"front": 1.0, "rear": 0.0, "all": driveline.front_torque_share}[driveline.driven])


def limiting_rows(target: Lap, reports: Sequence[CornerReport]) -> list[tuple[Rows | None, Rows | None]]:
    """For each corner the rows in which front and rear limit the reference; None where they are too few."""
    found = []
    for report in reports:
        if report.end >= report.start:
            corner = (target.s >= report.start) & (target.s <= report.end)
        else:
            corner = (target.s >= report.start) | (target.s <= report.end)
        rows = [
            np.flatnonzero(corner & ((target.limiting_axle == word) | (target.limiting_axle == "both")))
            for word in ("front", "rear")
        ]
        front, rear = (one if one.size >= LEAST_ROWS else None for one in rows)
        found.append((front, rear))
    return found


def grip_shown(
    track: Track,
    vehicle: AnyVehicle,
    laps: Sequence[DriverLap],
    target: Lap,
    reports: Sequence[CornerReport],
    margin: float,
) -> tuple[Shown, Shown, tuple[float, float]]:
    """Front and rear grip over the file's, and what the accelerometers read too much along and across [-].

    The same estimate is made of the reference, which is at the file's limit by construction, at the same rows and from the
    same channels; what it leaves out (slip angles, tyres of one axle that do not peak together) falls out of the ratio.

    Parameters
    ----------
    track, vehicle
        The road, and the car as its file has it.
    laps
        Whole laps that tell of the side forces.
    target, reports
        The reference with rows where the laps have theirs, and its corners.
    margin
        Share of the grip that the reference leaves unused.
    """
    rows = limiting_rows(target, reports)
    names = [report.name for report in reports]
    ratios, factors, alike = [], [], ALIKE
    for drive in laps:
        assert drive.lap is not None
        model = motion_of(target, track, drive.has)
        lap, read = levelled(motion_of(drive.lap, track, drive.has), model, track, drive.has)
        window = window_of(drive.has)
        ours, theirs = axle_use(track, vehicle, lap, window), axle_use(track, vehicle, model, window)
        ratios.append(_ratios(ours, theirs, rows))
        factors.append(read)
        alike = max(alike, tolerance(drive))
    shown = np.sort(np.stack(ratios), axis=0)[::-1][len(laps) // LAPS]
    along, across = np.median(np.array(factors), axis=0)
    floor = FLOOR if all("accel_lat" in drive.has for drive in laps) else BLIND
    word = ("front grip", "rear grip")
    if isinstance(vehicle, FrictionCircle):
        one = _grip("grip", names, shown[:, 0], alike, floor, margin)
        return one, unseen("one grip for all wheels"), (float(along), float(across))
    front, rear = (_grip(word[axle], names, shown[:, axle], alike, floor, margin) for axle in (0, 1))
    return front, rear, (float(along), float(across))


def tolerance(drive: DriverLap) -> float:
    """How far corners of a lap that is at the limit everywhere scatter, as a share, from the channels that tell of it."""
    found = ALIKE if "accel_lat" in drive.has else ROTATING
    if "line" not in drive.has:
        return max(found, UNPLACED)
    if drive.has & {"yaw_rate", "accel_lat"} or drive.noise is None or not np.isfinite(drive.noise.raw):
        return found
    return max(found, PLACES * drive.noise.raw)


def _ratios(ours: Array, theirs: Array, rows: Sequence[tuple[Rows | None, Rows | None]]) -> Array:
    """(corners, 2): greatest use in the rows of each axle over that of the reference; NaN where it limits nothing."""
    found = np.full((len(rows), 2), np.nan)
    for i, pair in enumerate(rows):
        for axle, here in enumerate(pair):
            if here is not None:
                there = here.astype(np.intp)
                found[i, axle] = np.quantile(ours[axle, there], TOP) / np.quantile(theirs[axle, there], TOP)
    return found


def _grip(word: str, names: Sequence[str], shown: Array, alike: float, floor: float, margin: float) -> Shown:
    """The grip of an axle from its ratios (corners,), NaN where it does not limit the reference."""
    here = np.flatnonzero(np.isfinite(shown))
    if not here.size:
        return unseen(f"nothing about the {word}: no corner of the reference is limited by it")
    values = (1.0 - margin) * shown[here]
    order = np.argsort(-values)
    # One corner alone may owe its figure to a kerb, a gust or a slope that the track file does not have.
    level = values[order[min(BEARERS, values.size) - 1]]
    near = np.abs(values / level - 1.0) <= alike
    count = int(np.sum(near))
    value = float(np.mean(values[near]))
    kind = "seen" if count >= BEARERS else "at least"
    spread = float(np.std(values[near], ddof=1)) if count > 1 else LONE
    error = max(spread, floor)
    where = tuple(names[int(here[k])] for k in order[near[order]])
    least = "at least " if kind == "at least" else ""
    words = f"{word} {least}{percent_words(value, error)}, most of it in {', '.join(where[:3])}"
    return Shown(value, error, kind, int(here.size), where, words)
