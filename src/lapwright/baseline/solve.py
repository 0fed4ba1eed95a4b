"""The quasi-steady lap of a line: the car's envelope, forward and backward passes, all channels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.baseline.circle_limits import FASTEST, CircleLimits
from lapwright.baseline.envelope import (
    CircleEnvelope,
    Envelope,
    TrimEnvelope,
    envelope,
    grip_nodes,
    top_speed,
)
from lapwright.baseline.grid import Grid, base_stations, build_grid, lows, refine_low, road_at
from lapwright.baseline.lines import line_offsets
from lapwright.baseline.passes import sweep
from lapwright.baseline.path import Offsets, PathRoad
from lapwright.baseline.profile import SpeedProfile, join_passes
from lapwright.errors import Fault, InputError, NoSolutionError
from lapwright.quantities import DEG, G
from lapwright.track.road import Array
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle

if TYPE_CHECKING:
    from lapwright.baseline.car_limits import CarLimits
    from lapwright.baseline.rows import RowStates
    from lapwright.lap.lap import Lap
    from lapwright.track.track import Track

SPARE = 1.02
"""Tables reach so far beyond the car's highest speed on the steepest fall."""

GOOD, CORRECTIONS = 2e-3, 3
"""The tables are held against the car itself where the lap uses all of them, and corrected while they err by more than this
share of the force (root mean square), so many times at most."""

UNSOUND, UNSOLVED = 0.3, 0.02
"""Share of the tyre force missing somewhere, and share of the rows without a steady state, at which there is no answer."""

TELLING = 0.05
"""Share of the tyre force missing somewhere from which the user is told."""


@dataclass(frozen=True)
class Apex:
    """Where the speed is least: station [m], speed [m/s], curvature of the line [1/m, positive left]."""

    station: float
    speed: float
    curvature: float


@dataclass(frozen=True)
class BaselineResult:
    """A quasi-steady lap.

    Attributes
    ----------
    lap : every channel, of kind "baseline"
    apexes : the slowest points, in driving order
    switches : stations [m] where driving as hard as possible gives way to braking
    envelope : what the car can do; may be handed to the next call for the same car
    shortfall : largest share of the tyre force that the tables of the envelope promise beyond what the car gives [-]
    notices : sentences for the user
    """

    lap: Lap
    apexes: tuple[Apex, ...]
    switches: tuple[float, ...]
    envelope: Envelope
    shortfall: float
    notices: tuple[str, ...]

    @property
    def time(self) -> float:
        """Lap time, or time from the first row to the last [s]."""
        return self.lap.time


