"""compare.json: everything that a comparison says, as plain values with units in the names of the keys.

None (null in the file) stands for what is not known or did not happen. Stations [m] lie in the lap.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from lapwright.driver.compare import Comparison, Driven, margin_of
from lapwright.driver.fit import asks_more
from lapwright.driver.pair import Pair
from lapwright.driver.pricing import Finding
from lapwright.driver.shares import Share
from lapwright.driver.smoothness import DEFINITION, smoothness
from lapwright.lap.corners import CornerReport
from lapwright.lap.landmarks import landmark_fixes, nearest_fix
from lapwright.outputs.compare_words import place_words, said
from lapwright.outputs.words import fix_phrase, landmark_phrase, lap_time
from lapwright.quantities import CAUTION, DEG, KMH

UNITS = {
    "m": ("m", 1.0, 1),
    "s": ("s", 1.0, 2),
    "m/s": ("km/h", KMH, 1),
    "share": ("%", 100.0, 0),
    "rad": ("deg", 1.0 / DEG, 0),
}
"""Unit of a size in the code: that in the record, how many of the one are one of the other, decimals."""

TRY = 3
"""How many things a driver can think of in the next session."""


def compare_record(comparison: Comparison) -> dict[str, Any]:
    """A comparison as plain values: dictionaries, lists, text, numbers, True, False and None.

    Parameters
    ----------
    comparison
        From ``driver.compare.compare``.
    """
    known, track = comparison.known, comparison.track
    return {
        "track": {"name": track.name, "length_m": round(track.length, 2), "closed": track.closed},
        "vehicle": {"name": known.vehicle.name},
        "caution": CAUTION,
        "reference": {
            "lap_time_s": round(known.lap.time, 4),
            "mesh_error_s": round(known.mesh_error, 4),
            "grip_margin": margin_of(known.vehicle),
        },
        "drivers": [_driver(one, comparison, number) for number, one in enumerate(comparison.drivers, 1)],
    }


def _number(value: float | None, decimals: int) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), decimals)


def _driver(one: Driven, comparison: Comparison, number: int) -> dict[str, Any]:
    drive, run = one.drive, one.run
    line = None if run.line is None else float(run.line[-1] - run.line[0])
    total = float(run.time[-1] - run.time[0])
    ranked = [_finding(finding, one, rank) for rank, finding in enumerate(one.findings, 1)]
    return {
        "key": f"driver-{number}",
        "name": _name(one, comparison),
        "log": one.session.log.file,
        "lap": drive.number,
        "lap_time_s": _number(drive.time, 4),
        "difference_s": _number(total, 4),
        "line_s": _number(line, 4),
        "inputs_s": _number(None if line is None else total - line, 4),
        "line_words": one.line_words,
        "have": sorted(drive.has),
        "withheld": withheld(one),
        "notices": [fault.message for fault in one.session.log.notices] + list(one.session.notices),
        "alignment": _alignment(one),
        "noise": _noise(one),
        "laps": [
            {
                "lap": lap.number,
                "time_s": _number(lap.time, 4),
                "status": lap.status,
                "why": lap.words,
                "compared": lap is drive,
            }
            for lap in one.session.laps
        ],
        "parts": [_part(share) for share in one.parts],
        "corners": [_corner(pair) for pair in one.pairs],
        "findings": ranked,
        "along": [
            _finding(finding, one, None) | {"goes_with": said(parent.what, _pair(parent, one)).done}
            for finding, parent in one.along
        ],
        "style": [_finding(finding, one, None) for finding in one.style],
        "try_next": try_next(ranked),
        "smoothness": _smoothness(one),
        "several": None if one.several is None else one.several.record(),
        "fair_lap_time_s": _number(one.fair, 4),
        "fit": one.fit.record()
        | {"words": fit_words(one, comparison.known.lap.time)}
        | {"asks_more": asks_more(one.fit, one.pairs)},
    }


def _name(one: Driven, comparison: Comparison) -> str:
    """The driver's name; with the lap before it, where it is not cut off in a picture, when several of his are compared."""
    same = [other for other in comparison.drivers if other.drive.driver == one.drive.driver]
    return f"Lap {one.drive.number}, {one.drive.driver}" if len(same) > 1 else one.drive.driver


