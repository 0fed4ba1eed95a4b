"""Constants and the unit conversions used where files and people meet SI."""

from __future__ import annotations

import math

G = 9.80665
"""Standard acceleration of free fall [m/s2] (ISO 80000-3; CGPM 1901)."""

KMH = 3.6
"""km/h in one m/s."""

DEG = math.pi / 180.0
"""Radians in one degree."""

RPM = math.pi / 30.0
"""rad/s in one revolution a minute."""

CAUTION = (
    "A model's answer, not a promise: the real car, road and weather differ from the files. Build up to every "
    "brake point in steps; the circuit's rules and qualified instruction come first."
)
"""Printed wherever a target is shown."""
