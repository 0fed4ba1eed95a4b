"""A lap read corner by corner: brake-on, release, slowest point, throttle pick-up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapwright.lap.landmarks import LandmarkFix, landmark_fixes, nearest_fix
from lapwright.lap.lap import Array, Lap
from lapwright.lap.phases import FULL_THROTTLE, THROTTLE_ON, BrakingZone, zones_of
from lapwright.lap.unrolled import Unrolled, first_rise, last_fall, last_rise, unroll
from lapwright.track.track import Corner, Track

TURN_IN_SHARE = 0.2
"""Turn-in is where the hand wheel passes this share of the corner's peak angle, towards the corner, for the
last time."""

RELEASE_SHARE = 0.9
"""The release begins where the brake falls for the last time below this share of the zone's peak."""

CLIP_TOLERANCE = 0.05
"""The clipping point is the middle of the stretch within this distance [m] of the least gap to the inside
edge."""


@dataclass(frozen=True)
class CornerReport:
    """One corner of one lap. Stations in m along the centreline, inside the lap; speeds m/s; None = did not
    happen.

    Attributes
    ----------
    name, direction : of the track's corner
    start, end : stations of the corner on the road
    entry : how the corner is entered: "brake" (a braking zone of its own), "shared" (the braking for an
        earlier corner still runs), "lift" (throttle below ``FULL_THROTTLE``, no braking zone) or "flat"
        (throttle full all through)
    shared_with : name of the corner that owns the braking, for "shared"
    lift_at : last station before the braking (or the slowest point) where the throttle left
        ``FULL_THROTTLE``; None when it has not been full since the corner before
    brake_on : where the brake rises through ``phases.BRAKE_ON``; of several zones the one that takes off most
        speed
    brake_on_before_start : distance from brake-on to the corner's start, negative inside the corner
    brake_on_speed, brake_on_gear : at brake-on
    landmark_behind, landmark_ahead : nearest landmark the car has passed at brake-on, and nearest still to
        come
    brake_peak, brake_peak_at : highest brake of the zone (share of peak pressure) and where
    release_at : where the brake falls for the last time below ``RELEASE_SHARE`` of that peak
    brake_off : where the brake falls below ``phases.BRAKE_ON``
    brake_off_past_slowest : distance from the slowest point to brake-off, negative before it (no trail to the
        apex)
    turn_in : last station, before the peak of the steering towards the corner, where it rises through
        ``TURN_IN_SHARE`` of that peak; None when the wheel has not been unwound since the corner before
    turn_in_speed : speed there
    turn_in_by : "steering", or "curvature" of the path for a car without a hand wheel
    slowest_at, slowest_speed, slowest_gear : least speed between the corner's start and end: the apex of this
        lap
    clip_at, clip_gap : where the car's centre runs closest to the inside edge, and how close [m]
    lateral_max : greatest lateral acceleration between start and end, without sign [m/s2]
    pick_up : where the throttle rises through ``phases.THROTTLE_ON`` for the last time before it is full;
        when the foot never left the throttle, where it is least
    full_throttle : first station after brake-off (or the lift) with throttle at ``phases.FULL_THROTTLE``;
        None when the next corner comes first
    pick_up_past_slowest, full_throttle_past_slowest : distance from the slowest point, negative before it
    entry_speed, exit_speed : at the corner's start and end
    time : from the corner's start to its end [s]
    """

    name: str
    direction: str
    start: float
    end: float
    entry: str
    shared_with: str
    lift_at: float | None
    brake_on: float | None
    brake_on_before_start: float | None
    brake_on_speed: float | None
    brake_on_gear: int | None
    landmark_behind: LandmarkFix | None
    landmark_ahead: LandmarkFix | None
    brake_peak: float | None
    brake_peak_at: float | None
    release_at: float | None
    brake_off: float | None
    brake_off_past_slowest: float | None
    turn_in: float | None
    turn_in_speed: float | None
    turn_in_by: str
    slowest_at: float
    slowest_speed: float
    slowest_gear: int
    clip_at: float
    clip_gap: float
    lateral_max: float
    pick_up: float | None
    pick_up_past_slowest: float | None
    full_throttle: float | None
    full_throttle_past_slowest: float | None
    entry_speed: float
    exit_speed: float
    time: float


