"""A driver who follows a reference lap: hands and feet of the reference, corrected by what he sees.

Steering is corrected by preview, after the second-order predictors of the driver models of the seventies
(MacAdam, IEEE Trans. SMC 11 (1981) 393, from memory): where would the car be a preview distance L ahead if
it kept its course, and which curvature brings it back to the reference by then. The pedal is corrected by
the speed that is missing. Both see the car a reaction time late, both are limited by what hands and feet can
do, and both may tremble.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import atan2, exp, hypot, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Lap
from lapwright.replay.equations import Equations, equations
from lapwright.replay.integrate import Motion, integrate
from lapwright.replay.recording import Recording, recording_of
from lapwright.replay.states import lap_states, trace_of, worst_slip
from lapwright.replay.table import CubicTable, road_table, spline_table
from lapwright.track.track import Track
from lapwright.vehicle.parameters import Vehicle

Array = NDArray[np.float64]
Alter = Callable[[float, float, float, float], tuple[float, float]]
"""Time [s], station [m], intended road-wheel angle [rad] and pedal in; altered angle and pedal out."""


@dataclass(frozen=True)
class Follower:
    """How a reference is followed.

    Attributes
    ----------
    tick : seconds between two decisions; hands and feet move straight in between
    delay : seconds by which what is seen (place, course, speed) is old; touch_delay : the same for what is
    felt (yaw,
        wheels that slide). The reference is known by heart and read as much ahead
    preview : seconds ahead at which the car is to be back on the reference; nearest : least preview distance
    [m] steer_gain : share of the curvature that would do so [-]
    yaw_gain : counter-steer [rad] per rad/s of yaw rate too much
    speed_gain : pedal per m/s of missing speed; pace : wanted speed over the reference's
    slip_cap : largest front slip angle that hands ask for, over the peak's; feel : pedal let go per unit of
    normalised
        slip (1 = the peak) beyond the reference's, at the worst wheel
    limits : whether the driver's rates of the vehicle file hold
    steer_noise : of the hand wheel [rad, standard deviation], pedal_noise : of the pedal, both with a memory
    of
        ``noise_time`` seconds; seed : of the noise
    alter : a last word on what hands and feet want to do, for faults with a place and a size
    """

    tick: float = 0.02
    delay: float = 0.0
    touch_delay: float = 0.0
    preview: float = 0.45
    nearest: float = 6.0
    steer_gain: float = 1.0
    yaw_gain: float = 0.1
    speed_gain: float = 0.15
    pace: float = 1.0
    slip_cap: float = 1.1
    feel: float = 1.0
    limits: bool = True
    steer_noise: float = 0.0
    pedal_noise: float = 0.0
    noise_time: float = 0.3
    seed: int = 0
    alter: Alter | None = None


HUMAN = Follower(delay=0.15, touch_delay=0.06, preview=0.6, steer_noise=0.05, pedal_noise=0.02)
"""A person (common practice in driver models): eyes 0.15 s behind, seat and pedals less, a little tremor.

