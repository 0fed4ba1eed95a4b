"""Habits and mistakes as bounds on the pedal or the speed along the road: imposed, with everything else left free.

Each function takes what it imposes from a drive that is known, the pedal trace shifted or cut, so that imposing nothing
(a shift of 0 m) costs nothing. Bounds that begin or end somewhere do so over ``EASE``. An early or late brake point is driven
from where the foot should move or does: nobody makes a mistake good before it is made.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lapwright.corner.reading import Reading
from lapwright.corner.stretch import Stretch
from lapwright.lap.channels import circle_drive
from lapwright.lap.lap import Array, Lap
from lapwright.lap.phases import BRAKE_ON, THROTTLE_ON
from lapwright.problem.model import Corridor
from lapwright.quantities import G
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

OPEN = 0.995
"""Pedal from which the throttle counts as not yet moved."""

EASE = 3.0
"""Distance [m] over which a bound of the pedal ends."""

SLACK = 1e-3
"""Pedal travel left beside a trace that is imposed: a solve must be able to move."""

ROOM = 0.85
"""Share of the grip beside the cornering force that an early brake takes at the most: nobody locks a wheel on purpose."""

LIFTED = 0.03
"""Pedal travel by which the foot may come back before a brake point that is imposed late: nobody eases off before a mistake
that he does not know of."""

FASTER = 1.05
"""Greatest speed of a mistake over that of the known drive."""

AROUND_SLOWEST = 1.5
"""Distance [m] from the slowest point within which a lower speed is asked."""


@dataclass(frozen=True)
class Imposed:
    """A bound; the station [m] up to which everything is as known, None when all of the section may be driven anew; and the
    station at which the bound has its corner, where a mesh needs a node, or a third of an interval decides a millisecond.
    """

    bound: Corridor
    begin: float | None = None
    corner: float | None = None


@dataclass(frozen=True)
class Known:
    """A drive to take from: its lap, its reading, its section and the car that was driven."""

    lap: Lap
    reading: Reading
    stretch: Stretch
    vehicle: AnyVehicle

    def pedal(self, s: Array) -> Array:
        """The pedal axis [-1 to 1] at stations."""
        return np.interp(s, self.lap.s, self.lap.pedal)

    @property
    def entry(self) -> float:
        """Where the foot begins to leave the throttle, before the lift; brake-on when it was not full."""
        reading = self.reading
        if reading.lift is None:
            return reading.braking.on.at if reading.braking else reading.start.at
        rows = np.flatnonzero((self.lap.s < reading.lift.at) & (self.lap.pedal >= OPEN))
        return float(self.lap.s[rows[-1]]) if rows.size else reading.lift.at

    @property
    def deepest(self) -> float:
        """Where the foot has come down: brake built up, or the throttle least."""
        reading = self.reading
        if reading.braking is not None:
            return reading.braking.peak_at.at
        rows = (self.lap.s >= self.entry) & (self.lap.s <= self.stretch.fine_end)
        return float(self.lap.s[rows][int(np.argmin(self.lap.pedal[rows]))])

    @property
    def off(self) -> float:
        """Where the brake is off, or the throttle least."""
        return self.reading.braking.off.at if self.reading.braking else self.deepest


def corridor(
    state: str,
    lower: Callable[[Array], Array] | None = None,
    upper: Callable[[Array], Array] | None = None,
    name: str = "",
) -> Corridor:
    """Bounds of a state or control, open on a side that is left out, by one name."""
    return Corridor(
        state,
        lower or (lambda s: np.full(np.shape(s), -np.inf)),
        upper or (lambda s: np.full(np.shape(s), np.inf)),
        name,
        name,
    )


def foot(
    known: Known,
    lower: Callable[[Array], Array] | None = None,
    upper: Callable[[Array], Array] | None = None,
    name: str = "",
) -> Corridor:
    """Bounds of the pedal axis; of the force along the road for a friction-circle car, which has no pedals.

    Its brake is then a share of the grip, its throttle a share of the largest drive force, as on the known drive.
    """
    if not isinstance(known.vehicle, FrictionCircle):
        return corridor("pedal", lower, upper, name)
    lap, vehicle = known.lap, known.vehicle
    grip = lap.grip_long.sum(axis=1) / (vehicle.mass * G)
    drive = circle_drive(vehicle, lap.speed, grip)
    # Whoever brakes later is faster there than the known drive, and has less drive force: no more must be asked of him.
    least = circle_drive(vehicle, np.full_like(grip, FASTER * lap.speed.max()), grip)

    def force(bound: Callable[[Array], Array], s: Array, full: Array) -> Array:
        share = bound(s)
        most = np.where(share < 0.0, np.interp(s, lap.s, grip), np.interp(s, lap.s, full))
        return np.where(np.abs(share) >= 1.0, share * np.inf, share * most)

    return corridor(
        "force_long",
        None if lower is None else lambda s: force(lower, s, least),
        None if upper is None else lambda s: force(upper, s, drive),
        name,
    )


def entry_earlier(known: Known, metres: float) -> Imposed:
    """Off the throttle and on the brake earlier, built up as quickly, and not off it again before the release begins.

    The brake that is asked leaves the tyres room for what they carry to the side at that place. A friction-circle car, always
    at its limit, needs to be driven anew from the section's start.
    """
    entry, deepest = known.entry, known.deepest
    released = known.reading.release.start.at if known.reading.release else max(deepest, known.off - EASE)
    floor = -BRAKE_ON if known.reading.braking else float(known.pedal(np.array([deepest]))[0])
    side = np.zeros_like(known.lap.s)
    for axle in ("front", "rear"):
        side = np.fmax(side, np.abs(known.lap.axle_force_use(axle)[1]))
    room = ROOM * np.sqrt(np.maximum(1.0 - np.minimum(side, 1.0) ** 2, 0.0))
    peak = known.reading.braking.peak if known.reading.braking else 1.0

    def upper(s: Array) -> Array:
        cap = -peak * np.interp(s, known.lap.s, room)
        asked = np.maximum(known.pedal(np.minimum(s + metres, deepest)), cap) + SLACK
        eased = np.clip((s - (deepest - metres)) / EASE, 0.0, 1.0)
        held = np.minimum(asked + eased * (floor + SLACK - asked), 1.0)
        gone = np.interp(s, [released, released + EASE], [floor + SLACK, 1.0])
        return np.where(s < entry - metres, 1.0, np.where(s < released, held, gone))

    begin = None if isinstance(known.vehicle, FrictionCircle) else entry - metres
    return Imposed(foot(known, upper=upper, name="on the brake early"), begin)


def entry_later(known: Known, metres: float) -> Imposed:
    """Off the throttle and on the brake later; from there on the driver does what is best."""
    entry, deepest = known.entry, known.deepest

    def lower(s: Array) -> Array:
        traced = known.pedal(np.clip(s - metres, entry, deepest)) - SLACK
        eased = np.clip((s - (deepest + metres)) / EASE, 0.0, 1.0)
        late = np.maximum(traced + eased * (-1.0 - traced), -1.0)
        return np.where(s >= entry, late, np.maximum(known.pedal(s) - LIFTED, -1.0))

    return Imposed(foot(known, lower=lower, name="on the brake late"), entry)


def peak_lower(known: Known, share: float) -> Imposed:
    """The brake never above ``1 - share`` of the known peak, and begun as early as that needs."""
    braking = known.reading.braking
    assert braking is not None
    level = -(1.0 - share) * braking.peak
    last = max(known.reading.slowest.at, braking.off.at)

    def lower(s: Array) -> Array:
        return np.where((s >= known.entry) & (s <= last), level, -1.0)

    return Imposed(foot(known, lower=lower, name="peak brake"))


def off_by(known: Known, station: float) -> Imposed:
    """The brake off by a station, and not on again: the end of the known release moved there."""
    shift = station - known.off

    def lower(s: Array) -> Array:
        tail = np.minimum(known.pedal(np.maximum(s - shift, known.off)), 0.0) - SLACK
        allowed = np.interp(s, [station - EASE, station], [-1.0, -BRAKE_ON - SLACK])
        return np.where(s < station, allowed, np.maximum(tail, -1.0))

    return Imposed(foot(known, lower=lower, name="brake off by here"), corner=station)


def held_until(known: Known, station: float) -> Imposed:
    """The brake still on at a station: not off from the start of the known release until there."""
    release = known.reading.release
    begin = release.start.at if release else min(known.off, station) - EASE

    def upper(s: Array) -> Array:
        after = np.interp(s, [station, station + EASE], [-BRAKE_ON, 1.0])
        return np.where(s >= begin, after, 1.0)

    return Imposed(foot(known, upper=upper, name="brake held to here"), corner=station)


def slowest_lower(known: Known, drop: float) -> Imposed:
    """The speed at the slowest point lower by ``drop`` [m/s]."""
    place = known.reading.slowest.at
    forward = np.interp(place, known.lap.s, known.lap.speed * np.cos(known.lap.sideslip))

    def upper(s: Array) -> Array:
        return np.where(np.abs(s - place) <= AROUND_SLOWEST, forward - drop, np.inf)

    return Imposed(corridor("u", upper=upper, name="slowest speed"))


def throttle_later(known: Known, metres: float) -> Imposed:
    """The throttle picked up later."""
    reading = known.reading
    assert reading.pick_up is not None
    place = reading.pick_up.at
    level = max(THROTTLE_ON, float(known.pedal(np.array([place]))[0])) + SLACK

    def upper(s: Array) -> Array:
        after = np.interp(s, [place + metres, place + metres + EASE], [level, 1.0])
        return np.where(s >= known.off, after, 1.0)

    return Imposed(foot(known, upper=upper, name="throttle late"), corner=place + metres)


def breath(known: Known, station: float, level: float) -> Imposed:
    """The throttle no more than ``level`` at one place: a breath where it can stay open."""

    def upper(s: Array) -> Array:
        return np.where(np.abs(s - station) <= EASE, level, 1.0)

    return Imposed(foot(known, upper=upper, name="throttle eased"))
