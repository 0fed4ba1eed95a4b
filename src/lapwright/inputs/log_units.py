"""Units that logs are written in, and what one of each is in SI."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from lapwright.quantities import DEG, KMH, RPM, G

MILE = 1609.344
"""Metres in a mile (NIST SP 811 (2008), appendix B.8)."""

KNOT = 1852.0 / 3600.0
"""m/s in a knot (NIST SP 811, B.8: a nautical mile is 1852 m)."""

PSI = 0.45359237 * G / 0.0254**2
"""Pascal in a pound-force on a square inch (NIST SP 811, B.8: the pound, the inch and g_n are exact)."""

FOOT = 0.3048


@dataclass(frozen=True)
class LogUnit:
    """A unit: our name, one of it in SI, other ways to write it (bare: lower case without blanks and signs)."""

    name: str
    si: float
    also: tuple[str, ...] = ()


SPEED = (
    LogUnit("km/h", 1.0 / KMH, ("kmh", "kph", "kmph", "kmperh")),
    LogUnit("m/s", 1.0, ("mps", "ms-1", "msec")),
    LogUnit("mph", MILE / 3600.0, ("mi/h", "mileh", "miles/h")),
    LogUnit("kn", KNOT, ("knot", "knots", "kt", "kts")),
)
ANGLE = (
    LogUnit("deg", DEG, ("degree", "degrees", "grad", "gradi", "degre", "degres")),
    LogUnit("rad", 1.0, ("radian", "radians")),
)
ANGLE_RATE = (
    LogUnit("deg/s", DEG, ("dps", "degs", "degrees/s", "deg/sec")),
    LogUnit("rad/s", 1.0, ("rads", "radps", "rad/sec")),
)
TURNS = (
    LogUnit("rpm", RPM, ("1/min", "r/min", "u/min", "min-1", "revs/min", "tr/min", "giri/min", "tours/min")),
    LogUnit("rad/s", 1.0, ("rads", "radps", "rad/sec")),
)
ACCELERATION = (
    LogUnit("g", G, ("gn", "gee")),
    LogUnit("m/s2", 1.0, ("mps2", "ms-2", "m/s/s", "m/sec2", "ms2")),
)
PRESSURE = (
    LogUnit("bar", 1e5, ("bars", "barg")),
    LogUnit("psi", PSI, ("psig", "lbf/in2")),
    LogUnit("kPa", 1e3),
    LogUnit("MPa", 1e6),
    LogUnit("Pa", 1.0),
    LogUnit("mbar", 100.0, ("hpa",)),
)
SHARE = (
    LogUnit("%", 0.01, ("percent", "pct", "prozent", "pc")),
    LogUnit("share", 1.0, ("ratio", "0-1", "1")),
)
PEDAL = (*SHARE, LogUnit("switch", 1.0, ("bool", "boolean", "onoff", "on/off", "0/1")))
LENGTH = (
    LogUnit("m", 1.0, ("metre", "metres", "meter", "meters", "metri")),
    LogUnit("km", 1000.0),
    LogUnit("ft", FOOT, ("feet", "foot")),
    LogUnit("mi", MILE, ("mile", "miles")),
)
GLOBE = (
    LogUnit("deg", DEG, ("degree", "degrees", "decimaldegrees", "grad", "gradi")),
    LogUnit("rad", 1.0, ("radian", "radians")),
    LogUnit("min", DEG / 60.0, ("minutes", "arcmin", "minute")),
    LogUnit("1e-7 deg", DEG * 1e-7, ("deg*1e7", "dege7", "deg*1e-7", "e7", "degx1e7", "degx1e-7")),
    LogUnit("ddmm", DEG, ("ddmm.mm", "ddmm.mmmm", "dddmm.mmmm", "ddmm.mmmmm")),
)
TIME = (
    LogUnit("s", 1.0, ("sec", "secs", "second", "seconds", "sek")),
    LogUnit("ms", 1e-3, ("msec", "millisecond", "milliseconds")),
    LogUnit("us", 1e-6, ("usec", "microseconds")),
    LogUnit("ns", 1e-9, ("nanoseconds",)),
    LogUnit("min", 60.0, ("minutes",)),
    LogUnit("h:m:s", 1.0, ("hms", "hh:mm:ss", "hh:mm:ss.sss", "h:mm:ss", "mm:ss", "mm:ss.sss")),
)
COUNT = (LogUnit("count", 1.0, ("", "-", "no", "nr", "1", "#")),)

UNITS_OF: Mapping[str, tuple[LogUnit, ...]] = {
    "time": TIME,
    "speed": SPEED,
    "latitude": GLOBE,
    "longitude": GLOBE,
    "x": LENGTH,
    "y": LENGTH,
    "distance": LENGTH,
    "lap": COUNT,
    "beacon": COUNT,
    "brake": PEDAL,
    "brake_pressure": PRESSURE,
    "throttle": SHARE,
    "steering_wheel": ANGLE,
    "road_wheel": ANGLE,
    "accel_long": ACCELERATION,
    "accel_lat": ACCELERATION,
    "yaw_rate": ANGLE_RATE,
    "gear": COUNT,
    "engine_speed": TURNS,
}
"""Units in which each channel of a map may be written; the first is the usual one."""


def bare(text: str) -> str:
    """A unit without blanks, brackets, accents, powers and case: what spellings have in common."""
    text = text.replace("\u00b2", "2").replace("\u00b0", "deg").replace("\u00b5", "u").replace("\u00b7", "*")
    text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    return re.sub(r"[\s\[\](){}^_\"']", "", text).lower()


def unit_of(measure: str, text: str) -> LogUnit | None:
    """The unit of a channel that a file writes as ``text``; None when it is not one of that channel's."""
    wanted = bare(text)
    for unit in UNITS_OF[measure]:
        if wanted == bare(unit.name) or wanted in unit.also:
            return unit
    return None


def is_unit(text: str) -> bool:
    """Whether a cell of a table looks like a unit of any kind, known to a channel or not."""
    wanted = bare(text)
    if wanted in OTHERS:
        return True
    return any(
        wanted == bare(unit.name) or (wanted and wanted in unit.also)
        for units in UNITS_OF.values()
        for unit in units
    )


_OTHERS = (
    "-|c|degc|degf|f|k|v|volt|volts|mv|a|hz|n|nm|kw|hp|l|kg|kg/h|mm|cm|in|inch|mm/s|sats|bool|lambda|l/h|w|db|raw|"
    "none|n/a|unit|units|hh:mm:ss|string|text|lap|nr|no|#|1|deg/sec|m/s^3|kpa|date|utc|gear"
)
OTHERS = frozenset(_OTHERS.split("|"))
"""Other cells that stand in a row of units."""
