"""``lapwright check FILE...``: every fault of track, vehicle and study files, and what a sound one holds."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from lapwright.cli.options import add_talk
from lapwright.errors import Fault, InputError
from lapwright.quantities import DEG, KMH, RPM, G

if TYPE_CHECKING:
    from lapwright.study.cases import Study
    from lapwright.track.track import Track
    from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle, Vehicle


def register(subparsers: Any) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "check",
        help="check track, vehicle and study files and tell what they hold",
        description="Checks track, vehicle and study files: every fault with line and column on standard error, a "
        "short summary of each sound file on standard output.",
    )
    parser.add_argument("files", metavar="FILE", nargs="+", help="track, vehicle or study file (YAML)")
    add_talk(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check every file; 0 when all are sound, else 2."""
    from lapwright.cli.main import DONE, FAULT, fault_fields, notice_line

    results = [check_file(name) for name in args.files]
    sound = all(not result["faults"] for result in results)
    for result in results:
        for fault in result["faults"]:
            print(fault, file=sys.stderr)
        for notice in [] if args.quiet else result["notices"]:
            print(notice_line(notice), file=sys.stderr)
    if args.json:
        for result in results:
            for part in ("faults", "notices"):
                result[part] = [fault_fields(fault) for fault in result[part]]
        status = "sound" if sound else "fault in the input"
        print(json.dumps({"status": status, "files": results}, indent=2, allow_nan=False))
    else:
        sound_ones = [result for result in results if not result["faults"]]
        print(
            "\n\n".join("\n".join(describe(result)) for result in sound_ones), end="\n" if sound_ones else ""
        )
    return DONE if sound else FAULT


def check_file(name: str) -> dict[str, Any]:
    """What is in a file: ``file``, ``kind``, ``summary`` (None when faulty), ``faults``, ``notices``."""
    from lapwright.inputs.files import load_any

    result: dict[str, Any] = {"file": name, "kind": None, "summary": None, "faults": [], "notices": []}
    try:
        kind, loaded = load_any(name)
    except InputError as error:
        result["faults"] = list(error.faults)
        return result
    result["kind"] = kind
    result["notices"] = list(loaded.notices)
    if kind == "track":
        result["notices"] += [Fault(text, file=name) for text in loaded.value.report.notices]
        result["summary"] = track_summary(loaded.value)
    elif kind == "vehicle":
        result["summary"] = vehicle_summary(loaded.value)
    else:
        result["summary"] = study_summary(loaded.value)
    return result


def track_summary(track: Track) -> dict[str, Any]:
    """Plain values about a track; the unit is in each name."""
    import numpy as np

    report = track.report
    road = track.road(np.linspace(0.0, track.length, max(64, int(track.length)) + 1))
    width = road.width_left + road.width_right
    corners = [
        {
            "name": corner.name,
            "from_m": round(corner.start, 1),
            "to_m": round(corner.end, 1),
            "apex_m": round(corner.apex, 1),
            "direction": corner.direction,
            "radius_m": round(corner.radius, 1),
            "angle_deg": round(abs(corner.angle) / DEG, 1),
        }
        for corner in track.corners
    ]
    return {
        "name": track.name,
        "closed": track.closed,
        "length_m": round(track.length, 2),
        "closure_gap_m": round(report.closure_gap, 4),
        "closure_heading_deg": round(report.closure_heading / DEG, 4),
        "smoothing_max_m": round(report.smoothing_max, 4),
        "radius_min_m": round(report.radius_min, 2) if np.isfinite(report.radius_min) else None,
        "radius_min_at_m": round(report.radius_min_at, 1),
        "height_range_m": round(report.height_range, 2),
        "gradient_max": round(report.gradient_max, 4),
        "width_min_m": round(float(width.min()), 2),
        "width_max_m": round(float(width.max()), 2),
        "corners": corners,
        "landmarks": [{"name": mark.name, "at_m": round(mark.at, 1)} for mark in track.landmarks],
    }


