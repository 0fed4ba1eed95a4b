"""The demo logs are read without a map, and the dressings of one drive agree."""

from pathlib import Path

import numpy as np
import pytest

from lapwright.inputs.log_file import load_log

FOLDER = Path(__file__).parents[2] / "examples" / "logs"
LOGS = sorted(path for path in FOLDER.iterdir() if path.suffix in (".csv", ".txt", ".mf4", ".gpx"))


def test_there_are_some():
    assert {path.suffix for path in LOGS} == {".csv", ".txt", ".mf4", ".gpx"}


@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.name)
def test_each_is_read(path):
    log = load_log(path)
    assert 8.0 < log.signals["speed"].values.max() < 90.0
    for signal in log.signals.values():
        assert np.all(np.diff(signal.t) > 0.0) and np.all(np.isfinite(signal.values))


def test_dressings_of_one_drive_agree():
    # Each was read by sensors of its own: their noise is what is between them (0.05 m/s, 0.3 degrees, a bar or so).
    ours = load_log(FOLDER / "wren-lap.csv")
    for name in ("wren-lap-semicolons.csv", "wren-lap-tabs.txt", "wren-lap.mf4"):
        other = load_log(FOLDER / name)
        for channel, noise in (
            ("speed", 0.1),
            ("steering_wheel", 0.02),
            ("brake_pressure", 5e4),
            ("yaw_rate", 0.02),
        ):
            one, two = ours.signals[channel], other.signals[channel]
            at = two.t[(two.t >= one.t[0]) & (two.t <= one.t[-1])]
            apart = np.interp(at, one.t, one.values) - np.interp(at, two.t, two.values)
            assert np.sqrt(np.mean(apart**2)) < noise, (name, channel)
