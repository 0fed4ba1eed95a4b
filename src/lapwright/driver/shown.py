"""One number of a car as a log shows it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Shown:
    """One number of the car as the log shows it.

    Attributes
    ----------
    value : over that of the file [-]; NaN when it was not seen
    error : its standard error
    kind : "seen", "at least" or "not seen"
    count : corners, or independent rows, that it rests on
    where : names of the corners that showed most
    words : in a sentence
    """

    value: float
    error: float
    kind: str
    count: int
    where: tuple[str, ...]
    words: str

    @property
    def seen(self) -> bool:
        """Whether anything is told."""
        return self.kind != "not seen"

    def record(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "scale": _number(self.value, 4),
            "error": _number(self.error, 4),
            "kind": self.kind,
            "count": self.count,
            "where": list(self.where),
            "words": self.words,
        }


def _number(value: float, decimals: int) -> float | None:
    return round(float(value), decimals) if np.isfinite(value) else None


def unseen(words: str) -> Shown:
    """Nothing, and why."""
    return Shown(float("nan"), float("nan"), "not seen", 0, (), words)


def percent_words(value: float, error: float) -> str:
    """A scale as a change of the file's number."""
    return f"{100.0 * (value - 1.0):+.1f} % of the file's (+- {100.0 * error:.1f})"
