"""What the driver did, as bounds on a section of the reference: his pedal, his line or his hands for a while, the rest free.

The bounds that a size is enough for are those of ``corner.impose``; here are those that follow a driver's own trace.
"""

from __future__ import annotations

import numpy as np

from lapwright.corner.impose import ROOM, SLACK, Imposed, Known, corridor, foot
from lapwright.lap.lap import Array, Lap
from lapwright.lap.phases import BRAKE_ON, THROTTLE_ON
from lapwright.track.track import Track
from lapwright.vehicle.parameters import FrictionCircle

EASE = 4.0
"""Distance [m] over which a bound that follows a pedal ends."""

OPENING = 0.08
"""Metres sideways by which a bound of the line opens for each metre before and after its stretch."""

BESIDE = 0.05
"""Distance [m] of a bound of the line from the driver's."""

LANE = 0.3
"""Width [m] that a bound of the line leaves on the road."""

CLEAR = 12.0
"""A bound of the line keeps so far from the ends of a section, where the car's place is given [m]."""

BUILT = 0.9
"""Share of the peak up to which the time of a build-up is told."""

PLATEAU = 0.8
"""Share of the peak from which a brake counts as held."""

TREMBLE = 0.004
"""Half of the tube about an imposed angle of the road wheels [rad]."""


def _room(known: Known) -> Array:
    """Share of the peak pressure that a brake may be asked for beside what the tyres carry to the side, (M,)."""
    use = np.zeros_like(known.lap.s)
    for axle in ("front", "rear"):
        use = np.fmax(use, np.abs(known.lap.axle_force_use(axle)[1]))
    return ROOM * np.sqrt(np.maximum(1.0 - np.minimum(use, 1.0) ** 2, 0.0))


def pedal_no_higher(known: Known, drive: Lap, start: float, end: float, name: str) -> Imposed:
    """The pedal axis no higher than the driver's from one station to another: his brake at least, his throttle at most.

    The brake that is asked leaves the tyres room for what they carry to the side, as the known drive has it there.
    """
    room = _room(known)

    def upper(s: Array) -> Array:
        asked = np.maximum(np.interp(s, drive.s, drive.pedal), -np.interp(s, known.lap.s, room)) + SLACK
        inside = (s >= start) & (s <= end)
        after = np.interp(
            s, [end, end + EASE], [min(float(np.interp(end, drive.s, drive.pedal)), 1.0) + SLACK, 1.0]
        )
        return np.where(inside, np.minimum(asked, 1.0), np.where(s > end, after, 1.0))

    return Imposed(foot(known, upper=upper, name=name), corner=end)


def pedal_no_lower(known: Known, drive: Lap, start: float, end: float, name: str) -> Imposed:
    """The pedal axis no lower than the driver's from one station to another: his brake at most."""

    def lower(s: Array) -> Array:
        # A throttle that he had open is not asked for: only the brake that he did not use is taken away.
        asked = np.minimum(np.interp(s, drive.s, drive.pedal), 0.0) - SLACK
        inside = (s >= start) & (s <= end)
        return np.where(inside, np.maximum(asked, -1.0), -1.0)

    return Imposed(foot(known, lower=lower, name=name), corner=end)


def coasting(known: Known, start: float, end: float) -> Imposed:
    """Neither pedal from one station to another."""

    def lower(s: Array) -> Array:
        return np.where((s >= start) & (s <= end), -0.05, -1.0)

    def upper(s: Array) -> Array:
        return np.where(s < start, 1.0, np.interp(s, [end, end + EASE], [0.03, 1.0]))

    return Imposed(foot(known, lower=lower, upper=upper, name="neither pedal"), corner=end)


