"""The same drive in the clothes of many loggers: what a column is called, its unit, its sign, and how the file is written."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from demo_logs.globe import latitude_longitude
from demo_logs.sensors import Sensed

from lapwright.lap.lap import Array
from lapwright.quantities import DEG, KMH, RPM, G

MPH, PSI = 0.44704, 6894.757293168
"""Exact mile per hour [m/s] and pound-force per square inch [Pa] (NIST SP 811, appendix B.8)."""

BAR, PERCENT = 1e5, 100.0
SWITCH = 2e5
"""Pressure [Pa] from which a brake-light switch closes."""


@dataclass(frozen=True)
class Column:
    """One column: its ``title``, its ``unit`` (with the decimals to write), what it holds, and how often."""

    title: str
    unit: str
    decimals: int
    read: Callable[[Sensed], Array]
    every: int = 1


def _latitude(sensed: Sensed) -> Array:
    return latitude_longitude(sensed.x, sensed.y)[0]


def _longitude(sensed: Sensed) -> Array:
    return latitude_longitude(sensed.x, sensed.y)[1]


def _switch(sensed: Sensed) -> Array:
    return (sensed.pressure > SWITCH).astype(float)


READ: Mapping[str, Callable[[Sensed], Array]] = {
    "km/h": lambda d: d.speed * KMH,
    "m/s": lambda d: d.speed,
    "mph": lambda d: d.speed / MPH,
    "bar": lambda d: d.pressure / BAR,
    "psi": lambda d: d.pressure / PSI,
    "switch": _switch,
    "throttle %": lambda d: d.throttle * PERCENT,
    "throttle": lambda d: d.throttle,
    "wheel deg": lambda d: d.wheel / DEG,
    "wheel deg right": lambda d: -d.wheel / DEG,
    "long g": lambda d: d.accel_long / G,
    "lat g": lambda d: d.accel_lat / G,
    "long m/s2": lambda d: d.accel_long,
    "lat m/s2": lambda d: d.accel_lat,
    "yaw deg/s": lambda d: d.yaw_rate / DEG,
    "gear": lambda d: d.gear,
    "rpm": lambda d: d.engine_speed / RPM,
    "latitude": _latitude,
    "longitude": _longitude,
    "x": lambda d: d.x,
    "y": lambda d: d.y,
    "distance": lambda d: d.distance,
    "lap": lambda d: d.laps,
}
"""Channels by what they are written in."""


def clock(seconds: float) -> str:
    """Seconds as h:m:s.mmm, from an invented quarter past two in the afternoon."""
    milliseconds = round((14 * 3600 + 15 * 60 + seconds) * 1000.0)
    hours, rest = divmod(milliseconds, 3_600_000)
    minutes, rest = divmod(rest, 60_000)
    return f"{hours}:{minutes:02d}:{rest // 1000:02d}.{rest % 1000:03d}"


@dataclass(frozen=True)
class Sheet:
    """How a table is written.

    Attributes
    ----------
    columns : after the time
    time : title of the time, ``time_unit`` "s", "ms" or "h:m:s"
    between, point : delimiter and decimal mark; encoding : of the file
    units : "brackets" in the titles, "row" of their own, or "" for none
    preamble : lines before the titles
    repeat : every so many rows one is written twice; None for never
    gap : from and to which time [s] rows are missing; None for none
    time_decimals : of the time in seconds
    """

    columns: Sequence[Column]
    time: str = "Time"
    time_unit: str = "s"
    between: str = ","
    point: str = "."
    encoding: str = "utf-8"
    units: str = "brackets"
    preamble: Sequence[str] = ()
    repeat: int | None = None
    gap: tuple[float, float] | None = None
    time_decimals: int = 3


def write_sheet(path: Path, sensed: Sensed, sheet: Sheet) -> None:
    """Write a drive as a table."""

    def number(value: float, decimals: int) -> str:
        text = f"{value:.{decimals}f}"
        text = text[1:] if float(text) == 0.0 and text.startswith("-") else text
        return text.replace(".", sheet.point)

    def time(value: float) -> str:
        if sheet.time_unit == "h:m:s":
            return clock(value).replace(".", sheet.point)
        if sheet.time_unit == "ms":
            return number(1000.0 * value, 0)
        return number(value, sheet.time_decimals)

    titles = [(sheet.time, sheet.time_unit)] + [(column.title, column.unit) for column in sheet.columns]
    lines = list(sheet.preamble)
    if sheet.units == "brackets":
        lines.append(sheet.between.join(f"{title} [{unit}]" if unit else title for title, unit in titles))
    else:
        lines.append(sheet.between.join(title for title, _ in titles))
        if sheet.units == "row":
            lines.append(sheet.between.join(unit for _, unit in titles))
    read = [column.read(sensed) for column in sheet.columns]
    for k, t in enumerate(sensed.t):
        if sheet.gap is not None and sheet.gap[0] < t < sheet.gap[1]:
            continue
        cells = [
            number(float(values[k]), column.decimals) if k % column.every == 0 else ""
            for column, values in zip(sheet.columns, read, strict=True)
        ]
        row = sheet.between.join([time(float(t)), *cells])
        lines += [row, row] if sheet.repeat is not None and k % sheet.repeat == sheet.repeat - 1 else [row]
    path.write_bytes(("\r\n".join(lines) + "\r\n").encode(sheet.encoding))


def write_gpx(path: Path, sensed: Sensed, name: str, every: int) -> None:
    """Places and times only, GPX 1.1 (the public schema of TopoGrafix), one point in ``every``."""
    latitude, longitude = _latitude(sensed), _longitude(sensed)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="lapwright, invented drive" xmlns="http://www.topografix.com/GPX/1/1">',
        f"  <trk><name>{name} (invented)</name><trkseg>",
    ]
    for k in range(0, sensed.t.size, every):
        stamp = clock(float(sensed.t[k])).rjust(12, "0")
        lines.append(
            f'    <trkpt lat="{latitude[k]:.8f}" lon="{longitude[k]:.8f}"><time>2031-05-04T{stamp}Z</time></trkpt>'
        )
    lines += ["  </trkseg></trk>", "</gpx>"]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_mdf(path: Path, sensed: Sensed) -> None:
    """ASAM MDF 4 by ``asammdf``: two groups of channels, the places at a fifth of the rate."""
    from datetime import UTC, datetime

    from asammdf import MDF, Signal

    def signal(title: str, unit: str, what: str, every: int = 1) -> object:
        return Signal(READ[what](sensed)[::every], sensed.t[::every], name=title, unit=unit)

    fast = [
        signal("Speed", "km/h", "km/h"),
        signal("Brake pressure", "bar", "bar"),
        signal("Throttle", "%", "throttle %"),
        signal("Steering wheel", "deg", "wheel deg"),
        signal("Yaw rate", "deg/s", "yaw deg/s"),
        signal("Gear", "", "gear"),
    ]
    slow = [signal("Latitude", "deg", "latitude", 5), signal("Longitude", "deg", "longitude", 5)]
    with MDF(version="4.10") as file:
        file.start_time = datetime(2031, 5, 4, 14, 15, tzinfo=UTC)
        file.append(fast, comment="car, invented drive")
        file.append(slow, comment="places, invented drive")
        file.save(path, overwrite=True, compression=2)
