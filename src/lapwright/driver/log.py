"""A log as the rest of the house sees it: channels with our names, SI units and signs, each on its own times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import Fault

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Measure:
    """What a channel of a log measures.

    Attributes
    ----------
    name : ours
    unit : SI unit in which it is kept ("" for a share or a number)
    least, most : values in that unit beyond which it cannot be true for a car on a circuit
    meaning : for people
    """

    name: str
    unit: str
    least: float
    most: float
    meaning: str


MEASURES = {
    measure.name: measure
    for measure in (
        Measure("speed", "m/s", -5.0, 140.0, "speed over the ground"),
        Measure("x", "m", -1e7, 1e7, "place, east of some origin (or along the circuit file's own x)"),
        Measure("y", "m", -1e7, 1e7, "place, north of some origin (or along the circuit file's own y)"),
        Measure("distance", "m", -1e7, 1e7, "distance driven, in the lap or since the start of the log"),
        Measure("lap", "", -1.0, 1e5, "lap counter"),
        Measure("beacon", "", -1e9, 1e9, "changes when the car passes the line"),
        Measure("brake", "", -0.1, 1.1, "brake pedal, share of its travel or force; a switch is 0 or 1"),
        Measure("brake_pressure", "Pa", -2e6, 4e7, "brake line pressure, front"),
        Measure("throttle", "", -0.1, 1.1, "throttle pedal, share of its travel"),
        Measure("steering_wheel", "rad", -20.0, 20.0, "hand-wheel angle, left positive"),
        Measure("road_wheel", "rad", -1.2, 1.2, "steer angle of the road wheels, left positive"),
        Measure("accel_long", "m/s2", -60.0, 40.0, "acceleration forward, as felt"),
        Measure("accel_lat", "m/s2", -60.0, 60.0, "acceleration to the left, as felt"),
        Measure("yaw_rate", "rad/s", -5.0, 5.0, "yaw rate, left positive"),
        Measure("gear", "", -1.0, 12.0, "gear"),
        Measure("engine_speed", "rad/s", -1.0, 2500.0, "engine speed"),
    )
}
"""Everything that is made use of, by name."""


@dataclass(frozen=True, eq=False)
class Signal:
    """One channel.

    Attributes
    ----------
    t : (M,) strictly rising times [s], from the first of the log
    values : (M,) in the unit of its measure, none of them NaN
    row : (M,) rows of the log that they stand in, see ``Log.line``
    column : where they stand in the file, from 1; 0 in a file without columns
    title : what the file calls it
    switch : True for a pedal that is only on or off
    """

    t: Array
    values: Array
    row: NDArray[np.int64]
    column: int
    title: str
    switch: bool = False

    @property
    def rate(self) -> float:
        """Samples a second [Hz], by the median step; 0 for fewer than two."""
        return float(1.0 / np.median(np.diff(self.t))) if self.t.size > 1 else 0.0


@dataclass(frozen=True, eq=False)
class Log:
    """A log of one car, one or many laps.

    Attributes
    ----------
    file : as the user named it
    driver : name of the driver, or of the file when it does not say
    signals : by the name of their measure (``MEASURES``)
    geographic : True when ``x`` and ``y`` come from latitude and longitude: east and north of the first fix
    line : (rows,) line of the file of every row, from 1; empty for a file without lines
    notices : what was repaired or left out, for the user
    """

    file: str
    driver: str
    signals: Mapping[str, Signal]
    geographic: bool = False
    line: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    notices: tuple[Fault, ...] = ()

    def has(self, *names: str) -> bool:
        """Whether all of these channels are there."""
        return all(name in self.signals for name in names)

    def place(self, name: str, sample: int) -> tuple[int, int]:
        """Line and column of a sample of a channel, for a message; (0, 0) where there are none."""
        signal = self.signals[name]
        row = int(signal.row[sample])
        return (int(self.line[row]), signal.column) if row < self.line.size else (0, 0)

    def fault(self, message: str, name: str = "", sample: int = 0) -> Fault:
        """A fault that points to a sample of a channel, or to the file."""
        line, column = self.place(name, sample) if name else (0, 0)
        return Fault(message, (), self.file, line, column)
