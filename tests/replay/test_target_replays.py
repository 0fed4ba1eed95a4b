"""Exported targets driven again with the spin of each wheel as a state, integrated by SciPy.

A target drives the tyres at their peak, where a car answers to nothing and leaves its line by itself (the growth rates
below). So the whole lap is shown in two ways: hands and feet alone over short windows, and over 200 m and the lap with
corrections that are shown to be small.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lapwright import load_track, load_vehicle
from lapwright.outputs.traces import read_trace, write_trace
from lapwright.problem.lap import EndState
from lapwright.quantities import DEG, G
from lapwright.reference.solve import solve_lap
from lapwright.replay.recorded import recorded_lap
from lapwright.replay.replay import growth_rates, replay
from lapwright.replay.steady import Steady

ROOT = Path(__file__).parents[2]


class Target:
    """A solved lap and what is left of it in its trace file."""

    def __init__(self, track: str, vehicle: str, folder: Path) -> None:
        self.track = load_track(ROOT / "tracks" / f"{track}.yaml")
        self.vehicle = load_vehicle(ROOT / "vehicles" / f"{vehicle}.yaml")
        start = None if self.track.closed else EndState(speed=25.0)
        self.lap = solve_lap(self.track, self.vehicle, start=start).lap
        path = folder / "target.csv"
        write_trace(path, self.lap)
        column = read_trace(path)
        self.exported = recorded_lap(
            self.track,
            self.vehicle,
            s=column["distance_m"],
            t=column["time_s"],
            n=column["lateral_offset_m"],
            speed=column["speed_mps"],
            sideslip=column["sideslip_deg"] * DEG,
            yaw_rate=column["yaw_rate_dps"] * DEG,
            steering_wheel=column["steering_wheel_deg"] * DEG,
            pedal=column["throttle"] - column["brake"],
            accel_long=column["accel_long_g"] * G,
            accel_lat=column["accel_lat_g"] * G,
            load=np.column_stack([column[f"load_{wheel}_N"] for wheel in ("fl", "fr", "rl", "rr")]),
        )

    def steadied(self, lap=None, **options):
        return replay(
            self.track, self.vehicle, lap or self.exported, by="distance", steady=Steady(), **options
        )

    def corrections(self, result):
        """Root mean square of hand wheel [deg] and pedal, over all windows."""
        steer = (
            np.concatenate([w.steer_correction for w in result.windows]) * self.vehicle.steering.ratio / DEG
        )
        pedal = np.concatenate([w.pedal_correction for w in result.windows])
        return np.sqrt(np.mean(steer**2)), np.sqrt(np.mean(pedal**2))


@pytest.fixture(scope="module")
def tight(tmp_path_factory):
    return Target("cinder-yard", "cup-coupe", tmp_path_factory.mktemp("target"))


def holds(target: Target) -> None:
    """The target's claim: time within 0.2 %, position within 1 m over any 200 m window."""
    result = target.steadied(window=200.0, overlap=True)
    assert result.recorded_time == pytest.approx(target.lap.time, abs=1e-3)
    assert abs(result.time_error) < 0.002
    assert result.worst.strayed < 1.0
    hand_wheel, pedal = target.corrections(result)
    assert hand_wheel < 4.0
    assert pedal < 0.015


def test_exported_target_replays(tight):
    holds(tight)


def test_exported_target_replays_in_one_go(tight):
    """A lap without a new start: still on its line at the end, and as quick."""
    result = tight.steadied(window=None)
    window = result.windows[0]
    assert window.ended == "reached"
    assert abs(result.time_error) < 0.002
    assert np.max(np.abs(window.offset)) < 0.1
    assert window.strayed < 2.0


@pytest.mark.parametrize("which", ["lap", "exported"])
def test_hands_and_feet_alone_over_short_windows(tight, which):
    """No correction at all: centimetres over 25 m, and the time of the lap within 0.1 %."""
    result = replay(tight.track, tight.vehicle, getattr(tight, which), window=25.0)
    strayed = np.array([w.strayed for w in result.windows])
    assert np.median(strayed) < 0.03
    assert strayed.max() < 0.25
    assert abs(result.time_error) < 0.001


def test_exported_file_holds_the_lap(tight):
    """Heading and slip ratios, not in the file, come back from the rest."""
    lap, exported = tight.lap, tight.exported
    assert exported.closed
    np.testing.assert_allclose(exported.xi, lap.xi, atol=8e-3)  # from the slope of the offsets
    np.testing.assert_allclose(exported.slip_ratio, lap.slip_ratio, atol=5e-3)
    np.testing.assert_allclose(exported.force_long, lap.force_long, atol=120.0)


def test_car_at_the_peak_runs_away_by_itself(tight):
    """Why corrections are needed: deviations grow e-fold in a third of a second and less on a tenth of the lap."""
    growth = growth_rates(tight.track, tight.vehicle, tight.lap)
    assert np.quantile(growth, 0.9) > 3.0
    calm = replace(
        tight.vehicle,
        tyres=replace(
            tight.vehicle.tyres,
            front=replace(tight.vehicle.tyres.front, peak_slip_angle=1.0),
            rear=replace(tight.vehicle.tyres.rear, peak_slip_angle=0.5),
        ),
    )
    assert np.quantile(growth_rates(tight.track, calm, tight.lap), 0.9) < 1.0


@pytest.mark.parametrize("part", ["chassis", "tyres"])
def test_another_car_is_found_out(tight, part):
    """The check can fail: 5 % more mass or 5 % less grip than the target was made for."""
    vehicle = tight.vehicle
    if part == "chassis":
        wrong = replace(vehicle, chassis=replace(vehicle.chassis, mass=1.05 * vehicle.chassis.mass))
    else:
        tyres = vehicle.tyres
        wrong = replace(
            vehicle,
            tyres=replace(
                tyres, front=replace(tyres.front, grip_scale=0.95), rear=replace(tyres.rear, grip_scale=0.95)
            ),
        )
    result = replay(tight.track, wrong, tight.exported, by="distance", steady=Steady(), overlap=True)
    assert not (result.worst.strayed < 1.0 and abs(result.time_error) < 0.002)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("track", "vehicle"),
    [
        ("marrow-fen", "cup-coupe"), ("marrow-fen", "touring-saloon"), ("marrow-fen", "club-monoposto"),
        ("marrow-fen", "rally-hatch"), ("tarn-bowl", "cup-coupe"), ("cinder-yard", "touring-saloon"),
        ("cinder-yard", "club-monoposto"), ("cinder-yard", "rally-hatch"), ("gannet-rise", "rally-hatch"),
    ],
)  # fmt: skip
def test_every_shipped_target_replays(track, vehicle, tmp_path):
    holds(Target(track, vehicle, tmp_path))
