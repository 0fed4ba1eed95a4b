"""card.json: everything that a corner card says, as plain values with units in the names of the keys.

None (null in the file) stands for what did not happen, or what the car does not have. Stations [m] lie in the lap.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from lapwright.corner.card import CornerCard
from lapwright.corner.confidence import Variant
from lapwright.corner.mistakes import Mistake
from lapwright.corner.reading import Place, Reading
from lapwright.corner.trail import half_loss
from lapwright.corner.why import LoadPoint, Phase
from lapwright.lap.landmarks import landmark_fixes, nearest_fix
from lapwright.quantities import CAUTION, DEG, KMH, G
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

BAR = 1e5

WHEELS = ("fl", "fr", "rl", "rr")

DECIMALS = {"m": 2, "s": 4, "kmh": 2, "g": 3, "bar": 1, "deg": 1, "dps": 1, "N": 1}
"""Decimals by the unit at the end of a key."""

SMALL_SECONDS = {"price_s": 6, "worth_s": 6}
"""Seconds for a small step, which are small themselves."""

SHARE = 4
"""Decimals of a number without a unit."""

MISTAKE_UNITS = {"m": ("m", 1.0), "-": ("%", 100.0), "m/s": ("km/h", KMH)}
"""Unit of a mistake's size in the code: that in the record, and how many of the one are one of the other."""


def card_record(card: CornerCard, track: Track, vehicle: AnyVehicle) -> dict[str, Any]:
    """A corner card as plain values: dictionaries, lists, text, numbers, True, False and None.

    Parameters
    ----------
    card
        From ``corner.card.make_card``.
    track, vehicle
        The road and the car that it was made for.

    Returns
    -------
    The record: metres to 0.01, seconds to 0.0001, km/h to 0.01; ready for ``json.dumps(..., allow_nan=False)``.
    """
    made = _Maker(card, track, isinstance(vehicle, FrictionCircle))
    record: dict[str, Any] = {
        "corner": made.corner(vehicle),
        "lift": made.lift(),
        "brake": made.brake(),
        "light_brake": made.light_brake(),
        "release": made.release(),
        "turn_in": made.turn_in(),
        "slowest": made.slowest(),
        "clip": made.clip(),
        "coast": made.coast(),
        "throttle": made.throttle(),
        "steering": made.steering(),
        "phases": [made.phase(phase) for phase in card.phases],
        "loads": [] if made.circle else [made.load(point) for point in card.loads],
        "worth_of_trail": made.worth_of_trail(),
        "mistakes": [made.mistake(mistake) for mistake in card.mistakes],
        "grip": [made.variant(variant) for variant in card.grip],
        "human": [made.variant(variant) for variant in card.human],
        "learner": asdict(card.learner) if card.human else None,
        "section": made.section(),
        "caution": CAUTION,
    }
    return {key: _rounded(key, value) for key, value in record.items()}


def _rounded(key: str, value: Any) -> Any:
    """A value with the decimals of its unit; what is not finite becomes None."""
    if isinstance(value, Mapping):
        return {name: _rounded(name, item) for name, item in value.items()}
    if isinstance(value, list):
        return [_rounded(key, item) for item in value]
    if not isinstance(value, (float, np.floating)):
        return value
    if not math.isfinite(value):
        return None
    decimals = SMALL_SECONDS.get(key, DECIMALS.get(key.rsplit("_", 1)[-1], SHARE))
    return round(float(value), decimals) + 0.0


