"""The least corrections that keep a car on a recorded lap, and how fast it would leave the lap without.

The motion is linearised around the recorded one at each of its rows, in the deviations from the recorded
states at the same station. The corrections are those of the linear-quadratic regulator (Anderson & Moore,
Optimal Control: Linear Quadratic Methods (1990), ch. 2; Bryson & Ho, Applied Optimal Control (1975), ch. 5,
from memory), frozen at each row.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.replay.equations import STATES, Equations
from lapwright.replay.integrate import Controls
from lapwright.replay.recording import Recording
from lapwright.replay.table import CubicTable, spline_table
from lapwright.vehicle.parameters import Tyres, Vehicle

Array = NDArray[np.float64]

STEP = 1e-5
"""Step of the differences by which the effect of hand wheel and pedal is found."""


@dataclass(frozen=True)
class Steady:
    """What a steadying hand weighs against what: one unit of cost for each of these deviations.

    Attributes
    ----------
    offset : [m]; heading : [rad]; speed : along and across [m/s]; yaw_rate : [rad/s]; spin : of a wheel
    [rad/s] steer : road-wheel angle [rad]; pedal : [-]
    most_steer, most_pedal : largest correction [rad], [-]
    later_peak : the corrections are made for a car whose tyres peak at so many times the slip. At the very
    peak a tyre
        answers to nothing and the exact regulator would ask for the impossible; this one stays calm
    """

    offset: float = 0.3
    heading: float = 0.03
    speed: float = 0.2
    yaw_rate: float = 0.06
    spin: float = 5.0
    steer: float = 0.01
    pedal: float = 0.1
    most_steer: float = 0.1
    most_pedal: float = 0.2
    later_peak: float = 1.2


@dataclass(frozen=True, eq=False)
class Linearised:
    """Deviations e from a recorded motion, of all states but the station: e' = a e + b (delta, pedal).

    ``a`` (M, 11, 11) and ``b`` (M, 11, 2), at the rows of the recording.
    """

    a: Array
    b: Array

    def growth(self) -> Array:
        """Rate of the fastest growing deviation [1/s] at each row; negative where each dies out."""
        rates: Array = np.linalg.eigvals(self.a).real.max(axis=1)
        return rates


def linearise(car: Equations, road: CubicTable, states: Array, delta: Array, pedal: Array) -> Linearised:
    """Linearise the motion around ``states`` (12, M) under road-wheel angles [rad] and pedals (M,).

    Deviations are taken at the same station, so that a car that is merely late does not deviate.
    """
    slopes = np.gradient(states, states[0], axis=1)
    matrices, effects = [], []
    for k in range(states.shape[1]):
        x, here = states[:, k], road.at(float(states[0, k]))
        jacobian = car.jacobian(x, delta[k], pedal[k], here)
        matrices.append(jacobian[1:, 1:] - np.outer(slopes[1:, k], jacobian[0, 1:]))
        columns = []
        for d, p in ((STEP, 0.0), (0.0, STEP)):
            more = car.rates(x, delta[k] + d, pedal[k] + p, here).copy()
            less = car.rates(x, delta[k] - d, pedal[k] - p, here).copy()
            columns.append((more - less)[1:] / (2.0 * STEP))
        effects.append(np.column_stack(columns))
    return Linearised(np.array(matrices), np.array(effects))


def with_later_peak(vehicle: Vehicle, times: float) -> Vehicle:
    """The car on tyres that peak at ``times`` the slip."""
    front, rear = (
        replace(t, peak_slip_angle=t.peak_slip_angle * times, peak_slip_ratio=t.peak_slip_ratio * times)
        for t in (vehicle.tyres.front, vehicle.tyres.rear)
    )
    return replace(vehicle, tyres=Tyres(front, rear))


def gains(motion: Linearised, steady: Steady) -> Array:
    """Corrections of road-wheel angle and pedal per deviation, (M, 2, 11)."""
    from scipy.linalg import solve_continuous_are

    unit = {
        "n": steady.offset, "xi": steady.heading, "u": steady.speed, "v": steady.speed, "r": steady.yaw_rate,
        "accel_long": 100.0, "accel_lat": 100.0,
    }  # fmt: skip
    deviation = np.diag([unit.get(name, steady.spin) ** -2.0 for name in STATES[1:]])
    effort = np.diag([steady.steer**-2.0, steady.pedal**-2.0])
    rows = []
    for a, b in zip(motion.a, motion.b, strict=True):
        cost = solve_continuous_are(a, b, deviation, effort)
        rows.append(np.linalg.solve(effort, b.T @ cost))
    return np.array(rows)


def steadied(
    recording: Recording, states: Array, gain: Array, steady: Steady, length: float | None
) -> Controls:
    """Recorded hand wheel and pedal, over distance, with corrections for deviations from ``states`` (12, M).

    ``gain`` is (M, 2, 11); ``length`` the lap's [m] where stations go round, else None.
    """
    reference = spline_table(states[0], states[1:], length)
    recorded = recording.controls()
    at, rows = states[0], gain.reshape(len(gain), -1)
    most_steer, most_pedal = steady.most_steer, steady.most_pedal

    def controls(t: float, x: Array) -> tuple[float, float]:
        s = float(x[0])
        delta, pedal = recorded(t, x)
        k = min(max(int(np.searchsorted(at, s, "right")) - 1, 0), len(at) - 2)
        share = (s - at[k]) / (at[k + 1] - at[k])
        gain_here = (rows[k] + share * (rows[k + 1] - rows[k])).reshape(2, 11)
        steer, push = gain_here @ (reference.at(s) - x[1:])
        delta += min(max(float(steer), -most_steer), most_steer)
        pedal += min(max(float(push), -most_pedal), most_pedal)
        return delta, min(max(pedal, -1.0), 1.0)

    return controls
