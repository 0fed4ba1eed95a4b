"""The grip, the power and the drag that a car really showed: from how it was driven, as shares of what its file says.

Grip is told by the forces that an axle must have had for the car to move as it did (``shown_grip``), power by how it gathered
speed on straights (``shown_power``). Both estimates are made of the reference too, and the two are held against each other.
A driver shows what he used. What he did not use nobody can know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from lapwright.driver.felt import TILTED
from lapwright.driver.pair import Pair
from lapwright.driver.session import DriverLap
from lapwright.driver.shown import Shown, unseen
from lapwright.driver.shown_grip import COARSEST, grip_shown, limiting_rows
from lapwright.driver.shown_power import power_shown
from lapwright.lap.corners import corner_reports
from lapwright.lap.lap import Lap
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, Vehicle

ASKED = 2.0
"""Standard errors by which the reference must ask for more than was shown to be said to do so."""


@dataclass(frozen=True)
class CarFit:
    """What a car showed: front and rear grip, power and drag over those of its file; ``words`` in one sentence.

    ``limited`` says of each corner, by name, whether front and rear limit the reference there. A friction-circle car has its
    one grip in ``front``.
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
    return CarFit(front, rear, power, air, _summary(front, rear, power, air, read), limited)


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
        if not shown.seen or share <= ASKED * shown.error:
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
        return old * shown.value if shown.seen else old

    tyres, line = vehicle.tyres, vehicle.driveline
    power = fit.power.value if fit.power.seen else 1.0
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
