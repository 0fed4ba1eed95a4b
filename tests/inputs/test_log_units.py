"""Units of logs against published factors, and channels in each of their units."""

import math

import numpy as np
import pytest
from made_tables import drive, plain, save, table

from lapwright.inputs.log_file import load_log
from lapwright.inputs.log_ranges import in_si
from lapwright.inputs.log_units import UNITS_OF, unit_of

# NIST Special Publication 811 (2008 edition), appendix B.8, factors to seven digits (those in bold there are exact).
NIST = [
    ("speed", "mph", 4.470400e-01),
    ("speed", "km/h", 2.777778e-01),
    ("speed", "kn", 5.144444e-01),
    ("brake_pressure", "psi", 6.894757e03),
    ("brake_pressure", "bar", 1.0e05),
    ("brake_pressure", "kPa", 1.0e03),
    ("brake_pressure", "mbar", 1.0e02),
    ("accel_lat", "g", 9.806650e00),
    ("steering_wheel", "deg", 1.745329e-02),
    ("latitude", "min", 2.908882e-04),
    ("engine_speed", "rpm", 1.047198e-01),
    ("distance", "mi", 1.609344e03),
    ("distance", "ft", 3.048000e-01),
]


@pytest.mark.parametrize(("measure", "name", "factor"), NIST)
def test_factors(measure, name, factor):
    assert unit_of(measure, name).si == pytest.approx(factor, rel=5e-7)


@pytest.mark.parametrize(
    ("measure", "written", "name"),
    [
        ("speed", "km/h", "km/h"), ("speed", "KPH", "km/h"), ("speed", " kmh ", "km/h"), ("speed", "Knots", "kn"),
        ("speed", "m s^-1", "m/s"), ("accel_lat", "m/s²", "m/s2"), ("accel_lat", "G", "g"), ("accel_lat", "m/s^2", "m/s2"),
        ("steering_wheel", "°", "deg"), ("yaw_rate", "°/s", "deg/s"), ("engine_speed", "1/min", "rpm"),
        ("engine_speed", "min^-1", "rpm"), ("throttle", "%", "%"), ("brake_pressure", "BAR", "bar"), ("time", "Sec", "s"),
        ("longitude", "deg*1e7", "1e-7 deg"), ("longitude", "DegE7", "1e-7 deg"),
    ],
)  # fmt: skip
def test_spellings(measure, written, name):
    assert unit_of(measure, written).name == name


def test_a_unit_of_another_quantity_is_none():
    assert unit_of("speed", "bar") is None
    assert unit_of("brake_pressure", "%") is None


def test_every_unit_is_known_by_its_own_name_and_no_spelling_means_two():
    for measure, units in UNITS_OF.items():
        for unit in units:
            assert unit_of(measure, unit.name) is unit
            for spelling in unit.also:
                assert unit_of(measure, spelling) is unit, (measure, spelling)


def test_degrees_with_minutes_in_the_last_digits():
    # NMEA 0183 writes latitude as ddmm.mmmm: 4807.038 is 48 degrees 07.038 minutes (from memory).
    unit = unit_of("latitude", "ddmm")
    assert np.degrees(in_si(np.array([4807.038, -4807.038]), unit)) == pytest.approx(
        [48 + 7.038 / 60, -48 - 7.038 / 60]
    )


@pytest.mark.parametrize("unit", ["km/h", "m/s", "mph", "kn"])
def test_speed_in_each_unit(tmp_path, unit):
    made = drive()
    factor = {"km/h": 3.6, "m/s": 1.0, "mph": 3600 / 1609.344, "kn": 3600 / 1852}[unit]
    columns = {"Time [s]": made.t, f"Speed [{unit}]": made.speed * factor}
    log = load_log(save(tmp_path, table(columns)))
    assert np.allclose(log.signals["speed"].values, made.speed, atol=1e-6)


@pytest.mark.parametrize(
    ("unit", "pascal"), [("bar", 1e5), ("psi", 6894.757), ("kPa", 1e3), ("MPa", 1e6), ("Pa", 1.0)]
)
def test_pressure_in_each_unit(tmp_path, unit, pascal):
    made = drive()
    columns = {**plain(made), "Brake pressure [bar]": made.pressure / 1e5}
    del columns["Brake pressure [bar]"]
    columns[f"Brake pressure [{unit}]"] = made.pressure / pascal
    log = load_log(save(tmp_path, table(columns)))
    assert np.allclose(log.signals["brake_pressure"].values, made.pressure, rtol=1e-6, atol=1.0)


@pytest.mark.parametrize(
    ("unit", "write"),
    [
        ("deg", lambda angle: f"{angle:.9f}"),
        ("rad", lambda angle: f"{math.radians(angle):.12f}"),
        ("min", lambda angle: f"{60 * angle:.8f}"),
        ("1e-7 deg", lambda angle: f"{1e7 * angle:.0f}"),
        ("ddmm", lambda angle: f"{math.copysign(int(abs(angle)) * 100 + abs(angle) % 1 * 60, angle):.8f}"),
    ],
)
def test_places_in_each_unit(tmp_path, unit, write):
    made = drive()
    latitude, longitude = 47.0 + made.y / 111e3, -24.0 + made.x / 76e3
    columns = {**plain(made)}
    degrees = load_log(
        save(
            tmp_path,
            table(
                {
                    **columns,
                    "Latitude [deg]": [f"{a:.9f}" for a in latitude],
                    "Longitude [deg]": [f"{a:.9f}" for a in longitude],
                }
            ),
        )
    )
    columns |= {
        f"Latitude [{unit}]": [write(a) for a in latitude],
        f"Longitude [{unit}]": [write(a) for a in longitude],
    }
    log = load_log(save(tmp_path, table(columns)))
    assert log.geographic
    # 1e-7 degrees are 11 mm.
    assert np.allclose(log.signals["x"].values, degrees.signals["x"].values, atol=0.012)
    assert np.allclose(log.signals["y"].values, degrees.signals["y"].values, atol=0.012)


def test_shares_of_pedals(tmp_path):
    made = drive()
    for title, factor in (
        ("Throttle [%]", 100.0),
        ("Throttle", 100.0),
        ("Throttle", 1.0),
        ("Throttle [share]", 1.0),
    ):
        columns = plain(made)
        del columns["Throttle [%]"]
        log = load_log(save(tmp_path, table({**columns, title: made.throttle * factor})))
        assert np.allclose(log.signals["throttle"].values, made.throttle, atol=1e-6)
