"""Corner reports: every number against a lap whose answer is known by construction, and what must not change
them."""

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from handmade_lap import bend_road, handmade_lap
from invented_lap import invented_lap, invented_track, mirrored

from lapwright.lap.corners import (
    RELEASE_SHARE,
    TURN_IN_SHARE,
    corner_reports,
    corner_sectors,
    nearest_landmark,
    sector_times,
)
from lapwright.lap.landmarks import landmark_fixes
from lapwright.lap.phases import BRAKE_ON, FULL_THROTTLE, THROTTLE_ON
from lapwright.quantities import G

S = np.arange(0.0, 1051.0, 2.0)


def line(*knots):
    """Straight lines between (station, value) pairs, constant outside."""
    at, values = zip(*knots, strict=True)
    return np.interp(S, at, values)


def one_corner(track=None, **changes):
    channels = {
        "speed": line((0, 60), (400, 60), (530, 20), (900, 58)),
        "throttle": line((0, 1), (380, 1), (390, 0), (540, 0), (600, 1)),
        "brake": line((0, 0), (400, 0), (420, 1), (460, 1), (520, 0)),
        "steering_wheel": line((0, 0), (470, 0), (530, 1.5), (580, 0)),
        "gear": np.where((S > 450) & (S < 700), 2, 5),
        "accel_lat": line((0, 0), (470, 0), (530, 14.7), (580, 0)),
    }
    channels.update(changes)
    track = track or bend_road(landmarks=(("100 m board", 400.0), ("50 m board", 450.0)))
    return handmade_lap(track, S, **channels), track


def the_report(**changes):
    lap, track = one_corner(**changes)
    (report,) = corner_reports(lap, track)
    return report


def test_braking():
    report = the_report()
    assert report.entry == "brake"
    assert report.brake_on == pytest.approx(400.0 + 20.0 * BRAKE_ON, abs=0.1)
    assert report.brake_on_before_start == pytest.approx(500.0 - report.brake_on)
    assert report.brake_on_speed == pytest.approx(60.0 - 40.0 * (report.brake_on - 400.0) / 130.0, abs=0.02)
    assert report.brake_on_gear == 5
    assert report.brake_peak == 1.0 and report.brake_peak_at == pytest.approx(420.0, abs=2.0)
    assert report.release_at == pytest.approx(460.0 + 60.0 * (1 - RELEASE_SHARE), abs=0.1)
    assert report.brake_off == pytest.approx(520.0 - 60.0 * BRAKE_ON, abs=0.1)
    assert report.lift_at == pytest.approx(380.0 + 10.0 * (1 - FULL_THROTTLE), abs=0.1)


def test_slowest_point_and_release_before_it():
    report = the_report()
    assert (report.slowest_at, report.slowest_speed, report.slowest_gear) == (530.0, 20.0, 2)
    assert report.brake_off_past_slowest == pytest.approx(report.brake_off - 530.0)
    assert report.brake_off_past_slowest < 0
    past = the_report(brake=line((0, 0), (400, 0), (420, 1), (460, 1), (550, 0)))
    assert past.brake_off_past_slowest == pytest.approx(550.0 - 90.0 * BRAKE_ON - 530.0, abs=0.1)


def test_turn_in_by_the_hand_wheel():
    report = the_report()
    assert report.turn_in_by == "steering"
    assert report.turn_in == pytest.approx(470.0 + 60.0 * TURN_IN_SHARE, abs=0.1)
    assert report.turn_in_speed == pytest.approx(60.0 - 40.0 * (report.turn_in - 400.0) / 130.0, abs=0.02)


def test_turn_in_counts_the_last_rise_and_only_towards_the_corner():
    set_up = line((0, 0), (430, 0), (440, -1.0), (455, 0), (460, 0.6), (470, 0), (530, 1.5), (580, 0))
    assert the_report(steering_wheel=set_up).turn_in == pytest.approx(470.0 + 60.0 * TURN_IN_SHARE, abs=0.1)


def test_turn_in_by_the_path_for_a_car_without_a_hand_wheel():
    bend = line((0, 0), (480, 0), (520, 0.02), (560, 0.0))
    report = the_report(steering_wheel=np.zeros(S.size), curvature=bend)
    assert report.turn_in_by == "curvature"
    assert report.turn_in == pytest.approx(480.0 + 40.0 * TURN_IN_SHARE, abs=0.1)