def vehicle_summary(vehicle: AnyVehicle) -> dict[str, Any]:
    """Plain values about a car; the unit is in each name."""
    from lapwright.vehicle.parameters import FrictionCircle

    return _circle_summary(vehicle) if isinstance(vehicle, FrictionCircle) else _car_summary(vehicle)


def _circle_summary(car: FrictionCircle) -> dict[str, Any]:
    drag = 0.5 * car.air_density * car.drag_area
    top = (car.power / drag) ** (1 / 3) if car.power is not None and drag > 0 else None
    return {
        "name": car.name,
        "model": "friction_circle",
        "mass_kg": car.mass,
        "grip_g": car.grip,
        "power_kW": None if car.power is None else round(car.power / 1e3, 2),
        "mass_per_power_kg_per_kW": None if car.power is None else round(1e3 * car.mass / car.power, 3),
        "top_speed_kmh": None if top is None else round(top * KMH, 1),
        "top_speed_limit": None if top is None else "limited by drag",
    }


def _car_summary(car: Vehicle) -> dict[str, Any]:
    from lapwright.inputs.vehicle_rules import peak_power, top_speed
    from lapwright.vehicle.car import static_loads
    from lapwright.vehicle.driveline import SPEED_MAX, top_gear_speed

    front, rear = static_loads(car)
    power, at = peak_power(car.driveline)
    top = top_speed(car.aero, car.driveline)
    limit = "limited by the gears" if top > 0.995 * top_gear_speed(car.driveline) else "limited by drag"
    if top == SPEED_MAX:
        limit = "or more"
    return {
        "name": car.name,
        "model": "four_wheel",
        "mass_kg": car.chassis.mass,
        "wheel_load_front_N": round(front, 1),
        "wheel_load_rear_N": round(rear, 1),
        "driven": car.driveline.driven,
        "gears": len(car.driveline.gear_ratios),
        "engine_power_kW": round(power / 1e3, 1),
        "engine_power_at_rpm": None if at is None else round(at / RPM),
        "mass_per_power_kg_per_kW": round(1e3 * car.chassis.mass / power, 3),
        "top_speed_kmh": round(top * KMH, 1),
        "top_speed_limit": limit,
        "brake_force_over_weight": round(car.brakes.peak_force / (car.chassis.mass * G), 3),
    }


def study_summary(study: Study) -> dict[str, Any]:
    """Plain values about a sweep; numbers that it varies are in the units of their names."""
    return {
        "name": study.name,
        "plan": study.plan,
        "circuits": list(dict.fromkeys(case.circuit for case in study.cases)),
        "cars": list(dict.fromkeys(case.car for case in study.cases)),
        "cases": len(study.cases),
        "cases_not_possible": sum(bool(case.fault) for case in study.cases),
        "roads": len(study.tracks),
        "varied": [
            {
                "name": axis.name,
                "low": None if axis.words else axis.low,
                "high": None if axis.words else axis.high,
            }
            for axis in study.axes
        ],
    }


def describe(result: dict[str, Any]) -> list[str]:
    """Lines for people about a sound file."""
    tell = {"track": _track_facts, "vehicle": _vehicle_facts, "study": _study_facts}
    facts = tell[result["kind"]](result["summary"])
    wide = max(len(name) for name, _ in facts)
    lines = [
        f"{result['file']}: {result['kind']}, sound",
        *(f"  {name:{wide}}  {text}" for name, text in facts),
    ]
    if result["kind"] == "track" and result["summary"]["corners"]:
        lines += ["", *(f"  {line}" for line in table(_corner_rows(result["summary"]["corners"])))]
    return lines


