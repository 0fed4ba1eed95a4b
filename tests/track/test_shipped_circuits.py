"""The circuits in tracks/: they close, can be driven, and have what their files say."""

from __future__ import annotations

import runpy
import warnings
from pathlib import Path

import numpy as np
import pytest

from lapwright.inputs.files import load_track
from lapwright.quantities import DEG, G
from lapwright.track.build import build_track

FOLDER = Path(__file__).parents[2] / "tracks"
NAMES = sorted(path.stem for path in FOLDER.glob("*.yaml"))


@pytest.fixture(scope="module", params=NAMES)
def track(request):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return load_track(FOLDER / f"{request.param}.yaml")


def a_plausible_speed(points):
    """Speed [m/s] held to 1.5 g sideways, 1.3 g of braking, 0.4 g of drive and 75 m/s, over two laps."""
    speed = np.minimum(75.0, np.sqrt(1.5 * G / np.maximum(np.abs(points.curvature), 1e-6)))
    step = points.s[1] - points.s[0]
    for _ in range(2):
        for i in range(len(speed)):
            speed[i] = min(speed[i], np.sqrt(speed[i - 1] ** 2 + 2 * 0.4 * G * step))
        for i in range(len(speed) - 1, -1, -1):
            speed[i - 1] = min(speed[i - 1], np.sqrt(speed[i] ** 2 + 2 * 1.3 * G * step))
    return speed


def test_every_kind_of_road_is_there():
    assert len(NAMES) >= 5


def test_it_closes_by_design(track):
    assert track.report.notices == ()
    if track.report.smoothing_max == 0.0:
        assert track.report.closure_gap < 0.05
        assert abs(track.report.closure_heading) < 1e-6


def test_hills_keep_the_car_on_the_ground(track):
    # Vertical load from the height profile alone, in g: below 0.8 at any plausible speed.
    points = track.road(np.linspace(0, track.length, 4000))
    bend = track.height.bend(points.s) / (1.0 + np.tan(points.slope) ** 2) ** 1.5
    assert np.max(np.abs(bend)) < 1.0 / 150.0
    assert np.max(np.abs(bend) * a_plausible_speed(points) ** 2) < 0.8 * G


def test_the_road_twists_gently(track):
    points = track.road(np.linspace(0, track.length, 4000))
    twist = np.abs(track.banking.slope(points.s)) * a_plausible_speed(points)
    assert np.max(twist) < 20.0 * DEG


def test_names_and_places(track):
    assert len(track.corners) >= 3
    assert len({corner.name for corner in track.corners}) == len(track.corners)
    assert len(track.landmarks) >= 5
    places = [mark.at for mark in track.landmarks]
    assert places == sorted(places)
    for corner in track.corners:
        assert corner.angle > 10 * DEG


def test_files_say_that_they_are_invented():
    for name in NAMES:
        assert "invented" in (FOLDER / f"{name}.yaml").read_text(encoding="utf-8").splitlines()[0]


def corner(track, name):
    (found,) = [c for c in track.corners if c.name == name]
    return found


def test_marrow_fen_has_its_set_pieces():
    track = load_track(FOLDER / "marrow-fen.yaml")
    assert 4000 < track.length < 4500 and 30 < track.report.height_range < 40
    assert len(track.corners) == 11
    windmill = corner(track, "Windmill")
    at = np.linspace(windmill.start - 30, windmill.start + 60, 91)
    crest = at[np.argmax(track.road(at).z)]
    assert windmill.start - 10 < crest < windmill.start + 35
    assert -track.height.bend(np.array([crest]))[0] > 1 / 800
    pound = corner(track, "Pound")
    assert 12 <= pound.radius <= 16 and track.road(np.array([pound.start - 50])).slope[0] < -0.06
    assert corner(track, "Reeds").direction == "left-right"
    long_acre = corner(track, "Long Acre")
    assert long_acre.angle > 120 * DEG and long_acre.radius == pytest.approx(100, rel=1e-3)
    assert long_acre == track.corners[-1]
    widths = track.left.at(np.linspace(0, track.length, 999)) + track.right.at(
        np.linspace(0, track.length, 999)
    )
    assert np.min(widths) > 10.0 and np.max(widths) <= 13.0 + 1e-9


def test_boards_stand_where_they_say():
    track = load_track(FOLDER / "marrow-fen.yaml")
    boards = [mark for mark in track.landmarks if mark.name.endswith(" m board")]
    assert len(boards) == 9
    starts = [c.start for c in track.corners]
    for board in boards:
        following = min(start for start in starts if start > board.at)
        assert following - board.at == pytest.approx(float(board.name.split()[0]), abs=1.0)


def test_gannet_rise_is_open_and_climbs():
    track = load_track(FOLDER / "gannet-rise.yaml")
    assert not track.closed and 2000 < track.length < 3000
    ends = track.road(np.array([0.0, track.length])).z
    assert ends[1] - ends[0] > 120
    assert min(c.radius for c in track.corners) < 12


def test_tarn_bowl_is_banked():
    track = load_track(FOLDER / "tarn-bowl.yaml")
    bank = track.road(np.linspace(0, track.length, 2000)).bank / DEG
    assert np.min(bank) == pytest.approx(-16, abs=0.3) and np.max(bank) < 0
    assert 2500 < track.length < 3000


def test_cinder_yard_is_small():
    track = load_track(FOLDER / "cinder-yard.yaml")
    assert 900 < track.length < 1100
    assert min(c.radius for c in track.corners) > 7.5 and max(c.radius for c in track.corners) < 31
    assert [c.name for c in track.corners] == [f"T{i}" for i in range(1, 11)]


def test_otter_heath_is_the_road_that_was_surveyed():
    made = runpy.run_path(str(FOLDER / "otter_heath_survey.py"))
    found = load_track(FOLDER / "otter-heath.yaml")
    true = build_track(made["definition"]())
    true = made["placed"](true, *made["GRID"])
    s = np.linspace(0, true.length, 1500, endpoint=False)
    there = true.road(s)
    at, offset = found.project(there.x, there.y)
    here = found.road(at)
    # Better than a single reading: 0.06 m, 0.03 m, 0.15 degrees.
    assert np.sqrt(np.mean(offset**2)) < 0.03
    assert np.sqrt(np.mean((here.z - there.z) ** 2)) < 0.012
    assert np.sqrt(np.mean((here.bank - there.bank) ** 2)) < 0.08 * DEG
    assert np.sqrt(np.mean((here.curvature - there.curvature) ** 2)) < 0.001
    assert found.length == pytest.approx(true.length, abs=0.3)
    assert found.report.smoothing_max < 0.3
