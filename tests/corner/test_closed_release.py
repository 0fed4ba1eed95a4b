"""Brake curves and release shapes of a point mass against optimal control worked by hand.

A point mass of 10 m/s2 in every direction brakes into a clothoid along

    v dv/ds = -sqrt(A^2 - (v^2 k)^2),

integrated here backward from the apex by scipy, and takes a free U-turn by the bilinear tangent law (Bryson & Ho, Applied
Optimal Control, 1975, section 2.7 [from memory]): the components of its acceleration are as (-1, -m (t - T/2)).
"""

from __future__ import annotations

from math import pi, radians

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid, quad, solve_ivp
from scipy.optimize import brentq

from lapwright.corner.impose import Imposed
from lapwright.corner.reading import read_corner
from lapwright.corner.release import fit_release
from lapwright.corner.section import Section
from lapwright.corner.stretch import stretch_of
from lapwright.lap.corners import corner_reports
from lapwright.problem.lap import EndState
from lapwright.problem.model import Corridor
from lapwright.quantities import G
from lapwright.reference.kept import keep
from lapwright.reference.solve import LapOptions, solve_lap
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, CornerSpec, ElementLine, Station, Straight, TrackDefinition
from lapwright.vehicle.parameters import FrictionCircle

LIMIT = 10.0
POINT = FrictionCircle("point mass", grip=LIMIT / G)

RADIUS, RAMP, STRAIGHT = 30.0, 40.0, 80.0
"""Of the spiral [m]; from its apex backward, at s/L = 0.75, 0.5, 0.25 and 0, speeds and braking worked out by quadrature."""
SPIRAL = {
    0.75: (19.021727, 4.263352),
    0.50: (21.602944, 6.284970),
    0.25: (24.806517, 8.585065),
    0.00: (28.36849, 10.0),
}

DURATION = 6.107048682
"""Of the U-turn [s], by a general pseudospectral solver (yapss, MIT licence)."""


def road(elements, left, right, corner):
    return build_track(
        TrackDefinition(
            "made up",
            False,
            ElementLine(tuple(elements)),
            (Station(0.0, left),),
            (Station(0.0, right),),
            corners=(CornerSpec("Bend", *corner),),
        )
    )


def section_on(track, start, end, step):
    known = keep(
        solve_lap(track, POINT, start=start, end=end, options=LapOptions(mesh=1.0, tolerance=0.05)), track
    )
    (report,) = corner_reports(known.lap, track)
    return Section(track, known, stretch_of(known.lap, report, known.nodes), step)


@pytest.fixture(scope="module")
def spiral():
    """The drive on the very line of the spiral: a millimetre to either side would do to round its end."""
    bend = Arc(RADIUS, radians(120.0), RAMP, RAMP)
    track = road([Straight(STRAIGHT), bend, Straight(60.0)], 3.0, 3.0, (80.0, 182.8))
    section = section_on(track, EndState(40.0, 0.0, 0.0), EndState(), 0.25)
    line = Corridor(
        "n",
        lambda s: np.full(np.shape(s), -1e-6),
        lambda s: np.full(np.shape(s), 1e-6),
        "the line",
        "the line",
    )
    outcome = section.changed(Imposed(line))
    assert outcome.status == "driven"
    return outcome.drive.lap, read_corner(outcome.drive.lap, track, section.stretch, "Bend")


@pytest.fixture(scope="module")
def u_turn():
    """The free turn of ``DURATION`` between two directions on one road."""
    track = road([Straight(36.0), Arc(10.0, pi), Straight(36.0)], 9.0, 14.0, (36.0, 36.0 + 10.0 * pi))
    section = section_on(track, EndState(30.0, 0.0, 0.0), EndState(30.0, 0.0, 0.0), 0.25)
    lap = section.base.lap
    return lap, read_corner(lap, track, section.stretch, "Bend")


def spiral_braking(s):
    """Closed-form braking at stations of the spiral, over the limit."""
    top = LIMIT * RADIUS

    def energy(back, square):
        side = square[0] * (RAMP - back) / (RAMP * RADIUS)
        return [2.0 * np.sqrt(np.maximum(LIMIT**2 - side**2, 0.0))]

    found = solve_ivp(energy, [0.0, RAMP], [top], rtol=1e-10, atol=1e-10, dense_output=True)
    inside = np.clip(s - STRAIGHT, 0.0, RAMP)
    side = found.sol(RAMP - inside)[0] * inside / (RAMP * RADIUS)
    return np.sqrt(np.maximum(1.0 - (side / LIMIT) ** 2, 0.0))


def turn_motion():
    """Times, speeds and deceleration over the limit of the closed-form U-turn."""

    def bend(m):
        return quad(lambda t: LIMIT / np.hypot(1.0, m * (t - 0.5 * DURATION)), 0.0, DURATION)[0] - 60.0

    m = brentq(bend, 0.01, 5.0)
    t = np.linspace(0.0, DURATION, 20001)
    size = np.hypot(1.0, m * (t - 0.5 * DURATION))
    along, across = -LIMIT / size, -LIMIT * m * (t - 0.5 * DURATION) / size
    vx = 30.0 + cumulative_trapezoid(along, t, initial=0.0)
    vy = cumulative_trapezoid(across, t, initial=0.0)
    assert np.trapezoid(vy, t) == pytest.approx(20.0, abs=1e-3)
    speed = np.hypot(vx, vy)
    return t, speed, -(along * vx + across * vy) / speed / LIMIT


