"""What a user may get wrong with a log: a sentence with a place for each, all at once, never a traceback."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_tables import drive, number, plain, save, table

from lapwright.errors import InputError
from lapwright.inputs.log_file import load_log, propose_map


def faults_of(path, *chart):
    with pytest.raises(InputError) as error:
        load_log(path, *chart)
    return error.value.faults


def changed(title, change, **rest):
    """A log with one column changed."""
    columns = plain()
    columns[title] = change(columns[title])
    return table({**columns, **rest})


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty"),
        (b"\n \n\t\n", "nothing but blanks"),
        (bytes(range(256)) * 40, "binary file"),
        (b"PK\x03\x04" + bytes(4000), "export the log as CSV"),
        (b"once upon a time\nthere was a lap\n", "no table is found"),
        (b"Time [s],Speed [km/h]\n", "no table is found"),
        (b"0,1\n1,2\n2,3\n3,4\n", "no line of titles"),
        (b"\xff\xfeT\x00\xd8", "broken"),
    ],
)
def test_files_that_are_no_logs(tmp_path, data, words):
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    (fault,) = faults_of(path)
    assert words in fault.message and fault.file == str(path)


def test_no_such_file_has_the_nearest_name(tmp_path):
    save(tmp_path, table(plain()), "session-1.csv")
    assert "session-1.csv" in faults_of(tmp_path / "sesion-1.csv")[0].message
    assert "folder" in faults_of(tmp_path)[0].message


def test_time_that_runs_backwards(tmp_path):
    made = drive()
    again = np.concatenate([made.t[:400], made.t[:400]])
    (fault,) = faults_of(
        save(tmp_path, table({"Time [s]": again, "Speed [km/h]": np.tile(made.speed[:400] * 3.6, 2)}))
    )
    assert "time runs backwards" in fault.message or "does not keep rising" in fault.message
    chart = save(
        tmp_path, "time: {column: 'Time [s]'}\nchannels: {speed: {column: 'Speed [km/h]'}}", "map.yaml"
    )
    (fault,) = faults_of(tmp_path / "log.csv", chart)
    assert "0.000 s after 19.950 s; a new log begins here" in fault.message
    assert (fault.line, fault.column) == (402, 1)


def test_unreadable_cells_ten_of_each_column_and_a_count(tmp_path):
    def spoil(values):
        return ["oops" if 20 <= k < 33 else number(value) for k, value in enumerate(values)]

    columns = plain()
    columns["Speed [km/h]"] = spoil(columns["Speed [km/h]"])
    columns["Throttle [%]"] = [
        "12.3.4" if k == 7 else number(value) for k, value in enumerate(columns["Throttle [%]"])
    ]
    faults = faults_of(save(tmp_path, table(columns)))
    assert len(faults) == 12
    assert (faults[0].line, faults[0].column) == (22, 2) and "oops is not a number" in faults[0].message
    assert "and 3 more cells" in faults[10].message
    assert (faults[11].line, faults[11].column) == (9, 3) and "12.3.4" in faults[11].message


def test_unreadable_times(tmp_path):
    made = drive()
    clock = [f"0:00:{t:06.3f}" for t in made.t]
    clock[30] = "0:xx:1"
    columns = plain(made)
    del columns["Time [s]"]
    (fault,) = faults_of(save(tmp_path, table({"Time": clock, **columns})))
    assert "0:xx:1 is not a time" in fault.message and (fault.line, fault.column) == (32, 1)


def test_rows_with_too_many_cells(tmp_path):
    lines = table(plain()).splitlines()
    lines[70] += ",5,6"
    (fault,) = faults_of(save(tmp_path, "\n".join(lines)))
    assert "more cells than the 4 titles" in fault.message and fault.line == 71


def test_decimal_commas_between_commas(tmp_path):
    text = table(plain()).splitlines()
    text = "\n".join([text[0], *(line.replace(".", ",") for line in text[1:])])
    chart = save(
        tmp_path, "time: {column: 1, unit: s}\nchannels: {speed: {column: 2, unit: km/h}}", "map.yaml"
    )
    faults = faults_of(save(tmp_path, text), chart)
    assert any("parted by semicolons or tabs" in fault.message for fault in faults)


@pytest.mark.parametrize(
    ("unit", "factor", "words"),
    [
        ("m/s", 3.6 * 2, "would be true in km/h"),
        ("km/h", 36.0, "no unit that is known"),
        ("kn", 3.6 * 1.5, "km/h"),
    ],
)
def test_units_that_cannot_be_true(tmp_path, unit, factor, words):
    made = drive()
    text = table({"Time [s]": made.t, "V": made.speed * factor + (60 if unit == "kn" else 0)})
    chart = save(tmp_path, f"channels: {{speed: {{column: V, unit: {unit}}}}}", "map.yaml")
    (fault,) = faults_of(save(tmp_path, text), chart)
    assert "cannot be true" in fault.message and words in fault.message
    assert fault.column == 2 and fault.line >= 2


def test_a_car_that_is_too_slow_for_its_unit(tmp_path):
    made = drive()
    text = table({"Time [s]": made.t, "V": made.speed / 30.0})
    chart = save(tmp_path, "channels: {speed: {column: V, unit: m/s}}", "map.yaml")
    (fault,) = faults_of(save(tmp_path, text), chart)
    assert "never goes faster" in fault.message


@pytest.mark.parametrize(("value", "words"), [(0.0, "is zero throughout"), (77.0, "is the same throughout")])
def test_constant_channels(tmp_path, value, words):
    chart = save(tmp_path, "channels: {speed: {column: Speed}, throttle: {column: Throttle}}", "map.yaml")
    log = load_log(save(tmp_path, changed("Throttle [%]", lambda v: v * 0.0 + value)), chart)
    assert "throttle" not in log.signals
    assert any(words in str(notice) for notice in log.notices)
    (fault,) = faults_of(save(tmp_path, changed("Speed [km/h]", lambda v: v * 0.0 + value)), chart)
    assert words in fault.message


def test_a_lap_counter_and_a_gear_may_stay_the_same(tmp_path):
    ones = np.ones(drive().t.size)
    log = load_log(save(tmp_path, table({**plain(), "Lap": ones, "Gear": 3.0 * ones})))
    assert log.has("lap", "gear")


def test_few_samples(tmp_path):
    lines = table(plain()).splitlines()[:60]
    (fault,) = faults_of(save(tmp_path, "\n".join(lines)))
    assert "59 samples; at least 100" in fault.message


def test_spikes_are_left_out_and_told(tmp_path):
    made = drive(60.0)
    columns = plain(made)
    columns["Speed [km/h]"][300] = 9000.0
    log = load_log(save(tmp_path, table(columns)))
    assert log.signals["speed"].t.size == made.t.size - 1
    assert any("1 impossible values (such as 9000 km/h)" in str(notice) for notice in log.notices)


def test_places_without_a_fix(tmp_path):
    made = drive()
    latitude, longitude = 47.0 + made.y / 111e3, -24.0 + made.x / 76e3
    latitude[:30] = longitude[:30] = 0.0
    columns = {
        **plain(made),
        "Latitude [deg]": [f"{a:.8f}" for a in latitude],
        "Longitude [deg]": [f"{a:.8f}" for a in longitude],
    }
    log = load_log(save(tmp_path, table(columns)))
    assert log.signals["x"].t.size == made.t.size - 30 and log.signals["x"].values[0] == 0.0
    assert any("no fix yet" in str(notice) for notice in log.notices)


def test_places_across_the_date_line(tmp_path):
    made = drive()
    # On the equator a degree of longitude is 2 pi a / 360 = 111319.49 m (WGS 84).
    longitude = (180.0 - 0.001 + made.x / 111_319.49 + 180.0) % 360.0 - 180.0
    assert longitude.min() < -179 and longitude.max() > 179
    columns = {
        **plain(made),
        "Latitude [deg]": [f"{a:.9f}" for a in made.y / 110_574.3],
        "Longitude [deg]": [f"{a:.9f}" for a in longitude],
    }
    log = load_log(save(tmp_path, table(columns)))
    assert np.allclose(log.signals["x"].values, made.x - made.x[0], atol=0.01)
    assert np.allclose(log.signals["y"].values, made.y - made.y[0], atol=0.01)


@settings(max_examples=70, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_spoilt_logs_give_a_log_or_faults_and_nothing_else(tmp_path, data):
    raw = bytearray(table(plain(drive(6.0))).encode())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(raw) - 1))
        size = data.draw(st.sampled_from([0, 1, 1, 7, 300]))
        raw[at : at + size] = data.draw(st.binary(max_size=6))
    path = tmp_path / "log.csv"
    path.write_bytes(bytes(raw))
    for read in (load_log, propose_map):
        try:
            read(path)
        except InputError as error:
            assert error.faults and all(fault.message for fault in error.faults)
