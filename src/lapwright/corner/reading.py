"""One corner of one drive, read as a driver would tell it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapwright.corner.release import ReleaseShape, fit_release
from lapwright.corner.stretch import Stretch, first_lift
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.lap.landmarks import LandmarkFix, landmark_fixes
from lapwright.lap.lap import Array, Lap
from lapwright.lap.phases import BRAKE_ON, BrakingZone, braking_zones
from lapwright.lap.unrolled import first_rise, last_fall, last_rise, unroll
from lapwright.track.track import Track

BENT = 0.2
"""The car turns in where the curvature of its path rises for the last time through this share of the corner's peak."""

STEADY = 0.1
"""Distance [m] over which the curvature is smoothed first: a path has no kinks, its sampled curvature may."""

HELD = 0.9
"""The release begins where the brake falls for the last time below this share of what it was at turn-in (of its peak, when
the peak comes later)."""

BUILT = 0.9
"""The brake counts as built up from this share of its peak."""

TOUCHED, MARKED = 0.02, 0.03
"""Shares of the peak pressure: above the first the brake is touched, and worth a word when it comes above the second."""

UNWOUND = 0.9
"""The wheel is unwound from where it falls for the last time below this share of its peak."""


@dataclass(frozen=True)
class Place:
    """Where something happens: station [m], speed [m/s], gear (0 without gears), time since the section's start [s]."""

    at: float
    speed: float
    gear: int
    time: float


@dataclass(frozen=True)
class Braking:
    """The braking for a corner.

    Attributes
    ----------
    on, off : where the brake rises and falls through ``phases.BRAKE_ON``
    before_turn_in : from brake-on to turn-in [m]; negative when the car turns in first
    behind, ahead : the nearest landmarks at brake-on
    peak : highest brake (share of peak pressure); ``pressure`` [Pa]; ``peak_at`` where the build-up is done
    build_time, build_length : from brake-on to ``peak_at`` [s, m]
    deceleration : greatest, as felt [m/s2]
    straight : from brake-on to turn-in or brake-off, whichever comes first [m]; 0 when the car turns in first
    left_at_turn_in : share of the peak at turn-in; None when the brake is off there
    off_past_slowest : from the slowest point to brake-off [m], negative before it
    trail : from turn-in (brake-on, when that comes later) to brake-off [m], 0 without; ``trail_time`` [s]
    applications : how often the brake is pressed on the way into this corner
    owner : name of the corner that the braking is for, when it is shared with an earlier one
    """

    on: Place
    off: Place
    before_turn_in: float | None
    behind: LandmarkFix | None
    ahead: LandmarkFix | None
    peak: float
    pressure: float
    peak_at: Place
    build_time: float
    build_length: float
    deceleration: float
    straight: float
    left_at_turn_in: float | None
    off_past_slowest: float
    trail: float
    trail_time: float
    trail_share: float
    applications: int
    owner: str = ""


@dataclass(frozen=True)
class LightBrake:
    """A brake that is touched, or held lightly, without being a braking of its own: above ``TOUCHED`` from ``start`` to
    ``end``, ``peak`` (share of peak pressure) at the most.
    """

    start: Place
    end: Place
    peak: float


@dataclass(frozen=True)
class Release:
    """The release of the brake.

    ``start`` see ``HELD``; ``end`` is brake-off; ``left`` (3,) what is left of the brake at ``start`` after a quarter, half
    and three quarters of ``duration`` [s]; ``length`` [m]; ``shape`` None when it is too quick to have one.
    """

    start: Place
    end: Place
    duration: float
    length: float
    left: tuple[float, float, float]
    shape: ReleaseShape | None


@dataclass(frozen=True)
class Steering:
    """The hand wheel: ``peak`` [rad, without sign] and where, greatest ``rate`` [rad/s] on the way in and where, and where it
    is unwound for good; None for a car without one.
    """

    peak: float
    peak_at: Place
    rate: float
    rate_at: Place
    unwound: Place | None