Needs a reference that leaves some grip: about a tenth."""


@dataclass(frozen=True, eq=False)
class Drive:
    """A stretch driven.

    Attributes
    ----------
    lap : channels, one row a tick, hand wheel and pedal straight in between: replayed, they give the same
    drive recording : hand wheel and pedal over time
    ended : "reached", or how the car gave up
    steer_correction, pedal_correction : (M,) road-wheel angle [rad] and pedal beyond the reference's at the
    station
    """

    lap: Lap
    recording: Recording
    ended: str
    steer_correction: Array
    pedal_correction: Array


@dataclass(frozen=True, eq=False)
class Reference:
    """What a follower knows by heart, over the station.

    Attributes
    ----------
    path : offset [m], course from the road's direction [rad], speed [m/s] and yaw rate [rad/s]
    inputs : hand wheel and pedal; slip : largest normalised slip of the four wheels [-], at ``s`` [m]
    """

    path: CubicTable
    inputs: Recording
    s: Array
    slip: Array

    def place(self, s: float) -> float:
        """Station inside the lap [m]: a closed lap goes on and on."""
        if self.path.length is None:
            return s
        low = self.path.nodes[0]
        return low + (s - low) % self.path.length

    def hands_and_feet(self, s: float) -> tuple[float, float]:
        """Road-wheel angle [rad] and pedal at a station [m]."""
        delta, pedal = self.inputs.read(np.zeros(1), np.array([self.place(s)]))
        return float(delta[0]), float(pedal[0])

    def slip_at(self, s: float) -> float:
        """Largest normalised slip [-] at a station [m]."""
        return float(np.interp(self.place(s), self.s, self.slip))


def reference_of(vehicle: Vehicle, lap: Lap) -> Reference:
    """What there is to know by heart of a lap."""
    tyres = vehicle.tyres
    k = lap.slip_ratio / np.repeat([tyres.front.peak_slip_ratio, tyres.rear.peak_slip_ratio], 2)
    angles = np.column_stack([lap.slip_angle_front] * 2 + [lap.slip_angle_rear] * 2)
    a = angles / np.repeat([tyres.front.peak_slip_angle, tyres.rear.peak_slip_angle], 2)
    path = np.stack([lap.n, lap.xi + lap.sideslip, lap.speed, lap.yaw_rate])
    length = float(lap.s[-1] - lap.s[0]) if lap.closed else None
    return Reference(
        spline_table(lap.s, path, length),
        recording_of(lap, vehicle, "distance"),
        lap.s,
        np.hypot(k, a).max(axis=1),
    )


class _Noise:
    """Two Ornstein-Uhlenbeck processes, one value a tick."""

    def __init__(self, follower: Follower) -> None:
        self._random = np.random.default_rng(follower.seed)
        self._keep = exp(-follower.tick / follower.noise_time)
        self._deviation = (follower.steer_noise, follower.pedal_noise)
        self.value = [d * float(self._random.standard_normal()) for d in self._deviation]

    def step(self) -> None:
        fresh = sqrt(1.0 - self._keep**2)
        for i, deviation in enumerate(self._deviation):
            self.value[i] = self._keep * self.value[i] + fresh * deviation * float(
                self._random.standard_normal()
            )


class Hands:
    """Decides, tick by tick, where hand wheel and pedal go."""

    def __init__(self, vehicle: Vehicle, reference: Reference, follower: Follower) -> None:
        self._vehicle, self._reference, self._follower = vehicle, reference, follower
        self._noise = _Noise(follower)
        self._past: list[tuple[Array, float]] = []
        self._seen_ago = round(follower.delay / follower.tick)
        self._felt_ago = round(follower.touch_delay / follower.tick)

    @property
    def tick(self) -> float:
        """Seconds between two decisions."""
        return self._follower.tick

    def decide(self, t: float, x: Array, delta: float, pedal: float) -> tuple[float, float]:
        """Road-wheel angle [rad] and pedal at the end of the tick that starts at ``t`` [s] in ``x``."""
        f = self._follower
        self._past.append((x, delta))
        del self._past[: -1 - max(self._seen_ago, self._felt_ago)]
        seen = self._past[max(-1 - self._seen_ago, -len(self._past))][0]
        felt, felt_delta = self._past[max(-1 - self._felt_ago, -len(self._past))]
        ahead = float(seen[3]) * f.delay + float(x[3]) * f.tick
        plan_delta, plan_pedal = self._reference.hands_and_feet(float(seen[0]) + ahead)
        want_delta = self._steer(seen, felt, plan_delta) + self._noise.value[0] / self._vehicle.steering.ratio
        want_pedal = self._pedal(seen, felt, felt_delta, plan_pedal) + self._noise.value[1]
        self._noise.step()
        if f.alter is not None:
            want_delta, want_pedal = f.alter(t, float(x[0]), want_delta, want_pedal)
        return self._within(want_delta, delta, want_pedal, pedal)

    def _steer(self, seen: Array, felt: Array, plan: float) -> float:
        f, c = self._follower, self._vehicle.chassis
        s, n, xi, u, v = (float(value) for value in seen[:5])
        line, course, _, _ = self._reference.path.at(s)
        too_much = float(felt[5] - self._reference.path.at(float(felt[0]))[3])
        # What is seen is old: until now the car has gone on along its course, and its course has gone on
        # turning.
        distance = max(u * f.preview, f.nearest)
        astray = xi + atan2(v, u) - course + too_much * f.delay
        miss = n - line + (distance + u * f.delay) * sin(astray)
        bend = f.steer_gain * 2.0 * miss / distance**2
        want = plan - c.wheelbase * bend - f.yaw_gain * too_much
        most = f.slip_cap * self._vehicle.tyres.front.peak_slip_angle
        rolling = atan2(float(felt[4]) + c.cg_to_front * float(felt[5]), float(felt[3]))
        return float(min(max(want, rolling - most), rolling + most))

    def _pedal(self, seen: Array, felt: Array, felt_delta: float, plan: float) -> float:
        f = self._follower
        speed = hypot(float(seen[3]), float(seen[4]))
        want = plan + f.speed_gain * (f.pace * float(self._reference.path.at(float(seen[0]))[2]) - speed)
        excess = worst_slip(self._vehicle, felt, felt_delta) - max(
            1.0, self._reference.slip_at(float(felt[0]))
        )
        if excess > 0.0:
            let_go = f.feel * excess
            want = min(want + let_go, 0.0) if want < 0.0 else max(want - let_go, 0.0)
        return min(max(want, -1.0), 1.0)

    def _within(
        self, want_delta: float, delta: float, want_pedal: float, pedal: float
    ) -> tuple[float, float]:
        f, steering, driver = self._follower, self._vehicle.steering, self._vehicle.driver
        lock = steering.max_wheel / steering.ratio
        want_delta, want_pedal = min(max(want_delta, -lock), lock), min(max(want_pedal, -1.0), 1.0)
        if not f.limits:
            return want_delta, want_pedal
        turn = driver.max_wheel_rate / steering.ratio * f.tick
        up = f.tick / (driver.throttle_rise if pedal > 0.0 else driver.brake_release)
        down = f.tick / (driver.throttle_release if pedal > 0.0 else driver.brake_rise)
        return (
            min(max(want_delta, delta - turn), delta + turn),
            min(max(want_pedal, pedal - down), pedal + up),
        )


def follow(
    track: Track,
    vehicle: Vehicle,
    lap: Lap,
    follower: Follower | None = None,
    s_from: float | None = None,
    s_to: float | None = None,
    start: Array | None = None,
    rtol: float = 1e-7,
) -> Drive:
    """Drive along a reference lap.

    Parameters
    ----------
    track, vehicle
        Where and with what.
    lap
        The reference.
    follower
        How it is followed.
    s_from, s_to
        From the row of the reference nearest to ``s_from`` to station ``s_to`` [m], which on a closed track
        may be laps away; the whole lap when left out.
    start
        (12,) states to start from instead of the reference's, in the order of ``equations.STATES``.
    rtol
        Relative tolerance of the integration.
    """
    table = road_table(track)
    car = equations(vehicle, table.size)
    reference = reference_of(vehicle, lap)
    row = 0 if s_from is None else int(np.argmin(np.abs(lap.s - s_from)))
    if start is None:
        start = lap_states(track, vehicle, lap)[:, row]
    hands = Hands(vehicle, reference, follower or Follower())
    first = reference.hands_and_feet(float(lap.s[row]))
    end = float(lap.s[-1] if s_to is None else s_to)
    motion, recording = drive_on(car, table, start, first, hands, float(lap.t[row]), end, rtol)
    trace = trace_of(track, vehicle, motion.t, motion.x, recording.delta, recording.pedal)
    place = np.array([reference.place(float(s)) for s in trace.s])
    delta, pedal = reference.inputs.read(trace.t, place)
    return Drive(trace, recording, motion.ended, recording.delta - delta, recording.pedal - pedal)


METHOD = "LSODA"

LONGEST = 3600.0
"""Seconds after which a drive ends as "out of time"."""


def drive_on(
    car: Equations,
    table: CubicTable,
    start: Array,
    first: tuple[float, float],
    hands: Hands,
    t_start: float,
    s_end: float,
    rtol: float,
) -> tuple[Motion, Recording]:
    """Tick by tick from ``start`` to station ``s_end`` [m], hand wheel and pedal at ``first``."""
    tick = hands.tick
    t, x, (delta, pedal) = t_start, np.asarray(start, dtype=float), first
    times, states, deltas, pedals = [t], [x], [delta], [pedal]
    ended = "out of time"
    while t < t_start + LONGEST:
        next_delta, next_pedal = hands.decide(t, x, delta, pedal)
        ramp = Recording(
            "time", np.array([t, t + tick]), np.array([delta, next_delta]), np.array([pedal, next_pedal])
        )
        run = integrate(car, table, x, ramp.controls(), t, t + tick, s_end, rtol=rtol, method=METHOD)
        share = (float(run.t[-1]) - t) / tick
        t, x = float(run.t[-1]), run.x[:, -1]
        delta, pedal = delta + share * (next_delta - delta), pedal + share * (next_pedal - pedal)
        times.append(t)
        states.append(x)
        deltas.append(delta)
        pedals.append(pedal)
        if run.ended != "out of time":
            ended = run.ended
            break
    motion = Motion(np.array(times), np.column_stack(states), ended)
    return motion, Recording("time", motion.t, np.array(deltas), np.array(pedals))
