"""Where each limit holds the lap back, and what a little more room would be worth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.problem.model import Limit
from lapwright.reference.evidence import LimitUse, active_stretches
from lapwright.solver.sensitivity import bound_gradient, parameter_gradient
from lapwright.solver.solution import Solution
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

GRIP_SLACK = 0.04
"""Slack of the squared slip (or force) below which a tyre counts as at its limit: 98 % of the slip."""

ROW_SLACK = 0.02
"""Slack of the other rows, which are all of order one, below which they count as active."""

EDGE_SLACK = 0.02
"""Distance to the road edge [m] below which the car counts as on it."""

EDGE_STEP = 0.1
"""Widening of the road [m] that its cost is given for."""

PEDAL_FULL = 0.985
"""Share of a pedal's travel that counts as all of it."""

COST_OF = "Lap time gained by the step in brackets [s], first order"


@dataclass(frozen=True)
class LimitRecord:
    """One limit along the road: ``name`` with a practical step, ``active`` (N, d) where it holds the car, ``gain`` (N,) the
    seconds that the step gains in each interval, to first order.
    """

    name: str
    active: Flags
    gain: Array


def limit_uses(solution: Solution, vehicle: AnyVehicle) -> tuple[LimitUse, ...]:
    """Every limit of the problem with the stretches where it is active and the worth of one practical step.

    Parameters
    ----------
    solution
        A solved problem.
    vehicle
        The car it was solved for.
    """
    s = solution.nlp.stations.ravel()
    return tuple(
        LimitUse(record.name, active_stretches(s, record.active.ravel()), float(record.gain.sum()))
        for record in limit_records(solution, vehicle)
    )


def limit_records(solution: Solution, vehicle: AnyVehicle) -> tuple[LimitRecord, ...]:
    """As ``limit_uses``, point by point and interval by interval."""
    book = _Book(solution)
    found = _circle_limits(book) if isinstance(vehicle, FrictionCircle) else _car_limits(book)
    return (*found, *_edge_limits(book))


def wheels_at_limit(solution: Solution) -> Flags:
    """(4, N, d) where each wheel is at its grip limit, fl, fr, rl, rr; all four alike for a friction-circle car."""
    book = _Book(solution)
    names = [name for name in book.slack if name.endswith("grip")]
    return np.stack([book.slack[names[i % len(names)]] < GRIP_SLACK for i in range(4)])


class _Book:
    """A solution's slacks and derivatives by name."""

    def __init__(self, solution: Solution) -> None:
        self.solution = solution
        self.nlp = solution.nlp
        model = self.nlp.problem.model
        self.names = list(model.parameters)
        self.values = solution.p[: len(self.names)]
        self.gradient = parameter_gradient(solution)
        rows = self.nlp.evaluator.rows(solution.x, solution.p)
        self.slack = {
            limit.name: -rows[self.nlp.layout.limits[:, :, i]] for i, limit in enumerate(model.limits)
        }
        self.states = solution.point_states
        self.controls = solution.point_controls

    def state(self, name: str) -> Array:
        return self.states[:, :, self.nlp.problem.model.state_index(name)]

    def gain(self, names: Iterable[str], share: float) -> Array:
        """(N,) seconds gained when all these parameters grow by ``share`` of themselves."""
        places = [self.names.index(name) for name in names]
        return np.asarray(-share * (self.gradient[places] * self.values[places][:, None]).sum(axis=0))

    def starting(self, prefix: str) -> list[str]:
        return [name for name in self.names if name.startswith(prefix)]


