"""Channel maps: every key, every fault with its place, all at once."""

import numpy as np
import pytest
from made_tables import drive, plain, save, table

from lapwright.errors import InputError
from lapwright.inputs.channel_map import load_channel_map, read_channel_map
from lapwright.inputs.log_file import load_log

GOOD = """\
driver: Ada Quill
delimiter: semicolon
decimal: comma
header_line: 3
time: {column: Clock, unit: ms}
channels:
  speed: {column: V, unit: km/h}
  steering_wheel: {column: Hand, unit: deg, sign: -1}
"""


def faults_of(text):
    with pytest.raises(InputError) as error:
        read_channel_map(text, "map.yaml")
    return error.value.faults


def test_a_map_says_everything(tmp_path):
    made = drive()
    columns = {"Clock": made.t * 1000.0, "V": made.speed * 3.6, "Hand": -np.degrees(made.wheel)}
    text = table(columns, ";", ",", before=["9;9;9", "1;2;3"])
    log = load_log(save(tmp_path, text), save(tmp_path, GOOD, "map.yaml"))
    assert log.driver == "Ada Quill"
    assert np.allclose(log.signals["speed"].values, made.speed, atol=1e-6)
    assert np.allclose(log.signals["steering_wheel"].values, made.wheel, atol=1e-6)
    assert np.allclose(log.signals["speed"].t, made.t, atol=1e-6)
    assert log.place("speed", 0) == (4, 2)


def test_time_is_found_when_the_map_does_not_say(tmp_path):
    made = drive()
    chart = save(tmp_path, "channels: {speed: {column: 'Speed [km/h]'}}\n", "map.yaml")
    log = load_log(save(tmp_path, table(plain(made))), chart)
    assert set(log.signals) == {"speed"}
    assert np.allclose(log.signals["speed"].t, made.t)


def test_a_rate_in_place_of_a_time(tmp_path):
    made = drive()
    columns = {"V": made.speed * 3.6, "T": made.throttle * 100.0}
    chart = "time: {rate_hz: 20}\nchannels: {speed: {column: V, unit: km/h}}\n"
    log = load_log(save(tmp_path, table(columns)), save(tmp_path, chart, "map.yaml"))
    assert np.allclose(log.signals["speed"].t, made.t, atol=1e-9)


def test_columns_by_their_title_without_unit_and_by_number(tmp_path):
    chart = "channels: {speed: {column: Speed}, throttle: {column: 3}}\n"
    log = load_log(save(tmp_path, table(plain())), save(tmp_path, chart, "map.yaml"))
    assert log.signals["throttle"].title == "Throttle [%]"


@pytest.mark.parametrize(
    ("old", "new", "place", "words"),
    [
        ("driver: Ada Quill", "drivr: Ada Quill", (1, 1), "did you mean driver?"),
        ("semicolon", "semicolons", (2, 12), "did you mean semicolon?"),
        ("decimal: comma", "decimal: ','", (3, 10), "point or comma"),
        ("header_line: 3", "header_line: 0", (4, 14), "1 to 100"),
        ("header_line: 3", "header_line: 2.5", (4, 14), "whole number"),
        ("{column: Clock, unit: ms}", "{unit: ms}", (5, 1), "time needs a column"),
        ("unit: ms}", "unit: ms, rate_hz: 50}", (5, 1), "keep one of them"),
        ("  speed:", "  sped:", (7, 3), "did you mean speed?"),
        ("unit: km/h", "unit: kmh", (7, 28), "did you mean km/h"),
        ("{column: V, unit: km/h}", "{unit: km/h}", (7, 3), "column is missing"),
        ("{column: V, unit: km/h}", "V", (7, 10), "must hold keys: column, unit"),
        ("sign: -1", "sign: 2", (8, 51), "1, +1 or -1"),
        ("column: Hand", "column: V", (8, 3), "taken for speed"),
        ("steering_wheel: {column: Hand, unit: deg, sign: -1}",
         "latitude: {column: L, unit: deg}", (8, 3), "without longitude"),
    ],
)  # fmt: skip
def test_each_fault_has_its_place(old, new, place, words):
    assert old in GOOD
    faults = faults_of(GOOD.replace(old, new))
    fitting = [fault for fault in faults if words in fault.message]
    assert fitting, faults
    assert (fitting[0].file, fitting[0].line, fitting[0].column) == ("map.yaml", *place)


def test_all_faults_at_once():
    assert (
        len(
            faults_of(
                "drivr: A\ndecimal: dot\nchannels:\n  sped: {column: V}\n  gear: {column: G, unit: furlong}\n"
            )
        )
        == 5
    )


def test_both_pairs_of_places():
    text = "channels:\n  speed: {column: V}\n" + "".join(
        f"  {n}: {{column: {n}}}\n" for n in ("x", "y", "latitude", "longitude")
    )
    assert any("keep one pair" in fault.message for fault in faults_of(text))


def test_columns_that_are_not_there_are_all_told_with_the_nearest(tmp_path):
    chart = "channels:\n  speed: {column: 'Sped [km/h]', unit: km/h}\n"
    chart += "  throttle: {column: Trottle, unit: '%'}\n  gear: {column: zzz}\n"
    with pytest.raises(InputError) as error:
        load_log(save(tmp_path, table(plain())), save(tmp_path, chart, "map.yaml"))
    first, second, third = error.value.faults
    assert "did you mean Speed [km/h]" in first.message and (first.line, first.column) == (2, 19)
    assert "did you mean Throttle [%]" in second.message and second.line == 3
    assert "it has Time [s], Speed [km/h]" in third.message and first.file.endswith("map.yaml")


def test_a_unit_that_nobody_says(tmp_path):
    made = drive()
    text = table({"Time [s]": made.t, "V": made.speed * 3.6, "W [bar]": made.speed * 3.6})
    chart = "channels: {speed: {column: V}, distance: {column: 'W [bar]'}}\n"
    with pytest.raises(InputError) as error:
        load_log(save(tmp_path, text), save(tmp_path, chart, "map.yaml"))
    assert "add unit: one of km/h, m/s, mph, kn" in error.value.faults[0].message
    assert "bar of the log is not one of distance" in error.value.faults[1].message


def test_no_such_map(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        load_channel_map(tmp_path / "none.yaml")
