"""Logs for the tests: an invented drive, written as loggers of many kinds write theirs."""

from dataclasses import dataclass

import numpy as np

RATE = 20.0
"""Rows a second."""


@dataclass(frozen=True)
class Drive:
    """An invented drive that keeps turning left and right; SI units, left positive."""

    t: np.ndarray
    speed: np.ndarray
    yaw_rate: np.ndarray
    x: np.ndarray
    y: np.ndarray
    throttle: np.ndarray
    pressure: np.ndarray
    wheel: np.ndarray
    accel_long: np.ndarray
    accel_lat: np.ndarray


def drive(seconds=40.0, rate=RATE):
    """Channels from closed forms: speed a sine, yaw rate a sine, places their integral."""
    t = np.arange(round(seconds * rate)) / rate
    slow = 2.0 * np.pi / 13.0
    speed = 35.0 + 12.0 * np.sin(slow * t)
    accel = 12.0 * slow * np.cos(slow * t)
    yaw_rate = 0.05 + 0.3 * np.sin(2.0 * np.pi / 9.0 * t)
    course = np.concatenate([[0.0], np.cumsum(0.5 * (yaw_rate[1:] + yaw_rate[:-1]) / rate)])
    x = np.concatenate([[0.0], np.cumsum((speed * np.cos(course))[:-1] / rate)])
    y = np.concatenate([[0.0], np.cumsum((speed * np.sin(course))[:-1] / rate)])
    return Drive(
        t=t,
        speed=speed,
        yaw_rate=yaw_rate,
        x=x,
        y=y,
        throttle=np.clip(accel / 5.0, 0.0, 1.0),
        pressure=1e5 * np.clip(-10.0 * accel, 0.0, None),
        wheel=14.0 * 2.6 * yaw_rate / speed,
        accel_long=accel,
        accel_lat=speed * yaw_rate,
    )


def table(columns, separator=",", decimal=".", before=(), units=None, end="\n"):
    """Text of a table: ``columns`` are title -> cells (numbers are written with six decimals, text as it is)."""
    titles = list(columns)
    rows = [separator.join(titles)]
    if units is not None:
        rows.append(separator.join(units))
    for cells in zip(*columns.values(), strict=True):
        rows.append(
            separator.join(cell if isinstance(cell, str) else number(cell, decimal) for cell in cells)
        )
    return end.join([*before, *rows]) + end


def number(value, decimal="."):
    """A number with six decimals; an empty cell for NaN."""
    return "" if np.isnan(value) else f"{value:.6f}".replace(".", decimal)


def plain(made=None):
    """Columns that are recognised beyond doubt."""
    made = made or drive()
    return {
        "Time [s]": made.t,
        "Speed [km/h]": made.speed * 3.6,
        "Throttle [%]": made.throttle * 100.0,
        "Brake pressure [bar]": made.pressure / 1e5,
    }


def save(folder, text, name="log.csv", encoding="utf-8"):
    """A file with that text."""
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path
