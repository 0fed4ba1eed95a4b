"""What is kept of a solved lap: its unknowns along the road and what each of them is worth for the rest of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Lap
from lapwright.problem.lap import EndState, lap_problem
from lapwright.problem.model import Guess
from lapwright.reference.channels import lap_at_points, lap_from
from lapwright.reference.solve import ReferenceLap
from lapwright.solver.sensitivity import worth_of_states
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle

Array = NDArray[np.float64]


@dataclass(frozen=True)
class KeptLap:
    """A solved lap without its problem: enough to cut sections out of it.

    Attributes
    ----------
    lap : its channels
    vehicle : the car as driven, grip margin included
    start, end : how an open road is entered and left
    states, controls, algebraics : (nx, M), (nu, M), (nz, M) unknowns at the rows of the lap, physical units
    degree : rows of the lap an interval of its mesh; every so many rows lies a node
    worth : (N + 1, nx) what a unit more of each state at a node costs on the rest of the lap [s per unit], to first order
    mesh_error : of the lap time [s]
    """

    lap: Lap
    vehicle: AnyVehicle
    start: EndState
    end: EndState
    states: Array
    controls: Array
    algebraics: Array
    degree: int
    worth: Array
    mesh_error: float

    @property
    def nodes(self) -> Array:
        """(N + 1,) stations of the nodes [m]."""
        return self.lap.s[:: self.degree]

    def guess(self) -> Guess:
        """The lap as a first guess; a closed one also for the lap before and the lap after."""
        parts = (self.lap.s, self.states, self.controls, self.algebraics)
        if not self.lap.closed:
            return Guess(*parts)
        length = self.lap.s[-1] - self.lap.s[0]
        stations = np.concatenate([self.lap.s[:-1] + turn * length for turn in (-1, 0, 1)])
        return Guess(stations, *(np.tile(values[:, :-1], 3) for values in parts[1:]))

    def at_node(self, station: float) -> tuple[Array, Array]:
        """States and their worth, (nx,) each, at the node nearest to a station [m], which may lie in another lap."""
        nodes = self.nodes
        if self.lap.closed:
            station = nodes[0] + (station - nodes[0]) % (nodes[-1] - nodes[0])
        k = int(np.argmin(np.abs(nodes - station)))
        return self.states[:, k * self.degree], self.worth[k]


def keep(result: ReferenceLap, track: Track) -> KeptLap:
    """What sections need of a reference lap on its track."""
    solution = result.solution
    lap, states, controls, algebraics = lap_at_points(solution, track, result.vehicle)
    return KeptLap(
        lap=lap,
        vehicle=result.vehicle,
        start=result.start,
        end=result.end,
        states=states,
        controls=controls,
        algebraics=algebraics,
        degree=solution.nlp.collocation.degree,
        worth=worth_of_states(solution),
        mesh_error=result.mesh_error.total,
    )


ARRAYS = ("s", "t", "states", "controls", "algebraics", "worth")
"""What of a kept lap is not found again by formulas, by the names that its file gives to it."""


def to_arrays(kept: KeptLap) -> dict[str, Array]:
    """A kept lap as named arrays, ``ARRAYS`` and two single numbers."""
    return {
        "s": kept.lap.s,
        "t": kept.lap.t,
        "states": kept.states,
        "controls": kept.controls,
        "algebraics": kept.algebraics,
        "worth": kept.worth,
        "degree": np.array([float(kept.degree)]),
        "mesh_error": np.array([kept.mesh_error]),
    }


def from_arrays(
    arrays: dict[str, Array], track: Track, vehicle: AnyVehicle, start: EndState, end: EndState
) -> KeptLap:
    """The kept lap again; all channels are worked out anew from its unknowns.

    Parameters
    ----------
    arrays
        From ``to_arrays``.
    track, vehicle, start, end
        What the lap was driven on and with, and how an open road was entered and left.

    Raises
    ------
    ValueError
        When the arrays do not fit each other, the car or the road.
    """
    model = lap_problem(track, vehicle, start, end).model
    degree, rows = int(arrays["degree"][0]), arrays["s"].size
    shapes = {
        "s": (rows,),
        "t": (rows,),
        "states": (len(model.states), rows),
        "controls": (len(model.controls), rows),
        "algebraics": (len(model.algebraics), rows),
        "worth": ((rows - 1) // max(degree, 1) + 1, len(model.states)),
    }
    wrong = [name for name in ARRAYS if arrays[name].shape != shapes[name]]
    if wrong or degree < 1 or (rows - 1) % degree or rows < 2:
        raise ValueError(
            f"{', '.join(wrong) or 'degree'}: the numbers belong to another car or are not whole"
        )
    if abs(arrays["s"][-1] - arrays["s"][0] - track.length) > 1e-6 * track.length:
        raise ValueError(
            f"the lap is {arrays['s'][-1] - arrays['s'][0]:.2f} m long, the road {track.length:.2f} m"
        )
    s, t, states, controls, algebraics = (
        arrays[name] for name in ("s", "t", "states", "controls", "algebraics")
    )
    return KeptLap(
        lap=lap_from(track, vehicle, s, t, states, controls, algebraics),
        vehicle=vehicle,
        start=start,
        end=end,
        states=states,
        controls=controls,
        algebraics=algebraics,
        degree=degree,
        worth=arrays["worth"],
        mesh_error=float(arrays["mesh_error"][0]),
    )
