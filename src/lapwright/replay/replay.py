"""A lap's pedal and hand wheel driven again by integration, and how far the car then is from where it was."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Lap
from lapwright.replay.equations import Equations, equations
from lapwright.replay.integrate import Controls, integrate
from lapwright.replay.recording import Axis, Recording, recording_of
from lapwright.replay.states import lap_states, trace_of
from lapwright.replay.steady import Steady, gains, linearise, steadied, with_later_peak
from lapwright.replay.table import CubicTable, road_table
from lapwright.track.track import Track
from lapwright.vehicle.parameters import Vehicle

Array = NDArray[np.float64]

PATIENCE = 1.5
"""A window may take this many times its recorded time before it counts as not finished."""

OUTPUT_STEP = 0.02
"""Seconds between the rows of a trace."""


@dataclass(frozen=True, eq=False)
class Window:
    """One stretch replayed from the recorded state at its start.

    Attributes
    ----------
    s_from, s_to : stations [m]; on a closed track ``s_to`` may lie beyond the line
    recorded_time, time : seconds from start to end, recorded and replayed (to wherever the replay ended)
    position : (K,) distance in space [m] between replayed and recorded car, equally long after the start
    offset : (K,) replayed less recorded lateral offset at the same station [m]; delay : likewise time [s]
    steer_correction, pedal_correction : (K,) road-wheel angle [rad] and pedal beyond the recorded ones at
    the same
        station, zero unless a steady hand was asked for
    ended : how the replay ended, "reached" when it got to ``s_to``
    trace : the replayed channels, K rows; its times begin with the recorded one
    """

    s_from: float
    s_to: float
    recorded_time: float
    time: float
    position: Array
    offset: Array
    delay: Array
    steer_correction: Array
    pedal_correction: Array
    ended: str
    trace: Lap

    @property
    def strayed(self) -> float:
        """Largest distance from the recorded car [m]; infinite when the end was not reached."""
        return float(self.position.max()) if self.ended == "reached" else float("inf")


@dataclass(frozen=True, eq=False)
class ReplayResult:
    """A lap replayed window by window.

    ``time`` and ``recorded_time`` [s] are those of a tour of windows end to end; ``windows`` holds the tour,
    then the overlapping windows, if any were asked for.
    """

    windows: tuple[Window, ...]
    time: float
    recorded_time: float

    @property
    def time_error(self) -> float:
        """Replayed less recorded time, as a share of the recorded one [-]."""
        return self.time / self.recorded_time - 1.0

    @property
    def worst(self) -> Window:
        """The window that strayed furthest from the recorded car."""
        return max(self.windows, key=lambda w: w.strayed)


@dataclass(frozen=True, eq=False)
class _Job:
    track: Track
    vehicle: Vehicle
    equations: Equations
    table: CubicTable
    lap: Lap
    states: Array
    controls: Controls
    recording: Recording
    steady: bool
    place: Any
    offset_and_time: Any
    method: str
    rtol: float


def replay(
    track: Track,
    vehicle: Vehicle,
    lap: Lap,
    s_from: float | None = None,
    s_to: float | None = None,
    *,
    window: float | None = 200.0,
    overlap: bool = False,
    by: Axis = "time",
    steady: Steady | None = None,
    method: str = "LSODA",
    rtol: float = 1e-7,
) -> ReplayResult:
    """Drive a lap's recorded pedal and hand wheel again and compare.

    A car at the limit is not stable by itself: small differences grow (``growth_rates``) until a driver
    corrects them, which recorded inputs do not. So the lap is replayed in windows, each from the recorded
    state at its start; and where windows are to be long, a steady hand may add the least corrections that
    keep the car, which are reported.

    Parameters
    ----------
    track, vehicle
        Where and with what.
    lap
        Target or recording, with slip ratios and wheel loads. Between its rows hand wheel and pedal run
        straight over time.
    s_from, s_to
        Stretch to replay [m]; from the first to the last row when left out.
    window
        Longest window [m]; None for one window over the whole stretch.
    overlap
        Besides the tour, start a window in the middle of each.
    by
        Whether hand wheel and pedal are repeated at the recorded times or at the recorded stations.
    steady
        Corrections of a steady hand, with ``by="distance"``; None for none.
    method, rtol
        As in ``integrate``.

    Raises
    ------
    ValueError
        For a stretch that the lap does not have.
    """
    long = _twice(lap) if lap.closed else lap
    low = float(lap.s[0] if s_from is None else s_from)
    high = float(lap.s[-1] if s_to is None else s_to)
    if not long.s[0] - 1e-9 <= low < high <= long.s[-1] + 1e-9:
        raise ValueError(
            f"the lap has rows from {lap.s[0]:g} to {lap.s[-1]:g} m, not from {low:g} to {high:g} m"
        )
    if steady is not None and by != "distance":
        raise ValueError('a steady hand goes by the road: by="distance"')
    job = _job(track, vehicle, long, by, steady, method, rtol)
    tour = tuple(_drive(job, rows) for rows in _window_rows(long.s, low, high, window))
    between: tuple[Window, ...] = ()
    if overlap and window is not None:
        half = 0.5 * window
        end = min(high + half, float(long.s[-1])) if lap.closed else high
        between = tuple(_drive(job, rows) for rows in _window_rows(long.s, low + half, end, window))
    return ReplayResult(tour + between, sum(w.time for w in tour), sum(w.recorded_time for w in tour))


def growth_rates(track: Track, vehicle: Vehicle, lap: Lap) -> Array:
    """Rate [1/s] at which the fastest growing deviation from a lap grows, at each row, hands and feet held.

    Above zero the car leaves the line unless somebody steers; near the peak of the tyres that is the rule.
    """
    table = road_table(track)
    states = lap_states(track, vehicle, lap)
    delta = lap.steering_wheel / vehicle.steering.ratio
    return linearise(equations(vehicle, table.size), table, states, delta, lap.pedal).growth()


def _job(
    track: Track, vehicle: Vehicle, lap: Lap, by: Axis, steady: Steady | None, method: str, rtol: float
) -> _Job:
    from scipy.interpolate import CubicSpline

    table = road_table(track)
    car = equations(vehicle, table.size)
    states = lap_states(track, vehicle, lap)
    recording = recording_of(lap, vehicle, by)
    controls = recording.controls()
    if steady is not None:
        delta = lap.steering_wheel / vehicle.steering.ratio
        calm = equations(with_later_peak(vehicle, steady.later_peak), table.size)
        gain = gains(linearise(calm, table, states, delta, lap.pedal), steady)
        controls = steadied(recording, states, gain, steady, None)
    return _Job(
        track,
        vehicle,
        car,
        table,
        lap,
        states,
        controls,
        recording,
        steady is not None,
        CubicSpline(lap.t, np.stack([lap.x, lap.y, lap.z]), axis=1),
        CubicSpline(lap.s, np.stack([lap.n, lap.t]), axis=1),
        method,
        rtol,
    )


def _twice(lap: Lap) -> Lap:
    """Two laps of a closed lap, one after the other."""
    shift = {"s": float(lap.s[-1] - lap.s[0]), "t": lap.time}
    rows: dict[str, Any] = {}
    for item in fields(lap):
        channel = getattr(lap, item.name)
        if isinstance(channel, np.ndarray) and len(channel) == len(lap.s):
            again = channel[1:] + shift[item.name] if item.name in shift else channel[1:]
            rows[item.name] = np.concatenate([channel, again])
    return replace(lap, **rows)


def _window_rows(s: Array, low: float, high: float, window: float | None) -> list[tuple[int, int]]:
    """First and last row of each window, none longer than ``window`` unless two rows are."""
    first, last = int(np.argmin(np.abs(s - low))), int(np.argmin(np.abs(s - high)))
    rows = [first]
    while rows[-1] < last:
        reach = last if window is None else int(np.searchsorted(s, s[rows[-1]] + window + 1e-9, "right")) - 1
        rows.append(min(max(reach, rows[-1] + 1), last))
    return list(pairwise(rows))


def _drive(job: _Job, rows: tuple[int, int]) -> Window:
    lap, (first, last) = job.lap, rows
    t_from, recorded = float(lap.t[first]), float(lap.t[last] - lap.t[first])
    t_end = t_from + PATIENCE * recorded + 0.5
    run = integrate(
        job.equations,
        job.table,
        job.states[:, first],
        job.controls,
        t_from,
        t_end,
        float(lap.s[last]),
        np.minimum(np.arange(t_from, t_end, OUTPUT_STEP), t_end),
        job.method,
        job.rtol,
    )
    delta, pedal = recorded_delta, recorded_pedal = job.recording.read(run.t, run.x[0])
    if job.steady:
        held = np.array([job.controls(float(t), x) for t, x in zip(run.t, run.x.T, strict=True)])
        delta, pedal = held.T
    trace = trace_of(job.track, job.vehicle, run.t, run.x, delta, pedal)
    away = np.stack([trace.x, trace.y, trace.z]) - job.place(run.t)
    offset, t = job.offset_and_time(trace.s)
    return Window(
        float(lap.s[first]),
        float(lap.s[last]),
        recorded,
        float(run.t[-1] - t_from),
        np.sqrt(np.sum(away * away, axis=0)),
        trace.n - offset,
        trace.t - t,
        delta - recorded_delta,
        pedal - recorded_pedal,
        run.ended,
        trace,
    )