@dataclass(frozen=True)
class Reading:
    """One corner of one drive; a place is None when it did not happen.

    Attributes
    ----------
    name, direction, entry : as in ``CornerReport``; ``entry`` is "brake", "shared", "lift" or "flat"
    lift : where the throttle leaves full
    braking, release, steering : see there
    light_brake : in a corner without a braking of its own
    turn_in : where the path begins to bend, see ``BENT``
    slowest : the apex of the drive; ``lateral`` acceleration there [m/s2, without sign], ``lateral_max`` in the corner
    clip : where the car's middle is nearest to the inside edge; ``clip_gap`` [m]
    coast : length [m] and time [s] from brake-off to the pick-up of the throttle, (0, 0) when the foot goes straight over
    pick_up, full : throttle back, and full
    start, end : where the corner begins and ends on the road
    time : from start to end [s]
    """

    name: str
    direction: str
    entry: str
    lift: Place | None
    braking: Braking | None
    release: Release | None
    steering: Steering | None
    light_brake: LightBrake | None
    turn_in: Place | None
    slowest: Place
    lateral: float
    lateral_max: float
    clip: Place
    clip_gap: float
    coast: tuple[float, float]
    pick_up: Place | None
    full: Place | None
    start: Place
    end: Place
    time: float


class _Lens:
    """A section's lap as functions of the station."""

    def __init__(self, lap: Lap, stretch: Stretch) -> None:
        self.lap, self.road, self.stretch = lap, unroll(lap), stretch

    def at(self, channel: str, station: float) -> float:
        return float(np.interp(station, self.lap.s, getattr(self.lap, channel)))

    def place(self, station: float) -> Place:
        return Place(station, self.at("speed", station), self.road.gear_at(station), self.at("t", station))

    def maybe(self, station: float | None) -> Place | None:
        return None if station is None else self.place(station)

    def rows(self, start: float, end: float) -> slice:
        return self.road.rows(start, end)


def read_corner(lap: Lap, track: Track, stretch: Stretch, name: str) -> Reading:
    """Read a corner of a section.

    Parameters
    ----------
    lap
        The section's lap; the corner lies in it whole.
    track, stretch
        The road, and which part of it.
    name
        Of the corner.

    Raises
    ------
    ValueError
        When the section holds no such corner.
    """
    found = [
        r for r in corner_reports(lap, track) if r.name == name and abs(r.start - stretch.corner_start) < 1e-6
    ]
    if not found:
        raise ValueError(
            f"the section from {stretch.start:g} to {stretch.end:g} m does not hold {name} whole"
        )
    report, lens = found[0], _Lens(lap, stretch)
    zone, owner = _zone(lap, report, stretch)
    turn_in = _turn_in(lens, report, zone)
    braking = None if zone is None else _braking(lens, track, report, zone, turn_in, owner)
    release = None if braking is None else _release(lens, braking, turn_in)
    slowest = lens.place(report.slowest_at)
    off = None if braking is None else braking.off.at
    rows = lens.rows(stretch.corner_start, stretch.corner_end)
    return Reading(
        name=name,
        direction=report.direction,
        entry=report.entry,
        lift=lens.maybe(_lift(lens, report)),
        braking=braking,
        release=release,
        steering=_steering(lens, report, turn_in),
        light_brake=None if zone else _light_brake(lens, report),
        turn_in=lens.maybe(turn_in),
        slowest=slowest,
        lateral=abs(lens.at("accel_lat", slowest.at)),
        lateral_max=float(np.max(np.abs(lap.accel_lat[rows]))),
        clip=lens.place(report.clip_at),
        clip_gap=report.clip_gap,
        coast=_coast(lens, off, report),
        pick_up=lens.maybe(report.pick_up),
        full=lens.maybe(report.full_throttle),
        start=lens.place(stretch.corner_start),
        end=lens.place(stretch.corner_end),
        time=lens.at("t", stretch.corner_end) - lens.at("t", stretch.corner_start),
    )


