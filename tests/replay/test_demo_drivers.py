"""The shipped logs of invented drivers belong to the truth that is written beside them.

The logs are read here with csv, xml and asammdf, not with the importer of the house; places are put on the road by shapely.
"""

from __future__ import annotations

import csv
import importlib
import math
import sys
import xml.etree.ElementTree as ElementTree
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import yaml
from shapely import LineString, Point

from lapwright.inputs.files import load_track

ROOT = Path(__file__).parents[2]
LOGS = ROOT / "examples" / "logs"
KMH, MPH, PSI_PER_BAR = 3.6, 0.44704, 14.503774
"""Of NIST SP 811, appendix B.8: a mile per hour is 0.44704 m/s exactly, a psi 6,894.757 Pa."""

ALONG = (
    "brake_early", "brake_late", "release_early", "release_late", "release_steps", "coast", "throttle_late", "full_late",
)  # fmt: skip
"""Faults that are told in metres of road."""

PEAK_BAR = 90.0
"""Of vehicles/cup-coupe.yaml; the brake counts as on from a twentieth of it."""


@pytest.fixture(scope="module")
def tools():
    """The modules of tools/, for as long as they are needed."""
    sys.path.insert(0, str(ROOT / "tools"))
    yield importlib.import_module("make_logs")
    sys.path.remove(str(ROOT / "tools"))


@cache
def truth():
    return yaml.safe_load((LOGS / "truth.yaml").read_text(encoding="utf-8"))


def laps():
    return [(drive, lap) for drive in truth()["drives"] for lap in drive["laps"]]


def crossings(file):
    return next(entry["line_crossed_at_s"] for entry in truth()["files"] if entry["file"] == file)


@cache
def table(file, skip=0, encoding="utf-8", between=","):
    """Columns by title; cells that are blank are NaN."""
    with (LOGS / file).open(encoding=encoding, newline="") as text:
        rows = list(csv.reader(text, delimiter=between))[skip:]
    width = len(rows[0])

    def value(cell):
        return float(cell) if cell else math.nan

    body = np.array([[value(cell) for cell in row] for row in rows[1:] if len(row) == width])
    return dict(zip(rows[0], body.T, strict=True))


@cache
def centreline():
    track = load_track(ROOT / "tracks" / "marrow-fen.yaml")
    s = np.linspace(0.0, track.length, 8081)[:-1]
    x, y, _ = track.to_world(s, np.zeros_like(s))
    return s, LineString(np.column_stack([x, y]))


def station(x, y):
    """Where on the road a place is: shapely's distance along the centreline, the polyline being half a metre fine."""
    s, line = centreline()
    return float(np.interp(line.project(Point(x, y)), [0.0, line.length], [s[0], s[-1]]))


def first_rise(t, values, level):
    k = int(np.flatnonzero((values[:-1] < level) & (values[1:] >= level))[0])
    return float(np.interp(level, values[k : k + 2], t[k : k + 2]))


# What is shipped


def test_every_file_is_listed_and_small():
    listed = {entry["file"] for entry in truth()["files"]}
    shipped = {path.name for path in LOGS.iterdir()} - {"README.md", "truth.yaml"}
    assert listed == shipped
    sizes = [(LOGS / name).stat().st_size for name in shipped]
    assert max(sizes) < 1.5e6
    assert sum(sizes) < 6e6


def test_everything_says_that_it_is_invented():
    page = (LOGS / "README.md").read_text(encoding="utf-8")
    assert "**invented**" in page
    for drive in truth()["drives"]:
        assert drive["driver"] in page
    for entry in truth()["files"]:
        assert f"`{entry['file']}`" in page


def test_the_page_tells_the_faults_of_the_truth():
    """Sizes in the table of README.md, one after the other, are what was put in."""
    rows = [
        line
        for line in (LOGS / "README.md")
        .read_text(encoding="utf-8")
        .split("## What was put in")[1]
        .splitlines()
        if line.startswith("|") and "---" not in line
    ][1:]
    told = "\n".join(rows)
    for drive, lap in laps():
        for fault in lap["faults"]:
            size = fault["put_in"] * (100.0 if fault["unit"] == "share" else 1.0)
            lines = [row for row in rows if fault["corner"] in row]
            assert any(f"{size:g}" in row for row in lines), (drive["driver"], fault, told)


