"""Sensitivities from one solve against central differences of whole solves."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from lapwright.problem.lap import EndState
from lapwright.quantities import G
from lapwright.reference.solve import LapOptions, solve_lap
from lapwright.solver.sensitivity import bound_gradient, parameter_gradient
from lapwright.solver.solution import Solution
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.vehicle.parameters import FrictionCircle

CAR = FrictionCircle("Point", 1.3, 900.0, 0.45, 110e3, 0.8, 0.6)
HALF_WIDTH = 3.0


@lru_cache
def solved(car: FrictionCircle = CAR, left: float = HALF_WIDTH, right: float = HALF_WIDTH) -> Solution:
    """Fast straight, tight bend, straight again: power, braking and cornering each rule somewhere."""
    line = ElementLine((Straight(90.0), Arc(25.0, 1.4, 15.0, 15.0), Straight(90.0)))
    track = build_track(TrackDefinition("Bend", False, line, (Station(0.0, left),), (Station(0.0, right),)))
    run = solve_lap(
        track,
        car,
        start=EndState(25.0, 0.0, 0.0),
        options=LapOptions(mesh=6.0, uniform=True, tolerance=1.0, refinements=0),
    )
    return run.solution


def by_parameter() -> dict[str, np.ndarray]:
    solution = solved()
    return dict(zip(solution.nlp.problem.model.parameters, parameter_gradient(solution), strict=True))


@pytest.mark.parametrize("name", ["grip", "mass", "power", "drag_area", "downforce_area", "accel_limit"])
def test_derivative_by_a_number_of_the_car_is_that_of_solving_again(name):
    value = getattr(CAR, name)
    step = 2e-3 * value
    more, less = (solved(replace(CAR, **{name: value + way * step})).objective for way in (1.0, -1.0))
    slope = (more - less) / (2.0 * step)
    assert abs(slope * value) > 1e-4
    assert float(by_parameter()[name].sum()) == pytest.approx(slope, rel=0.01)


def test_more_grip_and_power_help_and_more_mass_and_drag_hurt():
    total = {name: float(split.sum()) for name, split in by_parameter().items()}
    assert total["grip"] < 0.0 and total["power"] < 0.0 and total["downforce_area"] < 0.0
    assert total["mass"] > 0.0 and total["drag_area"] > 0.0


def test_the_split_shows_where_a_number_counts():
    """Grip counts where the circle is full, power where the engine gives all it has: nowhere else."""
    solution, split = solved(), by_parameter()
    nlp = solution.nlp
    for values in split.values():
        assert values.shape == (nlp.mesh.intervals,)
    speed, (long, lat) = solution.point_states[..., 2], np.moveaxis(solution.point_controls, 2, 0)
    aero = 0.5 * CAR.air_density / CAR.mass * speed**2 * CAR.downforce_area / G
    use = np.hypot(long, lat) / (CAR.grip * (1.0 + aero))
    drive = long * CAR.mass * G * speed / CAR.power
    slack_grip, slack_power = use.max(axis=1) < 0.99, drive.max(axis=1) < 0.99
    assert 2 < slack_grip.sum() < nlp.mesh.intervals - 2
    assert 2 < slack_power.sum() < nlp.mesh.intervals - 2
    for name, slack in (("grip", slack_grip), ("power", slack_power)):
        assert np.max(np.abs(split[name][slack])) < 1e-3 * np.max(np.abs(split[name]))
        assert np.all(split[name] < 1e-3 * np.max(np.abs(split[name])))


@pytest.mark.parametrize("side", ["left", "right"])
def test_derivative_by_the_road_edge_is_that_of_a_wider_road(side):
    step = 0.02
    more, less = (solved(**{side: HALF_WIDTH + way * step}).objective for way in (1.0, -1.0))
    slope = (more - less) / (2.0 * step)
    found = bound_gradient(solved(), "n", upper=side == "left")
    assert found.shape == solved().nlp.stations.shape
    assert np.all(found <= 0.0)
    assert slope < -1e-4
    assert float(found.sum()) == pytest.approx(slope, rel=0.02)


def test_derivatives_keep_for_other_numbers_of_the_car():
    """The parameters solved with count, not those the problem was made with: here both are the same car."""
    solution = solved()
    np.testing.assert_array_equal(solution.p, solution.nlp.parameters)
    moved = replace(solution, p=solution.nlp.with_values(solution.nlp.problem.model.values * 1.2))
    assert not np.allclose(parameter_gradient(moved), parameter_gradient(solution))
