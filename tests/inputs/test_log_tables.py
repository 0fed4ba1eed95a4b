"""Tables in every dressing give the same log."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_tables import drive, number, plain, save, table

from lapwright.inputs.log_file import load_log


def close(log, name, values, tolerance=1e-6):
    assert np.max(np.abs(log.signals[name].values - values)) < tolerance


def test_values_times_lines_and_columns_come_back(tmp_path):
    made = drive()
    log = load_log(save(tmp_path, table(plain(made))))
    assert set(log.signals) == {"speed", "throttle", "brake_pressure"}
    # Six decimals of km/h, percent and bar: half a unit of the last, in SI.
    close(log, "speed", made.speed, 2e-7)
    close(log, "throttle", made.throttle, 1e-8)
    close(log, "brake_pressure", made.pressure, 0.06)
    assert np.allclose(log.signals["speed"].t, made.t, atol=1e-9)
    assert log.place("speed", 0) == (2, 2)
    assert log.place("brake_pressure", 10) == (12, 4)
    assert log.driver == "log"


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    separator=st.sampled_from([";", "\t", ","]),
    comma=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"]),
    end=st.sampled_from(["\n", "\r\n"]),
    before=st.lists(
        st.sampled_from(["Fahrer;Jörg Größe", "# made up", "", "Runde 12", "Rate,100,200"]), max_size=4
    ),
    units_row=st.booleans(),
    trailing=st.booleans(),
)
def test_dressings_are_the_same_log(tmp_path, separator, comma, encoding, end, before, units_row, trailing):
    # A decimal comma among commas needs quotes; that is another test.
    decimal = "," if comma and separator != "," else "."
    made = drive(8.0)
    columns, units = plain(made), None
    if units_row:
        columns = {title.split(" [")[0]: cells for title, cells in columns.items()}
        units = ["s", "km/h", "%", "bar"]
    text = table(columns, separator, decimal, before, units, end)
    if trailing:
        text = end.join(line + separator if line.count(separator) == 3 else line for line in text.split(end))
    log = load_log(save(tmp_path, text, encoding=encoding))
    plain_log = load_log(save(tmp_path, table(plain(made)), "plain.csv"))
    for name, signal in plain_log.signals.items():
        assert np.array_equal(log.signals[name].values, signal.values)
        assert np.array_equal(log.signals[name].t, signal.t)
    skipped = len(before) + units_row
    assert log.place("speed", 0)[0] == plain_log.place("speed", 0)[0] + skipped


def test_quoted_decimal_commas_between_commas(tmp_path):
    made = drive()
    columns = {title: [f'"{number(value, ",")}"' for value in cells] for title, cells in plain(made).items()}
    close(load_log(save(tmp_path, table(columns))), "speed", made.speed)


@pytest.mark.parametrize(
    "words", ["Driver,Ada Quill", "driver: Ada Quill", "# Driver: Ada Quill", "Pilote,Ada Quill,,"]
)
def test_a_driver_in_the_preamble(tmp_path, words):
    assert load_log(save(tmp_path, table(plain(), before=[words, "Date,2031-05-04"]))).driver == "Ada Quill"


def test_titles_deep_under_a_preamble_padded_by_a_spreadsheet(tmp_path):
    before = ["Driver,Ada Quill,,"] + [f"Remark {k},text,," for k in range(60)] + [",,,"]
    log = load_log(save(tmp_path, table(plain(), before=before)))
    assert log.place("speed", 0) == (64, 2)


def test_gaps_are_left_out_and_words_for_them_are_told(tmp_path):
    columns = plain()
    throttle = [number(value) for value in columns["Throttle [%]"]]
    for k, word in enumerate(("", "NaN", "-", "n/a", "#")):
        throttle[10 + k] = word
    log = load_log(save(tmp_path, table({**columns, "Throttle [%]": throttle})))
    assert log.signals["throttle"].t.size == len(throttle) - 5
    assert np.all(np.diff(log.signals["throttle"].t) > 0)
    told = [str(notice) for notice in log.notices if "taken as gaps" in str(notice)]
    assert len(told) == 1 and "4 cells" in told[0]


def test_repeated_rows_and_times(tmp_path):
    lines = table(plain()).splitlines()
    lines.insert(50, lines[49])
    at = lines[100].split(",")
    lines.insert(101, ",".join([at[0], "999", *at[2:]]))
    log = load_log(save(tmp_path, "\n".join(lines)))
    close(log, "speed", drive().speed)
    text = " ".join(map(str, log.notices))
    assert "1 repeated rows" in text and "1 rows repeat channels at the time" in text


def test_several_rates_in_one_file(tmp_path):
    made = drive()
    columns = plain(made)
    rare = np.where(np.arange(made.t.size) % 4 == 0, made.throttle * 100.0, np.nan)
    log = load_log(save(tmp_path, table({**columns, "Throttle [%]": rare})))
    assert log.signals["throttle"].rate == pytest.approx(5.0)
    assert log.signals["speed"].rate == pytest.approx(20.0)
    close(log, "throttle", made.throttle[::4])
    assert log.place("throttle", 1)[0] == 6


def test_sensors_that_share_a_time_in_rows_of_their_own(tmp_path):
    made = drive()
    twice = np.repeat(made.t, 2)
    first, second = np.arange(twice.size) % 2 == 0, np.arange(twice.size) % 2 == 1
    columns = {
        "Time [s]": twice,
        "Speed [km/h]": np.where(first, np.repeat(made.speed * 3.6, 2), np.nan),
        "Throttle [%]": np.where(second, np.repeat(made.throttle * 100.0, 2), np.nan),
    }
    log = load_log(save(tmp_path, table(columns)))
    close(log, "speed", made.speed)
    close(log, "throttle", made.throttle)
    assert np.allclose(log.signals["throttle"].t, made.t)
    assert log.place("throttle", 0)[0] == 3


def test_a_place_that_is_repeated_until_the_next_fix(tmp_path):
    made = drive()
    held = np.arange(made.t.size) // 4 * 4
    columns = {**plain(made), "x [m]": made.x[held], "y [m]": made.y[held]}
    log = load_log(save(tmp_path, table(columns)))
    assert log.signals["x"].rate == pytest.approx(5.0)
    close(log, "x", made.x[::4])
    assert any("repeated about 4 times" in str(notice) for notice in log.notices)


@pytest.mark.parametrize(
    ("title", "write"),
    [
        ("Time [s]", lambda t: f"{t:.3f}"),
        ("Time [ms]", lambda t: f"{1000 * t:.0f}"),
        ("Time", lambda t: f"{1000 * t:.0f}"),
        ("Timestamp [us]", lambda t: f"{1e6 * t:.0f}"),
        ("Time", lambda t: f"{t + 431.2:.2f}"),
        ("Zeit", lambda t: f"1:02:{t:06.3f}"),
        ("Elapsed", lambda t: f"59:{t:05.2f}"),
        ("Timestamp", lambda t: f"2031-05-04T14:15:{t:06.3f}Z"),
        ("Timestamp", lambda t: f"04.05.2031 14:15:{t:06.3f}"),
    ],
)
def test_times_of_all_kinds(tmp_path, title, write):
    made = drive()
    columns = plain(made)
    del columns["Time [s]"]
    text = table({title: [write(t) for t in made.t], **columns})
    chart = save(
        tmp_path,
        f"time: {{column: '{title}'}}\nchannels: {{speed: {{column: 'Speed [km/h]'}}}}\n",
        "map.yaml",
    )
    log = load_log(save(tmp_path, text), chart)
    assert np.allclose(log.signals["speed"].t, made.t, atol=1e-6)


def test_midnight(tmp_path):
    made = drive()
    clock = [
        f"{(86390 + t) // 3600 % 24:02.0f}:{(86390 + t) // 60 % 60:02.0f}:{(86390 + t) % 60:05.2f}"
        for t in made.t
    ]
    columns = plain(made)
    del columns["Time [s]"]
    assert clock[0].startswith("23:59:50") and clock[-1].startswith("00:00:2")
    log = load_log(save(tmp_path, table({"Time": clock, **columns})))
    assert np.allclose(log.signals["speed"].t, made.t, atol=1e-6)


def test_times_written_to_the_second_are_spread(tmp_path):
    made = drive()
    columns = {**plain(made), "Time [s]": [f"{t:.0f}" for t in np.floor(made.t)]}
    log = load_log(save(tmp_path, table(columns)))
    assert np.allclose(log.signals["speed"].t, made.t, atol=1e-9)
    assert any("spread evenly" in str(notice) for notice in log.notices)


def test_a_switch(tmp_path):
    made = drive()
    pressed = (made.pressure > 0).astype(float)
    for name, cells in (
        ("Brake [on/off]", pressed),
        ("Brake switch", pressed),
        ("Brake [%]", pressed * 100.0),
    ):
        log = load_log(save(tmp_path, table({**plain(made), name: cells})))
        assert log.signals["brake"].switch
        close(log, "brake", pressed)
    log = load_log(
        save(tmp_path, table({**plain(made), "Brake switch": ["on" if p else "off" for p in pressed]}))
    )
    close(log, "brake", pressed)


def test_neutral_and_reverse_are_gears(tmp_path):
    made = drive()
    gears = ["R", "N", *(["3"] * (made.t.size - 2))]
    log = load_log(save(tmp_path, table({**plain(made), "Gear": gears})))
    assert log.signals["gear"].values[:3] == pytest.approx([-1.0, 0.0, 3.0])


def test_blank_rows_and_a_row_of_column_numbers(tmp_path):
    made = drive()
    columns = {title.split(" [")[0]: cells for title, cells in plain(made).items()}
    lines = table(columns, units=["s", "km/h", "%", "bar"]).splitlines()
    lines.insert(2, "1,2,3,4")
    log = load_log(save(tmp_path, "\n\n".join(lines)))
    close(log, "speed", made.speed)
    assert [notice.message for notice in log.notices if "recognised" not in notice.message] == []
    assert log.place("speed", 1) == (9, 2)


def test_rows_without_a_time_are_told(tmp_path):
    lines = table(plain()).splitlines()
    lines[40] = lines[40][lines[40].index(",") :]
    log = load_log(save(tmp_path, "\n".join(lines)))
    notice = next(notice for notice in log.notices if "without a time" in notice.message)
    assert notice.message.startswith("1 rows") and notice.line == 41


def test_a_gap_in_the_speed_is_told_with_its_line(tmp_path):
    lines = table(plain()).splitlines()
    del lines[200:260]
    log = load_log(save(tmp_path, "\n".join(lines)))
    gap = next(notice for notice in log.notices if "gap in the speed" in notice.message)
    assert "3.0" in gap.message and gap.line == 200