# The truth


@pytest.mark.parametrize(("drive", "lap"), laps(), ids=lambda part: part.get("key", part.get("lap_in_log")))
def test_faults_are_there_and_nothing_else(drive, lap):
    """Within a tenth or a metre of what was put in; corners without a fault lose less than 0.02 s."""
    for fault in lap["faults"]:
        off = abs(fault["driven"] - fault["put_in"])
        assert off <= max(0.1 * fault["put_in"], 1.0 if fault["fault"] in ALONG else 0.0), fault
        assert fault["corner_lost_s"] > 0.01, fault
    assert len(lap["faults"]) + len(lap["clean_corners_lost_s"]) == 11
    assert all(abs(lost) < 0.02 for lost in lap["clean_corners_lost_s"].values())
    assert lap["time_s"] > lap["quickest_with_these_tyres_s"] >= truth()["reference_time_s"]


def test_lap_times_are_between_the_crossings():
    for drive, lap in laps():
        for entry in truth()["files"]:
            if entry["key"] == drive["key"]:
                begin, end = entry["line_crossed_at_s"][lap["lap_in_log"] - 2 : lap["lap_in_log"]]
                assert end - begin == pytest.approx(lap["time_s"], abs=2e-4)


def test_the_tyres_of_the_session_come_in():
    times = [lap["time_s"] for drive, lap in laps() if drive["key"] == "halloran"]
    assert len(times) == 4
    assert times == sorted(times, reverse=True)


# The logs against it


@pytest.mark.parametrize(
    ("file", "skip", "speed", "unit"),
    [
        ("halloran-session.csv", 2, "Speed [km/h]", KMH),
        ("wren-lap.csv", 1, "Speed [km/h]", KMH),
        ("osei-two-laps.csv", 1, "Speed [mph]", 1.0 / MPH),
        ("castellane-lap.csv", 1, "Speed [km/h]", KMH),
        ("reference-lap.csv", 0, "Speed [m/s]", 1.0),
    ],
)
def test_laps_are_as_long_as_the_road(file, skip, speed, unit):
    """Speed, integrated from line to line: a little less than the length of the centreline, as bends are cut."""
    log = table(file, skip)
    title = next(iter(log))
    t = log[title] / (1000.0 if "ms" in title else 1.0)
    way = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(t) * (log[speed][1:] + log[speed][:-1]) / unit)])
    length = load_track(ROOT / "tracks" / "marrow-fen.yaml").length
    marks = crossings(file)[-5:] if "session" in file else crossings(file)
    for begin, end in pairwise(marks):
        driven = np.interp(end, t, way) - np.interp(begin, t, way)
        assert 0.985 * length < driven < length


def test_the_late_brake_at_ferry_is_in_the_log():
    """The place of the first pressure before Ferry, in the circuit's own metres, within the error of the receiver."""
    log = table("osei-two-laps.csv", 1)
    t, pressure = log["Time [ms]"] / 1000.0, log["Brake pressure [psi]"] / PSI_PER_BAR
    known = ~np.isnan(log["x [m]"])
    x, y = (np.interp(t, t[known], log[name][known]) for name in ("x [m]", "y [m]"))
    begin, end = crossings("osei-two-laps.csv")[1:3]
    fault = laps()[6][1]["faults"][2]
    assert fault["corner"] == "Ferry"
    inside = np.flatnonzero((t > begin) & (t < end))
    places = np.array([station(x[k], y[k]) for k in inside[::5]])
    before = inside[::5][int(np.argmin(np.abs(places - 3205.0)))]
    on = first_rise(t[before:], pressure[before:], 0.05 * PEAK_BAR)
    assert station(np.interp(on, t, x), np.interp(on, t, y)) == pytest.approx(fault["driver"], abs=2.5)


