"""The balance of a car on its way into a corner: which axle and wheel holds it, what the other has left, how stable it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Array


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
        towards the corner positive, so that positive ``understeer`` is understeer
    understeer_entry, understeer_exit : mean over time from turn-in to the slowest point, and from there to the end [rad]
    growth, static_margin, yaw_stiffness : see ``stability.LateralMotion``
    turn_moment, hold_moment : yaw moment that the front axle could still add into the corner, and the rear axle against it
        [N m]
    nervous : the least stable point with the brake on; None where the brake is not used
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