def test_throttle():
    report = the_report()
    assert report.pick_up == pytest.approx(540.0 + 60.0 * THROTTLE_ON, abs=0.1)
    assert report.full_throttle == pytest.approx(540.0 + 60.0 * FULL_THROTTLE, abs=0.1)
    assert report.pick_up_past_slowest == pytest.approx(report.pick_up - 530.0)


def test_a_first_stab_at_the_throttle_is_not_the_pick_up():
    stab = line((0, 1), (380, 1), (390, 0), (530, 0), (535, 0.3), (545, 0), (560, 0), (600, 1))
    assert the_report(throttle=stab).pick_up == pytest.approx(560.0 + 40.0 * THROTTLE_ON, abs=0.1)


def test_corner_speeds_time_and_lateral():
    lap, track = one_corner()
    (report,) = corner_reports(lap, track)
    assert report.entry_speed == pytest.approx(np.interp(500.0, S, lap.speed))
    assert report.exit_speed == pytest.approx(np.interp(570.0, S, lap.speed))
    assert report.time == pytest.approx(np.interp(570.0, S, lap.t) - np.interp(500.0, S, lap.t))
    assert report.lateral_max == pytest.approx(14.7)
    assert report.lateral_max / G == pytest.approx(1.499, abs=1e-3)


def test_clipping_point_is_on_the_inside():
    offset = line((0, -4), (480, -4), (520, 3.5), (540, 3.5), (600, -4))
    report = the_report(n=offset)
    assert report.clip_at == pytest.approx(530.0, abs=1.5)
    assert report.clip_gap == pytest.approx(1.5, abs=1e-9)


def test_lift_without_braking():
    lap = {"brake": np.zeros(S.size), "throttle": line((0, 1), (470, 1), (490, 0.4), (520, 0.4), (540, 1))}
    report = the_report(**lap)
    assert report.entry == "lift"
    assert report.brake_on is None and report.brake_off is None and report.landmark_ahead is None
    assert report.lift_at == pytest.approx(470.0 + 20.0 * 0.05 / 0.6, abs=0.1)
    assert 490.0 <= report.pick_up <= 520.0
    assert report.full_throttle == pytest.approx(540.0 - 20.0 * 0.05 / 0.6, abs=0.1)


def test_flat():
    report = the_report(brake=np.zeros(S.size), throttle=np.ones(S.size))
    assert report.entry == "flat"
    assert report.lift_at is None and report.pick_up is None and report.full_throttle is None


def test_braking_that_serves_two_corners_belongs_to_the_first():
    corners = (("Kink", 440.0, 480.0), ("Gate", 500.0, 570.0))
    lap, track = one_corner(bend_road(corners))
    kink, gate = corner_reports(lap, track)
    assert kink.entry == "brake" and kink.brake_on_before_start == pytest.approx(440.0 - kink.brake_on)
    assert gate.entry == "shared" and gate.shared_with == "Kink" and gate.brake_on is None
    assert gate.pick_up == pytest.approx(540.0 + 60.0 * THROTTLE_ON, abs=0.1)


def test_braking_that_begins_past_the_first_apex_belongs_to_the_next_corner():
    corners = (("Kink", 340.0, 410.0), ("Gate", 500.0, 570.0))
    lap, track = one_corner(bend_road(corners))
    kink, gate = corner_reports(lap, track)
    assert gate.entry == "brake" and gate.brake_on_before_start > 0
    assert gate.lift_at == pytest.approx(380.5, abs=0.1), "in the exit of the corner before"
    assert kink.entry == "flat", "it is lifted for the next corner past the apex of this one"


def test_the_zone_that_takes_off_most_speed_is_the_one_reported():
    dab = line((0, 0), (300, 0), (305, 0.5), (310, 0), (400, 0), (420, 1), (460, 1), (520, 0))
    assert the_report(brake=dab).brake_on == pytest.approx(401.0, abs=0.1)


