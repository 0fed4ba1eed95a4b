"""The ends of the full car's reach against a general nonlinear optimiser (IPOPT through CasADi) on the equations of motion.

The problem is written down anew here, in the car's own axes with its accelerations as unknowns, and solved from scratch.
"""

from __future__ import annotations

import casadi as ca
import numpy as np
import pytest
from plain_cars import envelope_of, shipped

from lapwright.quantities import G
from lapwright.vehicle.car import CarState, car_point
from lapwright.vehicle.driveline import drive_curve
from lapwright.vehicle.motion import RoadFrame
from lapwright.vehicle.parameters import Vehicle
from lapwright.vehicle.tyre import slip_at_margin

if hasattr(ca.GlobalOptions, "setNumpyMode"):
    ca.GlobalOptions.setNumpyMode(-1)


def largest(
    car: Vehicle, speed: float, normal: float, goal: str, lateral: float | None = None
) -> tuple[float, float]:
    """Longitudinal and lateral force along the path [m/s2] that maximise ``goal`` ("lat", "drive" or "brake")."""
    curve = drive_curve(car.driveline)

    class Strong:
        def forces(self, u):
            return 0.5 * car.chassis.mass * G, curve.forces(u)[1]

    from dataclasses import replace

    strong = replace(
        car,
        brakes=replace(car.brakes, peak_pressure=0.5 * car.chassis.mass * G / car.brakes.force_per_pressure),
    )
    z = ca.SX.sym("z", 11)
    beta, delta, pedal, ax, ay, r = z[0] / 20, z[1] / 20, 2 * z[2], z[7] * G, z[8] * G, z[9]
    slips = [z[3 + i] / 20 for i in range(4)]
    u, v = speed * ca.cos(beta), speed * ca.sin(beta)
    road = RoadFrame(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, normal / G, 1.0)
    point = car_point(strong, Strong(), road, CarState(0.0, 0.0, u, v, r, delta, pedal, ax, ay), slips)
    along = ax * ca.cos(beta) + ay * ca.sin(beta)
    across = ay * ca.cos(beta) - ax * ca.sin(beta)
    torque = 0.25 * car.chassis.mass * G * car.driveline.wheel_radius
    equal = [
        (point.specific_long - ax) / G, (point.specific_lat - ay) / G, point.rates["r"] / 5.0,
        across / G - speed * r / G, z[10] - across / G, *(row / torque for row in point.torque_balance),
    ]  # fmt: skip
    slack = []
    for i, tyre in enumerate(point.tyres):
        axle = car.tyres.front if i < 2 else car.tyres.rear
        slack.append(
            tyre.rho_squared / float(slip_at_margin(car.driver.grip_margin, axle.sliding_grip_ratio)) ** 2
        )
    if lateral is not None:
        equal.append(across / G - lateral / G)
    cost = {"lat": -across, "drive": -along, "brake": along}[goal] / G
    rows = ca.vertcat(*equal, *slack)
    solver = ca.nlpsol(
        "s",
        "ipopt",
        {"x": z, "f": cost, "g": rows},
        {"ipopt.print_level": 0, "print_time": False, "ipopt.sb": "yes"},
    )
    best = None
    for start in (-0.5, 0.0, 0.3):
        guess = np.array([-0.5, 1.0, start, 0, 0, 0, 0, start, 0.8, 0.8 * G / speed, 0.8])
        count = len(equal)
        found = solver(x0=guess, lbg=[0.0] * count + [0.0] * 4, ubg=[0.0] * count + [1.0] * 4)
        if solver.stats()["success"] and (best is None or float(found["f"]) < float(best["f"])):
            best = found
    assert best is not None
    values = ca.Function("values", [z], [along, across])(best["x"])
    return float(values[0]), float(values[1])


@pytest.mark.parametrize("name", ["cup-coupe", "touring-saloon", "club-monoposto"])
@pytest.mark.parametrize(("i", "j"), [(2, 4), (4, 3), (6, 5)])
def test_largest_lateral_force(name: str, i: int, j: int) -> None:
    known = envelope_of(shipped(name))
    speed, normal = known.speeds[min(i, known.speeds.size - 2)], known.normals[j]
    _, lateral = largest(known.vehicle, speed, normal, "lat")
    assert known.lateral_most(np.array([speed]), np.array([normal]))[0] == pytest.approx(lateral, rel=2e-3)


@pytest.mark.parametrize("name", ["cup-coupe", "rally-hatch"])
@pytest.mark.parametrize("node", [3, 8, 12])
@pytest.mark.parametrize("goal", ["drive", "brake"])
def test_longitudinal_force_beside_a_lateral_one(name: str, node: int, goal: str) -> None:
    known = envelope_of(shipped(name))
    i, j = list(known.speeds).index(28.0), 4
    speed, normal = known.speeds[i], known.normals[j]
    load = known.load(speed, normal)
    lateral = known.lat_most[0, i, j] * np.sin(node / (known.long.shape[3] - 1) * 0.5 * np.pi) * load
    along, _ = largest(known.vehicle, speed, normal, goal, lateral)
    table = known.long[0, i, j, node, -1 if goal == "drive" else 0] * load - known.per_speed[1] * speed**2
    assert table == pytest.approx(along, abs=2e-3 * load)


@pytest.mark.parametrize(
    ("name", "speed", "load", "node"),
    [
        ("cup-coupe", 28.0, 0.8, 16),
        ("cup-coupe", 38.0, 1.0, 16),
        ("rally-hatch", 14.0, 0.6, 16),
        ("rally-hatch", 20.0, 1.3, 16),
    ],
)
def test_both_edges_close_to_the_largest_lateral_force(
    name: str, speed: float, load: float, node: int
) -> None:
    """Where the two edges lie close together, each is found and not the other one twice."""
    known = envelope_of(shipped(name))
    i, j = list(known.speeds).index(speed), int(np.argmin(np.abs(known.normals - load * G)))
    pressed = known.load(speed, known.normals[j])
    lateral = known.lat_most[0, i, j] * np.sin(node / (known.long.shape[3] - 1) * 0.5 * np.pi) * pressed
    along, _ = largest(known.vehicle, speed, known.normals[j], "brake", lateral)
    table = known.long[0, i, j, node] * pressed - known.per_speed[1] * speed**2
    assert table[0] == pytest.approx(along, abs=2e-3 * pressed)
    assert table[-1] > table[0] + 0.05 * pressed
