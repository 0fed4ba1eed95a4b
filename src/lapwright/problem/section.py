"""A section of road cut out of a lap: entered as on the lap, left where the lap was, with what the car carries out priced.

The lap beyond the section's end is not driven again. What a change of the car's state there costs or gains on it is told, to
first order, by the lap's own multipliers (its costate: Bryson & Ho, Applied Optimal Control, 1975, ch. 2 [from memory]), and
is added to the cost.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from lapwright.problem.model import Array, Corridor, Equations, PointModel, Problem
from lapwright.vehicle.smooth import positive

WORTH = "end.worth."
"""Prefix of the parameters that price the states at the end [s per unit]."""

EDGE_WEIGHT = "edge.weight"
"""Parameter: cost of running off the road [s per m of road and m2 of distance from the edge]; 0 in a real solve."""

BEGUN, BEGIN = (
    ("tyres.front.grip_scale", "tyres.rear.grip_scale", "limit.front_slip", "limit.rear_slip", "grip"),
    "begin.",
)
"""Numbers of a car that come into force along the first metres of a section, and the prefix of what they are at its start: a
car with less grip can then begin where the lap's car is at its limit."""

BLEND = 25.0
"""Distance over which they do [m]."""

FREE = 50.0
"""Bound of a control that has none of its own, far beyond what is possible: sections with and without further bounds then
share their formulas."""

EASING, EASED = 0.03, 10.0
"""Room beyond the road's edges [m] at the start of a section, and over what distance it closes [m]."""

EDGE_BLEND = 0.02
"""Distance [m] over which that cost sets in."""


def section_model(model: PointModel) -> PointModel:
    """A model whose cost also counts its states at the end and its distance from the road's edges.

    The price of the end is written as the integral of price times rate, which is the price of the change from start to end.
    Three numbers are added to the road: the bounds of the lateral offset, and how far ``BEGUN`` are in force.
    """
    count, size = len(model.parameters), model.road_size
    offset = model.state_index("n")
    begun = [i for i, name in enumerate(model.parameters) if name in BEGUN]
    first = count + len(model.states) + 1

    def equations(x: Any, u: Any, z: Any, road: Any, p: Any) -> Equations:
        car = [p[i] for i in range(count)]
        for k, i in enumerate(begun):
            car[i] = p[first + k] + road[size + 2] * (p[i] - p[first + k])
        found = model.equations(x, u, z, road[:size], car)
        price = sum(p[count + i] * rate for i, rate in enumerate(found.rates))
        low, high = road[size], road[size + 1]
        off = positive(x[offset] - high, EDGE_BLEND) ** 2 + positive(low - x[offset], EDGE_BLEND) ** 2
        return found._replace(cost_rate=found.cost_rate + price + p[count + len(model.states)] * off)

    return replace(
        model,
        controls=tuple(
            replace(control, lower=max(control.lower, -FREE), upper=min(control.upper, FREE))
            for control in model.controls
        ),
        parameters=(
            *model.parameters,
            *(WORTH + state.name for state in model.states),
            EDGE_WEIGHT,
            *(BEGIN + model.parameters[i] for i in begun),
        ),
        values=np.concatenate([model.values, np.zeros(len(model.states) + 1), model.values[begun]]),
        road_size=size + 3,
        equations=equations,
    )


def section_problem(
    whole: Problem,
    start: float,
    end: float,
    start_values: Mapping[str, float],
    end_values: Mapping[str, float],
    worth: Mapping[str, float],
    begin: Mapping[str, float] | None = None,
) -> Problem:
    """A section of the road of ``whole``.

    Parameters
    ----------
    whole
        The problem of the lap; of a closed one stations run on past the line.
    start, end
        Stations [m].
    start_values, end_values
        States fixed at the ends, by name.
    worth
        Price of states at the end [s per unit], by name.
    begin
        What the numbers ``BEGUN`` are at the start, by name, where they differ from the car's.
    """
    edges = edges_of(whole)
    model = section_model(whole.model)
    values = model.values.copy()
    for name, price in worth.items():
        values[model.parameters.index(WORTH + name)] = price
    for name, value in (begin or {}).items():
        if name in BEGUN and BEGIN + name in model.parameters:
            values[model.parameters.index(BEGIN + name)] = value
    around = whole.length if whole.closed else 0.0
    inside = whole.closed or start > whole.start
    breaks = [whole.breaks + turn * around for turn in ((-1, 0, 1) if around else (0,))]
    # The line is a break too: the road of a closed track is told up to there.
    lines = np.array([0.0, around]) if around else np.zeros(0)

    # The state at the start is known from another mesh: hard by an edge it may lead over it by as much.
    eased = replace(
        edges,
        lower=lambda s: edges.lower(s) - _easing(s, start, inside),
        upper=lambda s: edges.upper(s) + _easing(s, start, inside),
    )

    def road(s: Array) -> Array:
        in_force = np.clip((s - start) / BLEND, 0.0, 1.0)
        return np.vstack([whole.road(s), eased.lower(s), eased.upper(s), in_force])

    return Problem(
        model=replace(model, values=values),
        start=start,
        end=end,
        closed=False,
        road=road,
        breaks=np.unique(np.concatenate([*breaks, lines])),
        corridors=tuple(eased if corridor is edges else corridor for corridor in whole.corridors),
        start_values=dict(start_values),
        end_values=dict(end_values),
    )


def edges_of(problem: Problem) -> Corridor:
    """The road's edges: the first corridor of the lateral offset, whatever else may bound it."""
    return next(corridor for corridor in problem.corridors if corridor.state == "n")


def _easing(s: Array, start: float, inside: bool) -> Array:
    """Room [m] given to either side behind the start of a section that begins inside a lap."""
    return EASING * np.clip(1.0 - (s - start) / EASED, 0.0, 1.0) if inside else np.zeros_like(s)


def confined(problem: Problem, corridors: Sequence[Corridor]) -> Problem:
    """The problem with further corridors; where several bound the same state, all of them hold."""
    return replace(problem, corridors=(*problem.corridors, *corridors))


def priced_off_road(problem: Problem, beside: Corridor, weight: float) -> Problem:
    """The problem on a wider strip ``beside`` the road too, where every metre beyond the edges costs ``weight``."""
    edges = edges_of(problem)
    values = problem.model.values.copy()
    values[problem.model.parameters.index(EDGE_WEIGHT)] = weight
    return replace(
        problem,
        model=replace(problem.model, values=values),
        corridors=tuple(beside if corridor is edges else corridor for corridor in problem.corridors),
    )
