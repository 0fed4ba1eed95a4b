"""What a minimum-time problem consists of, free of any discretisation.

Legend used from here to the solver: nx states, nu controls, nz algebraic unknowns at every point of the road; nr limits
(rows that must not be positive), na balances (rows that must vanish), np parameters. y = (x, u, z).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Variable:
    """One state, control or algebraic unknown.

    ``scale`` brings the variable to order one; ``lower`` and ``upper`` bound it everywhere, in its own unit;
    ``lower_name`` and ``upper_name`` say in a driver's words what the bounds are.
    """

    name: str
    unit: str
    scale: float
    lower: float = -np.inf
    upper: float = np.inf
    lower_name: str = ""
    upper_name: str = ""


@dataclass(frozen=True)
class Limit:
    """One row that must not be positive. ``name`` in a driver's words; ``advice`` says what loosens it."""

    name: str
    advice: str = ""


class Equations(NamedTuple):
    """The model at one point, per plan metre of centreline.

    ``rates`` d x / d s; ``time_rate`` d t / d s [s/m]; ``cost_rate`` the same with the weights on control effort;
    ``limits`` <= 0; ``balances`` = 0.
    """

    rates: Sequence[Any]
    time_rate: Any
    cost_rate: Any
    limits: Sequence[Any]
    balances: Sequence[Any]


@dataclass(frozen=True)
class PointModel:
    """A car as an optimal-control problem sees it: names, scales, limits and one function of one point.

    Attributes
    ----------
    equations : called with sequences (states, controls, algebraics, road, parameters), physical units, symbols or arrays
    parameters, values : names and numbers of everything that may change without building the problem anew
    controls_per_point : True when controls may jump anywhere, False when they are steady within an interval
    """

    states: tuple[Variable, ...]
    controls: tuple[Variable, ...]
    algebraics: tuple[Variable, ...]
    limits: tuple[Limit, ...]
    balances: tuple[str, ...]
    parameters: tuple[str, ...]
    values: Array
    road_size: int
    equations: Callable[[Any, Any, Any, Any, Any], Equations]
    controls_per_point: bool = False

    def state_index(self, name: str) -> int:
        """Position of a state by name."""
        return [v.name for v in self.states].index(name)


@dataclass(frozen=True)
class Corridor:
    """Bounds of one state, or control, along the road: ``lower(s)`` and ``upper(s)`` return arrays in its unit."""

    state: str
    lower: Callable[[Array], Array]
    upper: Callable[[Array], Array]
    lower_name: str
    upper_name: str


@dataclass(frozen=True)
class Problem:
    """A minimum-time problem on a stretch of road.

    Attributes
    ----------
    model : the car
    start, end : stations [m]; on a closed lap ``end = start + length`` and the states join
    closed : whether the end joins the start
    road : stations -> (road_size, M) array of the road's numbers
    breaks : stations where the road is not smooth and a mesh must have a node
    corridors : bounds along the road; where several bound the same state, or the state has bounds of its own, all hold
    start_values, end_values : states fixed at the ends of an open road, by name; what is missing is free
    """

    model: PointModel
    start: float
    end: float
    closed: bool
    road: Callable[[Array], Array]
    breaks: Array
    corridors: tuple[Corridor, ...]
    start_values: dict[str, float] = field(default_factory=dict)
    end_values: dict[str, float] = field(default_factory=dict)

    @property
    def length(self) -> float:
        """Length of the stretch [m]."""
        return self.end - self.start


@dataclass(frozen=True)
class Guess:
    """A first guess along the road: stations (M,) and values (nx, M), (nu, M), (nz, M), physical units."""

    s: Array
    states: Array
    controls: Array
    algebraics: Array
