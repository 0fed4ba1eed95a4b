"""The invented laps of tests/lap serve here too."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "lap"))


@pytest.fixture(scope="session")
def circuit():
    from invented_lap import invented_track

    return invented_track()


@pytest.fixture(scope="session")
def lap(circuit):
    from invented_lap import invented_lap

    return invented_lap(circuit)


@pytest.fixture(scope="session")
def baseline(circuit):
    from invented_lap import invented_lap

    return invented_lap(circuit, "baseline")


@pytest.fixture(scope="session")
def reports(lap, circuit):
    from lapwright.lap.corners import corner_reports

    return corner_reports(lap, circuit)