@dataclass(frozen=True)
class _Place:
    """A corner laid on the unrolled lap: start < apex < end there, and the slowest station between them."""

    corner: Corner
    start: float
    apex: float
    end: float
    slowest: float

    def moved(self, shift: float) -> _Place:
        return _Place(
            self.corner, self.start + shift, self.apex + shift, self.end + shift, self.slowest + shift
        )


def corner_reports(lap: Lap, track: Track) -> tuple[CornerReport, ...]:
    """Every corner of the track that the lap drives from start to end, in driving order.

    A braking zone that slows for several corners belongs to the first: the first one whose apex (of the road)
    lies beyond brake-on, or that holds the point where the zone's slowing ends. The corners after it that are
    reached before the car gathers speed again are entered "shared".

    Parameters
    ----------
    lap
        A lap or section on ``track``; stations of a section may run on past the line of a closed track.
    track
        The road that was driven.
    """
    road = unroll(lap)
    places = _places(road, lap, track)
    zones = zones_of(road)
    own = _owned(places, zones, road.length)
    return tuple(_report(road, track, places, own, zones, i) for i in range(len(places)))


def _places(road: Unrolled, lap: Lap, track: Track) -> list[_Place]:
    found = []
    first, last = float(lap.s[0]), float(lap.s[-1])
    around = track.length if track.closed else 0.0
    for corner in track.corners:
        begin, end, apex = float(corner.start), float(corner.end), float(corner.apex)
        if around:
            end, apex = begin + (end - begin) % around, begin + (apex - begin) % around
        for shift in (-around, 0.0, around) if around else (0.0,):
            start = begin + shift
            inside = first <= start < last if lap.closed else first <= start and end + shift <= last
            if inside:
                found.append(_Place(corner, start, apex + shift, end + shift, 0.0))
    found.sort(key=lambda place: place.start)
    return [_Place(p.corner, p.start, p.apex, p.end, _slowest(road, p.start, p.end)) for p in found]


def _slowest(road: Unrolled, start: float, end: float) -> float:
    rows = road.rows(start, end)
    if rows.start >= rows.stop:
        return start if road.at("speed", start) <= road.at("speed", end) else end
    best = rows.start + int(np.argmin(road.speed[rows]))
    candidates = (float(road.s[best]), start, end)
    return min(candidates, key=lambda station: road.at("speed", station))


def _neighbour(places: list[_Place], i: int, length: float) -> _Place | None:
    """The place at position ``i`` of a list that, on a closed lap, has no end."""
    if length:
        turns, j = divmod(i, len(places))
        return places[j].moved(turns * length)
    return places[i] if 0 <= i < len(places) else None


def _owned(places: list[_Place], zones: tuple[BrakingZone, ...], length: float) -> list[list[BrakingZone]]:
    """Braking zones of each corner (stations of the unrolled lap, just before the corner's own copy)."""
    own: list[list[BrakingZone]] = [[] for _ in places]
    count = len(places)
    reach = range(-count, 2 * count) if length else range(count)
    for zone in zones:
        for i in reach:
            place = _neighbour(places, i, length)
            assert place is not None
            holds = place.start <= zone.slowest_at <= place.end
            if place.end > zone.start and (place.apex > zone.start or holds):
                if 0 <= i < count:
                    own[i].append(zone)
                break
    return own


