"""A comparison made by hand, for the tests of report and figures: an invented reference and an invented driver.

Nothing in it was measured or solved. The driver is the reference with a slower, wider, clumsier hand.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from lapwright.driver.session import Alignment, DriverLap, Noise
from lapwright.lap.corners import corner_reports
from lapwright.lap.lap import Lap
from lapwright.lap.resample import resample
from lapwright.quantities import CAUTION, KMH
from lapwright.track.track import Track

HAVE = frozenset({"speed", "line", "brake", "throttle", "steering", "accel_long", "accel_lat"})


def invented_drive(
    target: Lap, track: Track, name: str = "Ada Quill", late: float = 1.0, has=HAVE
) -> DriverLap:
    """A driver who brakes early and misses apexes; ``late`` scales all of it."""
    s = target.s
    early = np.interp(s + 9.0 * late, s, target.brake)
    speed = target.speed * (1.0 - 0.022 * late - 0.05 * late * np.clip(early - target.brake, 0.0, 1.0))
    t = np.concatenate(
        [[0.0], np.cumsum(np.diff(s) * np.diff(target.t) / np.diff(s) * (target.speed / speed)[1:])]
    )
    n = 0.7 * target.n + 0.5 * late * np.sin(s / 55.0)
    x, y, _ = track.to_world(np.asarray(track.wrap(s)), n)
    wheel = target.steering_wheel * 1.05 + 0.06 * late * np.sin(s / 7.0) * (
        np.abs(target.steering_wheel) > 0.2
    )
    blank = np.full(s.size, np.nan)
    lap = replace(
        target, kind="driver", t=t, n=n, x=x, y=y, speed=speed,
        brake=0.93 * early if "brake" in has else blank,
        throttle=np.interp(s - 8.0 * late, s, target.throttle) if "throttle" in has else blank,
        steering_wheel=wheel if "steering" in has else blank,
        gear=target.gear if "gear" in has else np.zeros(s.size, dtype=np.int64),
    )  # fmt: skip
    if "line" not in has:
        lap = replace(lap, n=blank, x=blank, y=blank)
    laid = Alignment("position", 0.0012, 0.4, 0.003, 0.2, 0.9, 0.0, "smoothing spline, looks both ways, 2 Hz")
    noise = Noise(0.31, 0.8, 0.4, 0.12, 1e-4, 0.006, 0.005, 0.01)
    return DriverLap(name, "ada.csv", 4, 371.2, "whole", "", float(t[-1]), lap, has, False, noise, laid)


def even(lap: Lap) -> Lap:
    """The reference as a comparison has it: a row about every metre."""
    return resample(lap, 1.0)


def running(target: Lap, drive: DriverLap) -> np.ndarray:
    """Running time difference [s]."""
    assert drive.lap is not None
    return (drive.lap.t - drive.lap.t[0]) - (target.t - target.t[0])


def made_record(
    track: Track, target: Lap, drives: list[DriverLap], names: dict[str, str] | None = None
) -> dict[str, Any]:
    """A record as ``outputs.compare_record`` makes them; ``names`` replaces names of corners."""
    called = names or {}
    drivers = [_driver(track, target, drive, number, called) for number, drive in enumerate(drives, 1)]
    return {
        "track": {
            "name": called.get("track", track.name),
            "length_m": round(track.length, 2),
            "closed": track.closed,
        },
        "vehicle": {"name": called.get("vehicle", "Cup coupe (invented)")},
        "caution": CAUTION,
        "notices": ["the clock of the log was moved by 0.003 s"],
        "reference": {"lap_time_s": round(target.time, 4), "mesh_error_s": 0.005, "grip_margin": 0.0},
        "drivers": drivers,
    }


def _driver(
    track: Track, target: Lap, drive: DriverLap, number: int, called: dict[str, str]
) -> dict[str, Any]:
    run = running(target, drive)
    line = "line" in drive.has
    parts = _parts(track, target, drive, called, line)
    corners = [part for part in parts if part["kind"] == "corner"]
    findings = _findings(corners)
    return {
        "key": f"driver-{number}", "name": called.get("driver", drive.driver), "log": called.get("log", drive.file),
        "lap": drive.number, "lap_time_s": round(drive.time, 4), "difference_s": round(float(run[-1]), 4),
        "line_s": 0.41 if line else None, "inputs_s": round(float(run[-1]) - 0.41, 4) if line else None,
        "line_words": "the tube was 0.6 m wide" if line else "no place was logged",
        "have": sorted(drive.has), "withheld": [] if line else ["no place was logged: nothing is said about the line"],
        "notices": ["recognised: speed from Speed [km/h]"],
        "alignment": {"method": "position", "stretch": 0.0012, "closing_m": 0.4, "clock_s": 0.003, "median_off_m": 0.2,
                      "worst_off_m": 0.9, "filter": "smoothing spline, 2 Hz", "delay_s": 0.0},
        "noise": {"across_m": 0.31, "raw_m": 0.8, "along_m": 0.4, "speed_kmh": 0.43, "brake": 0.006, "throttle": 0.005,
                  "steering_deg": 0.6},
        "laps": [
            {"lap": 3, "time_s": None, "status": "out-lap", "why": "it begins in the pit lane", "compared": False},
            {"lap": 4, "time_s": round(drive.time, 4), "status": "whole", "why": "", "compared": True},
        ],
        "parts": parts,
        "corners": _corners(track, target, drive, called),
        "findings": findings,
        "style": [{**findings[-1], "rank": None, "loss_s": 0.004, "style": True}],
        "along": [{**findings[1], "rank": None, "words": "Slow by 3 km/h", "goes_with": findings[0]["words"]}],
        "try_next": [
            {"corner": f["corner"], "words": f["advice"], "why": f["words"], "worth_s": f["loss_s"],
             "landmark": f["landmark"], "finding": f["rank"]}
            for f in findings[:3]
        ],
        "smoothness": {
            "definition": "reversals of the pedal larger than three times the noise",
            "brake": [{"corner": c["name"], "driver": 1.4, "reference": 1.0} for c in corners], "steering": [],
        },
        "several": {
            "laps": [4, 5], "best_sections_s": round(drive.time - 0.3, 3),
            "sections": [{"name": c["name"], "best_s": c["driver_s"], "lap": 4} for c in corners],
            "spread": [{"corner": corners[0]["name"], "what": "brake_on", "unit": "m", "spread": 4.2}],
            "trend": {"s_per_lap": -0.05, "words": "0.05 s quicker from lap to lap"},
        },
        "fit": {
            "front_grip": {"scale": 0.97, "error": 0.01, "kind": "seen", "count": 4, "where": [], "words": "in four corners"},
            "rear_grip": {"scale": None, "error": None, "kind": "not seen", "count": 0, "where": [], "words": ""},
            "power": {"scale": 1.01, "error": 0.02, "kind": "seen", "count": 9, "where": [], "words": "power +1 %"},
            "drag": {"scale": None, "error": None, "kind": "not seen", "count": 0, "where": [], "words": ""},
            "asks_more": [{"corner": corners[0]["name"], "from_m": 10.0, "to_m": 60.0, "words": "3 % more"}], "words": "",
        },
    }  # fmt: skip


def _parts(
    track: Track, target: Lap, drive: DriverLap, called: dict[str, str], line: bool
) -> list[dict[str, Any]]:
    """Straights and corners in driving order, cut at the corners' starts and ends."""
    assert drive.lap is not None
    marks: list[tuple[str, str, float, float]] = []
    at = float(target.s[0])
    for corner in track.corners:
        name = called.get(corner.name, corner.name)
        start = max(corner.start - 40.0, at)
        marks += [("straight", f"to {name}", at, start), ("corner", name, start, corner.end)]
        at = corner.end
    marks.append(("straight", "to the line", at, float(target.s[-1])))

    def part(kind: str, name: str, start: float, end: float) -> dict[str, Any]:
        mine, theirs = (
            float(np.diff(np.interp([start, end], target.s, lap.t))[0]) for lap in (drive.lap, target)
        )
        lost = mine - theirs
        return {
            "kind": kind, "name": name, "start_m": start, "end_m": end, "driver_s": mine, "reference_s": theirs,
            "difference_s": lost, "line_s": 0.3 * lost if line else None, "inputs_s": 0.7 * lost if line else None,
            "caused_s": lost + 0.0371,
        }  # fmt: skip

    made = []
    for kind, name, start, end in marks:
        one = part(kind, name, start, end)
        if kind == "corner":
            cuts = np.linspace(start, end, 4)
            phases = zip(("braking", "entry", "exit"), cuts[:-1], cuts[1:], strict=True)
            one["phases"] = [part("phase", word, float(a), float(b)) for word, a, b in phases]
        made.append(one)
    return made