def solve_baseline(
    track: Track,
    vehicle: AnyVehicle,
    *,
    line: tuple[Array, Array] | Offsets | None = None,
    envelope: Envelope | None = None,
    start_speed: float | None = None,
    end_speed: float | None = None,
    at_most: bool = False,
    step: float | None = None,
) -> BaselineResult:
    """The quasi-steady lap of a line: as fast as the car's steady states allow at every point.

    Parameters
    ----------
    track, vehicle
        Where and with what.
    line
        None for the centreline, or stations [m] and lateral offsets [m, positive left] of points on the line, which is
        drawn through them with continuous curvature (see ``lines.line_offsets``, also for lines that need smoothing).
    envelope
        The car's envelope from an earlier call; worked out when left out.
    start_speed, end_speed
        Speeds [m/s] at the ends of an open road; None is free: as fast as the road allows, at most the car's top speed on
        the level. Not for a closed track.
    at_most
        Take the two speeds as the most allowed: where the line does not allow as much the run is slower there, and a notice
        says so. (An optimum on its own line may be faster at an end than the centreline allows.)
    step
        Longest step [m] and distance between rows; about 1 m when left out.

    Raises
    ------
    InputError
        For a line that is not on the road, a start or end speed that makes no sense, or an envelope of another car.
    NoSolutionError
        When the line cannot be driven: too tight for the steering or for the differential, a bank too steep to stand on, a
        climb too steep, a start speed from which the first bend cannot be reached, an end speed out of reach.

    Notes
    -----
    The steady state at each point takes gravity along and across the line, the load from crests, dips and banks, the
    air and the grip of the road there into account, but no time for the load to move or the car to turn in. The classical
    method: Milliken & Milliken, Race Car Vehicle Dynamics (1995) ch. 9 [from memory].
    """
    _check_speeds(track, start_speed, end_speed)
    offsets = line if isinstance(line, Offsets) else Offsets() if line is None else line_offsets(track, *line)
    base = base_stations(0.0, track.length, step)
    grid = build_grid(track, offsets, base, np.zeros(0))
    _check_steering(vehicle, grid)
    known = _envelope(vehicle, envelope, grid)
    fastest = max(_fastest(known, grid), start_speed or 0.0, end_speed or 0.0)
    limits = _limits(known, grid, fastest)
    slow = lows(limits.limit)
    if slow.size:
        singular = refine_low(grid.points.s, limits.limit, slow)
        grid = build_grid(track, offsets, base, singular, grid)
        limits = _limits(known, grid, fastest, limits)
    _check_held(limits, grid)
    ends = _Ends(start_speed, end_speed, at_most)
    profile = _passes(track, known, grid, limits, ends)
    road = road_at(grid, track, offsets, profile.s)
    if isinstance(known, TrimEnvelope):
        for _ in range(CORRECTIONS):
            if not _correct(track, known, limits, grid, road, profile):
                break
            profile = _passes(track, known, grid, limits, ends)
            road = road_at(grid, track, offsets, profile.s)
    _check_bank(limits, grid, profile)
    return _result(track, known, road, profile, ends)


def _check_speeds(track: Track, start: float | None, end: float | None) -> None:
    faults = []
    for which, speed in (("start", start), ("end", end)):
        if speed is None:
            continue
        if track.closed:
            faults.append(
                Fault(f"{track.name} is a closed circuit: a lap joins itself and takes no {which} speed")
            )
        elif not 0.0 <= speed <= 130.0:
            faults.append(Fault(f"{which} speed is {speed:g} m/s: allowed are 0 to 130 m/s"))
    if faults:
        raise InputError(faults)


def _check_steering(vehicle: AnyVehicle, grid: Grid) -> None:
    if isinstance(vehicle, FrictionCircle):
        return
    lock = vehicle.steering.max_wheel / vehicle.steering.ratio
    tightest = int(np.argmax(np.abs(grid.points.curvature)))
    needed = float(np.arctan(vehicle.chassis.wheelbase * abs(grid.points.curvature[tightest])))
    if needed > lock:
        raise NoSolutionError(
            f"the line is too tight for the steering at {grid.points.s[tightest]:.1f} m: its radius there is "
            f"{1.0 / abs(grid.points.curvature[tightest]):.2f} m, and the road wheels would have to turn by "
            f"{needed / DEG:.1f} deg; the lock is {lock / DEG:.1f} deg (max_wheel_deg over ratio)"
        )


def _envelope(vehicle: AnyVehicle, given: Envelope | None, grid: Grid) -> Envelope:
    """The envelope given, or a new one, with tables for every grip of the line."""
    if given is not None and given.vehicle != vehicle:
        raise InputError(
            f"the envelope given is that of {given.vehicle.name}, not of {vehicle.name} as it is now"
        )
    low, high = float(grid.points.grip.min()), float(grid.points.grip.max())
    nodes = grip_nodes(low, high)
    if given is None:
        return envelope(vehicle, nodes)
    if isinstance(given, TrimEnvelope) and not given.covers(low, high):
        return given.with_grips(nodes)
    return given


def _fastest(known: Envelope, grid: Grid) -> float:
    if isinstance(known, CircleEnvelope):
        return FASTEST
    fall = float(np.max(grid.points.gravity_long)) / G
    return SPARE * top_speed(known.vehicle, known.curve, -max(fall, 0.0))


def _limits(
    known: Envelope, grid: Grid, fastest: float, before: CircleLimits | CarLimits | None = None
) -> CircleLimits | CarLimits:
    if isinstance(known, CircleEnvelope):
        return CircleLimits(known.vehicle, grid.points)
    from lapwright.baseline.car_limits import CarLimits

    return CarLimits(known, grid, fastest, before if isinstance(before, CarLimits) else None)