class _Maker:
    """The parts of a record."""

    def __init__(self, card: CornerCard, track: Track, circle: bool) -> None:
        self.card, self.track, self.circle = card, track, circle
        self.reading: Reading = card.reading
        self.lap = card.drive.lap

    # -- places ----------------------------------------------------------------------------------------------------

    def station(self, station: float) -> float:
        return float(self.track.wrap(np.array([station]))[0])

    def place(self, name: str, place: Place | None) -> dict[str, Any]:
        return {
            f"{name}_m": None if place is None else self.station(place.at),
            f"{name}_speed_kmh": None if place is None else place.speed * KMH,
            f"{name}_gear": place.gear if place is not None and place.gear else None,
            f"{name}_time_s": None if place is None else place.time,
        }

    def past_slowest(self, name: str, place: Place | None) -> dict[str, Any]:
        past = None if place is None else place.at - self.reading.slowest.at
        return {f"{name}_past_slowest_m": past}

    def landmark(self, place: Place) -> dict[str, Any]:
        fix = nearest_fix(*landmark_fixes(place.at, self.track))
        return {"landmark": fix.name if fix else None, "landmark_distance_m": fix.distance if fix else None}

    # -- what is done ----------------------------------------------------------------------------------------------

    def corner(self, vehicle: AnyVehicle) -> dict[str, Any]:
        reading = self.reading
        return {
            "name": reading.name,
            "direction": reading.direction,
            "entry": reading.entry,
            "track": self.track.name,
            "vehicle": vehicle.name,
            "model": "friction_circle" if self.circle else "four_wheel",
            "start_m": self.station(reading.start.at),
            "end_m": self.station(reading.end.at),
            "length_m": reading.end.at - reading.start.at,
            "time_s": reading.time,
            "entry_speed_kmh": reading.start.speed * KMH,
            "exit_speed_kmh": reading.end.speed * KMH,
        }

    def lift(self) -> dict[str, Any] | None:
        reading = self.reading
        if reading.lift is None:
            return None
        end = reading.full.at if reading.full else reading.end.at
        rows = (self.lap.s >= reading.lift.at) & (self.lap.s <= end)
        return {
            **self.place("lift", reading.lift),
            "before_turn_in_m": None if reading.turn_in is None else reading.turn_in.at - reading.lift.at,
            "before_brake_on_m": reading.braking.on.at - reading.lift.at if reading.braking else None,
            **self.landmark(reading.lift),
            "throttle_least": float(np.min(self.lap.throttle[rows], initial=1.0)),
        }

    def brake(self) -> dict[str, Any] | None:
        braking = self.reading.braking
        if braking is None:
            return None
        return {
            **self.place("brake_on", braking.on),
            "before_turn_in_m": braking.before_turn_in,
            **self.landmark(braking.on),
            "shared_with": braking.owner or None,
            "peak": braking.peak,
            "pressure_bar": None if self.circle else braking.pressure / BAR,
            **self.place("built_up", braking.peak_at),
            "build_up_s": braking.build_time,
            "build_up_m": braking.build_length,
            "deceleration_g": braking.deceleration / G,
            "straight_m": braking.straight,
            "applications": braking.applications,
            **self.place("brake_off", braking.off),
            "brake_off_past_slowest_m": braking.off_past_slowest,
            "trail_m": braking.trail,
            "trail_s": braking.trail_time,
            "trail_share": braking.trail_share,
        }

    def light_brake(self) -> dict[str, Any] | None:
        light = self.reading.light_brake
        if light is None:
            return None
        return {
            **self.place("touched", light.start),
            **self.past_slowest("touched", light.start),
            "length_m": light.end.at - light.start.at,
            "duration_s": light.end.time - light.start.time,
            "peak": light.peak,
        }

    def release(self) -> dict[str, Any] | None:
        release = self.reading.release
        if release is None:
            return None
        shape = release.shape
        return {
            "release_m": self.station(release.start.at),
            "release_past_slowest_m": release.start.at - self.reading.slowest.at,
            "duration_s": release.duration,
            "length_m": release.length,
            "left_at_quarter": release.left[0],
            "left_at_half": release.left[1],
            "left_at_three_quarters": release.left[2],
            "shape": None if shape is None else shape.words,
            "power": None if shape is None else shape.power,
            "end_power": None if shape is None else shape.end_power,
            "misfit": None if shape is None else shape.misfit,
        }

    def turn_in(self) -> dict[str, Any] | None:
        reading = self.reading
        if reading.turn_in is None:
            return None
        left = reading.braking.left_at_turn_in if reading.braking else None
        return {
            **self.place("turn_in", reading.turn_in),
            **self.past_slowest("turn_in", reading.turn_in),
            **self.landmark(reading.turn_in),
            "brake_left": left,
        }

    def slowest(self) -> dict[str, Any]:
        reading = self.reading
        at = reading.slowest.at
        ends = {"start": reading.start.at, "end": reading.end.at}
        where = next((word for word, station in ends.items() if abs(at - station) < 1e-6), "inside")
        return {
            **self.place("slowest", reading.slowest),
            "where": where,
            "past_start_m": at - reading.start.at,
            "lateral_g": reading.lateral / G,
            "lateral_max_g": reading.lateral_max / G,
        }

    def clip(self) -> dict[str, Any]:
        reading = self.reading
        return {
            **self.place("clip", reading.clip),
            **self.past_slowest("clip", reading.clip),
            "gap_m": reading.clip_gap,
        }

    def coast(self) -> dict[str, Any] | None:
        length, seconds = self.reading.coast
        return {"length_m": length, "time_s": seconds} if length > 0.0 else None

    def throttle(self) -> dict[str, Any]:
        reading = self.reading
        return {
            **self.place("pick_up", reading.pick_up),
            **self.past_slowest("pick_up", reading.pick_up),
            **self.place("full", reading.full),
            **self.past_slowest("full", reading.full),
        }

    def steering(self) -> dict[str, Any] | None:
        steering = self.reading.steering
        if steering is None:
            return None
        return {
            "peak_deg": steering.peak / DEG,
            "peak_m": self.station(steering.peak_at.at),
            **self.past_slowest("peak", steering.peak_at),
            "rate_dps": steering.rate / DEG,
            "rate_m": self.station(steering.rate_at.at),
            **self.past_slowest("rate", steering.rate_at),
            "unwound_m": None if steering.unwound is None else self.station(steering.unwound.at),
            **self.past_slowest("unwound", steering.unwound),
        }

    # -- why -------------------------------------------------------------------------------------------------------

    def phase(self, phase: Phase) -> dict[str, Any]:
        span = phase.span
        return {
            "phase": span.name,
            "start_m": self.station(span.start),
            "end_m": self.station(span.end),
            "length_m": span.end - span.start,
            "time_s": span.time,
            "grip_use": phase.use_front if self.circle else None,
            "grip_use_front": None if self.circle else phase.use_front,
            "grip_use_rear": None if self.circle else phase.use_rear,
            "held_by": phase.words,
            "limits": [{"limit": h.name, "share": h.share, "worth_s": h.worth} for h in phase.limits],
            "wheels_at_limit": None if self.circle else dict(zip(WHEELS, phase.wheels, strict=True)),
        }

    def load(self, point: LoadPoint) -> dict[str, Any]:
        return {
            "moment": point.name,
            "at_m": self.station(point.at.at),
            "speed_kmh": point.at.speed * KMH,
            "load_front_N": point.load_front,
            "load_front_change_N": point.load_front_moved,
            "load_rear_N": point.load_rear,
            "load_rear_change_N": point.load_rear_moved,
            "grip_front_N": point.grip_front,
            "grip_front_change_N": point.grip_front_moved,
            "grip_rear_N": point.grip_rear,
            "grip_rear_change_N": point.grip_rear_moved,
            "grip_use_front": point.use_front,
            "grip_use_rear": point.use_rear,
        }

    # -- what it is worth ------------------------------------------------------------------------------------------

    def worth_of_trail(self) -> dict[str, Any] | None:
        worth = self.card.trail
        if worth is None:
            return None
        return {
            "no_trail_s": worth.no_trail,
            "half_lost_m": half_loss(worth),
            "best_m": self.station(worth.best),
            "best_past_slowest_m": worth.best - self.reading.slowest.at,
            "points": [
                {
                    "brake_off_m": self.station(point.station),
                    "past_turn_in_m": point.station - worth.turn_in,
                    "past_slowest_m": point.past_slowest,
                    "asked": "best" if point.station == worth.best
                    else "off by here" if point.station < worth.best else "still on here",
                    "loss_s": point.loss,
                    "status": point.status,
                }
                for point in worth.points
            ],
        }  # fmt: skip

    def mistake(self, mistake: Mistake) -> dict[str, Any]:
        unit, factor = MISTAKE_UNITS[mistake.unit]
        driven, off = mistake.status == "driven", mistake.status == "off the road"
        return {
            "mistake": mistake.key,
            "words": mistake.words,
            "size": mistake.size * factor,
            "unit": unit,
            "status": mistake.status,
            "loss_s": mistake.loss,
            "price_s": None if mistake.slope is None else mistake.slope / factor,
            "moved_m": mistake.moved if driven else None,
            "moved_at_m": self.station(mistake.moved_at) if driven else None,
            "edge_m": mistake.edge,
            "off_road_by_m": mistake.off_by if off else None,
            "off_road_at_m": self.station(mistake.off_at) if off else None,
            "off_road_past_slowest_m": mistake.off_at - self.reading.slowest.at if off else None,
        }

    def variant(self, variant: Variant) -> dict[str, Any]:
        found, moved = variant.reading, variant.slowest_moved
        lift = found.lift if found else None
        braking = found.braking if found else None
        release = found.release if found else None
        before = self.reading.lift
        return {
            "variant": variant.key,
            "words": variant.words,
            "status": variant.status,
            "entry": found.entry if found else None,
            "lift_m": self.station(lift.at) if lift else None,
            "lift_moved_m": lift.at - before.at if lift and before else None,
            "brake_on_m": self.station(braking.on.at) if braking else None,
            "brake_on_moved_m": variant.brake_on_moved,
            "before_turn_in_m": braking.before_turn_in if braking else None,
            "peak": braking.peak if braking else None,
            "pressure_bar": None if self.circle or braking is None else braking.pressure / BAR,
            "build_up_s": braking.build_time if braking else None,
            "release_s": release.duration if release else None,
            "brake_off_past_slowest_m": braking.off_past_slowest if braking else None,
            "slowest_speed_kmh": found.slowest.speed * KMH if found else None,
            "slowest_change_kmh": None if moved is None else moved * KMH,
            "loss_s": variant.loss,
            "why": variant.why or None,
        }

    def section(self) -> dict[str, Any]:
        card, stretch = self.card, self.card.stretch
        mesh = card.drive.solution.nlp.mesh
        inside = (mesh.nodes[:-1] >= stretch.entry) & (mesh.nodes[1:] <= stretch.fine_end)
        return {
            "start_m": self.station(stretch.start),
            "end_m": self.station(stretch.end),
            "length_m": stretch.end - stretch.start,
            "time_s": card.drive.time,
            "mesh_step_m": float(np.median(mesh.steps[inside] if inside.any() else mesh.steps)),
            "intervals": len(mesh.steps),
            "mesh_error_s": card.drive.mesh_error,
            "against_lap_s": card.against.time,
            "against_lap_kmh": card.against.speed * KMH,
            "solves": card.solves,
            "iterations": card.iterations,
            "wall_time_s": card.seconds,
        }