def _track_facts(s: dict[str, Any]) -> list[tuple[str, str]]:
    shape = f"closed, gap as given {s['closure_gap_m']:.2f} m" if s["closed"] else "open"
    narrow, wide = f"{s['width_min_m']:.1f}", f"{s['width_max_m']:.1f}"
    gradient = f"steepest {100 * s['gradient_max']:.1f} %"
    facts = [
        ("name", s["name"]),
        ("length", f"{s['length_m']:.1f} m, {shape}"),
        ("height", f"{s['height_range_m']:.1f} m from lowest to highest, {gradient}"),
        ("width", f"{narrow} m" if narrow == wide else f"{narrow} to {wide} m"),
    ]
    if s["radius_min_m"] is not None:
        facts.append(("smallest radius", f"{s['radius_min_m']:.1f} m at {s['radius_min_at_m']:.0f} m"))
    if s["smoothing_max_m"]:
        facts.append(("smoothing", f"at most {s['smoothing_max_m']:.2f} m from a given point"))
    return facts


def _corner_rows(corners: list[dict[str, Any]]) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("corner", "from m", "to m", "apex m", "turns", "radius m", "angle deg")]
    for c in corners:
        stations = tuple(f"{c[key]:.0f}" for key in ("from_m", "to_m", "apex_m"))
        rows.append((c["name"], *stations, c["direction"], f"{c['radius_m']:.0f}", f"{c['angle_deg']:.0f}"))
    return rows


def _vehicle_facts(s: dict[str, Any]) -> list[tuple[str, str]]:
    facts = [("name", s["name"]), ("mass", f"{s['mass_kg']:g} kg")]
    if s["model"] == "friction_circle":
        power = "no limit" if s["power_kW"] is None else f"{s['power_kW']:g} kW"
        facts += [("model", f"friction circle of {s['grip_g']:g} g"), ("power", power)]
    else:
        loads = f"front {s['wheel_load_front_N']:.0f} N, rear {s['wheel_load_rear_N']:.0f} N each, at rest"
        engine = f"{s['engine_power_kW']:g} kW"
        if s["engine_power_at_rpm"] is not None:
            engine += f" at {s['engine_power_at_rpm']} rpm, {s['gears']} gears"
        driven = {"front": "the front wheels", "rear": "the rear wheels", "all": "all wheels"}[s["driven"]]
        brake = f"{s['brake_force_over_weight']:.2f} times the weight, were there grip for it"
        facts += [("wheel loads", loads), ("engine", f"{engine}, drives {driven}"), ("full brake", brake)]
    if s["mass_per_power_kg_per_kW"] is not None:
        facts.append(("mass per power", f"{s['mass_per_power_kg_per_kW']:.2f} kg/kW"))
    if s["top_speed_kmh"] is not None:
        facts.append(
            ("top speed", f"{s['top_speed_kmh']:.0f} km/h on the level, {s['top_speed_limit']} (estimate)")
        )
    return facts


def _study_facts(s: dict[str, Any]) -> list[tuple[str, str]]:
    cases = f"{s['cases']:,}, {len(s['circuits']) * len(s['cars'])} of them as the files have it"
    if s["cases_not_possible"]:
        cases += f"; {s['cases_not_possible']:,} whose numbers do not fit together"
    facts = [
        ("name", s["name"]),
        ("plan", s["plan"]),
        ("circuits", ", ".join(s["circuits"])),
        ("cars", ", ".join(s["cars"])),
        ("cases", cases),
    ]
    for axis in s["varied"]:
        span = (
            "words"
            if axis["low"] is None
            else f"{axis['low']:g} to {axis['high']:g}, the files' own included"
        )
        facts.append((axis["name"], span))
    return facts


def table(rows: list[tuple[str, ...]]) -> list[str]:
    """Rows of text in columns, words to the left and numbers to the right (told by the last row)."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    left = [not rows[-1][i].lstrip("-").isdigit() for i in range(len(widths))]
    return [
        "  ".join(
            cell.ljust(width) if is_left else cell.rjust(width)
            for cell, width, is_left in zip(row, widths, left, strict=True)
        ).rstrip()
        for row in rows
    ]
