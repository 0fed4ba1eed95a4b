"""A corner of the driver's lap beside the same corner of the reference, on one count of stations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lapwright.driver.session import DriverLap, Noise
from lapwright.driver.shares import Share
from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array, Lap
from lapwright.lap.resample import piece
from lapwright.track.track import Track

AROUND = 160.0
"""Road before and after a corner's share that is looked at [m]."""


@dataclass(frozen=True, eq=False)
class Pair:
    """One corner, driven by both.

    Attributes
    ----------
    name : of the corner
    track : the road; ``length`` of a closed one [m], 0 for an open one
    driver, reference : pieces of both laps at the same stations, which run on past the line and count from the corner's start
    ours, theirs : how each drove the corner; their stations through ``at``
    begin, turn_in, slowest, end : the corner's share and its phases, by the reference [m]
    side : +1 for a corner that turns left first, -1 for one to the right
    noise, has, switch : of the log, see ``DriverLap``
    """

    name: str
    track: Track
    length: float
    driver: Lap
    reference: Lap
    ours: CornerReport
    theirs: CornerReport
    begin: float
    turn_in: float
    slowest: float
    end: float
    side: float
    noise: Noise
    has: frozenset[str]
    switch: bool

    def at(self, station: float | None) -> float:
        """A station of a report on this corner's count: the nearest to the corner's start; NaN for None."""
        if station is None:
            return float("nan")
        if not self.length:
            return station
        start = self.theirs.start
        return start + (station - start + 0.5 * self.length) % self.length - 0.5 * self.length

    def later(self, name: str) -> float:
        """How much further down the road the driver does something than the reference [m]; NaN when one of them does not.

        Parameters
        ----------
        name
            A station of ``CornerReport``.
        """
        return self.at(getattr(self.ours, name)) - self.at(getattr(self.theirs, name))

    def value(self, which: str, channel: str, station: float) -> float:
        """A channel of the "driver" or the "reference" at a station."""
        lap: Lap = getattr(self, which)
        return float(np.interp(station, lap.s, getattr(lap, channel)))

    def rows(self, start: float, end: float) -> slice:
        """Rows of both pieces from one station to another."""
        s = self.reference.s
        return slice(int(np.searchsorted(s, start, "left")), int(np.searchsorted(s, end, "right")))

    def gap(self, which: str, side: float) -> Array:
        """Distance of the car's middle from the road's edge on a ``side`` (+1 left, -1 right), (M,) [m]."""
        lap: Lap = getattr(self, which)
        road = self.track.road(lap.s)
        width = road.width_left if side > 0 else road.width_right
        return np.asarray(width - side * lap.n)


def pairs(
    track: Track,
    drive: DriverLap,
    target: Lap,
    ours: Sequence[CornerReport],
    theirs: Sequence[CornerReport],
    parts: Sequence[Share],
) -> tuple[Pair, ...]:
    """All corners of both laps.

    Parameters
    ----------
    track
        The road.
    drive, target
        The driver's lap, and the reference with rows at the same stations.
    ours, theirs
        The corners of both, from ``corner_reports``.
    parts
        From ``shares.shares``.
    """
    assert drive.lap is not None and drive.noise is not None
    length = track.length if track.closed else 0.0
    found = []
    corners = [share for share in parts if share.kind == "corner"]
    for mine, his, share in zip(ours, theirs, corners, strict=True):
        start = his.start

        def near(station: float, start: float = start) -> float:
            return start + (station - start + 0.5 * length) % length - 0.5 * length if length else station

        begin = start - (start - share.start) % length if length else share.start
        end = start + (share.end - start) % length if length else share.end
        marks = {phase.name: near(phase.start) for phase in share.phases}
        slowest = marks.get("exit", near(his.slowest_at))
        turn_in = marks.get("entry", slowest)
        low, high = begin - AROUND, end + AROUND
        if not length:
            low, high = max(low, float(target.s[0])), min(high, float(target.s[-1]))
        side = 1.0 if his.direction.startswith("left") else -1.0
        found.append(
            Pair(
                name=his.name, track=track, length=length,
                driver=piece(drive.lap, low, high), reference=piece(target, low, high),
                ours=mine, theirs=his, begin=begin, turn_in=turn_in, slowest=slowest, end=end, side=side,
                noise=drive.noise, has=drive.has, switch=drive.brake_switch,
            )
        )  # fmt: skip
    return tuple(found)
