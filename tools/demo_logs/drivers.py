"""Who drives, and what goes wrong: four invented drivers, nobody in particular."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from demo_logs.drive import Ground, busy_hands, grid_of, ground, intended
from demo_logs.faults import Fault

from lapwright.lap.lap import Array, Lap
from lapwright.lap.resample import lap_at, piece
from lapwright.replay.follow import Follower, follow
from lapwright.replay.states import lap_states
from lapwright.replay.stint import Leg, Tremor, drive_stint

BEFORE, AFTER = 160.0, 120.0
"""Road that is logged before the line and behind it [m], by a driver whose log is not a whole session."""

PIT_EXIT, PIT_SPEED, PIT_SIDE = 150.0, 16.0, -4.0
"""Where a session's log begins: station [m], speed [m/s], offset [m]."""

EYE = 0.15
"""Pedal per m/s of missing speed on such a lap."""

PIT_FOOT = 0.3
"""Most throttle up to the station ``ROLL`` on cold tyres."""

EASY, HOME = 0.7, 0.66
"""Pace of an out-lap and of an in-lap over the reference's."""

PUSH = 2830.0
"""Where the out-lap is driven in earnest from, to have a flying start [m]."""

ROLL, GENTLE = 500.0, -0.15
"""An in-lap's driver lets the car roll down to his pace: up to this station [m] no more brake than this."""

PULLS_UP, PRESS = 3330.0, 0.35
"""Where he begins to pull up, and his brake: the car stops before the last corner."""


@dataclass(frozen=True)
class Timed:
    """One timed lap: its faults, and the grip of the tyres over that of the vehicle file."""

    faults: tuple[Fault, ...]
    grip: float = 1.0


@dataclass(frozen=True)
class Driver:
    """An invented driver.

    Attributes
    ----------
    key : for file names; name : in the logs
    laps : timed laps, in driving order
    session : whether an out-lap and an in-lap belong to the log
    seed : of tremor and noise
    """

    key: str
    name: str
    laps: tuple[Timed, ...]
    session: bool = False
    seed: int = 0


@dataclass(frozen=True, eq=False)
class Driven:
    """What was driven, without noise.

    Attributes
    ----------
    driver : who
    traces : pieces in driving order, times running on; ``timed`` says which of them are the timed laps
    grounds : of each timed lap: the quickest lap of the car as it was on that lap
    """

    driver: Driver
    traces: tuple[Lap, ...]
    timed: tuple[int, ...]
    grounds: tuple[Ground, ...] = field(repr=False)

    def timed_number(self, number: int) -> int:
        """Which lap of the log a timed lap is, from 1: every crossing of the line begins one."""
        return 1 + sum(abs(float(trace.s[0])) < 1.0 for trace in self.traces[1 : self.timed[number] + 1])

    def lap(self, number: int) -> Lap:
        """A timed lap (0 is the first), a row a metre, its time from 0."""
        trace, track = self.traces[self.timed[number]], self.grounds[number].track
        stations = np.clip(grid_of(track), trace.s[0], trace.s[-1])
        lap = lap_at(trace, stations)
        return _moved(lap, -float(lap.t[0]))


DRIVERS = (
    Driver(
        "halloran",
        "Ines Halloran",
        tuple(
            Timed(
                (
                    Fault("Gate", "brake_early", early),
                    Fault("Pound", "slow", slower),
                    Fault("Oxbow", "entry_unused", tight),
                ),
                grip,
            )
            for early, slower, tight, grip in (
                (14.0, 6.0, 3.4, 0.970),
                (9.0, 4.0, 2.9, 0.985),
                (15.0, 5.0, 3.2, 0.995),
                (12.0, 5.0, 3.0, 1.0),
            )
        ),
        session=True,
        seed=11,
    ),
    Driver(
        "wren",
        "Tobias Wren",
        (
            Timed(
                (
                    Fault("Gate", "release_steps", 20.0),
                    Fault("Oxbow", "coast", 24.0),
                    Fault("Long Acre", "throttle_lift", 0.3),
                )
            ),
        ),
        seed=12,
    ),
    Driver(
        "osei",
        "Marit Osei",
        (
            Timed(
                (
                    Fault("Windmill", "peak_low", 0.3),
                    Fault("Pound", "release_late", 12.0),
                    Fault("Oxbow", "release_early", 18.0),
                )
            ),
            Timed(
                (
                    Fault("Gate", "brake_twice", 0.4),
                    Fault("Kiln", "hands_busy", 18.0),
                    Fault("Ferry", "brake_late", 6.0),
                )
            ),
        ),
        seed=13,
    ),
    Driver(
        "castellane",
        "Pim Castellane",
        (
            Timed(
                (
                    Fault("Windmill", "throttle_late", 15.0),
                    Fault("Pound", "apex_missed", 2.5),
                    Fault("Oxbow", "exit_unused", 3.0),
                    Fault("Long Acre", "full_late", 20.0),
                )
            ),
        ),
        seed=14,
    ),
)
"""Everybody whose logs ship."""


