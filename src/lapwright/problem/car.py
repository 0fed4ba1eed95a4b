"""The full four-wheel car as an optimal-control model.

States n, xi, u, v, r, delta, pedal and the two lagged specific forces; controls are the rates of hand wheel and pedal;
the slip ratios of the four wheels are algebraic unknowns, fixed by the balance of torques on each wheel.
"""

from __future__ import annotations

from typing import Any

from lapwright.problem.model import Equations, Limit, PointModel, Variable
from lapwright.problem.parameters import as_vector, flatten, substitute
from lapwright.problem.road import road_frame
from lapwright.quantities import G
from lapwright.vehicle.car import CarState, car_point
from lapwright.vehicle.driveline import DriveCurve, drive_curve
from lapwright.vehicle.loads import downforce
from lapwright.vehicle.parameters import Driver, Vehicle
from lapwright.vehicle.smooth import step
from lapwright.vehicle.tyre import slip_at_margin

STEER_WEIGHT = 3e-2
"""Cost of steering effort [s per (rad/s)^2 of road-wheel rate]: a few ms a lap, a third of the iterations."""

PEDAL_WEIGHT = 3e-4
"""Cost of pedal effort [s per (1/s)^2]."""

PEDAL_SWITCH = 0.03
"""Pedal travel over which the rate limit changes from brake to throttle."""

SPEED_FLOOR = 3.0
"""Lowest speed of the model [m/s]: slip angles have no meaning at rest."""

LIGHTEST = 0.05
"""Least share of the car's weight that must rest on the road: the model does not fly."""

WHEELS = ("front left", "front right", "rear left", "rear right")


def car_states(vehicle: Vehicle) -> tuple[Variable, ...]:
    """The nine states with scales and bounds."""
    lock = vehicle.steering.max_wheel / vehicle.steering.ratio
    return (
        Variable("n", "m", 3.0),
        Variable("xi", "rad", 0.2, -1.2, 1.2, "heading across the road", "heading across the road"),
        Variable(
            "u", "m/s", 40.0, SPEED_FLOOR, 130.0, "lowest speed of the model", "highest speed of the model"
        ),
        Variable("v", "m/s", 2.0),
        Variable("r", "rad/s", 0.5),
        Variable("delta", "rad", 0.1, -lock, lock, "steering lock right", "steering lock left"),
        Variable("pedal", "-", 1.0, -1.0, 1.0, "full brake", "full throttle"),
        Variable("accel_long", "m/s2", 10.0),
        Variable("accel_lat", "m/s2", 10.0),
    )


def pedal_rate(driver: Driver, pedal: Any, effort: Any) -> Any:
    """Rate of the pedal axis [1/s] for an effort of -1 (as fast as the foot can fall) to 1 (as fast as it can rise).

    Upward the foot releases the brake or presses the throttle, downward the other way round; each has its own time. The
    smooth curve through (-1, -down), (0, 0) and (1, up) that rises everywhere is a hyperbola.
    """
    on_throttle = step(pedal, PEDAL_SWITCH)
    up = on_throttle / driver.throttle_rise + (1.0 - on_throttle) / driver.brake_release
    down = on_throttle / driver.throttle_release + (1.0 - on_throttle) / driver.brake_rise
    return 2.0 * up * down * effort / (up + down - (up - down) * effort)


def car_parameters(vehicle: Vehicle, curve: DriveCurve | None) -> dict[str, float]:
    """All numbers of the car that may change without a new problem, by dotted name."""
    numbers = flatten(vehicle)
    if curve is not None:
        numbers.update(flatten(curve, "drive."))
    margin = vehicle.driver.grip_margin
    numbers["limit.front_slip"] = float(slip_at_margin(margin, vehicle.tyres.front.sliding_grip_ratio))
    numbers["limit.rear_slip"] = float(slip_at_margin(margin, vehicle.tyres.rear.sliding_grip_ratio))
    numbers["weight.steer"] = STEER_WEIGHT
    numbers["weight.pedal"] = PEDAL_WEIGHT
    return numbers


def car_model(vehicle: Vehicle, road_size: int) -> PointModel:
    """The point model of a full car on a road of ``road_size`` numbers."""
    curve = drive_curve(vehicle.driveline) if vehicle.driveline.gear_ratios else None
    names, values = as_vector(car_parameters(vehicle, curve))

    def equations(x: Any, u: Any, z: Any, road: Any, p: Any) -> Equations:
        symbols = dict(zip(names, p, strict=True))
        car = substitute(vehicle, symbols)
        drive = None if curve is None else substitute(curve, symbols, "drive.")
        state = CarState(*x)
        point = car_point(car, drive, road_frame(road), state, z)
        steer_rate = u[0] * car.driver.max_wheel_rate / car.steering.ratio
        foot_rate = pedal_rate(car.driver, state.pedal, u[1])
        pace = 1.0 / point.ride.s_dot
        r = point.rates
        time_rates = (
            r["n"], r["xi"], r["u"], r["v"], r["r"], steer_rate, foot_rate, r["accel_long"], r["accel_lat"],
        )  # fmt: skip
        effort = symbols["weight.steer"] * steer_rate**2 + symbols["weight.pedal"] * foot_rate**2
        slip_limits = [symbols["limit.front_slip"]] * 2 + [symbols["limit.rear_slip"]] * 2
        grip = [tyre.rho_squared - most * most for tyre, most in zip(point.tyres, slip_limits, strict=True)]
        weight = car.chassis.mass * G
        resting = (point.normal + sum(downforce(car.aero, state.u))) / weight
        torque_scale = 0.25 * weight * car.driveline.wheel_radius
        return Equations(
            [rate * pace for rate in time_rates],
            pace,
            pace * (1.0 + effort),
            [*grip, LIGHTEST - resting],
            [row / torque_scale for row in point.torque_balance],
        )

    return PointModel(
        states=car_states(vehicle),
        controls=(
            Variable("steer_rate", "-", 1.0, -1.0, 1.0, "steering rate right", "steering rate left"),
            Variable("pedal_effort", "-", 1.0, -1.0, 1.0, "pedal fall", "pedal rise"),
        ),
        algebraics=tuple(Variable(f"slip_{w}", "-", 0.05) for w in ("fl", "fr", "rl", "rr")),
        limits=(
            *(
                Limit(f"{w} grip", "more grip, a smaller grip_margin, or a lower speed into this place")
                for w in WHEELS
            ),
            Limit("wheels off the ground", "a gentler crest, or more downforce"),
        ),
        balances=tuple(f"{w} wheel torque" for w in WHEELS),
        parameters=names,
        values=values,
        road_size=road_size,
        equations=equations,
        controls_per_point=True,
    )
