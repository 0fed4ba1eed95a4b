"""What cannot be driven is refused in words: which limit, where, what to try."""

import functools
import json
import re
from pathlib import Path

import pytest

from lapwright.cli import main as cli
from lapwright.errors import InputError, NoSolutionError
from lapwright.inputs.files import load_track, load_vehicle
from lapwright.problem.lap import EndState
from lapwright.reference.solve import solve_lap

# A road of 1.6 m is an unusual one, and is meant here.
pytestmark = pytest.mark.filterwarnings("ignore::lapwright.errors.InputNotice")

VEHICLES = Path(__file__).parents[2] / "vehicles"
LANE = """\
name: Lane
closed: false
centreline:
  elements:
    - straight_m: 40
    - {{radius_m: 10, angle_deg: 170, turn: left, ramp_m: 5}}
    - straight_m: 30
width_m: {width}
corners:
  - {{name: Wall, from_m: 40, to_m: 70}}
"""
PINCHED = """\
  - {at_m: 0, left: 4, right: 4}
  - {at_m: 20, left: 0.8, right: 0.8}
  - {at_m: 35, left: 4, right: 4}
"""


@pytest.fixture
def lane(tmp_path):
    return lambda width="7": write(tmp_path, width)


def write(folder, width):
    path = folder / "lane.yaml"
    path.write_text(LANE.format(width=width))
    return path


@pytest.fixture(scope="module")
def refused(tmp_path_factory):
    """What is said about each car sent down the lane at 50 m/s."""

    @functools.cache
    def text(car):
        track = load_track(write(tmp_path_factory.mktemp("lane"), "7"))
        with pytest.raises(NoSolutionError) as refusal:
            solve_lap(track, load_vehicle(VEHICLES / f"{car}.yaml"), start=EndState(speed=50.0))
        return str(refusal.value)

    return text


def too_fast_by_hand(speed):
    """Speed [m/s] at which the hairpin is reached when ``speed`` is braked away with 1.5 g over 40 m."""
    return max(speed**2 - 2.0 * 1.5 * 9.81 * 40.0, 0.0) ** 0.5


@pytest.mark.parametrize("car", ["cup-coupe", "teaching-car"])
def test_entered_too_fast(refused, car):
    # v^2 - 2 a s: 50 m/s braked with 1.5 g, more than either car has, is still 36 m/s at the bend,
    # where v^2 / R is 13 g or, on the widest line of this road, some 6 g.
    assert too_fast_by_hand(50.0) > 36.0
    text = refused(car)
    assert text.startswith("no solution")
    place = re.search(r"Worst at (\d+) m", text)
    assert place is not None
    assert 0.0 <= float(place[1]) <= 100.0
    assert "Wall" in text
    reached = re.search(r"Limits reached around there: (.*)\.", text)
    assert reached is not None
    assert re.search(r"grip|road edge|full brake|braking", reached[1])
    assert "What to try: " in text
    assert "50.0 m/s (180 km/h)" in text
    assert "--start-speed-mps" in text


def test_the_speed_it_names_can_be_driven(lane, refused):
    """The advice is worth something: a little under the speed that it calls the most, there is an answer."""
    track, car = load_track(lane()), load_vehicle(VEHICLES / "teaching-car.yaml")
    most = float(re.search(r"more than about ([\d.]+) m/s", refused("teaching-car"))[1])
    result = solve_lap(track, car, start=EndState(speed=0.9 * most))
    assert result.solution.status.solved
    assert result.lap.speed[0] == pytest.approx(0.9 * most)


def test_the_command_ends_with_three_and_no_folder(lane, tmp_path, capsys):
    out = tmp_path / "out"
    car = VEHICLES / "teaching-car.yaml"
    before = sorted(tmp_path.iterdir())
    path = lane()
    args = ["lap", str(path), str(car), "--start-speed-mps", "50", "--out", str(out), "--json"]
    assert cli.main(args) == 3
    captured = capsys.readouterr()
    assert json.loads(captured.out)["status"] == "no solution"
    assert "Worst at" in captured.err
    assert "Traceback" not in captured.err
    assert sorted(tmp_path.iterdir()) == sorted([*before, path])


def test_a_road_narrower_than_the_car(lane):
    car = load_vehicle(VEHICLES / "cup-coupe.yaml")
    with pytest.raises(InputError) as refusal:
        solve_lap(load_track(lane("\n" + PINCHED)), car, start=EndState(speed=10.0))
    (fault,) = refusal.value.faults
    assert "too narrow for this car" in fault.message
    width, at = (
        float(value) for value in re.search(r"([\d.]+) m wide at ([\d.]+) m", fault.message).groups()
    )
    assert width == pytest.approx(1.6, abs=0.01)
    assert at == pytest.approx(20.0, abs=0.3)
    assert f"the car is {car.chassis.width:.2f} m wide" in fault.message
    first, last = (
        float(value) for value in re.search(r"from ([\d.]+) to ([\d.]+) m", fault.message).groups()
    )
    assert 0.0 < first < 20.0 < last < 35.0


def test_a_point_fits_where_a_car_does_not(lane):
    car = load_vehicle(VEHICLES / "teaching-car.yaml")
    result = solve_lap(load_track(lane("\n" + PINCHED)), car, start=EndState(speed=10.0))
    assert abs(result.lap.n).max() <= 4.0


def test_a_narrow_road_and_a_wrong_start_are_said_together(lane, capsys):
    args = ["lap", str(lane("\n" + PINCHED)), str(VEHICLES / "cup-coupe.yaml"), "--start-speed-mps", "200"]
    assert cli.main(args) == 2
    text = capsys.readouterr().err
    assert "too narrow" in text
    assert "allowed are 3 to 130 m/s" in text
    assert "Traceback" not in text


def test_too_few_iterations(lane, capsys):
    args = ["lap", str(lane()), str(VEHICLES / "teaching-car.yaml"), "--start-speed-mps", "10"]
    assert cli.main([*args, "--max-iterations", "2"]) == 3
    text = capsys.readouterr().err
    assert "the iterations ran out" in text
    assert "Worst at" in text
