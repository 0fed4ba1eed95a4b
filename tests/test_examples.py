"""The examples run as they stand, and the README shows them and what they print."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
NUMBER = re.compile(r"\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def printed():
    done = subprocess.run(
        [sys.executable, "examples/five_lines.py"], cwd=ROOT, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def test_five_lines_of_code():
    code = (ROOT / "examples/five_lines.py").read_text(encoding="utf-8").split('"""')[2]
    assert len([line for line in code.splitlines() if line and not line.startswith(("import", "from"))]) == 5


def test_optimum_beats_the_quasi_steady_lap_of_the_centreline(printed):
    target, baseline = map(float, re.findall(r"(\d+\.\d{3}) s", printed[0]))
    # The centreline is one of the lines that the optimum may choose.
    assert 0.0 < target < baseline


def test_brake_point_leaves_room_to_slow_down(printed):
    from lapwright import load_track, load_vehicle
    from lapwright.quantities import KMH, G

    metres, kmh = (float(number) for number in NUMBER.findall(printed[1].split(":")[1]))
    track, car = (
        load_track(ROOT / "tracks/cinder-yard.yaml"),
        load_vehicle(ROOT / "vehicles/touring-saloon.yaml"),
    )
    corner = next(c for c in track.corners if c.name == "T3")
    # Straight-line stopping with all grip there is, v^2 = v0^2 - 2 mu g s (Gillespie, Fundamentals of Vehicle
    # Dynamics, 1992, ch. 3, from memory), down to what the bend allows at its outer edge, v^2 = mu g R.
    grip = max(car.tyres.front.peak_mu_long, car.tyres.front.peak_mu_lat, car.tyres.rear.peak_mu_long)
    fastest = (grip * G * (corner.radius + 8.0)) ** 0.5
    needed = ((kmh / KMH) ** 2 - fastest**2) / (2.0 * grip * G)
    assert needed > 5.0
    before_apex = metres + corner.apex - corner.start
    assert needed < before_apex < 150.0


def test_readme_shows_the_code_and_its_output(printed):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    code = (ROOT / "examples/five_lines.py").read_text(encoding="utf-8").split('"""')[2].strip()
    assert code in readme
    wanted = [NUMBER.sub("#", line) for line in printed]
    shown = [line.strip() for line in readme.splitlines()]
    for line, pattern in zip(printed, wanted, strict=True):
        like = [other for other in shown if NUMBER.sub("#", other) == pattern]
        assert len(like) == 1, line
        told = [float(number) for number in NUMBER.findall(like[0])]
        # Another processor or another release of a library may end a solve some milliseconds elsewhere.
        assert told == pytest.approx(
            [float(number) for number in NUMBER.findall(line)], rel=2e-3, abs=1.01 * ("brake" in line)
        )