def _car_limits(book: _Book) -> list[LimitRecord]:
    near = {name: slack < GRIP_SLACK for name, slack in book.slack.items() if name.endswith("grip")}
    pedal, steer = book.state("pedal"), book.controls[:, :, 0]
    foot = book.controls[:, :, 1]
    rising, falling = foot > 1.0 - ROW_SLACK, foot < -1.0 + ROW_SLACK
    on_brake = pedal < 0.0
    front = near["front left grip"] | near["front right grip"]
    rear = near["rear left grip"] | near["rear right grip"]
    drive = ["driveline.power"] if "driveline.power" in book.names else _drive_force(book)
    uses = [
        LimitRecord("front grip (1 % more)", front, book.gain(["tyres.front.grip_scale"], 0.01)),
        LimitRecord("rear grip (1 % more)", rear, book.gain(["tyres.rear.grip_scale"], 0.01)),
        LimitRecord("engine, full throttle (1 % more)", pedal > PEDAL_FULL, book.gain(drive, 0.01)),
        LimitRecord("brakes, full pressure (1 % more)", pedal < -PEDAL_FULL, book.gain(["brakes.peak_pressure"], 0.01)),
        LimitRecord("steering rate (10 % more)", np.abs(steer) > 1.0 - ROW_SLACK, book.gain(["driver.max_wheel_rate"], 0.1)),
        LimitRecord("brake rise (10 % quicker)", falling & on_brake, book.gain(["driver.brake_rise"], -0.1)),
        LimitRecord("brake release (10 % quicker)", rising & on_brake, book.gain(["driver.brake_release"], -0.1)),
        LimitRecord("throttle rise (10 % quicker)", rising & ~on_brake, book.gain(["driver.throttle_rise"], -0.1)),
        LimitRecord("throttle release (10 % quicker)", falling & ~on_brake, book.gain(["driver.throttle_release"], -0.1)),
    ]  # fmt: skip
    lifted = book.slack["wheels off the ground"] < ROW_SLACK
    if lifted.any():
        uses.append(LimitRecord("wheels off the ground", lifted, book.gain([], 0.0)))
    return uses


def _drive_force(book: _Book) -> list[str]:
    return ["drive.level", "drive.slope", *book.starting("drive.bends.")]


def _circle_limits(book: _Book) -> list[LimitRecord]:
    uses = [LimitRecord("grip (1 % more)", book.slack["grip"] < GRIP_SLACK, book.gain(["grip"], 0.01))]
    if "acceleration" in book.slack:
        uses.append(
            LimitRecord(
                "acceleration (1 % more)",
                book.slack["acceleration"] < ROW_SLACK,
                book.gain(["accel_limit"], 0.01),
            )
        )
    if "engine power" in book.slack:
        uses.append(
            LimitRecord(
                "engine power (1 % more)", book.slack["engine power"] < ROW_SLACK, book.gain(["power"], 0.01)
            )
        )
    return uses


def _edge_limits(book: _Book) -> list[LimitRecord]:
    uses = []
    for corridor in book.nlp.problem.corridors:
        value, s = book.state(corridor.state), book.nlp.stations
        if corridor.state != "n":
            continue
        low, high = (bound(s.ravel()).reshape(s.shape) for bound in (corridor.lower, corridor.upper))
        for name, room, upper in (
            (corridor.upper_name, high - value, True),
            (corridor.lower_name, value - low, False),
        ):
            gain = -EDGE_STEP * bound_gradient(book.solution, corridor.state, upper).sum(axis=1)
            uses.append(LimitRecord(f"{name} ({EDGE_STEP:g} m wider)", room < EDGE_SLACK, gain))
    return uses


def limits_near(solution: Solution, station: float, reach: float = 40.0) -> list[Limit]:
    """Limits that are active or broken within ``reach`` [m] of a station, whatever became of the solve."""
    nlp = solution.nlp
    model, layout = nlp.problem.model, nlp.layout
    near = np.abs(nlp.stations - station) < reach
    rows = nlp.evaluator.rows(solution.x, solution.p)
    found = [
        limit
        for i, limit in enumerate(model.limits)
        if np.any(rows[layout.limits[:, :, i]][near] > -GRIP_SLACK)
    ]
    for variables, index in ((model.states, layout.states), (model.controls, layout.controls)):
        for i, variable in enumerate(variables):
            value, place = solution.x[index[:, :, i]], index[:, :, i]
            for bound, name in (
                (nlp.lower[place], variable.lower_name),
                (nlp.upper[place], variable.upper_name),
            ):
                if name and np.any(np.abs(value - bound)[near] < 1e-2):
                    found.append(Limit(name))
    for corridor in nlp.problem.corridors:
        place = layout.states[:, :, model.state_index(corridor.state)]
        for bound, name in ((nlp.lower[place], corridor.lower_name), (nlp.upper[place], corridor.upper_name)):
            if np.any(np.abs(solution.x[place] - bound)[near] < 1e-2):
                found.append(Limit(name, "a wider road, or a start further from this edge"))
    return list({limit.name: limit for limit in found}.values())