def fit_words(one: Driven, reference: float) -> str:
    """What the car showed, and what the difference to the reference is once that is taken into account."""
    words = one.fit.words
    if one.fair is None:
        return words
    return (
        f"{words} With that car the reference takes {lap_time(one.fair)}: of the difference {one.fair - reference:+.2f} s is "
        f"the car, the tyres and the day, {one.drive.time - one.fair:+.2f} s the driver. --fit-car writes a vehicle file to "
        "compare with."
    )


def withheld(one: Driven) -> list[str]:
    """What is not said of a lap, and why."""
    has, words = one.drive.has, []
    if "line" not in has:
        words.append(
            "no place was logged: the lap is laid on the road by distance and speed, and nothing is said about the line"
        )
    if "brake" not in has:
        words.append("no brake was logged: nothing is said about braking")
    elif one.drive.brake_switch:
        words.append("the brake is only known to be on or off: nothing is said about how hard it was pressed")
    if "throttle" not in has:
        words.append("no throttle was logged: nothing is said about the throttle")
    if "steering" not in has:
        words.append("no steering was logged: nothing is said about the hands")
    return words


def _alignment(one: Driven) -> dict[str, Any]:
    found = one.drive.alignment
    assert found is not None
    return {
        "method": found.method,
        "stretch": _number(found.stretch, 5),
        "closing_m": _number(found.closing, 2),
        "clock_s": _number(found.clock, 4),
        "median_off_m": _number(found.median_off, 2),
        "worst_off_m": _number(found.worst_off, 2),
        "filter": found.filter,
        "delay_s": _number(found.delay, 3),
    }


def _noise(one: Driven) -> dict[str, Any]:
    noise = one.drive.noise
    assert noise is not None
    return {
        "across_m": _number(noise.across, 3),
        "raw_m": _number(noise.raw, 3),
        "along_m": _number(noise.along, 3),
        "speed_kmh": _number(noise.speed * KMH, 3),
        "brake": _number(noise.brake, 4),
        "throttle": _number(noise.throttle, 4),
        "steering_deg": _number(noise.steering / DEG, 2),
    }


def _part(share: Share) -> dict[str, Any]:
    part: dict[str, Any] = {
        "kind": share.kind,
        "name": share.name,
        "start_m": _number(share.start, 1),
        "end_m": _number(share.end, 1),
        "driver_s": _number(share.driver, 5),
        "reference_s": _number(share.reference, 5),
        "difference_s": _number(share.difference, 5),
        "line_s": _number(share.line, 5),
        "inputs_s": _number(share.inputs, 5),
        "caused_s": _number(share.caused, 5),
    }
    if share.kind == "corner":
        part["phases"] = [_part(phase) for phase in share.phases]
    return part


def _corner(pair: Pair) -> dict[str, Any]:
    return {
        "name": pair.name,
        "direction": pair.theirs.direction,
        "start_m": _number(pair.theirs.start, 1),
        "end_m": _number(pair.theirs.end, 1),
        "driver": _read(pair, pair.ours, "driver"),
        "reference": _read(pair, pair.theirs, "reference"),
    }


