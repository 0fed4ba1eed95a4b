"""What invented sensors make of a drive: each at its own rate, each with its own error.

The sizes are common practice for loggers of this kind: a wheel-speed signal that has been through a filter, a satellite
receiver of a few metres with its error wandering slowly, a pressure sensor, a potentiometer at the throttle, another at the
steering column, and accelerometers that feel the vibration of the car.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from scipy.interpolate import CubicSpline

from lapwright.lap.lap import Array, Lap
from lapwright.quantities import DEG, G


@dataclass(frozen=True)
class Errors:
    """One standard deviation of the error of each signal, SI units.

    ``place`` is white [m], ``wander`` a slow drift [m] that forgets itself in ``wander_time`` [s]; ``pressure`` [Pa];
    ``wheel`` of the hand wheel [rad]; ``accel`` [m/s2]; ``yaw_rate`` [rad/s]; ``engine`` [rad/s].
    """

    speed: float = 0.05
    place: float = 0.3
    wander: float = 0.7
    wander_time: float = 40.0
    pressure: float = 0.15e5
    throttle: float = 0.003
    wheel: float = 0.3 * DEG
    accel: float = 0.02 * G
    yaw_rate: float = 0.2 * DEG
    engine: float = 1.5


NONE = Errors(**{item.name: 0.0 for item in fields(Errors) if item.name != "wander_time"})
"""Sensors that tell the truth."""


@dataclass(frozen=True, eq=False)
class Sensed:
    """A drive as sensors saw it, at times ``t`` (M,) [s] from the start of the log.

    Channels are (M,), SI units, left positive, in the order of the sensors; ``x``, ``y`` in the circuit file's axes;
    ``laps`` counts the line crossings; ``crossings`` are their times [s].
    """

    t: Array
    speed: Array
    x: Array
    y: Array
    distance: Array
    laps: Array
    pressure: Array
    throttle: Array
    wheel: Array
    accel_long: Array
    accel_lat: Array
    yaw_rate: Array
    gear: Array
    engine_speed: Array
    crossings: tuple[float, ...]


def sense(traces: Sequence[Lap], rate: float, errors: Errors, seed: int, last: bool = False) -> Sensed:
    """Read a drive.

    Parameters
    ----------
    traces
        Pieces in driving order, times running on; a piece that begins at the line begins a lap.
    rate
        Samples a second [Hz].
    errors
        Of the sensors.
    seed
        Of the random numbers.
    last
        Whether the last moment is read too, when it lies between two samples.
    """
    random = np.random.default_rng(seed)
    begin = float(traces[0].t[0])
    ends = [float(trace.t[-1]) - begin for trace in traces]
    t = np.arange(int(np.floor(ends[-1] * rate)) + 1) / rate
    if last and t[-1] < ends[-1]:
        t = np.append(t, ends[-1])
    crossings = tuple(
        end for end, trace in zip(ends[:-1], traces[1:], strict=True) if abs(float(trace.s[0])) < 1.0
    )

    def read(name: str) -> Array:
        times = np.concatenate([trace.t[k > 0 :] for k, trace in enumerate(traces)]) - begin
        values = np.concatenate([getattr(trace, name)[k > 0 :] for k, trace in enumerate(traces)])
        if name == "gear":
            return np.asarray(values[np.searchsorted(times, t, "right") - 1], dtype=float)
        if name in ("throttle", "brake_pressure", "steering_wheel"):  # these run straight over time in a lap
            return np.interp(t, times, values)
        return np.asarray(CubicSpline(times, values)(t))

    def noisy(values: Array, size: float) -> Array:
        return values + size * random.standard_normal(t.size)

    speed = read("speed")
    sensed = noisy(speed, errors.speed)
    step = np.diff(t, prepend=t[0])
    return Sensed(
        t=t,
        speed=sensed,
        x=noisy(read("x"), errors.place) + _wander(t, errors, random),
        y=noisy(read("y"), errors.place) + _wander(t, errors, random),
        distance=np.cumsum(sensed * step),
        laps=np.searchsorted(np.array(crossings), t, "right").astype(float),
        pressure=noisy(read("brake_pressure"), errors.pressure),
        throttle=np.clip(noisy(read("throttle"), errors.throttle), 0.0, 1.0),
        wheel=noisy(read("steering_wheel"), errors.wheel),
        accel_long=noisy(read("accel_long"), errors.accel),
        accel_lat=noisy(read("accel_lat"), errors.accel),
        yaw_rate=noisy(read("yaw_rate"), errors.yaw_rate),
        gear=read("gear"),
        engine_speed=noisy(read("engine_speed"), errors.engine),
        crossings=crossings,
    )


def _wander(t: Array, errors: Errors, random: np.random.Generator) -> Array:
    """A slow drift: a Gauss-Markov process of the first order, read between knots two seconds apart."""
    knots = np.arange(0.0, t[-1] + 4.0, 2.0)
    keep = float(np.exp(-2.0 / errors.wander_time))
    value = errors.wander * random.standard_normal()
    values = []
    for fresh in random.standard_normal(knots.size):
        values.append(value)
        value = keep * value + errors.wander * np.sqrt(1.0 - keep**2) * fresh
    return np.asarray(CubicSpline(knots, values)(t))