@pytest.mark.parametrize("share", SPIRAL)
def test_the_braking_into_a_spiral_is_the_closed_form(spiral, share):
    lap, _ = spiral
    speed, braking = SPIRAL[share]
    at = STRAIGHT + share * RAMP
    assert float(spiral_braking(np.array([at]))[0]) * LIMIT == pytest.approx(braking, abs=1e-5)
    assert np.interp(at, lap.s, lap.speed) == pytest.approx(speed, rel=1e-3)
    assert np.interp(at, lap.s, lap.brake) * LIMIT == pytest.approx(braking, rel=1e-3)


def test_the_release_into_a_spiral_ends_like_a_square_root(spiral):
    lap, reading = spiral
    release = reading.release
    s = np.linspace(release.start.at, min(release.end.at, STRAIGHT + RAMP - 0.05), 400)
    closed = fit_release(np.interp(s, lap.s, lap.t), spiral_braking(s))
    assert closed.end_power == pytest.approx(0.5, abs=0.03)
    assert release.shape.power == pytest.approx(closed.power, rel=1e-2)
    # The square root falls with an upright end, which intervals of 25 cm blur.
    assert release.shape.end_power == pytest.approx(closed.end_power, rel=2.5e-2)
    assert "late" in release.shape.words


def test_the_braking_into_a_free_turn_is_the_closed_form(u_turn):
    lap, reading = u_turn
    t, speed, braking = turn_motion()
    rows = lap.t < 2.95
    assert np.max(np.abs(lap.speed[rows] - np.interp(lap.t[rows], t, speed))) < 0.01
    assert np.max(np.abs(lap.brake[rows] - np.interp(lap.t[rows], t, braking))) < 0.01
    assert reading.slowest.speed == pytest.approx(4.93829, rel=1e-3)
    # The tangential acceleration passes zero at 19.1622 m/s3.
    near = np.abs(lap.t - 0.5 * DURATION) < 0.12
    slope = np.polyfit(lap.t[near], lap.throttle[near] - lap.brake[near], 1)[0] * LIMIT
    fine = np.abs(t - 0.5 * DURATION) < 0.12
    assert np.polyfit(t[fine], -braking[fine], 1)[0] * LIMIT == pytest.approx(19.1622, rel=0.02)
    assert slope == pytest.approx(np.polyfit(t[fine], -braking[fine], 1)[0] * LIMIT, rel=1e-2)


def test_the_release_into_a_free_turn_ends_like_a_ramp(u_turn):
    _, reading = u_turn
    release = reading.release
    t, _, braking = turn_motion()
    rows = (t >= release.start.time) & (t <= release.end.time)
    closed = fit_release(t[rows], braking[rows])
    assert closed.end_power == pytest.approx(1.0, abs=0.06)
    assert release.shape.power == pytest.approx(closed.power, rel=1e-2)
    assert release.shape.end_power == pytest.approx(closed.end_power, rel=1e-2)


def test_a_millimetre_of_road_turns_the_square_root_into_a_ramp(spiral):
    """Why the two yardsticks are so far apart: a line that may round the end of the spiral at all is a free one."""
    bend = Arc(RADIUS, radians(120.0), RAMP, RAMP)
    track = road([Straight(STRAIGHT), bend, Straight(60.0)], 3.0, 3.0, (80.0, 182.8))
    section = section_on(track, EndState(40.0, 0.0, 0.0), EndState(), 1.0)
    free = read_corner(section.base.lap, track, section.stretch, "Bend")
    assert free.release.shape.end_power > spiral[1].release.shape.end_power + 0.2


@pytest.mark.parametrize(("power", "within"), [(0.5, 0.04), (1.0, 0.02), (2.0, 0.2)])
def test_a_power_is_found_again(power, within):
    """From what a release shows, which is cut at a twentieth: of a long light tail the end stays unseen."""
    t = np.linspace(0.0, 0.72 * (1.0 - 0.05 ** (1.0 / power)), 200)
    left = (1.0 - t / 0.72) ** power
    shape = fit_release(t, 31.0 * left)
    assert shape.power == pytest.approx(power, rel=within)
    assert shape.misfit < 0.02


def test_words_for_shapes():
    t = np.linspace(0.0, 1.0, 200)
    assert fit_release(t, (1.0 - t) ** 0.5).words.startswith("late")
    assert fit_release(t, (1.0 - 0.99 * t)).words == "a straight ramp"
    assert fit_release(t, (1.0 - 0.95 * t) ** 2.5).words.startswith("early")
    pressed_again = np.interp(t, [0.0, 0.3, 0.6, 1.0], [1.0, 0.3, 0.6, 0.05])
    assert fit_release(t, pressed_again).words.startswith("in steps")
    plateau = np.interp(t, [0.0, 0.12, 0.95, 1.0], [1.0, 0.2, 0.18, 0.05])
    assert fit_release(t, plateau).words.startswith("not one sweep")
    assert fit_release(t[:5], np.ones(5)) is None