def drive(driver: Driver) -> Driven:
    """Have a driver drive: all of it in one go."""
    grounds = [ground(grip) for grip in dict.fromkeys(lap.grip for lap in driver.laps)]
    by_grip = dict(zip(dict.fromkeys(lap.grip for lap in driver.laps), grounds, strict=True))
    own = tuple(by_grip[lap.grip] for lap in driver.laps)
    legs = [
        Leg(on.vehicle, intended(on, lap.faults), busy_hands(on, lap.faults))
        for on, lap in zip(own, driver.laps, strict=True)
    ]
    tremor = Tremor(seed=driver.seed)
    if driver.session:
        out, start, rest = _out_lap(own[0], driver.seed)
        driven = drive_stint(own[0].track, [rest, *legs], tremor, start=start, t_start=float(out.t[-1]))
        home = _in_lap(own[-1], driven[-1], driver.seed)
        return Driven(driver, (out, *driven, home), tuple(range(2, 2 + len(legs))), own)
    first, last = own[0], own[-1]
    length = first.track.length
    before = Leg(first.vehicle, piece(first.known.lap, length - BEFORE, length + 1e-6))
    after = Leg(last.vehicle, piece(last.known.lap, -1e-6, AFTER))
    return Driven(
        driver, drive_stint(first.track, [before, *legs, after], tremor), tuple(range(1, 1 + len(legs))), own
    )


def _out_lap(on: Ground, seed: int) -> tuple[Lap, Array, Leg]:
    """From the pit exit at an easy pace; the states where it ends; and the leg from there to the line, driven in earnest."""
    lap = on.known.lap
    row, last = (int(np.argmin(np.abs(lap.s - station))) for station in (PIT_EXIT, PUSH))
    start = lap_states(on.track, on.vehicle, lap)[:, row]
    start[8:12] *= PIT_SPEED / start[3]
    start[1:8] = PIT_SIDE, 0.0, PIT_SPEED, 0.0, 0.0, 0.0, 0.0

    def alter(_t: float, s: float, wheel: float, pedal: float) -> tuple[float, float]:
        return wheel, min(pedal, PIT_FOOT) if s < ROLL else pedal

    easy = Follower(pace=EASY, speed_gain=EYE, seed=seed, alter=alter)
    drive = follow(on.track, on.vehicle, lap, easy, float(lap.s[row]), float(lap.s[last]), start)
    if drive.ended != "reached":
        raise RuntimeError(f"the out-lap {drive.ended} at {drive.lap.s[-1]:.0f} m")
    out = _moved(drive.lap, -float(drive.lap.t[0]))
    return out, lap_states(on.track, on.vehicle, out)[:, -1], Leg(on.vehicle, _rows(lap, last))


def _in_lap(on: Ground, before: Lap, seed: int) -> Lap:
    """A slow lap that ends before the last corner, where the car pulls up and stops."""
    start = lap_states(on.track, on.vehicle, before)[:, -1]
    start[0] = 0.0

    def alter(_t: float, s: float, wheel: float, pedal: float) -> tuple[float, float]:
        if s < ROLL:
            return wheel, max(pedal, GENTLE)
        return wheel, pedal if s < PULLS_UP else min(pedal, -PRESS)

    slow = Follower(pace=HOME, speed_gain=EYE, seed=seed, alter=alter)
    drive = follow(on.track, on.vehicle, on.known.lap, slow, start=start)
    if drive.ended != "stopped":
        raise RuntimeError(f"the in-lap {drive.ended} at {drive.lap.s[-1]:.0f} m")
    return _moved(drive.lap, float(before.t[-1]) - float(drive.lap.t[0]))


def _rows(lap: Lap, first: int) -> Lap:
    return piece(lap, float(lap.s[first]) - 1e-6, float(lap.s[-1]) + 1e-6)


def _moved(lap: Lap, seconds: float) -> Lap:
    return replace(lap, t=lap.t + seconds)
