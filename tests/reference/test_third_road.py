"""The long lap from nothing by Hermite-Simpson: another mesh, another transcription, derivatives by CasADi alone.

Separated Hermite-Simpson (Betts, Practical Methods for Optimal Control, 2010, section 4.5; Kelly, SIAM Review 59 (2017)
849-904 [both from memory]): states and controls at both ends and in the middle of every interval,

    x_m = (x_a + x_b) / 2 + h (f_a - f_b) / 8,      x_b = x_a + h (f_a + 4 f_m + f_b) / 6.

Shared with the program are the equations of the car at a point, the road, the rough first guess, and IPOPT; nothing of its
collocation, derivatives, meshes, or stages, and no solution of it to start from.
"""

from itertools import pairwise
from pathlib import Path

import casadi as ca
import numpy as np
import pytest

from lapwright import EndState, load_track, load_vehicle, solve_lap
from lapwright.problem.lap import lap_problem
from lapwright.reference.guess import first_guess

ROOT = Path(__file__).parents[2]


def interval_function(model):
    """(x_a, x_m, x_b, u_a, u_m, u_b, z (nz, 3), road (road_size, 3), h) -> =, <= at a and m, cost, time."""
    nx, nu, nz = len(model.states), len(model.controls), len(model.algebraics)
    size = np.array([v.scale for v in model.states])
    x = [ca.SX.sym(f"x{i}", nx) for i in range(3)]
    u = [ca.SX.sym(f"u{i}", nu) for i in range(3)]
    z, road, h = ca.SX.sym("z", nz, 3), ca.SX.sym("road", model.road_size, 3), ca.SX.sym("h")
    numbers = [float(value) for value in model.values]
    found = [
        model.equations(
            ca.vertsplit(x[i] * size),
            [u[i][k] * v.scale for k, v in enumerate(model.controls)],
            [z[k, i] * v.scale for k, v in enumerate(model.algebraics)],
            ca.vertsplit(road[:, i]),
            numbers,
        )
        for i in range(3)
    ]
    f = [ca.vertcat(*point.rates) / size for point in found]
    equal = [
        x[1] - 0.5 * (x[0] + x[2]) - h / 8.0 * (f[0] - f[2]),
        x[2] - x[0] - h / 6.0 * (f[0] + 4.0 * f[1] + f[2]),
        *(row for point in found for row in point.balances),
    ]
    limits = [row for point in found[:2] for row in point.limits]
    cost, time = (
        h / 6.0 * (getattr(found[0], name) + 4.0 * getattr(found[1], name) + getattr(found[2], name))
        for name in ("cost_rate", "time_rate")
    )
    outputs = [ca.vertcat(*equal), ca.vertcat(*limits), cost, time]
    return ca.Function("interval", [*x, *u, z, road, h], outputs, {"cse": True})


def nodes_of(problem, step):
    """Even from one break of the road to the next."""
    edges = [
        problem.start,
        *(b for b in problem.breaks if problem.start + 1.0 < b < problem.end - 1.0),
        problem.end,
    ]
    parts = [
        np.linspace(a, b, max(int(np.ceil((b - a) / step)), 1) + 1)[1:] for a, b in pairwise(edges) if b > a
    ]
    return np.concatenate([[problem.start], *parts])


def from_nothing(track, vehicle, step):
    """Lap time [s] and number of intervals."""
    problem = lap_problem(track, vehicle)
    model = problem.model
    nodes = nodes_of(problem, step)
    steps, middles = np.diff(nodes), 0.5 * (nodes[1:] + nodes[:-1])
    count, nx, nu, nz = len(steps), len(model.states), len(model.controls), len(model.algebraics)
    x, xm = ca.MX.sym("x", nx, count), ca.MX.sym("xm", nx, count)
    u, um = ca.MX.sym("u", nu, count), ca.MX.sym("um", nu, count)
    z = ca.MX.sym("z", nz, 3 * count)
    hair = 1e-9 * steps
    places = np.column_stack([nodes[:-1] + hair, middles, nodes[1:] - hair])
    road = problem.road(places.ravel())

    def onward(matrix):
        return ca.horzcat(matrix[:, 1:], matrix[:, 0])

    equal, limits, cost, time = interval_function(model).map(count)(
        x, xm, onward(x), u, um, onward(u), z, road, steps[None, :]
    )
    guess = first_guess(track, vehicle, EndState(), EndState())

    def along(values, variables, s):
        return np.array(
            [np.interp(s, guess.s, row) / v.scale for row, v in zip(values, variables, strict=True)]
        )

    parts = [
        (x, model.states, nodes[:-1], guess.states), (xm, model.states, middles, guess.states),
        (u, model.controls, nodes[:-1], guess.controls), (um, model.controls, middles, guess.controls),
        (z, model.algebraics, places.ravel(), guess.algebraics),
    ]  # fmt: skip
    lower, upper, begin = [], [], []
    for _, variables, s, values in parts:
        low = np.array([np.full(len(s), v.lower / v.scale) for v in variables])
        high = np.array([np.full(len(s), v.upper / v.scale) for v in variables])
        if variables is model.states:
            for corridor in problem.corridors:
                i = model.state_index(corridor.state)
                low[i], high[i] = (edge(s) / variables[i].scale for edge in (corridor.lower, corridor.upper))
        lower.append(low.ravel(order="F"))
        upper.append(high.ravel(order="F"))
        begin.append(along(values, variables, s).ravel(order="F"))
    unknowns = ca.veccat(*(part for part, *_ in parts))
    program = {"x": unknowns, "f": ca.sum2(cost), "g": ca.veccat(equal, limits)}
    # What makes IPOPT quick here is kept, since the time is spent in CasADi's derivatives.
    options = {"print_level": 0, "sb": "yes", "max_iter": 400, "tol": 1e-6, "least_square_init_duals": "yes"}
    solver = ca.nlpsol("third", "ipopt", program, {"print_time": False, "ipopt": options})
    result = solver(
        x0=np.concatenate(begin),
        lbx=np.concatenate(lower),
        ubx=np.concatenate(upper),
        lbg=np.concatenate([np.zeros(equal.numel()), np.full(limits.numel(), -np.inf)]),
        ubg=np.zeros(equal.numel() + limits.numel()),
    )
    assert solver.stats()["success"], solver.stats()["return_status"]
    return float(ca.Function("taken", [unknowns], [ca.sum2(time)])(result["x"])), count


@pytest.mark.slow
@pytest.mark.parametrize(("circuit", "car", "step"), [("marrow-fen", "cup-coupe", 4.0)])
def test_hermite_simpson_finds_the_same_lap(circuit, car, step):
    track, vehicle = load_track(ROOT / f"tracks/{circuit}.yaml"), load_vehicle(ROOT / f"vehicles/{car}.yaml")
    time, intervals = from_nothing(track, vehicle, step)
    assert intervals >= track.length / step
    assert time == pytest.approx(solve_lap(track, vehicle).time, abs=5e-3)