def test_the_slow_hairpin_is_in_every_lap_of_the_session():
    """The slowest speed of each timed lap is that of Pound, within three standard deviations of the speed channel."""
    log = table("halloran-session.csv", 2)
    marks = crossings("halloran-session.csv")
    for k, (_, lap) in enumerate(entry for entry in laps() if entry[0]["key"] == "halloran"):
        inside = (log["Time [s]"] > marks[k]) & (log["Time [s]"] < marks[k + 1])
        pound = next(fault for fault in lap["faults"] if fault["corner"] == "Pound")
        assert np.min(log["Speed [km/h]"][inside]) == pytest.approx(pound["driver"], abs=3 * 0.05 * KMH)


def test_one_lap_in_many_clothes():
    """Three tables of one lap, each with noise of its own: the same but for that noise, whatever the unit, sign and mark."""
    plain = table("wren-lap.csv", 1)
    t, speed, wheel = (plain[name] for name in ("Time [s]", "Speed [km/h]", "Steering wheel [deg]"))
    rows = (LOGS / "wren-lap-semicolons.csv").read_text(encoding="latin-1").replace(",", ".").splitlines()
    titles, units = rows[4].split(";"), rows[5].split(";")
    assert (titles[8], units[4]) == ("Länge", "°")
    german = np.array([[float(cell or "nan") for cell in row.split(";")[1:]] for row in rows[6:]])
    assert np.std(german[:, 0] - speed) == pytest.approx(math.sqrt(2.0) * 0.05 * KMH, rel=0.1)
    assert np.std(german[:, 3] + wheel) == pytest.approx(math.sqrt(2.0) * 0.3, rel=0.1)
    assert rows[6].startswith("14:15:00.000;")
    tabs = table("wren-lap-tabs.txt", 0, "utf-16", "\t")
    assert np.sum(np.diff(tabs["Time [s]"]) == 0.0) > 20
    assert np.max(np.diff(tabs["Time [s]"])) == pytest.approx(0.6, abs=0.03)
    again = np.interp(tabs["Time [s]"], t, speed) / KMH
    assert np.std(tabs["Speed [m/s]"] - again) == pytest.approx(math.sqrt(2.0) * 0.05, rel=0.1)
    assert np.mean(np.isnan(tabs["Throttle [%]"])) == pytest.approx(0.5, abs=0.02)


def test_the_same_lap_by_asammdf():
    mdf = pytest.importorskip("asammdf").MDF
    with mdf(LOGS / "wren-lap.mf4") as file:
        speed, latitude = file.get("Speed"), file.get("Latitude")
    plain = table("wren-lap.csv", 1)
    assert speed.unit == "km/h"
    assert np.std(speed.samples - plain["Speed [km/h]"]) == pytest.approx(
        math.sqrt(2.0) * 0.05 * KMH, rel=0.1
    )
    assert latitude.timestamps.size == pytest.approx(speed.timestamps.size / 5, abs=1)


def test_the_track_of_the_receiver_is_valid_and_near_the_plain_log():
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    points = ElementTree.parse(LOGS / "castellane-lap.gpx").getroot().findall(".//g:trkpt", space)
    latitude = np.array([float(point.get("lat")) for point in points])
    plain = table("castellane-lap.csv", 1)
    known = ~np.isnan(plain["Latitude [deg]"])
    assert np.sum(known) == len(points)
    # A metre is 9e-6 degrees: the two receivers agree within their noise and drift.
    assert np.std(latitude - plain["Latitude [deg]"][known]) < 3.0 * 9e-6


def test_switch_and_speed_only():
    switch = table("osei-two-laps-switch.csv")["Brake [on/off]"]
    assert set(np.unique(switch)) == {0.0, 1.0}
    assert 0.1 < switch.mean() < 0.4
    assert list(table("halloran-speed-only.csv")) == ["Time [s]", "Lap", "Speed [km/h]"]


