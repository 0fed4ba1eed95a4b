"""The grip, the power and the drag that a car really showed: from how it was driven, as shares of what its file says.

Grip is told by the forces that an axle must have had for the car to move as it did, over the most that the file's tyres give
under the loads of that moment. The same estimate is made of the reference, which is at the file's limit by construction, and
the two are held against each other corner by corner: what the estimate leaves out (slip angles, tyres of one axle that do not
reach their peak together) falls out. A driver shows what he used. What he did not use nobody can know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lapwright.driver.lap_channels import as_logged
from lapwright.driver.pair import Pair
from lapwright.driver.session import DriverLap
from lapwright.lap.channels import car_lap, circle_lap
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.lap.lap import Array, Lap
from lapwright.quantities import G
from lapwright.track.track import Track
from lapwright.vehicle.driveline import wheel_forces
from lapwright.vehicle.loads import drag
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle, Vehicle

WINDOW = 0.3
"""Time over which forces are averaged [s]: the greatest of noisy samples would be too great."""

TOP = 0.9
"""Quantile of an axle's use in a corner that stands for the most it showed there."""

LEAST_ROWS = 6
"""Rows of a corner in which an axle must limit the reference to tell of its grip: as many metres."""

FLOOR = 0.01
"""Least standard error of a grip: the estimate itself is no better."""

ALIKE = 0.015
"""Corners within this of the third best, as a share, bear it out."""

BEARERS = 3
"""Corners that have to agree for grip to count as seen; fewer show that there was at least so much."""

FULL, STRAIGHT, ROLLING = 0.98, 3.0, 20.0
"""Throttle, lateral acceleration [m/s2] and speed [m/s] of the rows that tell of power and drag."""

ALONE = 1.5
"""Time between two rows that count as independent [s]."""

DRAG_SURE = 0.08
"""Standard error of the drag, as a share, above which only power is told."""

ASKED = 2.0
"""Standard errors by which the reference must ask for more than was shown to be said to do so."""


@dataclass(frozen=True)
class Shown:
    """One number of the car as the log shows it.

    Attributes
    ----------
    value : over that of the file [-]; NaN when it was not seen
    error : its standard error
    kind : "seen", "at least" or "not seen"
    count : corners, or independent rows, that it rests on
    where : names of the corners that showed most
    words : in a sentence
    """

    value: float
    error: float
    kind: str
    count: int
    where: tuple[str, ...]
    words: str

    def record(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "scale": _number(self.value, 4),
            "error": _number(self.error, 4),
            "kind": self.kind,
            "count": self.count,
            "where": list(self.where),
            "words": self.words,
        }


@dataclass(frozen=True)
class CarFit:
    """What a car showed: front and rear grip, power and drag over those of its file; ``words`` in one sentence.

    ``limited`` says of each corner, by name, whether front and rear limit the reference there.
    """

    front: Shown
    rear: Shown
    power: Shown
    drag: Shown
    words: str
    limited: dict[str, tuple[bool, bool]]

    def record(self) -> dict[str, Any]:
        """Plain values with units in the names of the keys."""
        return {
            "front_grip": self.front.record(),
            "rear_grip": self.rear.record(),
            "power": self.power.record(),
            "drag": self.drag.record(),
            "words": self.words,
        }


def _number(value: float, decimals: int) -> float | None:
    return round(float(value), decimals) if np.isfinite(value) else None


UNSEEN = Shown(float("nan"), float("nan"), "not seen", 0, (), "")


def fit_car(
    track: Track, vehicle: AnyVehicle, laps: Sequence[DriverLap], target: Lap, margin: float = 0.0
) -> CarFit:
    """What a car showed in the whole laps of a log.

    Parameters
    ----------
    track, vehicle
        The road, and the car as its file has it.
    laps
        Whole laps; the best of each corner counts.
    target
        The reference of that car with rows where the laps have theirs.
    margin
        Share of the grip that the reference leaves unused.
    """
    usable = [lap for lap in laps if lap.lap is not None]
    turning = [lap for lap in usable if {"line", "yaw_rate", "accel_lat"} & lap.has]
    reports = corner_reports(target, track)
    names = [report.name for report in reports]
    # The reference is told in the channels of the log, so that what these leave out falls out.
    model = as_logged(target, track, usable[0].has) if usable else target
    asked = _showing(track, vehicle, model, target, reports)
    if turning and reports:
        laps_shown = [
            _showing(track, vehicle, lap.lap, target, reports) for lap in turning if lap.lap is not None
        ]
        shown = np.max(np.stack(laps_shown), axis=0)
        front, rear = (_grip(axle, names, shown, asked, margin) for axle in (0, 1))
    else:
        words = "nothing about grip: neither places, nor yaw rate, nor lateral acceleration were logged"
        front = rear = replace(UNSEEN, words=words)
    power, air = _power(vehicle, usable, model)
    return CarFit(front, rear, power, air, _summary(front, rear, power, air), _wanted(names, asked))


