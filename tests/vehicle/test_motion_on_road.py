"""A body on a curved, banked, cresting and twisting road, against closed forms and Lagrange's equations."""

from __future__ import annotations

import casadi as ca
import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from lapwright.quantities import DEG, G
from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.vehicle.circle import circle_point
from lapwright.vehicle.motion import FLAT, RoadFrame, ride
from lapwright.vehicle.parameters import FrictionCircle

# Closed forms below follow from Newton's second law on a circle; Gillespie, Fundamentals of Vehicle Dynamics
# (1992), and Milliken & Milliken, Race Car Vehicle Dynamics (1995), give them (from memory). Values by hand.


def frame_of(road, k):
    names = ("stretch", "omega_x", "omega_y", "omega_z", "omega_x_rate", "up_x", "up_y", "up_z", "grip_base")
    return RoadFrame(*(float(getattr(road, name)[k]) for name in names))


def fastest(car, road):
    """Speed at which the tyre force that holds the road's curve is all there is."""

    def spare(speed):
        free = circle_point(car, road, 0.0, 0.0, speed, 0.0, 0.0)
        # turn_rate is what is missing for following the road: the tyre has to add it, turn by turn.
        need = -free.turn_rate * speed / G
        held = circle_point(car, road, 0.0, 0.0, speed, 0.0, need)
        assert held.turn_rate == pytest.approx(0.0, abs=1e-12)
        return held.grip_force - abs(need)

    return brentq(spare, 5.0, 120.0, xtol=1e-12)


@pytest.mark.parametrize(
    ("lift", "radius", "speed"), [(2.0, 50.0, 28.1105900), (2.0, 100.0, 41.3207915), (0.0, 100.0, 38.3535852)]
)
def test_skidpad_speed(lift, radius, speed):
    car = FrictionCircle("c", grip=1.5, mass=1300.0, downforce_area=lift, air_density=1.2)
    assert fastest(car, FLAT._replace(omega_z=1.0 / radius)) == pytest.approx(speed, abs=1e-7)
    assert fastest(car, FLAT._replace(omega_z=-1.0 / radius)) == pytest.approx(speed, abs=5e-7)


def banked(radius, bank):
    """Level circle to the left, left edge higher by ``bank``."""
    bend = 1.0 / radius
    sin, cos = np.sin(bank), np.cos(bank)
    return FLAT._replace(omega_y=bend * sin, omega_z=bend * cos, up_y=sin, up_z=cos)


def test_banked_bend_speed():
    # v^2 = g R (tan b + mu) / (1 - mu tan b), outer edge higher
    car = FrictionCircle("c", grip=1.2)
    assert fastest(car, banked(100.0, -10.0 * DEG)) == pytest.approx(41.3757370, abs=1e-6)
    assert fastest(car, banked(-100.0, 10.0 * DEG)) == pytest.approx(41.3757370, abs=1e-6)
    adverse = np.sqrt(G * 100 * (1.2 - np.tan(10 * DEG)) / (1 + 1.2 * np.tan(10 * DEG)))
    assert fastest(car, banked(100.0, 10.0 * DEG)) == pytest.approx(adverse, abs=1e-6)


def test_banked_bend_of_a_track():
    """The same number through the track: arc, constant bank, its rotation and its gravity."""
    definition = TrackDefinition(
        "bowl", False, ElementLine((Straight(20.0), Arc(100.0, 90 * DEG), Straight(20.0))),
        (Station(0, 5.0),), (Station(0, 5.0),), bank=(Station(0, -10 * DEG),),
    )  # fmt: skip
    road = build_track(definition).road(np.array([90.0]))
    assert fastest(FrictionCircle("c", grip=1.2), frame_of(road, 0)) == pytest.approx(41.3757370, abs=1e-6)


@pytest.mark.parametrize(
    ("speed", "radius", "share"), [(50.0, 500.0, 0.4901419), (60.0, -800.0, 1.4588723)], ids=["crest", "dip"]
)
def test_load_over_crest_and_dip(speed, radius, share):
    road = FLAT._replace(omega_y=1.0 / radius)
    assert ride(road, 0.0, 0.0, speed, 0.0).normal / G == pytest.approx(share, abs=1e-7)
    point = circle_point(FrictionCircle("c", 1.5), road, 0.0, 0.0, speed, 0.0, 0.0)
    assert point.normal == pytest.approx(share, abs=1e-7)