def _report(
    road: Unrolled, track: Track, places: list[_Place], own: list[list[BrakingZone]],
    zones: tuple[BrakingZone, ...], i: int,
) -> CornerReport:  # fmt: skip
    place = places[i]
    before = _neighbour(places, i - 1, road.length)
    after = _neighbour(places, i + 1, road.length)
    window_start = _clear_of(before, place, own[i]) if before else float(road.s[0])
    window_end = after.slowest if after else float(road.s[-1])
    zone = max(own[i], key=lambda z: z.start_speed - z.end_speed) if own[i] else None
    window_end = min([window_end] + [z.start for z in zones if z.start > place.apex and z not in own[i]])
    entry, shared = _entry(road, places, zones, zone, place, window_end)
    braking = zone or shared
    lift = _lift(road, window_start, braking.start if braking else place.slowest) if entry != "flat" else None
    released = braking.end if braking else lift if lift is not None else place.start
    pick_up, full = (None, None) if entry == "flat" else _throttle(road, released, window_end)
    turn_in, by = _turn_in(road, place, window_start)
    clip_at, clip_gap = _clip(road, track, place)
    rows = road.rows(place.start, place.end)
    lateral = (
        np.abs(road.accel_lat[rows]) if rows.start < rows.stop else np.abs([road.at("accel_lat", place.apex)])
    )
    wrap = road.wrap

    def kept(station: float | None) -> float | None:
        return None if station is None else wrap(station)

    def past(station: float | None) -> float | None:
        return None if station is None else station - place.slowest

    behind, ahead = landmark_fixes(zone.start, track) if zone else (None, None)
    release = _release(road, zone) if zone else None
    return CornerReport(
        name=place.corner.name,
        direction=place.corner.direction,
        start=float(place.corner.start),
        end=float(place.corner.end),
        entry=entry,
        shared_with=_owner_name(places, own, shared, road.length) if shared else "",
        lift_at=kept(lift),
        brake_on=kept(zone.start) if zone else None,
        brake_on_before_start=place.start - zone.start if zone else None,
        brake_on_speed=zone.start_speed if zone else None,
        brake_on_gear=road.gear_at(zone.start) if zone else None,
        landmark_behind=behind,
        landmark_ahead=ahead,
        brake_peak=zone.peak if zone else None,
        brake_peak_at=kept(zone.peak_at) if zone else None,
        release_at=kept(release),
        brake_off=kept(zone.end) if zone else None,
        brake_off_past_slowest=past(zone.end) if zone else None,
        turn_in=kept(turn_in),
        turn_in_speed=None if turn_in is None else road.at("speed", turn_in),
        turn_in_by=by,
        slowest_at=wrap(place.slowest),
        slowest_speed=road.at("speed", place.slowest),
        slowest_gear=road.gear_at(place.slowest),
        clip_at=wrap(clip_at),
        clip_gap=clip_gap,
        lateral_max=float(lateral.max()),
        pick_up=kept(pick_up),
        pick_up_past_slowest=past(pick_up),
        full_throttle=kept(full),
        full_throttle_past_slowest=past(full),
        entry_speed=road.at("speed", place.start),
        exit_speed=road.at("speed", place.end),
        time=road.at("t", place.end) - road.at("t", place.start),
    )


def _clear_of(before: _Place, place: _Place, own: list[BrakingZone]) -> float:
    """Where the corner before is done with: its slowest point, or its apex when the car slows for this one
    from there.
    """
    begins = min([place.slowest] + [zone.start for zone in own])
    return before.slowest if before.slowest < begins else min(before.apex, begins)


def _entry(
    road: Unrolled, places: list[_Place], zones: tuple[BrakingZone, ...], zone: BrakingZone | None,
    place: _Place, window_end: float,
) -> tuple[str, BrakingZone | None]:  # fmt: skip
    if zone is not None:
        return "brake", None
    running = [z for z in zones if z.start < place.apex and max(z.end, z.slowest_at) > place.start]
    if running:
        return "shared", running[-1]
    stop = place.end
    if window_end < place.end:
        rows = road.rows(place.start, window_end)
        off = last_fall(road.s[rows], road.throttle[rows], FULL_THROTTLE)
        stop = off if off is not None and off > place.apex else window_end
    rows = road.rows(place.start, stop)
    full = road.throttle[rows].size == 0 or bool(np.all(road.throttle[rows] >= FULL_THROTTLE))
    return ("flat" if full else "lift"), None


def _owner_name(places: list[_Place], own: list[list[BrakingZone]], zone: BrakingZone, length: float) -> str:
    for place, theirs in zip(places, own, strict=True):
        for candidate in theirs:
            distance = candidate.start - zone.start
            if abs(distance) < 1e-6 or (length and abs(abs(distance) - length) < 1e-6):
                return place.corner.name
    return ""


def _lift(road: Unrolled, start: float, end: float) -> float | None:
    rows = road.rows(start, end)
    return last_fall(road.s[rows], road.throttle[rows], FULL_THROTTLE)


def _release(road: Unrolled, zone: BrakingZone) -> float:
    begin = int(np.searchsorted(road.s, zone.peak_at, "left"))
    stop = int(np.searchsorted(road.s, zone.end, "right")) + 1
    fall = last_fall(road.s[begin:stop], road.brake[begin:stop], RELEASE_SHARE * zone.peak)
    return zone.end if fall is None else fall