# -- grip --------------------------------------------------------------------------------------------------------------


def _wanted(names: Sequence[str], asked: Array) -> dict[str, tuple[bool, bool]]:
    """Which axles limit the reference in each corner."""
    return {
        name: (bool(np.isfinite(a[0, 0])), bool(np.isfinite(a[1, 1])))
        for name, a in zip(names, asked, strict=True)
    }


def axle_use(track: Track, vehicle: AnyVehicle, lap: Lap) -> Array:
    """Force of each axle over the most that its tyres give, (2, M) front and rear [-], for the motion of a lap.

    Side forces by the balance of a car with two axles, m a_y = F_f + F_r and I r' = a F_f - b F_r (any textbook; Gillespie,
    Fundamentals of Vehicle Dynamics, 1992, ch. 6 [from memory]); along the car m a_x + drag, shared by the brake share when
    it slows and by the driveline when it does not; both from felt accelerations, averaged over ``WINDOW``. The most is that
    of the file's tyres under the loads that go with these accelerations, on the road's grip there.
    """
    long, lateral = _calm(lap, lap.accel_long), _calm(lap, lap.accel_lat)
    if isinstance(vehicle, FrictionCircle):
        air = 0.5 * vehicle.air_density * vehicle.drag_area * lap.speed**2
        forces = np.vstack([long + air / vehicle.mass, lateral]) / G
        n = np.nan_to_num(lap.n)
        there = circle_lap("driver", track, vehicle, lap.s, lap.t, np.vstack([n, 0.0 * n, lap.speed]), forces)
        return np.vstack([there.grip_use[:, 0]] * 2)
    chassis = vehicle.chassis
    yaw = _calm(lap, lap.yaw_rate)
    wheel = np.nan_to_num(lap.steering_wheel) / vehicle.steering.ratio
    zero = np.zeros_like(lap.s)
    states = np.stack([np.nan_to_num(lap.n), zero, lap.speed, zero, yaw, wheel, lap.pedal, long, lateral])
    there = car_lap("driver", track, vehicle, lap.s, lap.t, states, np.zeros((4, lap.s.size)))
    moment = chassis.yaw_inertia * np.gradient(yaw, lap.t)
    side_front = (chassis.cg_to_rear * chassis.mass * lateral + moment) / chassis.wheelbase
    side_rear = (chassis.cg_to_front * chassis.mass * lateral - moment) / chassis.wheelbase
    along = chassis.mass * long + drag(vehicle.aero, lap.speed)
    drive = {"front": 1.0, "rear": 0.0, "all": vehicle.driveline.front_torque_share}[vehicle.driveline.driven]
    share = np.where(along < 0.0, vehicle.brakes.front_share, drive)
    peak_long, peak_side = there.grip_long, there.grip_lat
    front = np.hypot(share * along / peak_long[:, :2].sum(axis=1), side_front / peak_side[:, :2].sum(axis=1))
    rear = np.hypot(
        (1.0 - share) * along / peak_long[:, 2:].sum(axis=1), side_rear / peak_side[:, 2:].sum(axis=1)
    )
    return np.vstack([front, rear])


def _calm(lap: Lap, values: Array) -> Array:
    """A channel averaged over ``WINDOW`` of time."""
    way = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(lap.t))])
    early = np.maximum(lap.t - 0.5 * WINDOW, lap.t[0])
    late = np.minimum(lap.t + 0.5 * WINDOW, lap.t[-1])
    return np.asarray((np.interp(late, lap.t, way) - np.interp(early, lap.t, way)) / (late - early))