def test_crest_of_a_track_takes_load_off():
    """A parabola in elevation has the vertical curvature z'' / (1 + z'^2)^1.5 of any calculus book."""
    at = np.linspace(0.0, 200.0, 41)
    height = 20.0 - (at - 100.0) ** 2 / (2 * 500.0)
    definition = TrackDefinition(
        "hill", False, ElementLine((Straight(200.0),)), (Station(0, 5.0),), (Station(0, 5.0),),
        elevation=tuple(Station(float(a), float(z)) for a, z in zip(at, height, strict=True)),
    )  # fmt: skip
    track = build_track(definition)
    top = ride(frame_of(track.road(np.array([100.0])), 0), 0.0, 0.0, 50.0, 0.0)
    assert top.normal / G == pytest.approx(0.4901419, abs=2e-4)
    climb = ride(frame_of(track.road(np.array([60.0])), 0), 0.0, 0.0, 50.0, 0.0)
    slope = 40.0 / 500.0
    assert climb.gravity_long == pytest.approx(-G * np.sin(np.arctan(slope)), abs=1e-3)
    assert climb.s_dot == pytest.approx(50.0 * np.cos(np.arctan(slope)), abs=1e-3)
    bend = (1 / 500.0) / (1 + slope**2) ** 1.5
    assert climb.normal == pytest.approx(G * np.cos(np.arctan(slope)) - 50.0**2 * bend, abs=2e-3)


def test_bend_over_a_crest():
    road = FLAT._replace(omega_z=1.0 / 100.0, omega_y=1.0 / 600.0)
    assert fastest(FrictionCircle("c", grip=1.5), road) == pytest.approx(34.3044895, abs=1e-7)


def lagrange(shape, n, xi, speed, force_long, force_lat):
    """Motion of a unit mass on the ribbon by Lagrange's equations of the first kind (any mechanics textbook).

    The ribbon is given as a surface P(s, n) with the derivatives taken by CasADi. Returns the acceleration
    in the axes of a body that heads ``xi`` from the road, and the force of the surface along its normal.
    """
    s, offset, q_dot = ca.MX.sym("s"), ca.MX.sym("n"), ca.MX.sym("qd", 2)
    centre, frame = shape(s)
    place = centre + offset * frame[:, 1]
    q = ca.vertcat(s, offset)
    jac = ca.jacobian(place, q)
    bent = ca.jacobian(ca.mtimes(jac, q_dot), q) @ q_dot
    f = ca.Function("f", [q, q_dot], [jac, bent, frame])
    tangents, _, axes = (np.asarray(a) for a in f([0.0, n], [0.0, 0.0]))
    long = axes @ [np.cos(xi), np.sin(xi), 0.0]
    lat = axes @ [-np.sin(xi), np.cos(xi), 0.0]
    in_road = axes.T @ tangents
    rates = np.linalg.solve(in_road[:2], speed * np.array([np.cos(xi), np.sin(xi)]))
    tangents, bent, _ = (np.asarray(a) for a in f([0.0, n], rates))
    ahead = tangents @ rates / np.linalg.norm(tangents @ rates)
    out = np.cross(tangents[:, 0], tangents[:, 1])
    out /= np.linalg.norm(out)
    applied = G * (force_long * ahead + force_lat * np.cross(out, ahead)) - [0.0, 0.0, G]
    q_ddot = np.linalg.solve(tangents.T @ tangents, tangents.T @ (applied - bent[:, 0]))
    accel = tangents @ q_ddot + bent[:, 0]
    return rates, accel @ long, accel @ lat, (accel - applied) @ out


def ribbon(k0, k1, slope, slope_rate, bank, twist, twist_rate):
    """A ribbon near s = 0 as a surface and as a road frame: curvature, slope angle and bank run as given."""

    def shape(s):
        psi, mu, phi = (
            k0 * s + k1 * s**2 / 2,
            slope + slope_rate * s,
            bank + twist * s + twist_rate * s**2 / 2,
        )
        t = np.tan(slope)
        bend = (1 + t * t) * slope_rate
        rise = t * s + bend * s**2 / 2 + t * bend * slope_rate * s**3 / 3
        centre = ca.vertcat(s - k0**2 * s**3 / 6, k0 * s**2 / 2 + k1 * s**3 / 6, rise)
        cp, sp, cm, sm, cf, sf = ca.cos(psi), ca.sin(psi), ca.cos(mu), ca.sin(mu), ca.cos(phi), ca.sin(phi)
        yaw = ca.vertcat(ca.horzcat(cp, -sp, 0), ca.horzcat(sp, cp, 0), ca.horzcat(0, 0, 1))
        pitch = ca.vertcat(ca.horzcat(cm, 0, -sm), ca.horzcat(0, 1, 0), ca.horzcat(sm, 0, cm))
        roll = ca.vertcat(ca.horzcat(1, 0, 0), ca.horzcat(0, cf, -sf), ca.horzcat(0, sf, cf))
        return centre, yaw @ pitch @ roll

    sm, cm, sb, cb = np.sin(slope), np.cos(slope), np.sin(bank), np.cos(bank)
    road = RoadFrame(
        1.0 / cm, twist + k0 * sm, -slope_rate * cb + k0 * cm * sb, slope_rate * sb + k0 * cm * cb,
        twist_rate + k1 * sm + k0 * cm * slope_rate, sm, cm * sb, cm * cb, 1.0,
    )  # fmt: skip
    return shape, road