def test_landmarks_around_brake_on():
    report = the_report()
    assert (report.landmark_behind.name, report.landmark_ahead.name) == ("100 m board", "50 m board")
    assert report.landmark_behind.distance == pytest.approx(1.0, abs=0.1)
    assert report.landmark_ahead.distance == pytest.approx(-49.0, abs=0.1)
    assert nearest_landmark(report).name == "100 m board"


def test_landmarks_of_a_circuit_go_round():
    track = invented_track()
    marks = sorted(track.landmarks, key=lambda mark: mark.at)
    first, last = marks[0], marks[-1]
    behind, ahead = landmark_fixes(first.at - 1.0, track)
    assert behind.name == last.name
    assert behind.distance == pytest.approx(first.at - 1.0 - last.at + track.length)
    assert ahead.name == first.name and ahead.distance == pytest.approx(-1.0)
    assert landmark_fixes(10.0, bend_road()) == (None, None)


CIRCUIT = invented_track()
LAP = invented_lap(CIRCUIT)
STATIONS = [
    "start",
    "end",
    "lift_at",
    "brake_on",
    "brake_peak_at",
    "release_at",
    "brake_off",
    "turn_in",
    "slowest_at",
    "clip_at",
    "pick_up",
    "full_throttle",
]


def test_every_station_lies_on_the_lap():
    for report in corner_reports(LAP, CIRCUIT):
        for name in STATIONS:
            value = getattr(report, name)
            assert value is None or 0.0 <= value < CIRCUIT.length, (report.name, name)


def test_order_of_events_in_every_braked_corner():
    """Lift, brake-on, peak, release, brake-off, full throttle: in this order round the lap [common
    practice]."""
    for report in corner_reports(LAP, CIRCUIT):
        if report.entry != "brake":
            continue
        names = ["lift_at", "brake_on", "brake_peak_at", "release_at", "brake_off", "full_throttle"]
        stations = [getattr(report, name) for name in names if getattr(report, name) is not None]
        steps = np.mod(np.diff(stations), CIRCUIT.length)
        assert np.all(steps < 0.5 * CIRCUIT.length), report.name


def test_entries_of_the_invented_circuit():
    entries = {report.name: report.entry for report in corner_reports(LAP, CIRCUIT)}
    assert entries.pop("Long Acre") == "flat"
    assert set(entries.values()) == {"brake"}


def shifted(report, length, by):
    """The report as it must read when the line is moved back by ``by`` metres."""
    moved = {n: (getattr(report, n) + by) % length for n in STATIONS if getattr(report, n) is not None}
    return replace(report, **moved)


def roll(lap, rows):
    """The same closed lap, written down from another row."""
    length, time = lap.s[-1] - lap.s[0], lap.time
    changes = {}
    for item in fields(lap):
        value = getattr(lap, item.name)
        if isinstance(value, np.ndarray):
            extra = {"s": length, "t": time}.get(item.name, 0)
            moved = np.concatenate(
                [value[rows:-1], value[: rows + 1] + extra if extra else value[: rows + 1]]
            )
            changes[item.name] = moved - moved[0] if item.name in ("s", "t") else moved
    return replace(lap, **changes)


@pytest.mark.parametrize("metres", [40.0, 60.0, 100.0, 230.0])
def test_the_start_line_may_be_anywhere(metres):
    """A line inside a corner, in its braking zone or on a straight gives the same corners."""
    rows = int(np.searchsorted(LAP.s, metres))
    by = -LAP.s[rows]

    class Moved:
        """The circuit with its line moved: only what the reports ask of a track."""

        closed, length = True, CIRCUIT.length
        corners = tuple(
            replace(
                c,
                start=(c.start + by) % CIRCUIT.length,
                end=(c.end + by) % CIRCUIT.length,
                apex=(c.apex + by) % CIRCUIT.length,
            )
            for c in CIRCUIT.corners
        )
        landmarks = tuple(replace(m, at=(m.at + by) % CIRCUIT.length) for m in CIRCUIT.landmarks)

        @staticmethod
        def road(s):
            return CIRCUIT.road((np.asarray(s) - by) % CIRCUIT.length)

    expected = {r.name: shifted(r, CIRCUIT.length, by) for r in corner_reports(LAP, CIRCUIT)}
    found = corner_reports(roll(LAP, rows), Moved)
    assert {r.name for r in found} == set(expected)
    for report in found:
        for item in fields(report):
            a, b = getattr(report, item.name), getattr(expected[report.name], item.name)
            if isinstance(a, float) and item.name in STATIONS:
                around = abs((a - b + CIRCUIT.length / 2) % CIRCUIT.length - CIRCUIT.length / 2)
                assert around < 1e-6, (report.name, item.name, a, b)
            elif isinstance(a, float):
                assert a == pytest.approx(b, abs=1e-6), (report.name, item.name)
            elif item.name.startswith("landmark"):
                assert (a is None) == (b is None) and (a is None or a.name == b.name)
            else:
                assert a == b, (report.name, item.name)


