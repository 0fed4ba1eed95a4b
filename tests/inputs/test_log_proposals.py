"""Channels recognised by title, unit and values; the map that is proposed can be read back."""

import numpy as np
import pytest
from made_tables import drive, plain, save, table

from lapwright.errors import InputError
from lapwright.inputs.channel_map import read_channel_map
from lapwright.inputs.log_file import load_log, propose_map
from lapwright.inputs.log_names import EXACT, QUALIFIED, guesses, split_title, words_of


# Trade words of the languages (common practice), independent of the table in which they are looked up.
@pytest.mark.parametrize(
    ("title", "measure"),
    [
        ("Speed", "speed"), ("Ground Speed", "speed"), ("GPS_Speed", "speed"), ("speed_kmh", "speed"), ("vSpeedMps", None),
        ("Geschwindigkeit", "speed"), ("Vitesse", "speed"), ("Velocità", "speed"), ("Velocidad", "speed"),
        ("Brake", "brake"), ("Bremse", "brake"), ("Frein", "brake"), ("Freno", "brake"),
        ("Bremsdruck", "brake_pressure"), ("Pression frein", "brake_pressure"), ("Pressione freno", "brake_pressure"),
        ("BrakePressureFront", "brake_pressure"), ("Brake Press F", "brake_pressure"),
        ("Throttle", "throttle"), ("TPS", "throttle"), ("Gaspedal", "throttle"), ("Accélérateur", "throttle"),
        ("Acceleratore", "throttle"), ("Acelerador", "throttle"),
        ("Steering Angle", "steering_wheel"), ("SteeringWheelAngle", "steering_wheel"), ("Lenkradwinkel", "steering_wheel"),
        ("Volant", "steering_wheel"), ("Sterzo", "steering_wheel"), ("Volante", "steering_wheel"),
        ("Time", "time"), ("Zeit", "time"), ("Temps", "time"), ("Tempo", "time"), ("Tiempo", "time"),
        ("Distance", "distance"), ("Strecke", "distance"), ("Distanza", "distance"), ("Distancia", "distance"),
        ("Lat", "latitude"), ("Longitude", "longitude"), ("Länge", "longitude"), ("Long Acc", "accel_long"),
        ("LateralAcceleration", "accel_lat"), ("Querbeschleunigung", "accel_lat"), ("Yaw Rate", "yaw_rate"),
        ("Gierrate", "yaw_rate"), ("Gear", "gear"), ("Gang", "gear"), ("RPM", "engine_speed"), ("Drehzahl", "engine_speed"),
        ("Régime moteur", "engine_speed"), ("Lap", "lap"), ("Runde", "lap"), ("Lap Number", "lap"),
        ("Lateral Acc", "accel_lat"), ("Longitudinal Acc.", "accel_long"), ("Acc Lateral", "accel_lat"),
        ("Throttle Position", "throttle"),
    ],
)  # fmt: skip
def test_titles(title, measure):
    found = guesses(title)
    if measure is None:
        assert not found or found[0].fit < QUALIFIED
    else:
        assert found[0].measure == measure and found[0].fit >= QUALIFIED


@pytest.mark.parametrize(
    "title",
    ["Brake Temp FL", "Oil Pressure", "Tyre Pressure FR", "Speed Accuracy", "Steering Torque", "Throttle Target",
     "Brake Bias", "Lap Delta", "Yaw Rate Offset", "Wheel Speed FL", "Brake Pressure Rear", "Water Temp", "Latency"],
)  # fmt: skip
def test_titles_of_something_else(title):
    assert all(guess.fit < EXACT and guess.fit < QUALIFIED for guess in guesses(title))


def test_titles_with_units():
    assert split_title("Speed [km/h]") == ("Speed", "km/h")
    assert split_title("Speed (mph)") == ("Speed", "mph")
    assert split_title("Speed") == ("Speed", "")
    assert split_title("Brake (front)") == ("Brake (front)", "")
    assert words_of("GPSSpeed_kmh") == ("gps", "speed", "kmh")


def test_a_proposal_can_be_read_back_as_a_map(tmp_path):
    made = drive()
    columns = {
        **plain(made),
        "Yaw rate [deg/s]": np.degrees(made.yaw_rate),
        'Odd "one" [C]': made.t,
        "Gear": np.full(made.t.size, 3.0),
    }
    path = save(tmp_path, table(columns, before=["Driver,Ada: Quill #1"]))
    proposal = propose_map(path)
    assert proposal.sure
    chart = read_channel_map(proposal.text)
    assert chart.driver == "Ada: Quill #1"
    assert set(chart.channels) == {"speed", "throttle", "brake_pressure", "yaw_rate", "gear"}
    assert all("# sure:" in line for line in proposal.text.splitlines() if line.startswith(("  ", "time")))
    assert "Columns that are not used" in proposal.text
    with_map = load_log(path, save(tmp_path, proposal.text, "map.yaml"))
    without = load_log(path)
    assert set(with_map.signals) == set(without.signals)
    for name, signal in without.signals.items():
        assert np.array_equal(with_map.signals[name].values, signal.values)
        assert np.array_equal(with_map.signals[name].t, signal.t)


