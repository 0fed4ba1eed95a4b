"""The numbers of a car that an engineer sets or asks about, with the step that one would try."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from lapwright.errors import InputError
from lapwright.vehicle.parameters import Vehicle


@dataclass(frozen=True)
class SetupNumber:
    """One number of a car.

    Attributes
    ----------
    key : as in the vehicle file, with groups: "brakes.front_share"; items of lists are counted from 1
    field : the same in ``Vehicle``; items of lists are counted from 0
    unit, si : unit of the file and what one of it is in SI
    step : what an engineer would try, in the unit of the file (common practice)
    reach : how far from the car's own value a search may go when nobody says, in the unit of the file
    low, high : what the vehicle file allows; the lowest is not allowed itself where ``above``, the highest where ``below``
    words : what it is, in a few words
    factor : True for a whole table, whose value is a factor that is 1 for the car as it is
    """

    key: str
    field: str
    unit: str
    si: float
    step: float
    reach: float
    low: float
    high: float
    words: str
    factor: bool = False
    above: bool = False
    below: bool = False

    def value(self, vehicle: Vehicle) -> float:
        """The car's value, in the unit of the file."""
        return 1.0 if self.factor else float(_get(vehicle, self.field)) / self.si

    def allows(self, value: float) -> bool:
        """Whether a vehicle file may have a value, given in its unit."""
        inside = self.low < value if self.above else self.low <= value
        return inside and (value < self.high if self.below else value <= self.high)

    @property
    def allowed(self) -> str:
        """What a vehicle file may have, in words."""
        return f"{'above ' * self.above}{self.low:g} to {'below ' * self.below}{self.high:g}"

    def changed(self, vehicle: Vehicle, value: float) -> Vehicle:
        """The car with another value, in the unit of the file."""
        if self.factor:
            table = tuple(value * v for v in _get(vehicle, self.field))
            return _put(vehicle, self.field.split("."), table)
        return _put(vehicle, self.field.split("."), value * self.si)


def _get(thing: Any, field: str) -> Any:
    for name in field.split("."):
        thing = thing[int(name)] if name.isdigit() else getattr(thing, name)
    return thing


def _put(thing: Any, path: Sequence[str], value: Any) -> Any:
    if not path:
        return value
    name, rest = path[0], path[1:]
    if name.isdigit():
        i = int(name)
        return (*thing[:i], _put(thing[i], rest, value), *thing[i + 1 :])
    return replace(thing, **{name: _put(getattr(thing, name), rest, value)})


DEG, RPM, BAR = 0.017453292519943295, 0.10471975511965977, 1e5


def _n(
    key: str,
    field: str,
    unit: str,
    si: float,
    step: float,
    reach: float,
    low: float,
    high: float,
    words: str,
    factor: bool = False,
    above: bool = False,
    below: bool = False,
) -> SetupNumber:
    group = key.rsplit(".", 1)[0]
    return SetupNumber(key, f"{group}.{field}", unit, si, step, reach, low, high, words, factor, above, below)


def _tyre(axle: str) -> tuple[SetupNumber, ...]:
    group = f"tyres.{axle}"
    return (
        _n(f"{group}.grip_scale", "grip_scale", "", 1.0, 0.01, 0.05, 0.05, 3.0, f"grip of the {axle} tyres"),
        _n(f"{group}.peak_mu_long", "peak_mu_long", "", 1.0, 0.01, 0.05, 0.02, 6.0, f"{axle} grip, braking and driving"),
        _n(f"{group}.peak_mu_lat", "peak_mu_lat", "", 1.0, 0.01, 0.05, 0.02, 6.0, f"{axle} grip, cornering"),
        _n(
            f"{group}.load_sensitivity_per_kN", "load_sensitivity", "1/kN", 1e-3, 0.005, 0.02, 0.0, 2.0,
            f"fall of {axle} grip with load",
        ),
        _n(
            f"{group}.peak_slip_angle_deg", "peak_slip_angle", "deg", DEG, 0.25, 1.0, 1.0, 30.0,
            f"slip angle at the peak, {axle}",
        ),
        _n(f"{group}.peak_slip_ratio", "peak_slip_ratio", "", 1.0, 0.005, 0.02, 0.01, 0.6, f"slip ratio at the peak, {axle}"),
        _n(
            f"{group}.sliding_grip_ratio", "sliding_grip_ratio", "", 1.0, 0.02, 0.05, 0.0, 0.99,
            f"{axle} grip left when sliding",
        ),
    )  # fmt: skip