def _check_held(limits: CircleLimits | CarLimits, grid: Grid) -> None:
    never = np.flatnonzero(limits.least > limits.limit)
    if never.size:
        raise NoSolutionError(
            f"the line cannot be held at any speed at {grid.points.s[never[0]]:.1f} m: "
            "the tyres do not give the sideways force that bend, bank and crest ask for there"
        )


def _check_bank(limits: CircleLimits | CarLimits, grid: Grid, profile: SpeedProfile) -> None:
    needed = np.interp(profile.s, grid.points.s, limits.least)
    low = np.flatnonzero(profile.w < needed * (1.0 - 1e-6))
    if low.size:
        at = int(low[0])
        raise NoSolutionError(
            f"the car slides down the bank at {profile.s[at]:.1f} m: it gets there with {np.sqrt(profile.w[at]):.1f} m/s "
            f"and would need {np.sqrt(needed[at]):.1f} m/s to stay up"
        )


@dataclass(frozen=True)
class _Ends:
    """Speeds asked at the ends of an open road [m/s], None for free, and whether they are only the most allowed."""

    start: float | None
    end: float | None
    at_most: bool

    def notices(self, profile: SpeedProfile) -> list[str]:
        """Sentences about speeds that the line does not allow."""
        pairs = (("start", self.start, profile.w[0]), ("end", self.end, profile.w[-1]))
        return [
            f"baseline: {np.sqrt(w):.2f} m/s at the {which} in place of {speed:g}: more is not possible on its line"
            for which, speed, w in pairs
            if speed is not None and np.sqrt(w) < speed * (1.0 - 1e-6)
        ]


def _passes(
    track: Track, known: Envelope, grid: Grid, limits: CircleLimits | CarLimits, ends: _Ends
) -> SpeedProfile:
    at_nodes = limits.limit[::2]
    if track.closed:
        return join_passes(grid, sweep(grid, limits, 1), sweep(grid, limits, -1))
    w_start = _level_top_speed(known) ** 2 if ends.start is None else ends.start**2
    w_end = at_nodes[-1] if ends.end is None else ends.end**2
    if not ends.at_most:
        _check_end("start", ends.start, at_nodes[0])
        _check_end("end", ends.end, at_nodes[-1])
    backward = sweep(grid, limits, -1, float(min(w_end, at_nodes[-1])))
    if ends.start is not None and not ends.at_most and backward.w[0] < w_start * (1.0 - 1e-9):
        raise NoSolutionError(
            f"with {ends.start:g} m/s at the start the car cannot slow down for what comes; "
            f"at most {np.sqrt(backward.w[0]):.2f} m/s is possible there"
        )
    forward = sweep(grid, limits, 1, float(min(w_start, at_nodes[0], backward.w[0])))
    if ends.end is not None and not ends.at_most and forward.w[-1] < w_end * (1.0 - 1e-9):
        raise NoSolutionError(
            f"the car does not reach {ends.end:g} m/s at the end; "
            f"{np.sqrt(forward.w[-1]):.2f} m/s is the most possible there"
        )
    profile = join_passes(grid, forward, backward)
    if profile.w.max() >= 0.999 * FASTEST**2:
        raise InputError(
            "nothing limits the speed of this car on this road: give a start speed, or the car a power and a drag area"
        )
    return profile


def _check_end(which: str, speed: float | None, limit: float) -> None:
    if speed is not None and speed**2 > limit * (1.0 + 1e-9):
        raise NoSolutionError(
            f"{speed:.2f} m/s at the {which} is more than the bend there allows, {np.sqrt(limit):.2f} m/s"
        )


def _correct(
    track: Track,
    known: TrimEnvelope,
    limits: CircleLimits | CarLimits,
    grid: Grid,
    road: PathRoad,
    profile: SpeedProfile,
) -> bool:
    """Correct the limits by what the car gives where the profile asks for all; False if they are ``GOOD``."""
    from lapwright.baseline.rows import given_share

    rows, share = given_share(known, road, profile)
    if isinstance(limits, CircleLimits) or rows.size == 0 or np.sqrt(np.mean((share - 1.0) ** 2)) < GOOD:
        return False
    period = track.length if track.closed else None
    limits.correct(limits.trust * np.interp(grid.points.s, profile.s[rows], share, period=period))
    return True