def _lift(lens: _Lens, report: CornerReport) -> float | None:
    if report.entry != "lift":
        return report.lift_at
    return first_lift(lens.road, lens.stretch.corner_start, report.slowest_at)


def _zone(lap: Lap, report: CornerReport, stretch: Stretch) -> tuple[BrakingZone | None, str]:
    """The braking that slows the car for the corner, and whose it is when it is an earlier corner's."""
    zones = braking_zones(lap)
    if report.entry == "brake":
        return next((z for z in zones if abs(z.start - (report.brake_on or 0.0)) < 1e-6), None), ""
    if report.entry == "shared":
        running = [z for z in zones if z.start < report.slowest_at and z.end > stretch.entry - 1e-6]
        return (running[-1], report.shared_with) if running else (None, "")
    return None, ""


def _light_brake(lens: _Lens, report: CornerReport) -> LightBrake | None:
    """The longest touch of the brake from the entry to the slowest point."""
    lap = lens.lap
    rows = lens.rows(lens.stretch.entry, report.slowest_at)
    touched = np.flatnonzero(np.diff(np.concatenate([[0], lap.brake[rows] >= TOUCHED, [0]])))
    if not touched.size:
        return None
    s = np.append(lap.s[rows], report.slowest_at)
    pieces = [(float(s[a]), float(s[b]), a, b) for a, b in zip(touched[::2], touched[1::2], strict=True)]
    start, end, first, after = max(pieces, key=lambda piece: piece[1] - piece[0])
    peak = float(np.max(lap.brake[rows][first:after]))
    return LightBrake(lens.place(start), lens.place(end), peak) if peak >= MARKED else None


def _turn_in(lens: _Lens, report: CornerReport, zone: BrakingZone | None) -> float | None:
    """Where the path begins to bend into the corner for good."""
    lap = lens.lap
    sign = 1.0 if report.direction.startswith("left") else -1.0
    first = max(lens.stretch.start, lens.stretch.entry - 30.0)
    inside = lens.rows(lens.stretch.corner_start, lens.stretch.corner_end)
    bend = sign * lap.curvature
    if inside.start >= inside.stop or bend[inside].max() <= 0.0:
        return None
    # Of a corner that turns both ways the first turn counts.
    ends = _first_turn(bend[inside]) if "-" in report.direction else inside.stop - inside.start
    peak = inside.start + int(np.argmax(bend[inside.start : inside.start + ends]))
    begin = int(np.searchsorted(lap.s, first, "left"))
    piece = slice(begin, peak + 1)
    found = last_rise(lap.s[piece], bend[piece], BENT * bend[peak])
    return found if found is not None or bend[begin] < BENT * bend[peak] else float(lap.s[begin])


def _first_turn(bend: Array) -> int:
    peak = float(np.max(bend))
    turned = np.flatnonzero(bend > 0.3 * peak)
    back = np.flatnonzero(bend[turned[0] :] < 0.0)
    return int(turned[0] + back[0]) if back.size else len(bend)


def _braking(
    lens: _Lens, track: Track, report: CornerReport, zone: BrakingZone, turn_in: float | None, owner: str
) -> Braking:
    lap = lens.lap
    rows = lens.rows(zone.start, zone.end)
    brake, s = lap.brake[rows], lap.s[rows]
    built = first_rise(s[: int(np.argmax(brake)) + 1], brake[: int(np.argmax(brake)) + 1], BUILT * zone.peak)
    peak_at = lens.place(zone.peak_at if built is None else built)
    behind, ahead = landmark_fixes(zone.start, track)
    on, off = lens.place(zone.start), lens.place(zone.end)
    begins = zone.start if turn_in is None else max(turn_in, zone.start)
    trail = max(zone.end - begins, 0.0) if turn_in is not None else 0.0
    left = None
    if turn_in is not None and zone.start <= turn_in <= zone.end:
        left = lens.at("brake", turn_in) / zone.peak
    to_slowest = report.slowest_at - begins
    return Braking(
        on=on,
        off=off,
        before_turn_in=None if turn_in is None else turn_in - zone.start,
        behind=behind,
        ahead=ahead,
        peak=zone.peak,
        pressure=float(np.max(lap.brake_pressure[rows])),
        peak_at=peak_at,
        build_time=peak_at.time - on.time,
        build_length=peak_at.at - on.at,
        deceleration=float(-np.min(lap.accel_long[rows])),
        straight=zone.end - zone.start if turn_in is None else max(min(turn_in, zone.end) - zone.start, 0.0),
        left_at_turn_in=left,
        off_past_slowest=zone.end - report.slowest_at,
        trail=trail,
        trail_time=off.time - lens.at("t", begins) if trail > 0.0 else 0.0,
        trail_share=trail / to_slowest if trail > 0.0 and to_slowest > 0.0 else 0.0,
        applications=_applications(brake, zone.peak),
        owner=owner,
    )