def test_what_was_taken_is_told(tmp_path):
    log = load_log(save(tmp_path, table({**plain(), "Oil temp [C]": drive().t})))
    text = " ".join(map(str, log.notices))
    assert "speed from Speed [km/h] (km/h)" in text and "not used: Oil temp [C]" in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"Speed": lambda d: d.speed * 3.6}, "guessed from the values"),
        (
            {"Car Speed [km/h]": lambda d: d.speed * 3.6, "GPS Speed [km/h]": lambda d: d.speed * 3.6},
            "it may as well be",
        ),
        (
            {"Speed [km/h]": lambda d: d.speed * 3.6, "Steering": lambda d: np.degrees(d.wheel)},
            "guessed from the values",
        ),
        ({"Mean speed channel two [km/h]": lambda d: d.speed * 3.6}, "part of the title"),
        ({"Speed [km/h]": lambda d: d.speed * 3.6, "Brake": lambda d: d.pressure / 1e5}, "guessed"),
        ({"Speed [km/h]": lambda d: d.speed * 36.0}, "cannot be true"),
    ],
)
def test_doubts_stop_and_are_placed(tmp_path, change, words):
    made = drive()
    path = save(
        tmp_path, table({"Time [s]": made.t, **{title: make(made) for title, make in change.items()}})
    )
    assert not propose_map(path).sure
    with pytest.raises(InputError) as error:
        load_log(path)
    first, last = error.value.faults[0], error.value.faults[-1]
    assert words in first.message
    assert (first.line, first.column > 9) == (1, True)
    assert "--write-map" in last.message and "--map" in last.message


def test_a_doubtful_proposal_says_so_on_its_line(tmp_path):
    made = drive()
    proposal = propose_map(save(tmp_path, table({"Time [s]": made.t, "Speed": made.speed * 3.6})))
    line = next(line for line in proposal.text.splitlines() if line.startswith("  speed"))
    assert "IN DOUBT" in line and "km/h" in line
    assert read_channel_map(proposal.text).channels["speed"].unit == "km/h"


@pytest.mark.parametrize(("factor", "unit"), [(1.0, "m/s"), (3.6, "km/h")])
def test_the_likeliest_unit_is_guessed(tmp_path, factor, unit):
    made = drive()
    proposal = propose_map(save(tmp_path, table({"Time [s]": made.t, "Speed": made.speed * factor})))
    assert proposal.entries[0].unit.name == unit and not proposal.sure


def test_a_rising_time_goes_before_one_that_starts_anew_every_lap(tmp_path):
    made = drive()
    columns = {"Lap Time [s]": made.t % 10.0, "Time [s]": made.t, "Speed [km/h]": made.speed * 3.6}
    assert propose_map(save(tmp_path, table(columns))).time.title.text == "Time [s]"


def test_of_two_columns_of_one_title_the_number_is_written(tmp_path):
    made = drive()
    lines = table(plain(made)).splitlines()
    text = "\n".join([lines[0] + ",Speed [km/h]", *(line + ",1" for line in lines[1:])])
    proposal = propose_map(save(tmp_path, text))
    assert "speed: {column: 2," in proposal.text
    path = save(tmp_path, proposal.text, "map.yaml")
    assert np.allclose(load_log(save(tmp_path, text), path).signals["speed"].values, made.speed, atol=1e-6)


def test_no_speed_and_no_time_are_both_told(tmp_path):
    made = drive()
    path = save(tmp_path, table({"Throttle [%]": made.throttle * 100.0, "Oil temp [C]": made.t}))
    with pytest.raises(InputError) as error:
        load_log(path)
    text = str(error.value)
    assert "to be the time" in text and "to be the speed" in text


@pytest.mark.parametrize("title", ["#", "- x", "a: b", "'", '"', "ü – 速度", "{}", "!tag", "*a", "\\n"])
def test_any_title_goes_into_the_proposal_and_back(tmp_path, title):
    made = drive()
    columns = {
        "Time [s]": made.t,
        "Speed [km/h]": made.speed * 3.6,
        title: made.speed,
        title + " Throttle [%]": made.throttle * 100.0,
    }
    proposal = propose_map(save(tmp_path, table(columns, separator="\t")))
    assert read_channel_map(proposal.text).channels["speed"].column.text == "Speed [km/h]"
