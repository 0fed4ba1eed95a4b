"""Title, unit and values have to agree; what disagrees is told with the unit that would be right."""

import numpy as np
import pytest
from made_tables import drive, plain, save, table

from lapwright.errors import InputError
from lapwright.inputs.log_file import load_log, propose_map


@pytest.mark.parametrize(
    ("title", "written", "measure", "unit"),
    [
        ("Throttle [%]", lambda made: made.throttle, "throttle", "share"),
        ("Steering wheel [deg]", lambda made: made.wheel, "steering_wheel", "rad"),
        ("Lateral acceleration [g]", lambda made: made.accel_lat, "accel_lat", "m/s2"),
        ("Speed [m/s]", lambda made: made.speed * 3.6, "speed", "km/h"),
        ("Brake pressure [bar]", lambda made: made.pressure / 1e3, "brake_pressure", "kPa"),
        ("Yaw rate [deg/s]", lambda made: made.yaw_rate, "yaw_rate", "rad/s"),
    ],
)
def test_a_unit_that_values_speak_against_is_in_doubt(tmp_path, title, written, measure, unit):
    made = drive()
    columns = {key: cells for key, cells in plain(made).items() if key.split(" [")[0] != title.split(" [")[0]}
    path = save(tmp_path, table({**columns, title: written(made)}))
    entry = next(entry for entry in propose_map(path).entries if entry.measure == measure)
    assert not entry.sure and "it would be usual in" in entry.why
    assert unit in entry.why.rsplit(" in ", 1)[1].split(" or ")
    with pytest.raises(InputError, match="--write-map FILE"):
        load_log(path)


def test_a_map_stands_but_the_doubt_is_told(tmp_path):
    made = drive()
    path = save(tmp_path, table({**plain(made), "Throttle [%]": made.throttle}))
    chart = save(
        tmp_path,
        "channels: {speed: {column: 'Speed [km/h]'}, throttle: {column: 'Throttle [%]'}}",
        "map.yaml",
    )
    log = load_log(path, chart)
    assert np.ptp(log.signals["throttle"].values) == pytest.approx(0.01)
    assert any("unusual for throttle; it would be usual in share" in notice.message for notice in log.notices)


def test_the_summary_says_what_is_taken_and_what_is_not(tmp_path):
    columns = {**plain(), "Oil temperature [C]": np.full(drive().t.size, 90.0)}
    proposal = propose_map(save(tmp_path, table(columns)))
    taken, left = proposal.summary
    assert proposal.sure and "speed from Speed [km/h] (km/h)" in taken and "time from Time [s] (s)" in taken
    assert left == "not used: Oil temperature [C]"


@pytest.mark.parametrize(
    ("written", "true", "factor"),
    [("km/h", "m/s", 1.0), ("mph", "kn", 3600.0 / 1852.0), ("km/h", "mph", 3600.0 / 1609.344)],
)
def test_a_speed_whose_places_go_at_another(tmp_path, written, true, factor):
    made = drive()
    columns = {
        "Time [s]": made.t,
        f"Speed [{written}]": made.speed * factor,
        "x [m]": made.x,
        "y [m]": made.y,
    }
    with pytest.raises(InputError, match=rf"in {true} they would agree") as caught:
        load_log(save(tmp_path, table(columns)))
    assert (caught.value.faults[0].line, caught.value.faults[0].column) == (1, 2)


def test_places_at_another_scale_are_told(tmp_path):
    made = drive()
    columns = {
        "Time [s]": made.t,
        "Speed [km/h]": made.speed * 3.6,
        "x [m]": made.x * 1.3,
        "y [m]": made.y * 1.3,
    }
    log = load_log(save(tmp_path, table(columns)))
    assert any("go 1.3 times as fast" in notice.message for notice in log.notices)