def test_the_reference_as_a_log_is_exact():
    log = table("reference-lap.csv")
    assert log["Time [s]"][-1] == pytest.approx(truth()["reference_time_s"], abs=1e-4)
    ends = [(log["x [m]"][k], log["y [m]"][k]) for k in (0, -1)]
    assert math.dist(*ends) < 0.01


# How they are made


def test_latitude_and_longitude_on_the_ellipsoid(tools):
    """A short way north is the radius of curvature in the meridian times the angle, one east that of the prime vertical times
    the cosine (Torge & Müller, Geodesy, 4th ed., section 4.1.3, from memory); the earth's mean radius is 6,371 km.
    """
    globe = importlib.import_module("demo_logs.globe")
    a, f = 6378137.0, 1.0 / 298.257223563
    e2, phi = f * (2.0 - f), math.radians(globe.ORIGIN[0])
    w = math.sqrt(1.0 - e2 * math.sin(phi) ** 2)
    meridian, normal = a * (1.0 - e2) / w**3, a / w
    turn = math.radians(globe.TURNED)
    for east, north in ((0.0, 100.0), (100.0, 0.0), (-60.0, 80.0)):
        x, y = (
            east * math.cos(turn) + north * math.sin(turn),
            north * math.cos(turn) - east * math.sin(turn),
        )
        latitude, longitude = globe.latitude_longitude(np.array([x]), np.array([y]))
        assert math.radians(latitude[0] - globe.ORIGIN[0]) * meridian == pytest.approx(north, abs=2e-3)
        assert math.radians(longitude[0] - globe.ORIGIN[1]) * normal * math.cos(phi) == pytest.approx(
            east, abs=2e-3
        )
    assert math.sqrt(meridian * normal) == pytest.approx(6.371e6, rel=4e-3)


def test_sensors_are_as_bad_as_they_say(tools):
    """White noise and a Gauss-Markov drift: standard deviations as given, and the drift forgets itself as exp(-t / time)."""
    sensors = importlib.import_module("demo_logs.sensors")
    random, t = np.random.default_rng(3), np.arange(0.0, 40000.0, 2.0)
    drift = sensors._wander(t, sensors.Errors(), random)
    assert np.std(drift) == pytest.approx(0.7, rel=0.1)
    assert np.corrcoef(drift[:-20], drift[20:])[0, 1] == pytest.approx(math.exp(-1.0), abs=0.1)


@pytest.mark.slow
@pytest.mark.parametrize("key", ["halloran", "wren", "osei", "castellane"])
def test_made_anew_they_are_the_same(tools, key, tmp_path):
    """Lap times within 2 ms and faults within 0.3 of what is written down; tables equal but for the last digits."""
    tools.make(tmp_path, [key])
    fresh = yaml.safe_load((tmp_path / "truth.yaml").read_text(encoding="utf-8"))["drives"][0]
    shipped = next(drive for drive in truth()["drives"] if drive["key"] == key)
    assert len(fresh["laps"]) == len(shipped["laps"])
    for new, old in zip(fresh["laps"], shipped["laps"], strict=True):
        assert new["time_s"] == pytest.approx(old["time_s"], abs=2e-3)
        for one, other in zip(new["faults"], old["faults"], strict=True):
            assert one["driven"] == pytest.approx(other["driven"], abs=0.3 if one["unit"] == "m" else 0.02)
    for path in tmp_path.glob("*.csv"):
        if "semicolons" not in path.name:
            skip = 0 if path.name.startswith(("reference", "osei-two-laps-", "halloran-speed")) else 1
            skip = 2 if path.name == "halloran-session.csv" else skip
            old, new = (table(str(folder / path.name), skip) for folder in (LOGS, tmp_path))
            for title in old:
                count = min(old[title].size, new[title].size)
                both = np.abs(new[title][:count] - old[title][:count])[~np.isnan(old[title][:count])]
                # A gear may be changed a sample earlier, a switch closed a sample later.
                assert np.quantile(both, 0.99) < 0.5, (path.name, title)