def _level_top_speed(known: Envelope) -> float:
    if isinstance(known, TrimEnvelope):
        return top_speed(known.vehicle, known.curve)
    car = known.vehicle
    if car.power is None or car.drag_area == 0.0:
        return FASTEST
    return float((2.0 * car.power / (car.air_density * car.drag_area)) ** (1.0 / 3.0))


def _result(
    track: Track, known: Envelope, road: PathRoad, profile: SpeedProfile, ends: _Ends
) -> BaselineResult:
    notices = ends.notices(profile)
    shortfall = 0.0
    if isinstance(known, CircleEnvelope):
        lap = _circle_rows(track, known.vehicle, road, profile)
    else:
        from lapwright.baseline.rows import car_rows

        lap, states = car_rows(track, known, road, profile)
        shortfall = float(np.max(1.0 - states.share))
        _check_sound(lap.s, states)
        notices += _notices(known, lap, states.solved, shortfall)
    at = (
        lows(profile.w)
        if not track.closed
        else lows(np.append(profile.w, profile.w[1])) % (profile.w.size - 1)
    )
    apexes = tuple(
        Apex(float(profile.s[i]), float(np.sqrt(profile.w[i])), float(road.curvature[i]))
        for i in sorted(set(at.tolist()))
    )
    switches = tuple(float(s) for s in profile.switches)
    return BaselineResult(lap, apexes, switches, known, shortfall, tuple(notices))


def _check_sound(s: Array, states: RowStates) -> None:
    worst = int(np.argmin(np.where(states.solved, states.share, 0.0)))
    if states.share.min() < 1.0 - UNSOUND or np.mean(~states.solved) > UNSOLVED:
        raise NoSolutionError(
            f"the car has no steady state that holds the line at {s[worst]:.1f} m: a wheel would have to slip more than its "
            "tyre and the grip margin allow (in a tight bend a locked differential or stiff clutch pack asks for that)"
        )


def _circle_rows(track: Track, car: FrictionCircle, road: PathRoad, profile: SpeedProfile) -> Lap:
    from lapwright.lap.channels import circle_lap

    w = profile.w
    normal = road.normal(w)
    drag = 0.5 * car.air_density * car.drag_area / car.mass * w
    forces = np.stack([profile.accel - road.pull(w, normal) + drag, road.lateral(w, normal)]) / G
    speed = np.sqrt(w)
    # A direction of travel has no rate of change at rest; the channel comes from the line itself.
    states = np.stack([road.n, road.xi, np.maximum(speed, 1e-3)])
    lap = circle_lap("baseline", track, car, profile.s, profile.t, states, forces)
    return replace(lap, speed=speed, curvature=road.curvature, yaw_rate=speed * road.curvature)


def _notices(known: TrimEnvelope, lap: Lap, solved: NDArray[np.bool_], shortfall: float) -> list[str]:
    notices = []
    vehicle = known.vehicle
    if known.guessed:
        total = known.long.size
        notices.append(
            f"baseline: {known.guessed} of {total} entries of the envelope are interpolated, not solved"
        )
    if shortfall > TELLING:
        notices.append(
            f"baseline: at its worst point the car gives {100 * shortfall:.1f} % less than the envelope's tables"
        )
    if not np.all(solved):
        where = ", ".join(f"{s:.0f}" for s in lap.s[~solved][:5])
        notices.append(
            f"baseline: at {int((~solved).sum())} of {lap.s.size} rows the channels are interpolated (at {where} m)"
        )
    turned = np.flatnonzero(np.abs(lap.steering_wheel) > vehicle.steering.max_wheel)
    if turned.size:
        notices.append(
            f"baseline: the line asks for more than the steering's lock at {lap.s[turned[0]]:.0f} m"
        )
    return notices
