"""The problem of the fastest lap, or of the fastest way through a section of road."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapwright.errors import Fault, InputError
from lapwright.problem.car import car_model
from lapwright.problem.circle import circle_model
from lapwright.problem.model import Problem
from lapwright.problem.road import road_edges, road_function, road_size
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

LEAST_ROOM = 0.02
"""Width [m] that the road must have over the car's: in less there is no line to choose."""

LOOK = 0.25
"""Spacing [m] at which the road is measured against the car."""


@dataclass(frozen=True)
class EndState:
    """How an open road is entered or left; None is free.

    ``speed`` [m/s], ``offset`` [m, positive left], ``heading`` from the road's direction [rad, positive left].
    """

    speed: float | None = None
    offset: float | None = None
    heading: float | None = None


def lap_problem(
    track: Track, vehicle: AnyVehicle, start: EndState | None = None, end: EndState | None = None
) -> Problem:
    """The fastest lap of a closed track, or the fastest run over an open one.

    Parameters
    ----------
    track, vehicle
        Where and with what.
    start, end
        Entry and exit of an open track; the start needs a speed.

    Raises
    ------
    InputError
        For an open track with no start speed, a closed one with an entry or exit, an end state outside the road, or a
        road narrower than the car.
    """
    start, end = start or EndState(), end or EndState()
    size = road_size(track)
    circle = isinstance(vehicle, FrictionCircle)
    model = circle_model(vehicle, size) if isinstance(vehicle, FrictionCircle) else car_model(vehicle, size)
    half_width = 0.0 if isinstance(vehicle, FrictionCircle) else 0.5 * vehicle.chassis.width
    faults = asking_faults(track, vehicle, start, end)
    if faults:
        raise InputError(faults)
    start_values: dict[str, float] = {}
    end_values: dict[str, float] = {}
    if not track.closed:
        start_values = _fixed(start)
        start_values.setdefault("xi", 0.0)
        end_values = _fixed(end)
        if not circle:
            start_values.update(_settled_entry(track, start))
    return Problem(
        model=model,
        start=0.0,
        end=float(track.length),
        closed=track.closed,
        road=road_function(track),
        breaks=np.asarray(track.breaks, dtype=float),
        corridors=(road_edges(track, half_width),),
        start_values=start_values,
        end_values=end_values,
    )


def asking_faults(track: Track, vehicle: AnyVehicle, start: EndState, end: EndState) -> list[Fault]:
    """Why ``lap_problem`` would refuse to make a problem of these; empty when it would not."""
    circle = isinstance(vehicle, FrictionCircle)
    half_width = 0.0 if isinstance(vehicle, FrictionCircle) else 0.5 * vehicle.chassis.width
    faults = _end_faults(track, start, end, half_width, 0.5 if circle else 3.0)
    return faults + _narrow_faults(track, half_width)


def _fixed(state: EndState) -> dict[str, float]:
    pairs = (("u", state.speed), ("n", state.offset), ("xi", state.heading))
    return {name: float(value) for name, value in pairs if value is not None}


def _settled_entry(track: Track, start: EndState) -> dict[str, float]:
    """A car that arrives in balance along the road; steering and pedal are the driver's own choice."""
    speed = start.speed or 0.0
    turn = float(track.road(np.array([0.0])).omega_z[0])
    return {"v": 0.0, "r": speed * turn, "accel_long": 0.0, "accel_lat": speed * speed * turn}


def _narrow_faults(track: Track, half_width: float) -> list[Fault]:
    """A fault for each stretch in which the car does not fit between the edges."""
    s = np.linspace(0.0, track.length, max(int(np.ceil(track.length / LOOK)), 8) + 1)
    road = track.road(s)
    width = road.width_left + road.width_right
    edges = np.flatnonzero(np.diff(np.concatenate([[0], width < 2.0 * half_width + LEAST_ROOM, [0]])))
    faults = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        worst = first + int(np.argmin(width[first:after]))
        faults.append(
            Fault(
                f"{track.name} is too narrow for this car from {s[first]:.1f} to {s[after - 1]:.1f} m: "
                f"{width[worst]:.2f} m wide at {s[worst]:.1f} m, the car is {2.0 * half_width:.2f} m wide",
                ("width_m",),
            )
        )
    return faults


def _end_faults(
    track: Track, start: EndState, end: EndState, half_width: float, slowest: float
) -> list[Fault]:
    faults = []
    if track.closed and (start != EndState() or end != EndState()):
        faults.append(
            Fault(f"{track.name} is a closed circuit: a lap joins itself and takes no start or end state")
        )
    if not track.closed and start.speed is None:
        faults.append(
            Fault(f"{track.name} is an open road: say how fast it is entered with --start-speed-mps")
        )
    for which, state, at in (("start", start, 0.0), ("end", end, track.length)):
        if state.speed is not None and not slowest <= state.speed <= 130.0:
            faults.append(Fault(f"{which} speed is {state.speed:g} m/s: allowed are {slowest:g} to 130 m/s"))
        if state.heading is not None and not abs(state.heading) < 1.2:
            faults.append(
                Fault(
                    f"{which} heading is {np.degrees(state.heading):.0f} deg: allowed are -68 to 68 deg from the road"
                )
            )
        if state.offset is not None:
            road = track.road(np.array([at]))
            low, high = half_width - float(road.width_right[0]), float(road.width_left[0]) - half_width
            if not low <= state.offset <= high:
                faults.append(
                    Fault(
                        f"{which} offset is {state.offset:g} m: "
                        f"the car stays on the road from {low:.2f} to {high:.2f} m there"
                    )
                )
    return faults
