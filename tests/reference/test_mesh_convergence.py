"""Finer meshes: how much the lap moves, and that it moves at the rate the method promises."""

from __future__ import annotations

from math import pi
from pathlib import Path

import numpy as np
import pytest
from made_up_roads import Manoeuvre, around, definition

from lapwright import load_track, load_vehicle
from lapwright.problem.lap import EndState
from lapwright.quantities import G
from lapwright.reference.solve import LapOptions, solve_lap
from lapwright.solver.ipopt import solve_ipopt
from lapwright.solver.solution import Start
from lapwright.track.build import build_track
from lapwright.track.definition import Straight
from lapwright.vehicle.parameters import FrictionCircle

ROOT = Path(__file__).parents[2]


def test_half_the_step_hardly_moves_the_lap():
    """The lap time of the default mesh is that of one with twice the intervals to 5 ms."""
    track = load_track(ROOT / "tracks" / "cinder-yard.yaml")
    car = load_vehicle(ROOT / "vehicles" / "cup-coupe.yaml")
    plain = solve_lap(track, car)
    step = plain.options.step(track.length)
    fine = solve_lap(track, car, options=LapOptions(mesh=0.5 * step))
    assert fine.solution.nlp.mesh.intervals > 1.8 * plain.solution.nlp.mesh.intervals
    assert fine.time == pytest.approx(plain.time, abs=5e-3)
    assert fine.mesh_error.total < plain.mesh_error.total


def time_on(track, start, end, mesh, degree):
    """Time of the point mass on an even mesh, with the barrier of the interior-point method brought down to nothing."""
    car = FrictionCircle("point mass", grip=10.0 / G)
    options = LapOptions(mesh=mesh, degree=degree, uniform=True, tolerance=10.0, refinements=0)
    found = solve_lap(track, car, start=start, end=end, options=options).solution
    begin = Start(found.x, found.row_multipliers, found.bound_multipliers, 1e-8)
    again = solve_ipopt(found.nlp, begin, tolerance=1e-10)
    assert again.status.solved
    return again.time()


def observed_orders(errors):
    """Order from each pair of errors on meshes whose step was halved."""
    errors = np.abs(errors)
    return np.log2(errors[:-1] / errors[1:])


@pytest.mark.parametrize("degree, meshes, expected", [(1, (8.0, 4.0, 2.0, 1.0), 1), (2, (10.0, 5.0, 2.5), 3)])
def test_order_on_a_smooth_problem(degree, meshes, expected):
    """Radau IIA with d points has order 2 d - 1 (Hairer & Wanner, Solving Ordinary Differential Equations II, IV.5 [from
    memory]).

    The exact time is the root of the bilinear tangent law (Bryson & Ho, Applied Optimal Control, 1975, 2.7 [from memory]):
    50 to 30 m/s over 100 m and 6 m to the left. The force turns smoothly and nothing switches.
    """
    exact = 2.4131606546
    track = build_track(definition([Straight(100.0)], 11.0))
    start, end = EndState(50.0, 0.0, 0.0), EndState(30.0, 6.0, 0.0)
    errors = np.array([time_on(track, start, end, mesh, degree) - exact for mesh in meshes])
    orders = observed_orders(errors)
    assert np.all(orders > expected - 0.3)


def test_three_points_beat_two_on_the_same_mesh():
    """The U-turn, 6.107048682230 s by a general pseudospectral solver (yapss, MIT licence): higher degree, smaller error."""
    move = Manoeuvre(30.0, 20.0j, pi, 30.0)
    track, start, end = around(move, approach=36.0, radius=10.0, angle=pi, left=9.0, right=14.0)
    two, three = (abs(time_on(track, start, end, 1.0, degree) - 6.107048682230) for degree in (2, 3))
    assert two < 1e-4
    assert three < 0.1 * two
