"""A driver out on the road for several laps: each with an intention of its own, all in one go.

The car is integrated forward in time with the spin of its wheels, from the state in which the lap before left it. A steady
hand (``steady``) keeps it to what was intended, a tremor lies over hands and feet, and a driver may do with the wheel what
nobody would intend.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Lap
from lapwright.replay.equations import equations
from lapwright.replay.integrate import Controls, integrate
from lapwright.replay.recording import recording_of
from lapwright.replay.replay import PATIENCE
from lapwright.replay.states import lap_states, trace_of
from lapwright.replay.steady import Steady, gains, linearise, steadied, with_later_peak
from lapwright.replay.table import CubicTable, road_table
from lapwright.track.track import Track
from lapwright.vehicle.parameters import Vehicle

Array = NDArray[np.float64]

CALM = Steady(offset=1.0, heading=0.1, speed=0.5, yaw_rate=0.2)
"""A hand that lets the car be a decimetre beside its line rather than work at the wheel."""

WAVES = 24
"""Number of sine waves of which a tremor is made."""

SLOW, QUICK = 0.3, 3.0
"""Their lowest and highest frequency [Hz]; hands and feet are slower than 3 Hz (common practice)."""

Busy = Callable[[float], float]
"""Station [m] in, road-wheel angle [rad] out that is put on top of the intended one."""


@dataclass(frozen=True)
class Tremor:
    """What hands and feet do besides what they are told.

    Attributes
    ----------
    wheel : of the hand wheel [rad, standard deviation]
    pedal : of a pedal half-way down [share, standard deviation]; a foot at rest, or flat to the floor, does not tremble
    seed : of the random numbers
    """

    wheel: float = 0.006
    pedal: float = 0.004
    seed: int = 0

    def waves(self, ratio: float) -> Callable[[float], tuple[float, float]]:
        """Road-wheel angle [rad] and share of the pedal's tremor over time [s]; ``ratio`` hand wheel over road wheel."""
        random = np.random.default_rng(self.seed)
        rates = 2.0 * np.pi * random.uniform(SLOW, QUICK, (2, WAVES))
        phases = random.uniform(0.0, 2.0 * np.pi, (2, WAVES))
        # A sum of N sines of amplitude a has the standard deviation a sqrt(N / 2).
        size = np.array([self.wheel / ratio, self.pedal]) / np.sqrt(WAVES / 2.0)

        def at(t: float) -> tuple[float, float]:
            values = size * np.sin(rates * t + phases).sum(axis=1)
            return float(values[0]), float(values[1])

        return at


@dataclass(frozen=True, eq=False)
class Leg:
    """One lap of a stint, or a piece of one.

    Attributes
    ----------
    vehicle : the car as it is on this lap
    lap : what the driver intends: rows in driving order, from where the leg begins to where it ends
    busy : see ``Busy``; None for quiet hands
    """

    vehicle: Vehicle
    lap: Lap
    busy: Busy | None = None


def drive_stint(
    track: Track,
    legs: Sequence[Leg],
    tremor: Tremor | None = None,
    steady: Steady = CALM,
    start: Array | None = None,
    t_start: float = 0.0,
    step: float = 0.01,
    rtol: float = 1e-7,
) -> tuple[Lap, ...]:
    """Drive laps one after the other.

    Parameters
    ----------
    track
        The road.
    legs
        What is intended; each begins where the one before ended, a lap's length less or not.
    tremor, steady
        Of hands and feet; None for none.
    start
        (12,) states in the order of ``equations.STATES`` at the start; those of the first leg when left out.
    t_start
        Time there [s].
    step
        Time between the rows of a trace [s]; they stand at multiples of it.
    rtol
        Relative tolerance of the integration.

    Returns
    -------
    tuple of Lap
        What was driven, leg by leg. Times run on from leg to leg; the last row of a leg and the first of the next are the
        same moment.

    Raises
    ------
    RuntimeError
        When the car does not get to the end of a leg.
    """
    table = road_table(track)
    traces: list[Lap] = []
    t, x = t_start, start
    for leg in legs:
        car = equations(leg.vehicle, table.size)
        states = lap_states(track, leg.vehicle, leg.lap)
        x = states[:, 0].copy() if x is None else x.copy()
        x[0] = float(leg.lap.s[0])
        controls = _controls(leg, table, states, tremor, steady)
        end = t + PATIENCE * leg.lap.time + 5.0
        times = step * np.arange(np.ceil(t / step + 1e-9), np.floor(end / step))
        run = integrate(
            car, table, x, controls, t, end, float(leg.lap.s[-1]), np.append(t, times[times > t]), rtol=rtol
        )
        if run.ended != "reached":
            raise RuntimeError(f"the car {run.ended} at {run.x[0, -1]:.0f} m, after {run.t[-1]:.1f} s")
        hands = np.array([controls(float(a), b) for a, b in zip(run.t, run.x.T, strict=True)])
        traces.append(trace_of(track, leg.vehicle, run.t, run.x, hands[:, 0], hands[:, 1]))
        t, x = float(run.t[-1]), run.x[:, -1]
    return tuple(traces)


def _controls(leg: Leg, table: CubicTable, states: Array, tremor: Tremor | None, steady: Steady) -> Controls:
    """Hands and feet over a leg: as intended, steadied, busy where they are, and trembling."""
    vehicle = leg.vehicle
    delta = leg.lap.steering_wheel / vehicle.steering.ratio
    calm = equations(with_later_peak(vehicle, steady.later_peak), table.size)
    gain = gains(linearise(calm, table, states, delta, leg.lap.pedal), steady)
    held = steadied(recording_of(leg.lap, vehicle, "distance"), states, gain, steady, None)
    waves = None if tremor is None else tremor.waves(vehicle.steering.ratio)

    def controls(t: float, x: Array) -> tuple[float, float]:
        wheel, pedal = held(t, x)
        if leg.busy is not None:
            wheel += leg.busy(float(x[0]))
        if waves is not None:
            shake, press = waves(t)
            wheel += shake
            pedal += 4.0 * abs(pedal) * (1.0 - abs(pedal)) * press
        return wheel, min(max(pedal, -1.0), 1.0)

    return controls


def joined(traces: Sequence[Lap]) -> Lap:
    """Traces one after the other as one, stations as in each; a moment that stands in two of them is kept once."""
    first = traces[0]
    rows = [
        np.arange(len(trace.t)) if k == 0 else np.arange(1, len(trace.t)) for k, trace in enumerate(traces)
    ]
    values: dict[str, Any] = {
        name: np.concatenate([getattr(trace, name)[keep] for trace, keep in zip(traces, rows, strict=True)])
        for name, channel in vars(first).items()
        if isinstance(channel, np.ndarray)
    }
    return replace(first, **values)
