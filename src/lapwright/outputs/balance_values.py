"""Single values of the record of a balance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from lapwright.lap.spans import leaves
from lapwright.study.balance import Balance
from lapwright.study.numbers import SetupNumber


def number(value: float | None, decimals: int) -> float | None:
    """A rounded number without a minus before a zero; None for what is not known."""
    return None if value is None or not math.isfinite(value) else round(float(value), decimals) + 0.0


def station(place: float | None, balance: Balance) -> float | None:
    """A station [m] that may run on past the line, in the lap."""
    if place is None:
        return None
    lap = balance.known.lap
    first, length = float(lap.s[0]), float(lap.s[-1] - lap.s[0])
    return number(first + (place - first) % length if lap.closed else place, 1)


def number_record(one: SetupNumber) -> dict[str, Any]:
    """Which number of the car."""
    return {"key": one.key, "words": one.words, "unit": one.unit}


def parts_record(parts: Sequence[float], balance: Balance) -> list[dict[str, Any]]:
    """Seconds by piece of the lap, in driving order; ``phase`` is empty for a straight and for a corner in one piece."""
    return [
        {
            "kind": span.kind,
            "name": span.name,
            "phase": "" if leaf is span else leaf.name,
            "change_s": number(value, 6),
        }
        for (span, leaf), value in zip(leaves(balance.spans), parts, strict=True)
    ]
