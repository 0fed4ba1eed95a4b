"""The equations of motion integrated forward in time by SciPy, to the end or until the car gives up."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.replay.equations import STATES, Equations
from lapwright.replay.table import CubicTable

Array = NDArray[np.float64]
Controls = Callable[[float, Array], tuple[float, float]]
"""Road-wheel angle [rad] and pedal [-1 to 1] at time t [s] and states x."""

SLOWEST = 1.5
"""Speed [m/s] at which a run ends as "stopped"."""

SPUN = 2.0
"""Sideways over forward speed at which a run ends as "spun": the car slides at 63 degrees."""

ASTRAY = 0.25
"""Least share of the centreline's pace at the car's offset: below it the run ends as "left the road"."""

SCALES = np.array([1.0, 1.0, 0.1, 1.0, 1.0, 0.1, 1.0, 1.0, 3.0, 3.0, 3.0, 3.0])
"""What counts as a small error of each state, times the relative tolerance."""

ENDINGS = ("reached", "stopped", "spun", "left the road", "out of time")


@dataclass(frozen=True, eq=False)
class Motion:
    """A stretch of motion.

    Attributes
    ----------
    t : (M,) times [s]; x : (12, M) states in the order of ``STATES``
    ended : one of ``ENDINGS``
    """

    t: Array
    x: Array
    ended: str

    def __getattr__(self, name: str) -> Array:
        if name in STATES:
            row: Array = self.x[STATES.index(name)]
            return row
        raise AttributeError(name)


def integrate(
    equations: Equations,
    table: CubicTable,
    start: Array,
    controls: Controls,
    t_start: float,
    t_end: float,
    s_end: float,
    times: Sequence[float] | Array | None = None,
    method: str = "LSODA",
    rtol: float = 1e-7,
) -> Motion:
    """Drive from ``start`` until station ``s_end`` [m] or time ``t_end`` [s].

    Parameters
    ----------
    equations, table
        The car and the road.
    start
        (12,) states at ``t_start``.
    controls
        What hands and feet do.
    times
        Times [s] at which states are wanted; those after the end are left out and the end is added. None:
        the start and the end only.
    method, rtol
        Method of ``scipy.integrate.solve_ivp`` ("LSODA", "Radau" or "BDF": wheel spins settle within a
        millisecond, which is stiff) and its relative tolerance.

    Raises
    ------
    RuntimeError
        When the integrator gives up.
    """
    from scipy.integrate import solve_ivp

    def rates(t: float, x: Array) -> Array:
        delta, pedal = controls(t, x)
        return equations.rates(x, delta, pedal, table.at(x[0])).copy()

    def jacobian(t: float, x: Array) -> Array:
        delta, pedal = controls(t, x)
        return equations.jacobian(x, delta, pedal, table.at(x[0])).copy()

    events = _events(table, s_end)
    run: Any = solve_ivp(
        rates,
        (t_start, t_end),
        np.asarray(start, dtype=float),
        method=method,
        jac=jacobian,
        rtol=rtol,
        atol=rtol * SCALES,
        events=events,
        t_eval=None if times is None else np.asarray(times, dtype=float),
    )
    if not run.success and run.status != 1:
        raise RuntimeError(f"integration stopped at {run.t[-1]:.3f} s: {run.message}")
    return _motion(run, np.asarray(start, dtype=float), t_start, times is None)


def _events(table: CubicTable, s_end: float) -> list[Any]:
    def reached(_t: float, x: Array) -> float:
        return float(x[0] - s_end)

    def stopped(_t: float, x: Array) -> float:
        return float(x[3] - SLOWEST)

    def spun(_t: float, x: Array) -> float:
        return float(min(SPUN * x[3] - abs(x[4]), 1.45 - abs(x[2])))

    def astray(_t: float, x: Array) -> float:
        road = table.at(x[0])
        return float(1.0 - x[1] * road[3] / road[0] - ASTRAY)

    for event, direction in ((reached, 1.0), (stopped, -1.0), (spun, -1.0), (astray, -1.0)):
        event.terminal = True  # type: ignore[attr-defined]
        event.direction = direction  # type: ignore[attr-defined]
    return [reached, stopped, spun, astray]


def _motion(run: Any, start: Array, t_start: float, ends_only: bool) -> Motion:
    t, x, ended = run.t, run.y, "out of time"
    for kind, at, states in zip(ENDINGS, run.t_events, run.y_events, strict=False):
        if len(at):
            ended = kind
            t_last, x_last = float(at[0]), np.asarray(states[0])
            keep = t < t_last - 1e-12
            t, x = np.append(t[keep], t_last), np.column_stack([x[:, keep], x_last])
            break
    if ends_only:
        t, x = np.array([t_start, t[-1]]), np.column_stack([start, x[:, -1]])
    return Motion(t, x, ended)
