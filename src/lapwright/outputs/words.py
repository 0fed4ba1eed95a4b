"""Numbers as a driver reads them."""

from __future__ import annotations

import unicodedata

from lapwright.lap.corners import CornerReport, nearest_landmark
from lapwright.lap.landmarks import LandmarkFix
from lapwright.lap.lap import Lap

LANDMARK_REACH = 60.0
"""A landmark farther from brake-on than this [m] is of no use at speed and is not named."""


def lap_time(seconds: float) -> str:
    """Seconds as m:ss.mmm, below a minute as s.mmm s; rounded once, so 59.9996 is 1:00.000."""
    thousandths = round(abs(seconds) * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    sign = "-" if seconds < 0 and thousandths else ""
    if minutes:
        return f"{sign}{minutes}:{rest // 1000:02d}.{rest % 1000:03d}"
    return f"{sign}{rest // 1000}.{rest % 1000:03d} s"


def lap_heading(lap: Lap) -> str:
    """Whose lap it is and its time, e.g. "Reference lap 1:27.569" or "Quasi-steady time 61.240 s"."""
    whose = "Quasi-steady" if lap.kind == "baseline" else "Reference"
    return f"{whose} {'lap' if lap.closed else 'time'} {lap_time(lap.time)}"


def ascii_only(text: str) -> str:
    """Text without its accents, and a question mark for what has no plain form."""
    plain = unicodedata.normalize("NFKD", text)
    return (
        "".join(c for c in plain if not unicodedata.combining(c)).encode("ascii", "replace").decode("ascii")
    )


def landmark_phrase(report: CornerReport) -> str:
    """Brake-on told by the nearest landmark, e.g. "12 m after 150 m board"; empty when none is near."""
    return fix_phrase(nearest_landmark(report))


def fix_phrase(fix: LandmarkFix | None) -> str:
    """A place told by a landmark, e.g. "12 m after 150 m board"; empty when it is too far to be of use."""
    if fix is None or abs(fix.distance) > LANDMARK_REACH:
        return ""
    metres = round(abs(fix.distance))
    if metres == 0:
        return f"at {fix.name}"
    return f"{metres} m {'after' if fix.distance > 0 else 'before'} {fix.name}"


def brake_on_phrase(report: CornerReport) -> str:
    """Brake-on in metres before the corner's start, or what the driver does in place of braking."""
    if report.brake_on_before_start is None:
        return f"with {report.shared_with}" if report.entry == "shared" else report.entry
    before = round(report.brake_on_before_start)
    return f"{before} m" if before >= 0 else f"{-before} m in"
