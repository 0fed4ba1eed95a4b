"""The record of a corner card against the channels of the lap that it tells."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from corner_cards import card, lap, record

from lapwright.outputs.card_keys import PLACE, written_out
from lapwright.outputs.card_record import card_record

CAR = "cup-coupe"
G = 9.80665  # CGPM 1901


@pytest.fixture(scope="module")
def gate():
    return card(CAR, "Gate"), record(CAR, "Gate")


@pytest.fixture(scope="module")
def circle():
    return record("teaching-car", "Gate")


def paths(value, at=""):
    """Every key that holds no further object, as a path with dots."""
    if isinstance(value, dict):
        return {path for key, item in value.items() for path in paths(item, f"{at}.{key}" if at else key)}
    if isinstance(value, list):
        return {path for item in value for path in paths(item, f"{at}[]")}
    return {at}


def test_brake_is_that_of_the_channels(gate):
    made, told = gate
    own, brake = made.drive.lap, told["brake"]
    rows = (own.s >= brake["brake_on_m"]) & (own.s <= brake["brake_off_m"])
    assert brake["pressure_bar"] == pytest.approx(own.brake_pressure[rows].max() / 1e5, abs=0.05)
    assert brake["deceleration_g"] == pytest.approx(-own.accel_long[rows].min() / G, abs=6e-4)
    assert np.interp(brake["brake_on_m"], own.s, own.brake) == pytest.approx(0.05, abs=2e-3)
    assert np.interp(brake["brake_off_m"], own.s, own.brake) == pytest.approx(0.05, abs=2e-3)
    assert brake["brake_on_speed_kmh"] == pytest.approx(
        3.6 * np.interp(brake["brake_on_m"], own.s, own.speed), abs=0.1
    )
    on, off = (np.interp(brake[f"brake_{word}_m"], own.s, own.t) for word in ("on", "off"))
    assert brake["brake_off_time_s"] - brake["brake_on_time_s"] == pytest.approx(off - on, abs=1e-3)


def test_places_agree_with_the_distances_between_them(gate):
    told = gate[1]
    brake, turn_in, slowest = told["brake"], told["turn_in"], told["slowest"]
    assert brake["before_turn_in_m"] == pytest.approx(turn_in["turn_in_m"] - brake["brake_on_m"], abs=0.02)
    assert brake["brake_off_past_slowest_m"] == pytest.approx(
        brake["brake_off_m"] - slowest["slowest_m"], abs=0.02
    )
    assert told["coast"]["length_m"] == pytest.approx(
        told["throttle"]["pick_up_m"] - brake["brake_off_m"], abs=0.02
    )
    assert brake["landmark"] == "150 m board"  # at 630 m in tracks/marrow-fen.yaml
    assert brake["landmark_distance_m"] == pytest.approx(brake["brake_on_m"] - 630.0, abs=0.02)
    assert told["lift"]["before_brake_on_m"] == pytest.approx(
        brake["brake_on_m"] - told["lift"]["lift_m"], abs=0.02
    )


def test_slowest_point_throttle_and_wheel_are_those_of_the_channels(gate):
    made, told = gate
    own, slowest, throttle = made.drive.lap, told["slowest"], told["throttle"]
    inside = (own.s >= told["corner"]["start_m"]) & (own.s <= told["corner"]["end_m"])
    assert slowest["slowest_speed_kmh"] == pytest.approx(3.6 * own.speed[inside].min(), abs=0.02)
    assert slowest["lateral_max_g"] == pytest.approx(np.abs(own.accel_lat[inside]).max() / G, abs=6e-4)
    assert slowest["where"] == "inside"
    assert np.interp(throttle["full_m"], own.s, own.throttle) == pytest.approx(0.95, abs=5e-3)
    assert told["steering"]["peak_deg"] == pytest.approx(
        np.degrees(np.abs(own.steering_wheel[inside])).max(), abs=0.06
    )


def test_phases_follow_each_other_and_loads_are_those_of_the_wheels(gate):
    made, told = gate
    own, phases = made.drive.lap, told["phases"]
    for one, other in pairwise(phases):
        assert one["end_m"] == other["start_m"]
    ends = np.interp([phases[0]["start_m"], phases[-1]["end_m"]], own.s, own.t)
    assert sum(phase["time_s"] for phase in phases) == pytest.approx(ends[1] - ends[0], abs=2e-3)
    point = next(p for p in told["loads"] if p["moment"] == "turn-in")
    front = np.interp(point["at_m"], own.s, own.load[:, 0] + own.load[:, 1])
    before = np.interp(told["loads"][0]["at_m"], own.s, own.load[:, 0] + own.load[:, 1])
    assert point["load_front_N"] == pytest.approx(front, rel=2e-3)
    assert point["load_front_change_N"] == pytest.approx(front - before, abs=30.0)


def test_mistakes_are_in_the_units_of_their_words(gate):
    made, told = gate
    found = {mistake["mistake"]: mistake for mistake in told["mistakes"]}
    slow = next(m for m in made.mistakes if m.key == "slowest_3_kmh_low")
    assert (found["slowest_3_kmh_low"]["size"], found["slowest_3_kmh_low"]["unit"]) == (3.0, "km/h")
    assert found["slowest_3_kmh_low"]["price_s"] == pytest.approx(slow.slope / 3.6, abs=1e-6)
    weak = next(m for m in made.mistakes if m.key == "peak_10_percent_low")
    assert (found["peak_10_percent_low"]["size"], found["peak_10_percent_low"]["unit"]) == (10.0, "%")
    assert found["peak_10_percent_low"]["price_s"] == pytest.approx(weak.slope / 100.0, abs=1e-6)
    assert found["brake_5_m_late"]["loss_s"] == pytest.approx(
        next(m.loss for m in made.mistakes if m.key == "brake_5_m_late"), abs=6e-5
    )


def test_off_the_road_and_not_solved_say_nothing_more(gate):
    made = gate[0]
    track, vehicle, _, _ = lap(CAR)
    off = replace(
        made.mistakes[0], status="off the road", loss=None, slope=None, edge=None, off_by=1.234, off_at=820.5
    )
    lost = replace(made.mistakes[1], status="not solved", loss=None, slope=None, edge=None)
    told = card_record(replace(made, mistakes=(off, lost)), track, vehicle)["mistakes"]
    assert (told[0]["off_road_by_m"], told[0]["off_road_at_m"], told[0]["moved_m"]) == (1.23, 820.5, None)
    assert all(told[1][key] is None for key in ("loss_s", "price_s", "moved_m", "edge_m", "off_road_by_m"))


def test_every_key_is_explained_and_every_explanation_has_a_key(gate):
    told = dict(gate[1])
    place = ("touched" + ending for ending in PLACE)
    light = dict.fromkeys([*place, "touched_past_slowest_m", "length_m", "duration_s", "peak"])
    assert told["light_brake"] is None
    assert paths({**told, "light_brake": light}) == written_out()


def test_light_brake_has_the_keys_that_are_explained(gate):
    from lapwright.corner.reading import LightBrake

    made = gate[0]
    track, vehicle, _, _ = lap(CAR)
    reading = made.reading
    light = LightBrake(reading.turn_in, reading.slowest, 0.0412)
    told = card_record(replace(made, reading=replace(reading, light_brake=light)), track, vehicle)[
        "light_brake"
    ]
    assert {f"light_brake.{key}" for key in told} == {
        key for key in written_out() if key.startswith("light_brake.")
    }
    assert told["peak"] == 0.0412
    assert told["length_m"] == pytest.approx(reading.slowest.at - reading.turn_in.at, abs=6e-3)


def test_what_does_not_happen_is_none(circle):
    flat = record(CAR, "Heron")
    assert flat["corner"]["entry"] == "flat"
    assert [flat[key] for key in ("lift", "brake", "release", "coast", "worth_of_trail")] == [None] * 5
    assert set(flat["throttle"].values()) == {None}
    assert circle["brake"]["pressure_bar"] is None and circle["brake"]["brake_on_gear"] is None
    assert circle["steering"] is None and circle["learner"] is None and circle["loads"] == []
    assert {phase["grip_use_front"] for phase in circle["phases"]} == {None}
    assert all(0.0 < phase["grip_use"] <= 1.001 for phase in circle["phases"])


def test_stations_lie_inside_the_lap():
    """The section of the last corner runs on past the line."""
    told, track = record(CAR, "Long Acre"), lap(CAR)[0]
    assert card(CAR, "Long Acre").stretch.end > track.length
    assert told["section"]["end_m"] < told["section"]["start_m"]
    assert told["section"]["length_m"] == pytest.approx(
        track.length + told["section"]["end_m"] - told["section"]["start_m"], abs=0.02
    )


@pytest.mark.parametrize(
    ("car", "name"), [(CAR, "Gate"), (CAR, "Heron"), (CAR, "Kiln"), ("teaching-car", "Gate")]
)
def test_record_is_json(car, name):
    told = record(car, name)
    assert json.loads(json.dumps(told, allow_nan=False)) == told


def test_numbers_that_are_none_at_all_become_null(gate):
    made = gate[0]
    track, vehicle, _, _ = lap(CAR)
    broken = replace(made, reading=replace(made.reading, clip_gap=float("nan"), lateral=float("inf")))
    told = card_record(broken, track, vehicle)
    assert told["clip"]["gap_m"] is None and told["slowest"]["lateral_g"] is None
    json.dumps(told, allow_nan=False)
