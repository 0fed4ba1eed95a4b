"""What the driver's feet are doing along a lap: braking zones, and the phase of every row."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Array, Lap
from lapwright.lap.unrolled import Unrolled, crossing, unroll

BRAKE_ON = 0.05
"""Share of peak brake pressure from which the brake counts as on; brake-on and brake-off are its
crossings."""

BRAKE_ZONE_PEAK = 0.10
"""A braking that never passes this share of peak pressure is a brush of the pedal, not a braking zone."""

BRAKE_GAP = 0.3
"""Two brakings less than this time apart [s] are one zone: the pedal never really came back."""

THROTTLE_ON = 0.05
"""Share of full throttle from which the throttle counts as picked up."""

FULL_THROTTLE = 0.95
"""Share of full throttle from which the throttle counts as full."""

TRAIL_LATERAL_SHARE = 0.2
"""Braking counts as trail braking while the more loaded axle uses more than this share of its lateral
grip."""

PHASES = ("braking", "trail braking", "coast", "throttle")


@dataclass(frozen=True)
class BrakingZone:
    """One stretch with the brake on (definitions: ``BRAKE_ON``, ``BRAKE_ZONE_PEAK``, ``BRAKE_GAP``).

    ``start``, ``end`` and ``peak_at`` are stations [m], inside the lap; ``start > end`` runs across the line
    of a closed track. ``length`` [m] and ``duration`` [s] are from brake-on to brake-off, speeds in m/s,
    ``peak`` a share of peak pressure. ``slowest_at`` is where the speed is least from brake-on until the car
    gathers speed or brakes again.
    """

    start: float
    end: float
    length: float
    duration: float
    start_speed: float
    end_speed: float
    peak: float
    peak_at: float
    slowest_at: float


def phases(lap: Lap) -> NDArray[np.str_]:
    """Phase of each row of a lap, one of ``PHASES``.

    "braking": brake on (``BRAKE_ON``) with the car all but straight; "trail braking": brake on while an axle
    uses more than ``TRAIL_LATERAL_SHARE`` of its lateral grip; "throttle": throttle at or above
    ``THROTTLE_ON``; "coast": neither pedal. Common practice puts the borders at a few percent of pedal; they
    are ours.
    """
    lateral = np.zeros(lap.s.size)
    for axle in ("front", "rear"):
        lateral = np.fmax(lateral, np.abs(lap.axle_force_use(axle)[1]))
    braking = lap.brake >= BRAKE_ON
    return np.select(
        [braking & (lateral > TRAIL_LATERAL_SHARE), braking, lap.throttle >= THROTTLE_ON],
        ["trail braking", "braking", "throttle"],
        "coast",
    ).astype(np.str_)


def braking_zones(lap: Lap) -> tuple[BrakingZone, ...]:
    """The braking zones of a lap in driving order, each once, by the station where it begins.

    A zone runs from where the brake rises through ``BRAKE_ON`` to where it falls below it for at least
    ``BRAKE_GAP``. On a closed track a zone may run across the line. On an open one a section that begins with
    the brake on begins with a zone.
    """
    road = unroll(lap)
    first, last = (0.0, road.length) if road.length else (-np.inf, np.inf)
    origin = float(lap.s[0])
    return tuple(_in_lap(road, zone) for zone in zones_of(road) if first <= zone.start - origin < last)


def zones_of(road: Unrolled) -> tuple[BrakingZone, ...]:
    """Every braking zone of an unrolled lap, stations as they stand there (``end > start`` always)."""
    found: list[tuple[float, float]] = []
    for start, end in _on_stretches(road.s, road.brake, BRAKE_ON):
        if found and road.at("t", start) - road.at("t", found[-1][1]) < BRAKE_GAP:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    real = []
    for start, end in found:
        rows = road.rows(start, end)
        if rows.start < rows.stop and road.brake[rows].max() >= BRAKE_ZONE_PEAK:
            real.append((start, end))
    following = [*(start for start, _ in real), np.inf][1:]
    return tuple(_zone(road, *ends, until) for ends, until in zip(real, following, strict=True))


def _on_stretches(s: Array, values: Array, level: float) -> list[tuple[float, float]]:
    """Stretches of ``values >= level``, their ends between the rows."""
    on = values >= level
    starts = [crossing(s, values, level, int(i)) for i in np.flatnonzero(~on[:-1] & on[1:])]
    ends = [crossing(s, values, level, int(i)) for i in np.flatnonzero(on[:-1] & ~on[1:])]
    if on[0]:
        starts.insert(0, float(s[0]))
    if on[-1]:
        ends.append(float(s[-1]))
    return list(zip(starts, ends, strict=True))


def _zone(road: Unrolled, start: float, end: float, until: float) -> BrakingZone:
    rows = road.rows(start, end)
    peak_row = rows.start + int(np.argmax(road.brake[rows]))
    return BrakingZone(
        start=start,
        end=end,
        length=end - start,
        duration=road.at("t", end) - road.at("t", start),
        start_speed=road.at("speed", start),
        end_speed=road.at("speed", end),
        peak=float(road.brake[peak_row]),
        peak_at=float(road.s[peak_row]),
        slowest_at=_slowest_after(road, start, end, until),
    )


def _slowest_after(road: Unrolled, start: float, end: float, until: float) -> float:
    """Station of the least speed from brake-on to where the car no longer slows, or brakes again."""
    stop = int(np.searchsorted(road.s, end, "right"))
    while stop < road.s.size and road.s[stop] <= until and road.speed[stop] <= road.speed[stop - 1]:
        stop += 1
    begin = int(np.searchsorted(road.s, start, "left"))
    return float(road.s[begin + int(np.argmin(road.speed[begin:stop]))]) if begin < stop else end


def _in_lap(road: Unrolled, zone: BrakingZone) -> BrakingZone:
    places = {name: road.wrap(getattr(zone, name)) for name in ("start", "end", "peak_at", "slowest_at")}
    return replace(zone, **places)