NUMBERS: tuple[SetupNumber, ...] = (
    # Key, field, unit, SI, step, reach, what the file allows, words.
    _n("brakes.front_share", "front_share", "", 1.0, 0.01, 0.10, 0.0, 1.0, "brake share to the front"),
    _n("brakes.peak_pressure_bar", "peak_pressure", "bar", BAR, 2.0, 15.0, 1.0, 500.0, "brake pressure at full pedal"),
    _n("brakes.force_per_bar_N", "force_per_pressure", "N/bar", 1e-5, 5.0, 50.0, 1.0, 2e4, "brake force for each bar"),
    _n(
        "chassis.roll_stiffness_front_share", "roll_stiffness_front_share", "", 1.0, 0.01, 0.15, 0.0, 1.0,
        "roll stiffness to the front",
    ),
    _n("chassis.roll_centre_front_m", "roll_centre_front", "m", 1.0, 0.01, 0.05, -1.0, 2.0, "front roll centre height"),
    _n("chassis.roll_centre_rear_m", "roll_centre_rear", "m", 1.0, 0.01, 0.05, -1.0, 2.0, "rear roll centre height"),
    _n("chassis.cg_height_m", "cg_height", "m", 1.0, 0.01, 0.03, 0.0, 3.0, "height of the centre of gravity"),
    _n(
        "chassis.front_mass_share", "front_mass_share", "", 1.0, 0.005, 0.03, 0.0, 1.0, "weight to the front",
        above=True, below=True,
    ),
    _n("chassis.mass_kg", "mass", "kg", 1.0, 10.0, 50.0, 20.0, 4e4, "mass"),
    _n("chassis.yaw_inertia_kgm2", "yaw_inertia", "kg m2", 1.0, 50.0, 200.0, 0.0, 1e6, "yaw inertia", above=True),
    _n("chassis.wheelbase_m", "wheelbase", "m", 1.0, 0.01, 0.05, 0.5, 12.0, "wheelbase"),
    _n("chassis.track_front_m", "track_front", "m", 1.0, 0.01, 0.03, 0.3, 4.0, "front track"),
    _n("chassis.track_rear_m", "track_rear", "m", 1.0, 0.01, 0.03, 0.3, 4.0, "rear track"),
    _n("chassis.load_transfer_time_s", "load_transfer_time", "s", 1.0, 0.01, 0.05, 0.005, 2.0, "lag of the load transfer"),
    _n("chassis.width_m", "width", "m", 1.0, 0.01, 0.05, 0.3, 4.0, "width that must stay on the road"),
    _n("aero.downforce_area_m2", "downforce_area", "m2", 1.0, 0.05, 0.3, -2.0, 30.0, "downforce at the same drag"),
    _n("aero.drag_area_m2", "drag_area", "m2", 1.0, 0.02, 0.1, 0.0, 20.0, "drag"),
    _n("aero.downforce_front_share", "downforce_front_share", "", 1.0, 0.01, 0.10, 0.0, 1.0, "downforce to the front"),
    _n("aero.air_density_kgm3", "air_density", "kg/m3", 1.0, 0.01, 0.1, 0.3, 2.0, "air density"),
    *_tyre("front"),
    *_tyre("rear"),
    _n("driveline.power_kW", "power", "kW", 1e3, 2.0, 10.0, 0.1, 5000.0, "engine power"),
    _n("driveline.engine_torque_Nm", "engine_torque", "", 1.0, 0.01, 0.05, 0.2, 5.0, "engine torque, whole table", True),
    _n("driveline.final_drive", "final_drive", "", 1.0, 0.05, 0.4, 0.2, 30.0, "final drive"),
    _n("driveline.shift_rpm", "shift_speed", "rpm", RPM, 100.0, 400.0, 100.0, 4e4, "engine speed of the upshift"),
    _n("driveline.efficiency", "efficiency", "", 1.0, 0.005, 0.02, 0.2, 1.0, "efficiency of the driveline"),
    _n("driveline.front_torque_share", "front_torque_share", "", 1.0, 0.02, 0.2, 0.0, 1.0, "drive torque to the front"),
    _n("driveline.overrun_torque_Nm", "overrun_torque", "N m", 1.0, 5.0, 20.0, 0.0, 5000.0, "engine braking"),
    _n("driveline.wheel_radius_m", "wheel_radius", "m", 1.0, 0.002, 0.01, 0.05, 1.2, "rolling radius"),
    _n("driveline.wheel_inertia_kgm2", "wheel_inertia", "kg m2", 1.0, 0.1, 0.3, 0.0, 100.0, "inertia of a wheel", above=True),
    _n("driveline.differential.preload_Nm", "preload", "N m", 1.0, 10.0, 60.0, 0.0, 5000.0, "differential preload"),
    _n("driveline.differential.ramp_drive", "ramp_drive", "", 1.0, 0.05, 0.2, 0.0, 1.0, "differential locking on drive"),
    _n(
        "driveline.differential.ramp_overrun", "ramp_overrun", "", 1.0, 0.05, 0.2, 0.0, 1.0,
        "differential locking on overrun",
    ),
    _n(
        "driveline.differential.viscosity_Nms_per_rad", "viscosity", "N m s/rad", 1.0, 10.0, 50.0, 0.0, 1e5,
        "viscous locking",
    ),
    _n("steering.ratio", "ratio", "", 1.0, 0.5, 3.0, 1.0, 60.0, "steering ratio"),
    _n("steering.max_wheel_deg", "max_wheel", "deg", DEG, 10.0, 60.0, 10.0, 2000.0, "travel of the hand wheel"),
    _n("driver.max_wheel_rate_dps", "max_wheel_rate", "deg/s", DEG, 50.0, 200.0, 10.0, 5000.0, "speed of the hands"),
    _n("driver.brake_rise_s", "brake_rise", "s", 1.0, 0.02, 0.1, 0.01, 10.0, "brake pedal, on"),
    _n("driver.brake_release_s", "brake_release", "s", 1.0, 0.02, 0.1, 0.01, 10.0, "brake pedal, off"),
    _n("driver.throttle_rise_s", "throttle_rise", "s", 1.0, 0.02, 0.1, 0.01, 10.0, "throttle, on"),
    _n("driver.throttle_release_s", "throttle_release", "s", 1.0, 0.02, 0.1, 0.01, 10.0, "throttle, off"),
)  # fmt: skip
"""The numbers of the vehicle file that may be asked about; gear ratios come besides, see ``numbers_of``."""