def _applications(brake: Array, peak: float) -> int:
    """How often the brake is pressed: rises of more than a tenth of the peak after a fall of more than that."""
    count, low, high = 1, float("inf"), 0.0
    for value in brake:
        if value > high:
            high = value
        low = min(low, value) if high - value > 0.1 * peak or low < float("inf") else low
        if low < float("inf") and value - low > 0.1 * peak:
            count, low, high = count + 1, float("inf"), value
    return count


def _release(lens: _Lens, braking: Braking, turn_in: float | None) -> Release | None:
    lap = lens.lap
    first = max(braking.peak_at.at, min(turn_in if turn_in is not None else braking.on.at, braking.off.at))
    level = HELD * lens.at("brake", first)
    begin = int(np.searchsorted(lap.s, first, "right"))
    stop = int(np.searchsorted(lap.s, braking.off.at, "right"))
    s = np.concatenate([[first], lap.s[begin:stop], [braking.off.at]])
    brake = np.concatenate([[lens.at("brake", first)], lap.brake[begin:stop], [BRAKE_ON]])
    fall = last_fall(s, brake, level)
    if fall is None or fall >= braking.off.at:
        return None
    start = lens.place(fall)
    t = np.interp(s, lap.s, lap.t)
    keep = s > fall
    t, brake = np.append(start.time, t[keep]), np.append(lens.at("brake", fall), brake[keep])
    left = np.interp(t[0] + np.array([0.25, 0.5, 0.75]) * (t[-1] - t[0]), t, brake) / brake[0]
    return Release(
        start=start,
        end=braking.off,
        duration=braking.off.time - start.time,
        length=braking.off.at - start.at,
        left=(float(left[0]), float(left[1]), float(left[2])),
        shape=fit_release(t, brake),
    )


def _steering(lens: _Lens, report: CornerReport, turn_in: float | None) -> Steering | None:
    lap = lens.lap
    if not np.any(np.abs(lap.steering_wheel) > 1e-6):
        return None
    sign = 1.0 if report.direction.startswith("left") else -1.0
    first = lens.stretch.corner_start if turn_in is None else min(turn_in, lens.stretch.corner_start)
    rows = lens.rows(first, lens.stretch.corner_end)
    s, wheel, t = lap.s[rows], lap.steering_wheel[rows], lap.t[rows]
    into = sign * wheel
    peak = int(np.argmax(into))
    rate = np.gradient(into, t)
    quick = int(np.argmax(rate[: peak + 1]))
    unwound = last_fall(s[peak:], into[peak:], UNWOUND * into[peak])
    return Steering(
        peak=float(into[peak]),
        peak_at=lens.place(float(s[peak])),
        rate=float(rate[quick]),
        rate_at=lens.place(float(s[quick])),
        unwound=lens.maybe(unwound),
    )


def _coast(lens: _Lens, off: float | None, report: CornerReport) -> tuple[float, float]:
    start = off if off is not None else None
    if start is None or report.pick_up is None or report.pick_up <= start:
        return 0.0, 0.0
    return report.pick_up - start, lens.at("t", report.pick_up) - lens.at("t", start)