def _showing(
    track: Track, vehicle: AnyVehicle, lap: Lap, target: Lap, reports: Sequence[CornerReport]
) -> Array:
    """(corners, 2, 2): by corner, axle that limits the reference, and axle: its greatest use; NaN where it limits nothing."""
    use = axle_use(track, vehicle, lap)
    found = np.full((len(reports), 2, 2), np.nan)
    for i, report in enumerate(reports):
        if report.end >= report.start:
            corner = (lap.s >= report.start) & (lap.s <= report.end)
        else:
            corner = (lap.s >= report.start) | (lap.s <= report.end)
        for axle, word in enumerate(("front", "rear")):
            rows = corner & ((target.limiting_axle == word) | (target.limiting_axle == "both"))
            if np.sum(rows) >= LEAST_ROWS:
                found[i, axle] = np.quantile(use[:, rows], TOP, axis=1)
    return found


def _grip(
    axle: int,
    names: Sequence[str],
    shown: Array,
    asked: Array,
    margin: float,
) -> Shown:
    """The grip of an axle from the corners in which it limits the reference.

    Parameters
    ----------
    axle
        0 front, 1 rear.
    names
        Of the corners.
    shown, asked
        (corners, 2, 2) of the best laps and of the reference.
    margin
        Of the reference.
    """
    word = ("front", "rear")[axle]
    here = np.flatnonzero(np.isfinite(asked[:, axle, axle]))
    if not here.size:
        return replace(
            UNSEEN, words=f"nothing about the grip of the {word} axle: it limits the reference nowhere"
        )
    values = (1.0 - margin) * shown[here, axle, axle] / asked[here, axle, axle]
    order = np.argsort(-values)
    # One corner alone may owe its figure to a kerb, a gust or a slope that the track file does not have.
    level = values[order[min(BEARERS, values.size) - 1]]
    near = np.abs(values / level - 1.0) <= ALIKE
    value = float(np.mean(values[near]))
    kind = "seen" if int(np.sum(near)) >= BEARERS else "at least"
    spread = float(np.std(values[near], ddof=1)) if int(np.sum(near)) > 1 else 0.02
    error = max(spread, FLOOR)
    order = order[near[order]]
    where = tuple(names[int(here[k])] for k in order)
    change = f"{100.0 * (value - 1.0):+.1f} % of the file's (+- {100.0 * error:.1f})"
    words = f"{word} grip {'at least ' if kind == 'at least' else ''}{change}, most of it in {', '.join(where[:3])}"
    return Shown(value, error, kind, int(here.size), where, words)


# -- power and drag ----------------------------------------------------------------------------------------------------


def _power(vehicle: AnyVehicle, laps: Sequence[DriverLap], target: Lap) -> tuple[Shown, Shown]:
    """Drive force and drag on straights at full throttle: m a_x = p F_drive(v) - d drag(v), by least squares.

    The reference is measured in the same way, and what it comes out by is taken off.
    """
    known = [lap.lap for lap in laps if lap.lap is not None and "throttle" in lap.has]
    if not known:
        words = "nothing about power and drag: no throttle was logged"
        return replace(UNSEEN, words=words), replace(UNSEEN, words=words)
    ours, theirs = _pull(vehicle, known), _pull(vehicle, [target])
    if ours is None or theirs is None:
        words = "nothing about power and drag: no straight at full throttle is long enough, or the car has no power limit"
        return replace(UNSEEN, words=words), replace(UNSEEN, words=words)
    (push, air), (push_error, air_error), count = ours
    if air_error > DRAG_SURE:
        alone, base = _pull(vehicle, known, False), _pull(vehicle, [target], False)
        assert alone is not None and base is not None
        value, error = alone[0][0] / base[0][0], alone[1][0]
        told = Shown(value, error, "seen", count, (), _told("power", value, error))
        return told, replace(
            UNSEEN, words="drag cannot be told from power: too few different speeds at full throttle"
        )
    power, drag_scale = push / theirs[0][0], air / theirs[0][1]
    return (
        Shown(power, push_error, "seen", count, (), _told("power", power, push_error)),
        Shown(drag_scale, air_error, "seen", count, (), _told("drag", drag_scale, air_error)),
    )


def _told(word: str, value: float, error: float) -> str:
    return f"{word} {100.0 * (value - 1.0):+.1f} % of the file's (+- {100.0 * error:.1f})"