def accelerations(road, n, xi, speed, force_long, force_lat):
    """The same from the car's formulas: what the road frame sees, w omega included."""
    point = circle_point(FrictionCircle("c", 1.5), road, n, xi, speed, force_long, force_lat)
    move = point.ride
    along = point.speed_rate - move.spin_long
    across = (point.turn_rate + move.road_yaw_rate) * speed - move.spin_lat
    return np.array([move.s_dot, move.n_dot]), along, across, move.normal


ROADS = {
    "hill and bend": (0.02, 0.0, 0.06, -0.002, 0.0, 0.0, 0.0),
    "banked bend": (0.03, 0.0, 0.0, 0.0, -0.2, 0.0, 0.0),
    "banked bend on a dip": (0.02, 0.0, -0.05, 0.002, -0.15, 0.0, 0.0),
}


@pytest.mark.parametrize("road_name", ROADS)
@pytest.mark.parametrize("n", [0.0, 4.0])
def test_untwisted_road_agrees_with_lagrange(road_name, n):
    k0, k1, slope, slope_rate, bank, twist, twist_rate = ROADS[road_name]
    twist = -k0 * np.sin(slope)  # a road that climbs through a bend twists unless its bank takes it back
    shape, road = ribbon(k0, k1, slope, slope_rate, bank, twist, twist_rate)
    exact = lagrange(shape, n, 0.15, 30.0, -0.9, 0.7)
    ours = accelerations(road, n, 0.15, 30.0, -0.9, 0.7)
    for a, b in zip(exact, ours, strict=True):
        # omega_x is zero, its rate is not: the car leaves the plane by that alone, and the formula has it.
        np.testing.assert_allclose(b, a, rtol=0, atol=1e-9)


def test_twisted_road_agrees_with_lagrange_to_second_order():
    """Off the centreline of a twisting road what is left out falls with the square of the twist."""
    errors = []
    for twist in (4e-3, 2e-3, 1e-3):
        shape, road = ribbon(0.02, 0.0, 0.0, -0.001, 0.1, twist, twist / 50.0)
        exact = lagrange(shape, 4.0, 0.15, 30.0, -0.9, 0.7)
        ours = accelerations(road, 4.0, 0.15, 30.0, -0.9, 0.7)
        errors.append(max(abs(a - b) for a, b in zip(exact[1:], ours[1:], strict=True)))
    assert errors[0] < 0.02
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.2)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.2)


def coast(twist, tilt_counts=True):
    """Largest change of energy [J/kg] of a mass that slides without friction over a waving ribbon."""
    at = np.linspace(0.0, 400.0, 33)
    bank = twist * 40.0 * np.sin(2 * np.pi * at / 250.0)
    height = 2.0 * np.cos(2 * np.pi * at / 300.0)
    definition = TrackDefinition(
        "wave", False, ElementLine((Straight(100.0), Arc(400.0, 25 * DEG, 40, 40), Straight(200.0))),
        (Station(0, 9.0),), (Station(0, 9.0),),
        elevation=tuple(Station(float(a), float(z)) for a, z in zip(at, height, strict=True)),
        bank=tuple(Station(float(a), float(b)) for a, b in zip(at, bank, strict=True)),
    )  # fmt: skip
    track = build_track(definition)
    car = FrictionCircle("c", 1.0)

    def rates(_t, x):
        s, n, xi, speed = x
        point = circle_point(car, frame_of(track.road(np.array([s])), 0), n, xi, speed, 0.0, 0.0)
        lost = 0.0 if tilt_counts else point.ride.tilt_long * point.ride.normal
        return [point.ride.s_dot, point.ride.n_dot, point.turn_rate, point.speed_rate - lost]

    run = solve_ivp(rates, (0.0, 6.0), [10.0, 5.0, 0.0, 40.0], rtol=1e-9, atol=1e-9, dense_output=True)
    x = run.sol(np.linspace(0.0, 6.0, 301))
    road = track.road(x[0])
    _, _, z = track.to_world(x[0], x[1])
    s_dot = x[3] * np.cos(x[2]) / (road.stretch - x[1] * road.omega_z)
    energy = 0.5 * (x[3] ** 2 + (x[1] * road.omega_x * s_dot) ** 2) + G * z
    return float(np.ptp(energy))


def test_coasting_energy_off_the_centreline():
    """v^2/2 + g z is kept to second order in the twist; without the tilt it is not even to first."""
    strong, weak = coast(2e-3), coast(1e-3)
    assert coast(0.0) < 2e-4
    assert strong < 0.5  # J/kg, of 800
    assert strong / weak > 3.0
    assert coast(1e-3, tilt_counts=False) > 20.0 * weak
