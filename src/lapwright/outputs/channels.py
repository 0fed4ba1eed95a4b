"""The channels of a trace file: name, unit, meaning, decimals and where the value comes from, in one table.

The columns of ``target.csv`` and ``baseline.csv`` and the channel part of docs/nomenclature.md both follow
it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from lapwright.lap.lap import WHEELS, Lap
from lapwright.quantities import DEG, KMH, RPM, G

BAR = 1e5
"""Pascals in one bar."""


@dataclass(frozen=True)
class Channel:
    """One column of a trace file.

    ``value`` gives the column of a lap, (M,), in the unit of the file; ``decimals`` is None for a word.
    """

    name: str
    unit: str
    doc: str
    decimals: int | None
    value: Callable[[Lap], NDArray[Any]]


def _wheel(field: str, k: int) -> Callable[[Lap], NDArray[Any]]:
    def value(lap: Lap) -> NDArray[Any]:
        column: NDArray[Any] = getattr(lap, field)[:, k]
        return column

    return value


_WORDS = dict(zip(WHEELS, ("front left", "front right", "rear left", "rear right"), strict=True))

CHANNELS: tuple[Channel, ...] = (
    Channel("distance_m", "m", "distance along the centreline, in plan", 3, lambda lap: lap.s),
    Channel("time_s", "s", "time since the first row", 4, lambda lap: lap.t - lap.t[0]),
    Channel("x_m", "m", "position, axes of the track file", 3, lambda lap: lap.x),
    Channel("y_m", "m", "position, axes of the track file", 3, lambda lap: lap.y),
    Channel("z_m", "m", "height", 3, lambda lap: lap.z),
    Channel("lateral_offset_m", "m", "offset from the centreline, left positive", 3, lambda lap: lap.n),
    Channel(
        "curvature_1pm", "1/m", "curvature of the driven line, left positive", 6, lambda lap: lap.curvature
    ),
    Channel("speed_mps", "m/s", "speed", 3, lambda lap: lap.speed),
    Channel("speed_kmh", "km/h", "speed", 2, lambda lap: lap.speed * KMH),
    Channel("brake", "0 to 1", "brake, share of peak pressure", 5, lambda lap: lap.brake),
    Channel("brake_pressure_bar", "bar", "brake line pressure", 2, lambda lap: lap.brake_pressure / BAR),
    Channel("throttle", "0 to 1", "throttle, share of full", 5, lambda lap: lap.throttle),
    Channel(
        "steering_wheel_deg",
        "deg",
        "hand-wheel angle, left positive",
        3,
        lambda lap: lap.steering_wheel / DEG,
    ),
    Channel("gear", "", "gear number, 0 for a car without gears", 0, lambda lap: lap.gear),
    Channel(
        "engine_rpm",
        "1/min",
        "engine speed, 0 for a car without gears",
        0,
        lambda lap: lap.engine_speed / RPM,
    ),
    Channel(
        "accel_long_g",
        "g",
        "longitudinal specific force, forward positive, as an accelerometer in the road plane feels it",
        4,
        lambda lap: lap.accel_long / G,
    ),
    Channel(
        "accel_lat_g",
        "g",
        "lateral specific force, left positive, as an accelerometer in the road plane feels it",
        4,
        lambda lap: lap.accel_lat / G,
    ),
    Channel("yaw_rate_dps", "deg/s", "yaw rate, left positive", 3, lambda lap: lap.yaw_rate / DEG),
    Channel(
        "sideslip_deg",
        "deg",
        "angle from the car's axis to its path, positive when it slides to the left",
        4,
        lambda lap: lap.sideslip / DEG,
    ),
    Channel(
        "slip_angle_front_deg",
        "deg",
        "front slip angle, mean of the axle, positive when the tyre pushes to the left",
        4,
        lambda lap: lap.slip_angle_front / DEG,
    ),
    Channel(
        "slip_angle_rear_deg",
        "deg",
        "rear slip angle, mean of the axle, positive when the tyre pushes to the left",
        4,
        lambda lap: lap.slip_angle_rear / DEG,
    ),
    *(
        Channel(f"load_{wheel}_N", "N", f"load of the {_WORDS[wheel]} wheel", 1, _wheel("load", k))
        for k, wheel in enumerate(WHEELS)
    ),
    *(
        Channel(
            f"grip_use_{wheel}",
            "0 to 1",
            f"share of the peak grip of the {_WORDS[wheel]} tyre in use",
            4,
            _wheel("grip_use", k),
        )
        for k, wheel in enumerate(WHEELS)
    ),
    Channel(
        "grip_use_front",
        "0 to 1",
        "share of the front axle's peak grip in use",
        4,
        lambda lap: lap.grip_use_front,
    ),
    Channel(
        "grip_use_rear",
        "0 to 1",
        "share of the rear axle's peak grip in use",
        4,
        lambda lap: lap.grip_use_rear,
    ),
    Channel(
        "limiting_axle",
        "word",
        "axle at its grip limit: front, rear, both or none",
        None,
        lambda lap: lap.limiting_axle,
    ),
)

COLUMNS: tuple[str, ...] = tuple(channel.name for channel in CHANNELS)