def test_a_mirrored_lap_reads_the_same_the_other_way_round():
    swap = {"left": "right", "right": "left"}
    there = corner_reports(mirrored(LAP), invented_track(mirror=True))
    for a, b in zip(corner_reports(LAP, CIRCUIT), there, strict=True):
        assert b.direction == swap[a.direction]
        for item in fields(a):
            x, y = getattr(a, item.name), getattr(b, item.name)
            if isinstance(x, float):
                assert y == pytest.approx(x, abs=1e-6), (a.name, item.name)
            elif item.name in ("name", "entry", "turn_in_by", "slowest_gear"):
                assert x == y


def test_a_finer_grid_reads_the_same():
    from lapwright.lap.resample import resample

    coarse, fine = corner_reports(LAP, CIRCUIT), corner_reports(resample(LAP, 1.0), CIRCUIT)
    for a, b in zip(coarse, fine, strict=True):
        assert a.entry == b.entry
        assert a.slowest_speed == pytest.approx(b.slowest_speed, abs=0.1)
        if a.brake_on is not None:
            # straight lines between rows 5 m apart against a cubic through them: under a fiftieth of a second
            assert a.brake_on == pytest.approx(b.brake_on, abs=1.0)
            assert a.brake_off == pytest.approx(b.brake_off, abs=1.0)


def test_sectors_cover_the_lap_and_their_losses_add_up():
    reports = corner_reports(LAP, CIRCUIT)
    sectors = corner_sectors(reports, LAP)
    assert sectors[-1][1] - sectors[0][0] == pytest.approx(CIRCUIT.length)
    assert all(a[1] == b[0] for a, b in pairwise(sectors))
    slower = invented_lap(CIRCUIT, "baseline")
    loss = sector_times(slower, sectors) - sector_times(LAP, sectors)
    assert loss.sum() == pytest.approx(slower.time - LAP.time, abs=1e-9)
    assert sector_times(LAP, sectors).sum() == pytest.approx(LAP.time, abs=1e-9)


def test_sectors_of_an_open_road_reach_its_ends():
    lap, track = one_corner(bend_road((("Kink", 100.0, 150.0), ("Gate", 500.0, 570.0))))
    reports = corner_reports(lap, track)
    sectors = corner_sectors(reports, lap)
    assert (sectors[0][0], sectors[-1][1]) == (0.0, S[-1])
    assert sectors[1][0] == pytest.approx(reports[1].lift_at)
    assert sector_times(lap, sectors).sum() == pytest.approx(lap.time)


def test_a_road_without_corners():
    track = bend_road(())
    lap = handmade_lap(track, S)
    assert corner_reports(lap, track) == ()
    assert corner_sectors((), lap) == ()


def test_a_section_reports_only_the_corners_that_it_drives_whole():
    lap, track = one_corner()
    rows = lap.s <= 540.0
    cut = replace(
        lap,
        **{
            f.name: getattr(lap, f.name)[rows]
            for f in fields(lap)
            if isinstance(getattr(lap, f.name), np.ndarray)
        },
    )
    assert corner_reports(cut, track) == ()


def test_one_corner_alone_on_a_circuit():
    alone = replace(CIRCUIT, corners=(CIRCUIT.corners[3],))
    whole = {r.name: r for r in corner_reports(LAP, CIRCUIT)}[CIRCUIT.corners[3].name]
    (report,) = corner_reports(LAP, alone)
    assert report.slowest_at == whole.slowest_at
    assert report.entry == "brake"
