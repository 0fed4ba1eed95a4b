"""A balance made by hand, for the tests of record, text, files and figures.

The lap is a solved one of a circuit and a car that ship; what a balance says of it is invented: smooth curves of about the
size that such numbers have, nothing of it measured or solved.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from lapwright.inputs.files import load_track, load_vehicle
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.lap.lap import Lap
from lapwright.lap.spans import Span, leaves, spans_of
from lapwright.quantities import DEG, G
from lapwright.reference.kept import KeptLap, keep
from lapwright.reference.solve import solve_lap
from lapwright.study.adhesion import adhesion_used
from lapwright.study.balance import Balance, BestSetup, BrakeCorner, Chosen, Moved, ShareScan, TyreState
from lapwright.study.effects import Check, Effect
from lapwright.study.entry import Change, Entry, Nervous
from lapwright.study.ideal_share import along, ideal_share
from lapwright.study.numbers import number_called, numbers_of
from lapwright.vehicle.parameters import Vehicle

ROOT = Path(__file__).parents[2]

SIZES = {
    "brakes.front_share": -0.019, "chassis.mass_kg": 0.061, "tyres.front.grip_scale": -0.241,
    "tyres.rear.grip_scale": -0.198, "tyres.front.peak_mu_lat": -0.171, "tyres.rear.peak_mu_lat": -0.142,
    "driveline.engine_torque_Nm": -0.102, "aero.drag_area_m2": 0.089,
    "aero.downforce_area_m2": -0.052, "chassis.cg_height_m": 0.031, "chassis.front_mass_share": 0.027,
    "chassis.roll_stiffness_front_share": -0.014, "driveline.final_drive": -0.009, "driver.brake_release_s": 0.012,
    "tyres.rear.load_sensitivity_per_kN": 0.048, "tyres.front.load_sensitivity_per_kN": 0.056,
    "aero.downforce_front_share": 0.0041, "driveline.differential.preload_Nm": 0.0032,
}  # fmt: skip
"""Invented worth of a step of some numbers [s]; the others get less than a millisecond or two."""

CHECKED = 18
"""Effects that have a check."""


@cache
def made_balance(track: str = "marrow-fen", corner: str = "", best: bool = True) -> Balance:
    """A balance of the shipped cup coupe.

    Parameters
    ----------
    track
        A circuit that ships, without its ending.
    corner
        Its name, to have only this entry; all of them when left out.
    best
        Whether a best setup was asked for.
    """
    kept, reports, spans = solved(track)
    lap, vehicle = kept.lap, kept.vehicle
    assert isinstance(vehicle, Vehicle)
    length = float(lap.s[-1] - lap.s[0])
    entries = tuple(
        _entry(lap, report, length)
        for report in reports
        if report.entry in ("brake", "lift") and corner in ("", report.name)
    )
    effects = _effects(vehicle, spans)
    share = vehicle.brakes.front_share
    scan = _scan(share, share + 0.021, lap.time, entries)
    braked = [entry for entry in entries if entry.nervous is not None]
    return Balance(
        known=kept,
        reports=reports,
        spans=spans,
        effects=effects,
        entries=entries,
        moved=tuple(_moved(effect, entries) for effect in effects[:CHECKED]),
        brakes=tuple(_brakes(lap, vehicle, entry) for entry in braked),
        scan=scan,
        tyres=_tyres(kept, reports, entries, share, length),
        best=_best(vehicle, lap, spans, entries) if best else None,
        corner=corner,
        notices=("everything but the lap is invented",),
    )


@cache
def solved(track: str) -> tuple[KeptLap, tuple[CornerReport, ...], tuple[Span, ...]]:
    """The lap, its corners, and its pieces."""
    road = load_track(ROOT / "tracks" / f"{track}.yaml")
    car = load_vehicle(ROOT / "vehicles" / "cup-coupe.yaml")
    kept = keep(solve_lap(road, car), road)
    reports = corner_reports(kept.lap, road)
    return kept, reports, spans_of(road, reports, reports)


def _effects(vehicle: Vehicle, spans: tuple[Span, ...]) -> tuple[Effect, ...]:
    pieces = leaves(spans)
    made = []
    for k, number in enumerate(numbers_of(vehicle)):
        size = SIZES.get(number.key, 0.0018 * np.sin(3.0 * k))
        wanted = "braking" if number.key.startswith(("brakes", "driver.brake")) else "exit"
        weights = np.array(
            [
                (3.0 if leaf.name == wanted else 1.0) * (1.2 + np.sin(k + j))
                for j, (_, leaf) in enumerate(pieces)
            ]
        )
        weights[k % len(pieces)] = -0.15 * weights.sum()
        parts = size * weights / weights.sum()
        made.append(Effect(number, number.value(vehicle), float(parts.sum()), tuple(map(float, parts))))
    made.sort(key=lambda effect: -abs(effect.per_step))
    return tuple(
        replace(effect, check=_check(effect, k) if k < CHECKED else None) for k, effect in enumerate(made)
    )


def _check(effect: Effect, k: int) -> Check:
    """Both ways with a little curvature; one number that is far from straight, one that may not go down."""
    size = effect.per_step
    if effect.number.key == "driveline.final_drive":
        up, down = 0.004, 0.007
        return Check(up, down, 0.5 * (up - down), False, "the lap is quickest near the car's own value")
    if effect.number.key == "driver.brake_release_s":
        return Check(size * 1.03, None, None, True, "a step down is not allowed")
    up, down = size * (1.0 - 0.02 * (k % 4)), -size * (1.0 + 0.03 * (k % 3))
    return Check(up, down, 0.5 * (up - down), True, "")


def _rows(lap: Lap, start: float, end: float, length: float) -> tuple[np.ndarray, np.ndarray]:
    """Indices of the rows from a station to another, and their stations, growing."""
    s = np.concatenate([lap.s[:-1], lap.s[:-1] + length])
    keep_ = (s >= start) & (s <= end)
    index = np.concatenate([np.arange(lap.s.size - 1)] * 2)[keep_]
    return index, s[keep_]


def _entry(lap: Lap, report: CornerReport, length: float) -> Entry:
    """The rows of the lap, and curves that look like what is worked out of them."""
    slowest = report.slowest_at

    def before(station: float | None) -> float | None:
        return (
            None if station is None else slowest - (slowest - station + 0.5 * length) % length + 0.5 * length
        )

    moves = [x for x in (before(report.lift_at), before(report.brake_on)) if x is not None]
    start = min(moves)
    end = slowest + (report.end - slowest) % length
    index, s = _rows(lap, start, slowest, length)
    turn_in, off = before(report.turn_in), before(report.brake_off)
    turn_in = turn_in if turn_in is not None and turn_in > start else None
    inside = 1.0 if report.direction.startswith("left") else -1.0
    brake, lateral = lap.brake[index], inside * lap.accel_lat[index] / G
    use = lap.grip_use[index]
    front, rear = use[:, :2].max(axis=1), use[:, 2:].max(axis=1)
    at = np.where(front >= 0.98, 1, 0) + np.where(rear >= 0.98, 2, 0)
    axle = np.array(["none", "front", "rear", "both"])[at]
    wheel = np.where(at > 0, use.argmax(axis=1), -1)
    speed, bump = lap.speed[index], np.exp(-(((s - (turn_in or slowest) + 14.0) / 18.0) ** 2))
    rate = -5.0 + 9.5 * bump * (0.3 + brake) + 2.0 * brake
    steer = inside * lap.steering_wheel[index] / 14.0
    neutral = steer - DEG * (0.9 * lateral - 0.5 * bump)
    time = lap.t[index] + np.where(s > lap.s[-1], lap.t[-1] - lap.t[0], 0.0)
    return Entry(
        corner=report.name, direction=report.direction.split("-")[0],
        start=start, turn_in=turn_in, brake_off=off, slowest=slowest, end=end,
        s=s, time=time - time[0], speed=speed, brake=brake, throttle=lap.throttle[index],
        accel_long=lap.accel_long[index], accel_lat=lap.accel_lat[index],
        use_front=front, use_rear=rear, limiting_axle=axle, limiting_wheel=wheel.astype(np.int64),
        changes=_changes(s, axle, wheel), first_limit=next((str(a) for a in axle if a != "none"), "none"),
        shares=_shares(time, axle),
        spare_front=4200.0 * np.sqrt(np.clip(1.0 - front**2, 0.0, 1.0)),
        spare_rear=5200.0 * np.sqrt(np.clip(1.0 - rear**2, 0.0, 1.0)),
        steer=steer, neutral_steer=neutral, understeer=steer - neutral,
        understeer_entry=float(np.mean((steer - neutral)[s >= (turn_in or start)])), understeer_exit=-0.012,
        growth=rate, static_margin=0.06 - 0.11 * bump, yaw_stiffness=2.0e5 * (0.4 - bump),
        turn_moment=5200.0 * np.sqrt(np.clip(1.02 - front**2, 0.0, 1.0)),
        hold_moment=6900.0 * np.sqrt(np.clip(1.02 - rear**2, 0.0, 1.0)),
        nervous=_nervous(s, rate, brake, speed, lap.accel_lat[index], axle, turn_in),
        doublings=float(np.trapezoid(np.clip(rate, 0.0, None) * (brake >= 0.05), time) / np.log(2.0)),
    )  # fmt: skip


def _changes(s: np.ndarray, axle: np.ndarray, wheel: np.ndarray) -> tuple[Change, ...]:
    names = ("front left", "front right", "rear left", "rear right", "")
    return tuple(
        Change(float(0.5 * (s[i] + s[i + 1])), str(axle[i]), str(axle[i + 1]), names[int(wheel[i + 1])])
        for i in np.flatnonzero(axle[1:] != axle[:-1])
    )


def _shares(time: np.ndarray, axle: np.ndarray) -> dict[str, float]:
    spent = np.gradient(time)
    return {
        name: float(spent[axle == name].sum() / spent.sum()) for name in ("front", "rear", "both", "none")
    }


def _nervous(
    s: np.ndarray,
    rate: np.ndarray,
    brake: np.ndarray,
    speed: np.ndarray,
    lateral: np.ndarray,
    axle: np.ndarray,
    turn_in: float | None,
) -> Nervous | None:
    on = brake >= 0.05
    if not on.any():
        return None
    k = int(np.argmax(np.where(on, rate, -np.inf)))
    growing = np.flatnonzero(on & (rate > 0.0))
    stretches = ((float(s[growing[0]]), float(s[growing[-1]])),) if growing.size else ()
    growth = float(rate[k])
    return Nervous(
        float(s[k]), None if turn_in is None else float(s[k]) - turn_in, growth,
        float(np.log(2.0) / growth) if growth > 0.0 else None, float(brake[k]), float(lateral[k]), float(speed[k]),
        str(axle[k]), stretches, stretches[0][0] if stretches else None,
    )  # fmt: skip


def _scan(share: float, best: float, time: float, entries: tuple[Entry, ...]) -> ShareScan:
    shares = share + np.linspace(-0.06, 0.06, 7)
    least = time - 40.0 * (share - best) ** 2
    times = least + 40.0 * (shares - best) ** 2
    times[0] = np.nan
    own = {entry.corner: best + 0.03 * np.sin(2.0 * k) for k, entry in enumerate(entries)}
    if entries:
        own[entries[-1].corner] = float("nan")
    near = (best - 0.0158, best + 0.0158)
    return ShareScan(shares, times, best, least, False, (near,), own)


def _brakes(lap: Lap, vehicle: Vehicle, entry: Entry) -> BrakeCorner:
    on = int(np.argmax(entry.brake >= 0.05))
    speed, z = float(entry.speed[on]), np.linspace(0.1, 1.5, 57)
    lateral = G * np.array([0.0, 0.4, 0.8, 1.1])
    front, rear = adhesion_used(vehicle, z, speed)
    ideal = np.array([ideal_share(vehicle, speed, z, a) for a in lateral])
    share = vehicle.brakes.front_share
    return BrakeCorner(entry.corner, speed, z, front, rear, lateral, ideal, share - 0.013, share + 0.034,
                       along(lap, vehicle))  # fmt: skip


def _moved(effect: Effect, entries: tuple[Entry, ...]) -> Moved:
    size = -effect.per_step
    braked = [entry.corner for entry in entries if entry.nervous is not None]
    return Moved(
        effect.number,
        {name: 20.0 * size * np.cos(k) for k, name in enumerate(braked)},
        {name: 12.0 * size * np.cos(1.3 * k) for k, name in enumerate(braked)},
        {entry.corner: DEG * 3.0 * size for entry in entries},
        {entry.corner: -DEG * 1.5 * size for entry in entries},
        {name: 8.0 * size for name in braked[:4]},
        {name: -15.0 * size for name in braked},
    )


def _shifted(entry: Entry, factor: float) -> Entry:
    """The same entry a little slower, braked earlier and softer, limited by the front."""
    back = 120.0 * (1.0 - factor)
    brake = factor * np.interp(entry.s + back, entry.s, entry.brake)
    throttle = np.interp(entry.s + back, entry.s, entry.throttle)
    return replace(
        entry,
        speed=entry.speed * (1.0 - 0.5 * (1.0 - factor)),
        brake=brake,
        throttle=throttle,
        start=entry.start - back,
        first_limit="front" if factor < 1.0 else entry.first_limit,
    )


def _tyres(
    kept: KeptLap, reports: tuple[CornerReport, ...], entries: tuple[Entry, ...], share: float, length: float
) -> tuple[TyreState, ...]:
    made = []
    for name, front, rear, best in (
        ("hot", 1.0, 1.0, 0.021),
        ("cold front", 0.9, 1.0, -0.012),
        ("cold rear", 1.0, 0.9, 0.049),
        ("cold", 0.9, 0.9, 0.018),
    ):
        less = 1.0 - 0.5 * (front + rear)
        time = kept.lap.time + 38.0 * less
        moved = tuple(
            replace(
                r,
                brake_on_before_start=None
                if r.brake_on_before_start is None
                else r.brake_on_before_start + 120.0 * less,
            )
            for r in reports
        )
        own = tuple(_shifted(entry, 1.0 - less) for entry in entries)
        made.append(
            TyreState(name, (front, rear), time, own, moved, _scan(share, share + best, time, entries))
        )
    return tuple(made)


def _best(vehicle: Vehicle, lap: Lap, spans: tuple[Span, ...], entries: tuple[Entry, ...]) -> BestSetup:
    wanted = {
        "brakes.front_share": (0.03, "", 0.0),
        "chassis.roll_stiffness_front_share": (0.15, "high", 0.004),
        "aero.downforce_front_share": (-0.05, "", 0.0),
        "driveline.final_drive": (-0.4, "low", 0.0002),
    }
    chosen = []
    for key, (by, bound, further) in wanted.items():
        number = number_called(vehicle, key)
        value = number.value(vehicle)
        chosen.append(
            Chosen(number, value, value + by, value - number.reach, value + number.reach, bound, further)
        )
    weights = np.array([-1.0 - 0.8 * np.sin(1.7 * k) for k in range(len(leaves(spans)))])
    weights[3] = 1.4
    gain = 0.187
    parts = gain * weights / -weights.sum()
    after = []
    for k, entry in enumerate(entries):
        spot = entry.nervous
        if spot is not None:
            growth = spot.growth + 0.6 * np.cos(1.0 + k)
            spot = replace(spot, growth=growth, doubling=np.log(2.0) / growth if growth > 0.0 else None)
        after.append(replace(entry, nervous=spot, doublings=0.9 * entry.doublings))
    return BestSetup(
        tuple(chosen), vehicle, lap.time, lap.time - gain, tuple(map(float, parts)), tuple(after),
        sum(entry.doublings for entry in entries), True, 31, "no number moves the lap by more than 0.0005 s a step",
    )  # fmt: skip