def _read(pair: Pair, report: CornerReport, which: str) -> dict[str, Any]:
    """A corner of one lap in a driver's numbers; nothing that was not logged."""
    has = pair.has if which == "driver" else frozenset({"brake", "throttle", "steering", "line"})
    brake, throttle = "brake" in has, "throttle" in has

    def past(station: float | None) -> float | None:
        return None if station is None else _number(pair.at(station) - pair.at(report.slowest_at), 1)

    turn_in = None if report.turn_in is None else _number(pair.at(report.turn_in) - pair.theirs.start, 1)
    return {
        "entry": report.entry if brake and throttle else None,
        "brake_on_before_start_m": _number(report.brake_on_before_start, 1) if brake else None,
        "brake_on_landmark": landmark_phrase(report) or None if brake else None,
        "brake_on_kmh": _number(_scaled(report.brake_on_speed, KMH), 1) if brake else None,
        "peak_percent": _number(_scaled(report.brake_peak, 100.0), 0) if brake and not pair.switch else None,
        "release_from_slowest_m": past(report.release_at) if brake and not pair.switch else None,
        "brake_off_past_slowest_m": _number(report.brake_off_past_slowest, 1) if brake else None,
        "turn_in_m": turn_in if "steering" in has else None,
        "slowest_kmh": _number(report.slowest_speed * KMH, 1),
        "slowest_m": _number(pair.at(report.slowest_at) - pair.theirs.start, 1),
        "pick_up_past_slowest_m": _number(report.pick_up_past_slowest, 1) if throttle else None,
        "full_past_slowest_m": _number(report.full_throttle_past_slowest, 1) if throttle else None,
        "exit_kmh": _number(report.exit_speed * KMH, 1),
        "min_gap_inside_m": _number(report.clip_gap, 2) if "line" in has else None,
    }


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _pair(finding: Finding, one: Driven) -> Pair:
    return next(pair for pair in one.pairs if pair.name == finding.what.corner)


def _finding(finding: Finding, one: Driven, rank: int | None) -> dict[str, Any]:
    what = finding.what
    pair = _pair(finding, one)
    unit, factor, decimals = UNITS.get(what.unit, (what.unit, 1.0, 1))
    words = said(what, pair)
    place = what.start if not np.isfinite(what.driver) or what.unit != "m" else what.driver
    if not pair.begin - 200.0 <= place <= pair.end + 200.0:
        place = what.start
    track = pair.track
    at = float(track.wrap(np.array([place]))[0]) if track.closed else place
    return {
        "rank": rank,
        "corner": what.corner,
        "key": what.key,
        "words": words.done,
        "advice": f"{what.corner}: {words.advice[0].lower()}{words.advice[1:]}",
        "landmark": fix_phrase(nearest_fix(*landmark_fixes(at, track))) or place_words(place, track, pair),
        "size": _number(what.size * factor, decimals),
        "unit": unit,
        "from_m": _number(float(track.wrap(np.array([what.start]))[0]), 1),
        "to_m": _number(float(track.wrap(np.array([what.end]))[0]), 1),
        "loss_s": _number(finding.loss, 4),
        "imposed_s": _number(finding.imposed, 4),
        "priced": finding.status,
        "first_order_s": _number(finding.seen, 4),
        "style": finding.style,
        "off_road": finding.status == "off the road",
    }


def try_next(ranked: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The dearest finding of each of the first ``TRY`` corners: one thing to think of in a corner is enough."""
    chosen: list[dict[str, Any]] = []
    for finding in ranked:
        if len(chosen) < TRY and finding["corner"] not in [one["corner"] for one in chosen]:
            chosen.append(
                {
                    "corner": finding["corner"],
                    "words": finding["advice"],
                    "why": finding["words"],
                    "worth_s": finding["loss_s"],
                    "landmark": finding["landmark"],
                    "finding": finding["rank"],
                }
            )
    return chosen


def _smoothness(one: Driven) -> dict[str, Any]:
    record: dict[str, Any] = {"definition": DEFINITION, "brake": [], "steering": []}
    for channel in ("brake", "steering"):
        if channel not in one.drive.has or (channel == "brake" and one.drive.brake_switch):
            continue
        for pair in one.pairs:
            values = [
                smoothness(lap, channel, pair.begin, pair.end, pair.noise)
                for lap in (pair.driver, pair.reference)
            ]
            record[channel].append(
                {"corner": pair.name, "driver": _number(values[0], 2), "reference": _number(values[1], 2)}
            )
    return record