def built_slower(known: Known, seconds: float) -> Imposed | None:
    """The brake takes ``seconds`` longer to come up to its peak, begun as early as that needs: a slower foot on the way down.

    None for a friction-circle car, whose force may change at once.
    """
    braking = known.reading.braking
    assert braking is not None
    if isinstance(known.vehicle, FrictionCircle):
        return None
    driver = known.vehicle.driver
    up, down = 1.0 / driver.brake_release, 1.0 / driver.brake_rise
    rate = min((BUILT * braking.peak - BRAKE_ON) / (braking.build_time + seconds), down)
    # The effort at which ``problem.car.pedal_rate`` falls at that rate.
    slow = -rate * (up + down) / (2.0 * up * down - rate * (up - down))
    start, end = braking.on.at - braking.on.speed * seconds, braking.peak_at.at + braking.on.speed * seconds

    def lower(s: Array) -> Array:
        return np.where((s >= start) & (s <= end) & (known.pedal(s) <= 0.0), slow, -1.0)

    def earlier(s: Array) -> Array:
        # Where the foot is still on the throttle in the known drive but may be on the brake in this one.
        return np.where(
            (s >= start) & (s < braking.on.at) & (known.pedal(s + braking.on.speed * seconds) <= 0.0),
            slow,
            -1.0,
        )

    return Imposed(
        corridor(
            "pedal_effort", lower=lambda s: np.maximum(lower(s), earlier(s)), name="the brake builds slowly"
        )
    )


def peak_higher(known: Known, share: float) -> Imposed:
    """The brake harder by a share of itself where the known drive has it above ``PLATEAU`` of its peak.

    It leaves the tyres room for what they carry to the side, as the known drive has it there.
    """
    braking = known.reading.braking
    assert braking is not None
    room = _room(known)

    def upper(s: Array) -> Array:
        own = known.pedal(s)
        held = (s >= braking.on.at) & (s <= braking.off.at) & (own <= -PLATEAU * braking.peak)
        asked = np.maximum((1.0 + share) * own, -np.interp(s, known.lap.s, room))
        return np.where(held, asked + SLACK, 1.0)

    return Imposed(foot(known, upper=upper, name="peak brake"))


def throttle_earlier(known: Known, metres: float) -> Imposed:
    """A trace of throttle from before the place where the known drive picks it up."""
    place = known.reading.pick_up
    assert place is not None
    first = max(place.at - metres, known.off + EASE)

    def lower(s: Array) -> Array:
        before = np.interp(s, [first - EASE, first], [-1.0, THROTTLE_ON])
        return np.where(s <= place.at, before, -1.0)

    return Imposed(foot(known, lower=lower, name="throttle early"), corner=first)


def line_held(
    known: Known, track: Track, drive: Lap, start: float, end: float, side: float, name: str
) -> Imposed:
    """The car no nearer to the edge on a ``side`` (+1 left, -1 right) than the driver was, from one station to another.

    A driver who was off the road on the other side leaves the car ``LANE`` on it.
    """
    half = 0.0 if isinstance(known.vehicle, FrictionCircle) else 0.5 * known.vehicle.chassis.width
    first, last = known.stretch.start + CLEAR, known.stretch.end - CLEAR
    start, end = max(start, first), min(end, last)

    def bound(s: Array) -> Array:
        away = np.maximum(np.maximum(start - s, s - end), 0.0)
        inside = np.clip(s, start, end)
        held = np.interp(inside, drive.s, side * drive.n) + BESIDE + OPENING * away
        road = track.road(np.ravel(s))
        other = (road.width_right if side > 0 else road.width_left).reshape(np.shape(s)) - half
        return side * np.maximum(held, LANE - other)

    if side > 0:
        return Imposed(corridor("n", upper=bound, name=name))
    return Imposed(corridor("n", lower=bound, name=name))


def steered(
    known: Known, drive: Lap, start: float, end: float, smooth: Array, ratio: float
) -> Imposed | None:
    """The driver's corrections put on top of the reference's steering; None for a car without a wheel.

    Parameters
    ----------
    known, drive, start, end
        The reference's drive, the driver's lap, and where.
    smooth
        (M,) the driver's hand-wheel angle without its corrections [rad].
    ratio
        Hand-wheel angle over that of the road wheels.
    """
    if isinstance(known.vehicle, FrictionCircle):
        return None
    extra = (drive.steering_wheel - smooth) / ratio
    own = known.lap.steering_wheel / ratio

    def middle(s: Array) -> Array:
        return np.asarray(np.interp(s, known.lap.s, own) + np.interp(s, drive.s, extra))

    def far(s: Array) -> Array:
        return np.where((s >= start) & (s <= end), TREMBLE, np.inf)

    return Imposed(
        corridor("delta", lambda s: middle(s) - far(s), lambda s: middle(s) + far(s), "the driver's hands")
    )
