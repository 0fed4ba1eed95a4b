"""How sure the numbers of a card are, and what they become for other feet and hands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from lapwright.corner.reading import Reading, read_corner
from lapwright.corner.section import Section
from lapwright.corner.stretch import stretch_of
from lapwright.errors import InputError, NoSolutionError
from lapwright.lap.corners import corner_reports
from lapwright.lap.lap import Lap
from lapwright.lap.resample import piece
from lapwright.reference.kept import KeptLap
from lapwright.reference.solve import ReferenceLap, solve_again, solve_lap
from lapwright.track.track import Track
from lapwright.vehicle.margin import with_margin
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle, Vehicle

GRIP_STEPS = (-0.03, 0.03)
"""Changes of the grip that the card is held against."""

MARGINS = (0.02, 0.05, 0.10)
"""Shares of the peak grip that a driver leaves unused."""


OWN_LAP = "driven on a lap of its own"
"""Status of a corner that is read from a whole lap of the changed car: where the corner before ends at the limit, a car with
less grip cannot begin the section as the reference does."""


@dataclass(frozen=True)
class Learner:
    """A driver who is slower with hands and feet than the vehicle file says.

    ``foot`` and ``hands``: factors (1 or more) on the times of the pedals and on the time that the wheel takes;
    ``margin``: share of the peak grip left unused.
    """

    foot: float = 2.0
    hands: float = 2.0
    margin: float = 0.05

    def __post_init__(self) -> None:
        faults = [
            f"{name} is {value:g}: a factor from 1 to 10 is allowed"
            for name, value in (("foot", self.foot), ("hands", self.hands))
            if not 1.0 <= value <= 10.0
        ]
        if not 0.0 <= self.margin <= 0.5:
            faults.append(f"margin is {self.margin:g}: a share from 0 to 0.5 is allowed")
        if faults:
            raise InputError("; ".join(faults))


@dataclass(frozen=True)
class Variant:
    """The corner for a changed car or driver.

    Attributes
    ----------
    key : for programs; ``words`` for people
    status : "driven" (the section, entered as on the reference), ``OWN_LAP`` or "not solved"
    reading : of the corner, None when not driven
    brake_on_moved : how much later the brake goes on than on the reference [m], negative earlier
    slowest_moved : change of the slowest speed [m/s]
    loss : seconds lost against the reference in the section, None on a lap of its own
    lap : of the section, None when not driven
    why : why it was not solved
    """

    key: str
    words: str
    status: str
    reading: Reading | None = None
    brake_on_moved: float | None = None
    slowest_moved: float | None = None
    loss: float | None = None
    lap: Lap | None = None
    why: str = ""


def grip_variants(section: Section, reading: Reading, laps: OwnLaps) -> tuple[Variant, ...]:
    """The corner with more and less grip, and for drivers who keep away from the limit."""
    vehicle = section.known.vehicle
    found = [
        _variant(
            section,
            reading,
            f"grip_{100 * step:+.0f}_percent",
            f"grip {100 * step:+.0f} %",
            _gripped(vehicle, step),
            laps,
        )
        for step in GRIP_STEPS
    ]
    found += [
        _variant(
            section, reading, f"margin_{100 * margin:.0f}_percent", f"driver margin {100 * margin:.0f} %",
            _margined(vehicle, margin), laps,
        )
        for margin in MARGINS
    ]  # fmt: skip
    return tuple(found)


def human_variants(
    section: Section, reading: Reading, learner: Learner, laps: OwnLaps
) -> tuple[Variant, ...]:
    """The corner for a slower foot, slower hands, and for a learner who has both and keeps a margin.

    Empty for a friction-circle car, which has neither pedals nor a wheel.
    """
    vehicle = section.known.vehicle
    if isinstance(vehicle, FrictionCircle):
        return ()
    foot, hands = _slower(vehicle, learner.foot, 1.0), _slower(vehicle, 1.0, learner.hands)
    both = _margined(_slower(vehicle, learner.foot, learner.hands), learner.margin)
    cases: Sequence[tuple[str, str, AnyVehicle]] = (
        ("slower_foot", f"foot {learner.foot:g} times slower", foot),
        ("slower_hands", f"hands {learner.hands:g} times slower", hands),
        ("learner", f"learner: both, and {100 * learner.margin:g} % margin", both),
    )
    return tuple(_variant(section, reading, *case, laps) for case in cases)


def _gripped(vehicle: AnyVehicle, step: float) -> AnyVehicle:
    if isinstance(vehicle, FrictionCircle):
        return replace(vehicle, grip=vehicle.grip * (1.0 + step))
    front, rear = (
        replace(tyre, grip_scale=tyre.grip_scale * (1.0 + step))
        for tyre in (vehicle.tyres.front, vehicle.tyres.rear)
    )
    return replace(vehicle, tyres=replace(vehicle.tyres, front=front, rear=rear))


def _margined(vehicle: AnyVehicle, margin: float) -> AnyVehicle:
    """With the margin besides what the driver of the file keeps already."""
    kept = 0.0 if isinstance(vehicle, FrictionCircle) else vehicle.driver.grip_margin
    return with_margin(vehicle, min(1.0 - (1.0 - kept) * (1.0 - margin), 0.5))


def _slower(vehicle: Vehicle, foot: float, hands: float) -> Vehicle:
    driver = vehicle.driver
    return replace(
        vehicle,
        driver=replace(
            driver,
            max_wheel_rate=driver.max_wheel_rate / hands,
            brake_rise=driver.brake_rise * foot,
            brake_release=driver.brake_release * foot,
            throttle_rise=driver.throttle_rise * foot,
            throttle_release=driver.throttle_release * foot,
        ),
    )


def _variant(
    section: Section, reading: Reading, key: str, words: str, vehicle: AnyVehicle, laps: OwnLaps
) -> Variant:
    if section.stretch.calm:
        outcome = section.changed(vehicle=vehicle, look_beside=False)
        if outcome.drive is not None:
            found = read_corner(outcome.drive.lap, section.track, section.stretch, reading.name)
            loss = outcome.drive.cost - section.base.cost
            return _told(key, words, "driven", found, reading, loss, outcome.drive.lap)
    try:
        result = laps.of(key, vehicle)
    except NoSolutionError as error:
        return Variant(key, words, "not solved", why=str(error).splitlines()[0])
    track = section.track
    report = next(
        r for r in corner_reports(result.lap, track)
        if r.name == reading.name and abs(r.start - section.stretch.corner_start) < 1e-6
    )  # fmt: skip
    stretch = stretch_of(result.lap, report, result.solution.nlp.mesh.nodes)
    lap = piece(result.lap, stretch.start, stretch.end)
    return _told(key, words, OWN_LAP, read_corner(lap, track, stretch, reading.name), reading, None, lap)


class OwnLaps:
    """Whole laps of changed cars, each solved once.

    Parameters
    ----------
    track, known
        The road and the lap of the car as it is.
    result
        The same lap with its solution, when it was solved just now; it is solved when it is first needed.
    """

    def __init__(self, track: Track, known: KeptLap, result: ReferenceLap | None = None) -> None:
        self.track, self.known, self.result = track, known, result
        self.solved: dict[str, ReferenceLap] = {}

    def of(self, key: str, vehicle: AnyVehicle) -> ReferenceLap:
        """The lap of the variant ``key``; raises NoSolutionError when there is none."""
        known = self.known
        if self.result is None:
            self.result = solve_lap(self.track, known.vehicle, start=known.start, end=known.end)
        if key not in self.solved:
            self.solved[key] = solve_again(self.result, self.track, vehicle)
        return self.solved[key]


def _told(
    key: str, words: str, status: str, found: Reading, reading: Reading, loss: float | None, lap: Lap
) -> Variant:
    on_moved = None
    if found.braking is not None and reading.braking is not None:
        on_moved = found.braking.on.at - reading.braking.on.at
    return Variant(
        key, words, status, found, on_moved, found.slowest.speed - reading.slowest.speed, loss, lap
    )