def numbers_of(vehicle: Vehicle) -> tuple[SetupNumber, ...]:
    """The numbers that this car has: no power for a car with a torque table, no preload for an open differential."""
    line, kind = vehicle.driveline, vehicle.driveline.differential.type
    missing = {
        "driveline.power_kW": line.power is None,
        "driveline.engine_torque_Nm": not line.gear_ratios,
        "driveline.final_drive": not line.gear_ratios,
        "driveline.shift_rpm": not line.gear_ratios,
        "driveline.front_torque_share": line.driven != "all",
        "driveline.differential.preload_Nm": kind != "preload",
        "driveline.differential.ramp_drive": kind != "preload",
        "driveline.differential.ramp_overrun": kind != "preload",
        "driveline.differential.viscosity_Nms_per_rad": kind != "viscous",
    }
    found = [number for number in NUMBERS if not missing.get(number.key, False)]
    for i in range(len(line.gear_ratios)):
        found.append(
            _n(
                f"driveline.gear_ratios.{i + 1}", f"{i}", "", 1.0, 0.02, 0.1, 0.1, 30.0, f"ratio of gear {i + 1}"
            )
        )  # fmt: skip
    return tuple(found)


def number_called(vehicle: Vehicle, key: str) -> SetupNumber:
    """The number of a car by its key.

    Raises
    ------
    InputError
        For a key that the car does not have, with the nearest that it has.
    """
    import difflib

    known = {number.key: number for number in numbers_of(vehicle)}
    if key in known:
        return known[key]
    near = difflib.get_close_matches(key, known, n=3, cutoff=0.5)
    hint = f"; did you mean {' or '.join(near)}?" if near else f" (known: {', '.join(known)})"
    raise InputError(f"{vehicle.name} has no setup number {key}{hint}")
