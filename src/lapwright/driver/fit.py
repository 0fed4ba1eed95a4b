"""The grip, the power and the drag that a car really showed: from how it was driven, as shares of what its file says.

Grip is told by the forces that an axle must have had for the car to move as it did (``shown_grip``), power by how it gathered
speed on straights (``shown_power``). Both estimates are made of the reference too, and the two are held against each other.
A driver shows what he used. What he did not use nobody can know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lapwright.driver.felt import TILTED
from lapwright.driver.pair import Pair
from lapwright.driver.session import DriverLap
from lapwright.driver.shown import Shown, unseen
from lapwright.driver.shown_grip import COARSEST, grip_shown, limiting_rows
from lapwright.driver.shown_power import power_shown
from lapwright.lap.corners import corner_reports
from lapwright.lap.lap import Lap
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

ASKED = 2.0
"""Standard errors by which the reference must ask for more than was shown to be said to do so."""


@dataclass(frozen=True)
class CarFit:
    """What a car showed: front and rear grip, power and drag over those of its file; ``words`` in one sentence.

    ``limited`` says of each corner, by name, whether front and rear limit the reference there. A friction-circle car has its
    one grip in ``front``, and ``circle`` says so.
    """

    front: Shown
    rear: Shown
    power: Shown
    drag: Shown
    words: str
    limited: dict[str, tuple[bool, bool]]
    circle: bool = False

    @property
    def differs(self) -> bool:
        """Whether something was seen that is not what the file says."""
        shown = (self.front, self.rear, self.power, self.drag)
        return any(one.seen and abs(one.value - 1.0) > ASKED * one.error for one in shown)

    def record(self) -> dict[str, Any]:
        """Plain values with units in the names of the keys."""
        return {
            "front_grip": self.front.record(),
            "rear_grip": self.rear.record(),
            "power": self.power.record(),
            "drag": self.drag.record(),
            "words": self.words,
        }


def fit_car(
    track: Track, vehicle: AnyVehicle, laps: Sequence[DriverLap], target: Lap, margin: float = 0.0
) -> CarFit:
    """What a car showed in the whole laps of a log.

    Parameters
    ----------
    track, vehicle
        The road, and the car as its file has it.
    laps
        Whole laps; of each corner the best counts, or the second best of four and more.
    target
        The reference of that car with rows where the laps have theirs.
    margin
        Share of the grip that the reference leaves unused.
    """
    usable = [drive for drive in laps if drive.lap is not None]
    turning = [drive for drive in usable if {"line", "yaw_rate", "accel_lat"} & drive.has]
    fine = [drive for drive in turning if not _coarse(drive)]
    reports = corner_reports(target, track)
    read = (1.0, 1.0)
    if fine and reports:
        front, rear, read = grip_shown(track, vehicle, fine, target, reports, margin)
    else:
        words = "nothing about grip: neither places, nor yaw rate, nor lateral acceleration were logged"
        if turning:
            words = (
                f"nothing about grip: places alone tell of it, and their noise is more than {COARSEST:g} m"
            )
        front = rear = unseen(words)
    power, air = power_shown(track, vehicle, usable, target)
    limited = {
        report.name: (rows[0] is not None, rows[1] is not None)
        for report, rows in zip(reports, limiting_rows(target, reports), strict=True)
    }
    return CarFit(
        front,
        rear,
        power,
        air,
        _summary(front, rear, power, air, read),
        limited,
        isinstance(vehicle, FrictionCircle),
    )


def _coarse(drive: DriverLap) -> bool:
    """Whether places alone tell how a car turned, and are too noisy to."""
    noise = drive.noise
    return not drive.has & {"yaw_rate", "accel_lat"} and noise is not None and noise.raw > COARSEST


def _summary(front: Shown, rear: Shown, power: Shown, air: Shown, read: tuple[float, float]) -> str:
    told = [one.words for one in (front, rear, power, air) if one.seen]
    if not told:
        return "The log shows nothing of the car's grip and power."
    words = "The car showed: " + "; ".join(told) + "."
    tilted = [
        f"{100.0 * (factor - 1.0):+.1f} % {way}"
        for factor, way in zip(read, ("along the car", "across it"), strict=True)
        if abs(factor - 1.0) >= TILTED
    ]
    if tilted:
        words += f" The accelerometer read {' and '.join(tilted)} beside the car's motion, and was set right."
    return words


# -- what the reference asks -------------------------------------------------------------------------------------------


def asks_more(fit: CarFit, pairs: Sequence[Pair]) -> list[dict[str, Any]]:
    """Where the reference uses more grip or power than the car ever showed, as plain values.

    Parameters
    ----------
    fit
        From ``fit_car``.
    pairs
        The corners of the lap that is compared.
    """
    found = []
    for axle, shown, word in ((0, fit.front, "front grip"), (1, fit.rear, "rear grip")):
        if _less(shown):
            share = 100.0 * (1.0 - shown.value)
            grip = "grip" if fit.circle else word
            found += [
                _asked(pair, pair.theirs.start, pair.theirs.end, grip, share)
                for pair in pairs
                if fit.limited[pair.name][axle]
            ]
    if _less(fit.power):
        share = 100.0 * (1.0 - fit.power.value)
        for pair in pairs:
            full = pair.theirs.full_throttle_past_slowest
            if full is not None and np.isfinite(full):
                start = pair.theirs.slowest_at + full
                start = start % pair.length if pair.length else start
                found.append(_asked(pair, start, _next(pair, pairs), "power", share))
    return found


def _less(shown: Shown) -> bool:
    """Whether a car showed clearly less than its file has."""
    return shown.seen and 1.0 - shown.value > ASKED * shown.error


def _next(pair: Pair, pairs: Sequence[Pair]) -> float:
    """Start of the corner after this one, or where the road ends."""
    place = [one.name for one in pairs].index(pair.name) + 1
    if place < len(pairs):
        return pairs[place].theirs.start
    return pairs[0].theirs.start if pair.length else pair.track.length


def _asked(pair: Pair, start: float, end: float, what: str, share: float) -> dict[str, Any]:
    where = " on the way out" if what == "power" else ""
    return {
        "corner": pair.name,
        "from_m": round(float(start), 1),
        "to_m": round(float(end), 1),
        "of": what,
        "more_percent": round(share, 1),
        "words": f"the reference asks for {share:.1f} % more {what} than was ever seen{where}",
    }


def fitted_vehicle(vehicle: AnyVehicle, fit: CarFit) -> AnyVehicle:
    """A car with what it showed in place of what its file says; what was not seen stays."""

    def scaled(old: float, shown: Shown) -> float:
        return old * shown.value if shown.seen else old

    if isinstance(vehicle, FrictionCircle):
        return replace(
            vehicle,
            grip=scaled(vehicle.grip, fit.front),
            power=None if vehicle.power is None else scaled(vehicle.power, fit.power),
            drag_area=scaled(vehicle.drag_area, fit.drag),
        )
    tyres, line = vehicle.tyres, vehicle.driveline
    return replace(
        vehicle,
        tyres=replace(
            tyres,
            front=replace(tyres.front, grip_scale=scaled(tyres.front.grip_scale, fit.front)),
            rear=replace(tyres.rear, grip_scale=scaled(tyres.rear.grip_scale, fit.rear)),
        ),
        driveline=replace(
            line,
            power=None if line.power is None else scaled(line.power, fit.power),
            engine_torque=tuple(scaled(torque, fit.power) for torque in line.engine_torque),
        ),
        aero=replace(vehicle.aero, drag_area=scaled(vehicle.aero.drag_area, fit.drag)),
    )
