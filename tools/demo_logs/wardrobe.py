"""Which drive goes out in which clothes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from demo_logs.dress import READ, Column, Sheet, write_gpx, write_mdf, write_sheet
from demo_logs.sensors import Sensed

Write = Callable[[Path, Sensed], None]


@dataclass(frozen=True)
class Dressed:
    """One file of examples/logs.

    Attributes
    ----------
    file, driver : name of the file, key of the driver
    rate : samples a second [Hz]
    words : what is particular about it
    write : makes it
    """

    file: str
    driver: str
    rate: float
    words: str
    write: Write


def _column(title: str, unit: str, decimals: int, what: str, every: int = 1) -> Column:
    return Column(title, unit, decimals, READ[what], every)


def _sheet(sheet: Sheet) -> Write:
    return lambda path, sensed: write_sheet(path, sensed, sheet)


def _plain(every: int) -> tuple[Column, ...]:
    """Everything a well-equipped car has, places once in ``every`` rows."""
    return (
        _column("Speed", "km/h", 2, "km/h"),
        _column("Brake pressure", "bar", 2, "bar"),
        _column("Throttle", "%", 1, "throttle %"),
        _column("Steering wheel", "deg", 1, "wheel deg"),
        _column("Accel long", "g", 3, "long g"),
        _column("Accel lat", "g", 3, "lat g"),
        _column("Yaw rate", "deg/s", 2, "yaw deg/s"),
        _column("Gear", "", 0, "gear"),
        _column("Latitude", "deg", 8, "latitude", every),
        _column("Longitude", "deg", 8, "longitude", every),
    )


FILES = (
    Dressed(
        "halloran-session.csv", "halloran", 20.0,
        "a session: out-lap, four timed laps, in-lap; units in brackets, places every second row",
        _sheet(Sheet(
            (
                _column("Lap", "", 0, "lap"),
                _column("Speed", "km/h", 2, "km/h"),
                _column("Brake pressure", "bar", 2, "bar"),
                _column("Throttle", "%", 1, "throttle %"),
                _column("Steering wheel", "deg", 1, "wheel deg"),
                _column("Accel lat", "g", 3, "lat g"),
                _column("Yaw rate", "deg/s", 2, "yaw deg/s"),
                _column("Latitude", "deg", 8, "latitude", 2),
                _column("Longitude", "deg", 8, "longitude", 2),
            ),
            preamble=("Driver,Ines Halloran (invented)", "Circuit,Marrow Fen (invented)"),
        )),
    ),
    Dressed(
        "halloran-speed-only.csv", "halloran", 20.0, "the same session with nothing but the speed and a lap counter",
        _sheet(Sheet((_column("Lap", "", 0, "lap"), _column("Speed", "km/h", 2, "km/h")))),
    ),
    Dressed(
        "wren-lap.csv", "wren", 50.0, "one lap and a little before and after; units in brackets",
        _sheet(Sheet(_plain(5), preamble=("# driver: Tobias Wren (invented)",))),
    ),
    Dressed(
        "wren-lap-semicolons.csv", "wren", 50.0,
        "the same lap: semicolons, decimal commas, Latin-1, a preamble, a row of units, German titles, time as h:m:s, "
        "steering positive to the right",
        _sheet(Sheet(
            (
                _column("Geschwindigkeit", "km/h", 2, "km/h"),
                _column("Bremsdruck", "bar", 2, "bar"),
                _column("Gaspedal", "%", 1, "throttle %"),
                _column("Lenkradwinkel", "°", 1, "wheel deg right"),
                _column("Querbeschleunigung", "m/s²", 2, "lat m/s2"),
                _column("Gierrate", "°/s", 2, "yaw deg/s"),
                _column("Breite", "°", 8, "latitude", 5),
                _column("Länge", "°", 8, "longitude", 5),
            ),
            time="Zeit", time_unit="h:m:s", between=";", point=",", encoding="latin-1", units="row",
            preamble=("Fahrer;Tobias Wren (erfunden)", "Strecke;Marrow Fen (erfunden)", "Reifen;Slick, 1,9 bar", ""),
        )),
    ),
    Dressed(
        "wren-lap-tabs.txt", "wren", 50.0,
        "the same lap: UTF-16 with tabs, three sample rates in one table, rows written twice, 0.6 s missing on the straight",
        _sheet(Sheet(
            (
                _column("Speed", "m/s", 3, "m/s"),
                _column("Brake pressure", "bar", 2, "bar", 2),
                _column("Throttle", "%", 1, "throttle %", 2),
                _column("Steering wheel", "deg", 1, "wheel deg", 2),
                _column("Yaw rate", "deg/s", 2, "yaw deg/s", 2),
                _column("Latitude", "deg", 8, "latitude", 5),
                _column("Longitude", "deg", 8, "longitude", 5),
            ),
            between="\t", encoding="utf-16", repeat=97, gap=(8.5, 9.1),
        )),
    ),
    Dressed(
        "wren-lap.mf4", "wren", 50.0, "the same lap as ASAM MDF 4: two groups, two rates",
        write_mdf,
    ),
    Dressed(
        "osei-two-laps.csv", "osei", 50.0, "two laps: places in the circuit's own metres, mph, psi, time in milliseconds",
        _sheet(Sheet(
            (
                _column("Lap", "", 0, "lap"),
                _column("Speed", "mph", 2, "mph"),
                _column("Brake pressure", "psi", 1, "psi"),
                _column("Throttle", "%", 1, "throttle %"),
                _column("Steering wheel", "deg", 1, "wheel deg"),
                _column("Yaw rate", "deg/s", 2, "yaw deg/s"),
                _column("Gear", "", 0, "gear"),
                _column("x", "m", 2, "x", 5),
                _column("y", "m", 2, "y", 5),
            ),
            time_unit="ms", preamble=("Driver,Marit Osei (invented)",),
        )),
    ),
    Dressed(
        "osei-two-laps-switch.csv", "osei", 25.0, "the same two laps: the brake is a switch, no steering",
        _sheet(Sheet(
            (
                _column("Speed", "km/h", 2, "km/h"),
                _column("Brake", "on/off", 0, "switch"),
                _column("Throttle", "%", 1, "throttle %"),
                _column("Latitude", "deg", 8, "latitude", 2),
                _column("Longitude", "deg", 8, "longitude", 2),
            ),
        )),
    ),
    Dressed(
        "osei-two-laps-no-place.csv", "osei", 50.0, "the same two laps: no place, but distance and a lap counter",
        _sheet(Sheet(
            (
                _column("Lap", "", 0, "lap"),
                _column("Distance", "m", 2, "distance"),
                _column("Speed", "km/h", 2, "km/h"),
                _column("Brake pressure", "bar", 2, "bar"),
                _column("Throttle", "%", 1, "throttle %"),
                _column("Steering wheel", "deg", 1, "wheel deg"),
            ),
        )),
    ),
    Dressed(
        "castellane-lap.csv", "castellane", 50.0, "one lap and a little before and after; units in brackets",
        _sheet(Sheet(_plain(5), preamble=("Driver,Pim Castellane (invented)",))),
    ),
    Dressed(
        "castellane-lap.gpx", "castellane", 10.0, "the same lap as GPX 1.1: places and times, nothing else",
        lambda path, sensed: write_gpx(path, sensed, "Pim Castellane", 1),
    ),
)  # fmt: skip
"""Everything that is made from a drive; ``reference-lap.csv`` is made from the reference itself."""

EXACT_FILE = "reference-lap.csv"
"""The reference lap as a log."""

EXACT = Sheet(
    (
        _column("Speed", "m/s", 4, "m/s"),
        _column("Brake pressure", "bar", 3, "bar"),
        _column("Throttle", "%", 2, "throttle %"),
        _column("Steering wheel", "deg", 2, "wheel deg"),
        _column("Accel long", "m/s2", 3, "long m/s2"),
        _column("Accel lat", "m/s2", 3, "lat m/s2"),
        _column("Yaw rate", "deg/s", 3, "yaw deg/s"),
        _column("Gear", "", 0, "gear"),
        _column("x", "m", 3, "x"),
        _column("y", "m", 3, "y"),
    ),
    time_decimals=6,
)
"""Clothes of the reference lap, which has no errors."""
