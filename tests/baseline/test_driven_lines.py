"""Lines other than the centreline: their geometry, what is refused, and the optimum's own line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from straight_roads import RIGHT_ANGLE, point_mass, ring, road

from lapwright import load_track
from lapwright.baseline.lines import line_of_lap, line_offsets
from lapwright.baseline.path import Offsets, path_road
from lapwright.baseline.solve import solve_baseline
from lapwright.errors import InputError
from lapwright.inputs.line_file import load_line, parse_line
from lapwright.quantities import DEG
from lapwright.track.definition import Arc, Station, Straight
from lapwright.track.track import Track
from lapwright.vehicle.parameters import FrictionCircle


def curvature_in_plan(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Curvature of the circle through three neighbouring points."""
    a = np.hypot(x[1:-1] - x[:-2], y[1:-1] - y[:-2])
    b = np.hypot(x[2:] - x[1:-1], y[2:] - y[1:-1])
    c = np.hypot(x[2:] - x[:-2], y[2:] - y[:-2])
    cross = (x[1:-1] - x[:-2]) * (y[2:] - y[1:-1]) - (y[1:-1] - y[:-2]) * (x[2:] - x[1:-1])
    return 2.0 * cross / (a * b * c)


def test_a_constant_offset_on_a_ring_is_a_smaller_ring() -> None:
    track = ring(50.0)
    s = np.linspace(0.0, track.length, 60)
    line = line_offsets(track, s, np.full(60, 4.0))
    path = path_road(track, line, np.linspace(1.0, 300.0, 77))
    assert path.curvature == pytest.approx(1.0 / 46.0)
    assert path.metric == pytest.approx(46.0 / 50.0)
    result = solve_baseline(track, point_mass(), line=line)
    assert result.lap.speed == pytest.approx(np.sqrt(10.0 * 46.0), rel=1e-6)
    assert result.time == pytest.approx(2 * np.pi * 46.0 / np.sqrt(460.0), rel=1e-6)
    assert result.lap.n == pytest.approx(4.0)


def test_curvature_and_length_of_a_wandering_line() -> None:
    """Against the circle through three neighbouring points in plan and the length of the polygon."""
    track = road(Straight(50.0), Arc(60.0, RIGHT_ANGLE, 30.0, 30.0), Straight(50.0))
    stations = np.linspace(0.0, track.length, 40)
    line = line_offsets(track, stations, 2.0 * np.sin(stations / 25.0))
    s = np.linspace(0.0, track.length, 4001)
    path = path_road(track, line, s)
    x, y, _ = track.to_world(s, path.n)
    inner = slice(30, -30)
    assert path.curvature[1:-1][inner] == pytest.approx(curvature_in_plan(x, y)[inner], abs=2e-5)
    length = np.sum(np.hypot(np.diff(x), np.diff(y)))
    assert np.sum(0.5 * (path.metric[1:] + path.metric[:-1]) * np.diff(s)) == pytest.approx(length, rel=1e-6)


def test_length_of_a_line_on_a_hill() -> None:
    hill = tuple(Station(float(s), 6.0 * np.sin(s / 60.0)) for s in np.linspace(0.0, 200.0, 81))
    track = road(Straight(200.0), elevation=hill, bank=(Station(0.0, 0.0), Station(200.0, 8.0 * DEG)))
    stations = np.linspace(0.0, 200.0, 30)
    line = line_offsets(track, stations, 1.5 * np.cos(stations / 30.0))
    s = np.linspace(0.0, 200.0, 8001)
    path = path_road(track, line, s)
    x, y, z = track.to_world(s, path.n)
    polygon = np.sum(np.sqrt(np.diff(x) ** 2 + np.diff(y) ** 2 + np.diff(z) ** 2))
    assert np.sum(0.5 * (path.metric[1:] + path.metric[:-1]) * np.diff(s)) == pytest.approx(polygon, rel=2e-5)


def test_energy_is_kept_on_a_coasting_line() -> None:
    """Without drive, drag or brakes v^2 / 2 + g z stays what it is, on any line over any hill."""
    hill = tuple(Station(float(s), 5.0 * np.cos(s / 50.0)) for s in np.linspace(0.0, 314.159, 121))
    track = road(Straight(314.159), elevation=hill, bank=(Station(0.0, -0.05), Station(314.159, 0.05)))
    stations = np.linspace(0.0, track.length, 30)
    line = line_offsets(track, stations, 2.0 * np.sin(stations / 40.0))
    car = FrictionCircle("Coasting", 3.0, accel_limit=0.0)
    lap = solve_baseline(track, car, line=line, start_speed=25.0).lap
    energy = 0.5 * lap.speed**2 + 9.80665 * lap.z
    assert energy == pytest.approx(energy[0], rel=2e-4)