def _pull(
    vehicle: AnyVehicle, laps: Sequence[Lap], with_drag: bool = True
) -> tuple[Array, Array, int] | None:
    """Scales of drive force and drag, their standard errors, and how many independent rows they rest on."""
    pulls, airs, needs, independent = [], [], [], 0.0
    for lap in laps:
        long = _calm(lap, lap.accel_long)
        throttle = lap.throttle
        rows = (throttle >= FULL) & (np.nan_to_num(lap.brake) < 0.01) & (lap.speed > ROLLING)
        rows &= np.abs(lap.accel_lat) < STRAIGHT
        # The foot must have been down for as long as forces are averaged.
        lifted = np.interp(lap.t - WINDOW, lap.t, throttle) < FULL
        rows &= ~lifted
        if not np.any(rows):
            continue
        speed = lap.speed[rows]
        mass, force, air = _forces(vehicle, speed)
        if force is None:
            return None
        pulls.append(force)
        airs.append(air)
        needs.append(mass * long[rows])
        independent += float(np.sum(np.gradient(lap.t)[rows])) / ALONE
    if not pulls or independent < 6.0:
        return None
    pull, air, need = (np.concatenate(part) for part in (pulls, airs, needs))
    design = np.column_stack([pull, -air]) if with_drag else pull[:, None]
    wanted = need if with_drag else need + air
    answer = np.asarray(np.linalg.lstsq(design, wanted, rcond=None)[0], dtype=np.float64)
    left = wanted - design @ answer
    variance = float(np.mean(left**2))
    covariance = np.linalg.inv(design.T @ design / len(left)) * variance / max(independent - answer.size, 1.0)
    return answer, np.asarray(np.sqrt(np.diag(covariance))), round(independent)


def _forces(vehicle: AnyVehicle, speed: Array) -> tuple[float, Array | None, Array]:
    """Mass, drive force at full throttle and drag at speeds; no force for a car without a power limit."""
    if isinstance(vehicle, FrictionCircle):
        air = 0.5 * vehicle.air_density * vehicle.drag_area * speed**2
        return vehicle.mass, None if vehicle.power is None else vehicle.power / speed, air
    return (
        vehicle.chassis.mass,
        wheel_forces(vehicle.driveline, speed)[0],
        np.asarray(drag(vehicle.aero, speed)),
    )


def _summary(front: Shown, rear: Shown, power: Shown, air: Shown) -> str:
    told = [one.words for one in (front, rear, power, air) if one.kind != "not seen"]
    if not told:
        return "The log shows nothing of the car's grip and power."
    return "The car showed: " + "; ".join(told) + "."


# -- what the reference asks -------------------------------------------------------------------------------------------


def asks_more(fit: CarFit, pairs: Sequence[Pair]) -> list[dict[str, Any]]:
    """Corners in which the reference uses more grip than the car ever showed, as plain values.

    Parameters
    ----------
    fit
        From ``fit_car``.
    pairs
        The corners of the lap that is compared.
    """
    found = []
    for axle, shown, word in ((0, fit.front, "front"), (1, fit.rear, "rear")):
        share = 1.0 - shown.value
        if shown.kind == "not seen" or share <= ASKED * shown.error:
            continue
        for pair in pairs:
            if fit.limited[pair.name][axle]:
                words = f"{pair.name}: the reference asks for {100.0 * share:.1f} % more {word} grip than was ever seen"
                found.append(
                    {
                        "corner": pair.name,
                        "from_m": round(float(pair.theirs.start), 1),
                        "to_m": round(float(pair.theirs.end), 1),
                        "axle": word,
                        "more_percent": round(100.0 * share, 1),
                        "words": words,
                    }
                )
    return found


def fitted_vehicle(vehicle: Vehicle, fit: CarFit) -> Vehicle:
    """A car with what it showed in place of what its file says; what was not seen stays."""

    def scaled(old: float, shown: Shown) -> float:
        return old * shown.value if shown.kind != "not seen" else old

    tyres, line = vehicle.tyres, vehicle.driveline
    power = fit.power.value if fit.power.kind != "not seen" else 1.0
    return replace(
        vehicle,
        tyres=replace(
            tyres,
            front=replace(tyres.front, grip_scale=scaled(tyres.front.grip_scale, fit.front)),
            rear=replace(tyres.rear, grip_scale=scaled(tyres.rear.grip_scale, fit.rear)),
        ),
        driveline=replace(
            line,
            power=None if line.power is None else line.power * power,
            engine_torque=tuple(torque * power for torque in line.engine_torque),
        ),
        aero=replace(vehicle.aero, drag_area=scaled(vehicle.aero.drag_area, fit.drag)),
    )