def _throttle(road: Unrolled, released: float, window_end: float) -> tuple[float | None, float | None]:
    """Pick-up and full throttle between the release and the end of the window."""
    begin = max(int(np.searchsorted(road.s, released, "right")) - 1, 0)
    rows = slice(begin, int(np.searchsorted(road.s, window_end, "right")))
    s, throttle = road.s[rows], road.throttle[rows]
    if throttle.size < 2:
        return None, None
    full = first_rise(s[1:], throttle[1:], FULL_THROTTLE) if throttle[1] < FULL_THROTTLE else float(s[1])
    stop = int(np.searchsorted(s, full, "left")) + 1 if full is not None else int(np.argmax(throttle)) + 1
    if throttle[1:stop].size and throttle[:stop].min() >= THROTTLE_ON:
        return float(s[int(np.argmin(throttle[:stop]))]), full
    return last_rise(s[:stop], throttle[:stop], THROTTLE_ON), full


def _turn_in(road: Unrolled, place: _Place, window_start: float) -> tuple[float | None, str]:
    steered = bool(np.any(np.abs(np.nan_to_num(road.wheel)) > 1e-6))
    sign = 1.0 if place.corner.direction.startswith("left") else -1.0
    signed = sign * (road.wheel if steered else road.curvature)
    by = "steering" if steered else "curvature"
    rows = road.rows(place.start, place.end)
    if rows.start >= rows.stop or signed[rows].max() <= 0:
        return None, by
    peak = rows.start + int(np.argmax(signed[rows]))
    first = int(np.searchsorted(road.s, window_start, "left"))
    stretch = slice(first, peak + 1)
    return last_rise(road.s[stretch], signed[stretch], TURN_IN_SHARE * signed[peak]), by


def _clip(road: Unrolled, track: Track, place: _Place) -> tuple[float, float]:
    rows = road.rows(place.start, place.end)
    s, n = road.s[rows], road.n[rows]
    if s.size == 0:
        s, n = np.array([place.apex]), np.array([road.at("n", place.apex)])
    at = np.append(s, place.corner.apex)
    edge = track.road(np.mod(at, track.length) if track.closed else at)
    inside_left = float(edge.curvature[-1]) >= 0
    gap = edge.width_left[:-1] - n if inside_left else edge.width_right[:-1] + n
    best = int(np.argmin(gap))
    near = gap <= gap[best] + CLIP_TOLERANCE
    first = last = best
    while first > 0 and near[first - 1]:
        first -= 1
    while last < s.size - 1 and near[last + 1]:
        last += 1
    return float(0.5 * (s[first] + s[last])), float(gap[best])


def nearest_landmark(report: CornerReport) -> LandmarkFix | None:
    """The nearer of the two landmarks around brake-on; the one still ahead when they are equally far."""
    return nearest_fix(report.landmark_behind, report.landmark_ahead)


def slowest_inside(report: CornerReport) -> bool:
    """Whether the corner has a slowest point of its own: False when the car only gathers or loses speed
    through it.
    """
    return min(abs(report.slowest_at - report.start), abs(report.slowest_at - report.end)) > 1e-6


def corner_sectors(reports: tuple[CornerReport, ...], lap: Lap) -> tuple[tuple[float, float], ...]:
    """One stretch of road for each corner, from where its entry begins to where that of the next begins.

    The entry begins at the lift, else at brake-on, else at the corner's start, so the straight after a corner
    counts for the corner that it is driven out of. Together the sectors are the whole lap: the first and the
    last sector of an open one reach to its ends. Stations [m] grow through the tuple; on a closed track the
    last may pass the line.
    """
    around = float(lap.s[-1] - lap.s[0]) if lap.closed else 0.0
    starts: list[float] = []
    for report in reports:
        entry = report.lift_at if report.lift_at is not None else report.brake_on
        begin = report.start
        if entry is not None:
            ahead = (report.start - entry) % around if around else report.start - entry
            begin -= ahead if 0.0 < ahead < 0.5 * around or (not around and ahead > 0) else 0.0
        starts.append(max(begin, starts[-1]) if starts else begin)
    if not starts:
        return ()
    if lap.closed:
        return tuple(zip(starts, [*starts[1:], starts[0] + around], strict=True))
    starts[0] = float(lap.s[0])
    return tuple(zip(starts, [*starts[1:], float(lap.s[-1])], strict=True))


def sector_times(lap: Lap, sectors: tuple[tuple[float, float], ...]) -> Array:
    """Time of a lap in each sector [s]; the sectors may come from another lap of the same road."""
    road = unroll(lap)
    return np.array([road.at("t", end) - road.at("t", start) for start, end in sectors])
