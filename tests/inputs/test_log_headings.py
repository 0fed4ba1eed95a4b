"""Titles, units and cells in less usual dress."""

import numpy as np
import pytest
from made_tables import drive, plain, save, table

from lapwright.errors import InputError
from lapwright.inputs.log_file import load_log, propose_map
from lapwright.inputs.log_names import split_title


@pytest.mark.parametrize(
    ("text", "name", "unit"),
    [
        # Quantity over unit: ISO 80000-1:2009, 7.1.3 [from memory].
        ("Speed / km/h", "Speed", "km/h"),
        ("v/(m/s)", "v", "m/s"),
        ("Time/s", "Time", "s"),
        ("Geschwindigkeit in km/h", "Geschwindigkeit", "km/h"),
        ("Speed, mph", "Speed", "mph"),
        ("Lap/Beacon", "Lap/Beacon", ""),
        ("Distance, lap", "Distance, lap", ""),
        ("Wheel speed, FL", "Wheel speed, FL", ""),
        ("Brake on/off", "Brake on/off", ""),
    ],
)
def test_units_behind_a_title(text, name, unit):
    assert split_title(text) == (name, unit)


@pytest.mark.parametrize(("title", "factor"), [("Speed / km/h", 3.6), ("Speed in m/s", 1.0)])
def test_a_log_with_units_behind_its_titles(tmp_path, title, factor):
    made = drive()
    log = load_log(save(tmp_path, table({"Time / s": made.t, title: made.speed * factor})))
    assert log.signals["speed"].values == pytest.approx(made.speed, abs=1e-5)


@pytest.mark.parametrize(("unit", "each"), [("s", 1.0), ("ms", 1e3), ("us", 1e6)])
def test_times_counted_from_1970(tmp_path, unit, each):
    # 2031-05-04 14:15 UTC is 1935670500 s after the epoch of POSIX (checked with ``date -u -d @1935670500``).
    made = drive()
    times = [f"{(1_935_670_500 + t) * each:.{3 if unit == 's' else 0}f}" for t in made.t]
    path = save(tmp_path, table({"Timestamp": times, "Speed [km/h]": made.speed * 3.6}))
    assert propose_map(path).time.unit.name == unit
    assert load_log(path).signals["speed"].t == pytest.approx(made.t, abs=1e-5)


@pytest.mark.parametrize("behind", ["{0}", " {0}", "° {0}"])
def test_places_with_the_letter_of_their_hemisphere(tmp_path, behind):
    made = drive()
    lat, lon = -33.0 - made.y / 111e3, -70.0 - made.x / 93e3
    columns = {"Time [s]": made.t, "Speed [km/h]": made.speed * 3.6}
    signs = {"Latitude": lat, "Longitude": lon}
    letters = {"Latitude": "S", "Longitude": "w"}
    written = {
        title: [f"{-each:.8f}{behind.format(letters[title])}" for each in cells]
        for title, cells in signs.items()
    }
    numbers = {title: [f"{each:.8f}" for each in cells] for title, cells in signs.items()}
    one = load_log(save(tmp_path, table({**columns, **written}), "letters.csv"))
    other = load_log(save(tmp_path, table({**columns, **numbers}), "signs.csv"))
    assert one.geographic
    for name in ("x", "y"):
        assert np.array_equal(one.signals[name].values, other.signals[name].values)


def test_letters_elsewhere_are_faults(tmp_path):
    made = drive()
    columns = plain(made)
    cells = [f"{each:.3f}" for each in columns["Throttle [%]"]]
    cells[7] += "N"
    with pytest.raises(InputError, match=r"log\.csv:9:3: Throttle \[%\]: .*N is not a number"):
        load_log(save(tmp_path, table({**columns, "Throttle [%]": cells})))


def test_titles_that_come_again(tmp_path):
    lines = table(plain()).splitlines()
    log = load_log(save(tmp_path, "\n".join([*lines[:300], lines[0], *lines[300:]])))
    assert log.signals["speed"].t.size == len(lines) - 1
    assert any("stand here again (1 times" in one.message and one.line == 301 for one in log.notices)
    with pytest.raises(InputError) as caught:
        load_log(save(tmp_path, "\n".join([*lines, *lines])))
    (fault,) = caught.value.faults
    assert "a new log begins here" in fault.message and fault.line == len(lines) + 2


def test_points_and_a_few_commas_that_part_thousands(tmp_path):
    made = drive()
    turns = [f'"{each:,.0f}"' for each in made.speed * 150.0]
    path = save(tmp_path, table({**plain(made), "Engine speed [rpm]": turns}))
    log = load_log(path)
    assert log.signals["speed"].values == pytest.approx(made.speed, abs=1e-5)
    assert "engine_speed" not in log.signals and any(
        "not used: Engine speed" in n.message for n in log.notices
    )


def test_header_line_that_holds_numbers(tmp_path):
    path = save(tmp_path, table(plain()))
    chart = save(tmp_path, "header_line: 5\nchannels: {speed: {column: 'Speed [km/h]'}}", "map.yaml")
    with pytest.raises(InputError, match=r"log\.csv:5:1: line 5 holds numbers, not titles"):
        load_log(path, chart)