def test_the_centreline_given_as_a_line_is_the_centreline() -> None:
    track = road(Straight(80.0), Arc(30.0, RIGHT_ANGLE, 20.0, 20.0), Straight(80.0))
    car = FrictionCircle("Car", 1.2, accel_limit=0.5, power=100e3, drag_area=0.6)
    s = np.linspace(0.0, track.length, 50)
    given = solve_baseline(track, car, line=(s, np.zeros(50)), start_speed=20.0)
    assert given.time == pytest.approx(solve_baseline(track, car, start_speed=20.0).time, rel=1e-9)


def test_noise_is_smoothed_to_the_tolerance_asked() -> None:
    """Offsets with 3 cm of noise every metre: their second differences mean nothing, the smoothed line is the true one."""
    rng = np.random.default_rng(4)
    track = ring(80.0)
    s = np.linspace(0.0, track.length, 500, endpoint=False)
    true = 1.5 * np.sin(2 * np.pi * 3 * s / track.length)
    line = line_offsets(track, s, true + 0.03 * rng.standard_normal(s.size), smoothing=0.03)
    fine = np.linspace(0.0, track.length, 900)
    assert line.at(fine)[0] == pytest.approx(1.5 * np.sin(2 * np.pi * 3 * fine / track.length), abs=0.05)
    clean = path_road(track, line_offsets(track, s, true), fine).curvature
    assert path_road(track, line, fine).curvature == pytest.approx(clean, abs=1.5e-3)


@pytest.mark.parametrize(
    ("s", "n", "what"),
    [
        ([0.0, 50.0, 100.0], [0.0, 0.0, 0.0], "at least 4"),
        ([0.0, 50.0, 40.0, 100.0], [0.0] * 4, "does not lie beyond"),
        ([0.0, 50.0, 70.0, 90.0], [0.0] * 4, "covers 0 to 90 m"),
        ([0.0, 50.0, 70.0, 100.0], [0.0, 5.1, 0.0, 0.0], "off the road"),
        ([0.0, 50.0, np.nan, 100.0], [0.0] * 4, "not a number"),
        ([0.0, 50.0, 100.0], [0.0] * 4, "same length"),
    ],
)
def test_lines_that_are_refused(s: list[float], n: list[float], what: str) -> None:
    with pytest.raises(InputError, match=what):
        line_offsets(road(Straight(100.0)), np.array(s), np.array(n))


def test_a_closed_line_must_go_all_the_way_round() -> None:
    track = ring(50.0)
    s = np.linspace(0.0, 0.8 * track.length, 50)
    with pytest.raises(InputError, match="leaves out"):
        line_offsets(track, s, 0 * s)
    with pytest.raises(InputError, match="the lap has only"):
        line_offsets(track, np.linspace(0.0, 1.2 * track.length, 50), np.zeros(50))


def test_the_optimum_of_a_point_mass_is_its_own_quasi_steady_lap() -> None:
    """A point mass has no inertia in yaw and no load to move: on the line of its optimum the quasi-steady lap, which is the
    fastest one on a given line, takes the same time, within what the mesh of the optimum leaves open."""
    from lapwright import solve_lap

    track = load_track(Path(__file__).parents[2] / "tracks" / "cinder-yard.yaml")
    car = FrictionCircle("Car", 1.1, accel_limit=0.5, power=150e3, drag_area=0.7, mass=1200.0)
    optimum = solve_lap(track, car)
    result = solve_baseline(track, car, line=line_of_lap(track, optimum.lap))
    assert result.time == pytest.approx(optimum.time, rel=1e-3)
    assert solve_baseline(track, car).time > optimum.time * 1.02


# Lines from files


def straight(length: float = 100.0) -> Track:
    return road(Straight(length))


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "line.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "text",
    [
        "distance_m,lateral_offset_m\n0,1\n40,1.5\n60,1.5\n100,1\n",
        "# a line\n\nspeed;lateral_offset_m;distance_m\n3;1,0;0\n3;1,5;40,0\n3;1,5;60\n3;1;100\n",
        "distance_m\tlateral_offset_m\r\n0\t1\r\n40\t1.5\r\n60\t1.5\r\n100\t1\r\n",
        '"distance_m","lateral_offset_m"\n"0","1"\n40,1.5\n60,1.5\n100,1\n',
    ],
    ids=["commas", "decimal commas", "tabs", "quotes"],
)
def test_a_line_is_read(tmp_path: Path, text: str) -> None:
    line, notices = load_line(written(tmp_path, text), straight(), smoothing=0.0)
    assert line.at(np.array([0.0, 40.0, 60.0, 100.0]))[0] == pytest.approx([1.0, 1.5, 1.5, 1.0])
    assert len(notices) == 1 and "4 points" in notices[0]


