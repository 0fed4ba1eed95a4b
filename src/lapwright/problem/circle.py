"""The teaching car as an optimal-control model: states n, xi and speed, controls the two tyre forces."""

from __future__ import annotations

from typing import Any

from lapwright.problem.model import Equations, Limit, PointModel, Variable
from lapwright.problem.parameters import as_vector, flatten, substitute
from lapwright.problem.road import road_frame
from lapwright.quantities import G
from lapwright.vehicle.circle import circle_point
from lapwright.vehicle.parameters import FrictionCircle

SPEED_FLOOR = 0.5
"""Lowest speed of the model [m/s]: time per metre has no meaning at rest."""


def circle_model(vehicle: FrictionCircle, road_size: int) -> PointModel:
    """The point model of a friction-circle car on a road of ``road_size`` numbers."""
    names, values = as_vector(flatten(vehicle))
    limits = [
        Limit("grip", "more grip_g, or a lower speed into this place"),
        Limit("wheels off the ground", "a gentler crest"),
    ]
    if vehicle.accel_limit is not None:
        limits.append(Limit("acceleration", "a higher accel_limit_g"))
    if vehicle.power is not None:
        limits.append(Limit("engine power", "more power_kW"))

    def equations(x: Any, u: Any, z: Any, road: Any, p: Any) -> Equations:
        car = substitute(vehicle, dict(zip(names, p, strict=True)))
        n, xi, speed = x
        point = circle_point(car, road_frame(road), n, xi, speed, u[0], u[1])
        pace = 1.0 / point.ride.s_dot
        rows = [u[0] ** 2 + u[1] ** 2 - point.grip_force**2, -point.normal]
        if vehicle.accel_limit is not None:
            rows.append(u[0] - car.accel_limit)
        if vehicle.power is not None:
            rows.append(u[0] * speed * car.mass * G / car.power - 1.0)
        rates = (point.ride.n_dot, point.turn_rate, point.speed_rate)
        return Equations([rate * pace for rate in rates], pace, pace, rows, [])

    return PointModel(
        states=(
            Variable("n", "m", 3.0),
            Variable("xi", "rad", 0.3, -1.5, 1.5, "heading across the road", "heading across the road"),
            Variable(
                "u",
                "m/s",
                30.0,
                SPEED_FLOOR,
                150.0,
                "lowest speed of the model",
                "highest speed of the model",
            ),
        ),
        controls=(Variable("force_long", "m g", 1.0), Variable("force_lat", "m g", 1.0)),
        algebraics=(),
        limits=tuple(limits),
        balances=(),
        parameters=names,
        values=values,
        road_size=road_size,
        equations=equations,
        controls_per_point=True,
    )