def _findings(corners: list[dict[str, Any]]) -> list[dict[str, Any]]:
    ways = (("brake_early", "Brake on 9 m early: 12 m before 100 m board instead of 3 m before", "brake 9 m later"),
            ("apex_missed", "1.1 m of road left unused inside, at the apex", "come closer: 1.1 m more"))  # fmt: skip
    made = []
    ordered = sorted(corners, key=lambda corner: -corner["difference_s"])
    for rank, corner in enumerate(ordered, 1):
        key, words, advice = ways[rank % 2]
        made.append(
            {"rank": rank, "corner": corner["name"], "key": key, "words": words, "size": 9.0, "unit": "m",
             "from_m": corner["start_m"] + 5.0, "to_m": corner["end_m"], "loss_s": round(0.3 / rank, 3),
             "priced": "solved" if rank < 4 else "first order", "first_order_s": 0.1, "style": False,
             "advice": f"{corner['name']}: {advice}", "landmark": "12 m before 100 m board", "off_road": rank == 3}
        )  # fmt: skip
    return made


def _corners(track: Track, target: Lap, drive: DriverLap, called: dict[str, str]) -> list[dict[str, Any]]:
    made = []
    for report in corner_reports(target, track):
        read = {
            "brake_on_before_start_m": report.brake_on_before_start, "brake_on_landmark": None, "brake_on_kmh": 200.0,
            "peak_percent": 90.0, "release_from_slowest_m": -30.0, "brake_off_past_slowest_m": -3.0, "turn_in_m": -4.0,
            "slowest_kmh": KMH * report.slowest_speed, "slowest_m": 30.0, "pick_up_past_slowest_m": 4.0,
            "full_past_slowest_m": 40.0, "exit_kmh": KMH * report.exit_speed, "min_gap_inside_m": 1.02,
        }  # fmt: skip
        name = called.get(report.name, report.name)
        made.append({"name": name, "direction": report.direction, "start_m": report.start, "end_m": report.end,
                     "driver": read, "reference": read})  # fmt: skip
    return made