def test_the_trace_of_a_lap_serves_as_a_line(tmp_path: Path) -> None:
    from lapwright.outputs.traces import write_trace

    track = road(Straight(80.0), Arc(30.0, RIGHT_ANGLE, 20.0, 20.0), Straight(80.0))
    car = FrictionCircle("Car", 1.2, accel_limit=0.5, power=100e3)
    s = np.linspace(0.0, track.length, 30)
    lap = solve_baseline(track, car, line=(s, 1.5 * np.sin(s / 30.0)), start_speed=20.0).lap
    write_trace(tmp_path / "trace.csv", lap)
    line, _ = load_line(tmp_path / "trace.csv", track, smoothing=0.002)
    again = solve_baseline(track, car, line=line, start_speed=20.0).lap
    assert again.time == pytest.approx(lap.time, rel=2e-3)


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("", ["line.csv:1:1: the table is empty"]),
        ("distance_m,offset\n0,1\n", ["line.csv:1:1: there is no column lateral_offset_m"]),
        ("distance_m,lateral_ofset_m\n0,1\n", ["did you mean lateral_ofset_m"]),
        (
            "distance_m,lateral_offset_m,distance_m\n0,1,0\n",
            ["line.csv:1:29: the column distance_m is there twice"],
        ),
        (
            "distance_m,lateral_offset_m\n0,one\n40\n,1\n100,1\n",
            [
                "line.csv:2:3: lateral_offset_m is one",
                "line.csv:3:1: this row ends",
                "line.csv:4:1: distance_m is empty",
            ],
        ),
        (
            "distance_m,lateral_offset_m\n0,0\n40,0\n30,0\n100,0\n",
            ["line.csv:4:1: station 30 m does not lie beyond"],
        ),
        (
            "distance_m,lateral_offset_m\n0,0\n40,0\n60,7\n100,0\n",
            ["line.csv:4:1: offset 7 m at 60 m is off the road"],
        ),
        (
            "distance_m,lateral_offset_m\n0,nan\n40,0\n60,1e999\n100,0\n",
            [":2:3: lateral_offset_m is nan", ":4:4: lateral_offset_m is 1e999"],
        ),
    ],
)
def test_faults_of_a_line_file(tmp_path: Path, text: str, faults: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        load_line(written(tmp_path, text), straight())
    for fault in faults:
        assert fault in str(caught.value)


def test_a_line_with_its_own_curvature(tmp_path: Path) -> None:
    """Curvature worked out from world points of the line, by the circle through three neighbours."""
    track = road(Straight(50.0), Arc(60.0, RIGHT_ANGLE, 30.0, 30.0), Straight(50.0))
    s = np.linspace(0.0, track.length, 400)
    n = 2.0 * np.sin(s / 25.0)
    x, y, _ = track.to_world(s, n)
    curvature = np.concatenate([[0.0], curvature_in_plan(x, y), [0.0]])
    rows = "".join(f"{a:.3f},{b:.3f},{k:.6f}\n" for a, b, k in zip(s, n, curvature, strict=True))
    line, notices = load_line(written(tmp_path, "distance_m,lateral_offset_m,curvature_1pm\n" + rows), track)
    assert "curvature_1pm" in notices[0]
    path = path_road(track, line, s[1:-1])
    assert path.curvature == pytest.approx(curvature[1:-1], abs=1e-5)
    assert path.n == pytest.approx(n[1:-1], abs=6e-4)
    without = load_line(written(tmp_path, "distance_m,lateral_offset_m\n" + rows), track, smoothing=0.03)[0]
    assert not np.allclose(path_road(track, without, s[1:-1]).curvature, curvature[1:-1], atol=2e-4)


def test_a_curvature_that_is_not_that_of_the_offsets(tmp_path: Path) -> None:
    track = road(Straight(50.0), Arc(60.0, RIGHT_ANGLE, 30.0, 30.0), Straight(50.0))
    s = np.linspace(0.0, track.length, 200)
    rows = "".join(f"{a:.3f},0.5,0.000000\n" for a in s)
    with pytest.raises(InputError, match=r"line\.csv:\d+:1: the curvature does not belong to the offsets"):
        load_line(written(tmp_path, "distance_m,lateral_offset_m,curvature_1pm\n" + rows), track)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("distance_m,lateral_offset_m,curvature_1pm\n0,0,x\n", "line.csv:2:5: curvature_1pm is x"),
        (
            "distance_m,lateral_offset_m,curvature_1pm,curvature_1pm\n0,0,0,0\n",
            "line.csv:1:43: the column curvature_1pm is there twice",
        ),
        ("distance_m,lateral_offset_m,curvature_1pm\n0,0\n", "line.csv:2:1: this row ends before"),
    ],
)
def test_faults_of_the_curvature(tmp_path: Path, text: str, fault: str) -> None:
    with pytest.raises(InputError) as caught:
        load_line(written(tmp_path, text), straight())
    assert fault in str(caught.value)


def test_many_faults_are_counted() -> None:
    text = "distance_m,lateral_offset_m\n" + "x,0\n" * 50
    with pytest.raises(InputError, match="and 30 more faults"):
        parse_line(text, "line.csv")


def test_the_centreline_has_no_curve() -> None:
    s = np.array([3.0, 9.0])
    assert all(np.array_equal(part, np.zeros(2)) for part in Offsets().at(s))
