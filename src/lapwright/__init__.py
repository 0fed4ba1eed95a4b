"""A reference lap: where this car on this circuit brakes, how hard, and where the throttle comes back."""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "load_track": "lapwright.inputs.files",
    "load_vehicle": "lapwright.inputs.files",
    "solve_baseline": "lapwright.baseline.solve",
    "solve_lap": "lapwright.reference.solve",
    "LapOptions": "lapwright.reference.solve",
    "EndState": "lapwright.problem.lap",
    "keep": "lapwright.reference.kept",
    "load_log": "lapwright.inputs.log_file",
    "session_of": "lapwright.driver.sessions",
    "compare": "lapwright.driver.compare",
    "make_balance": "lapwright.study.make",
    "BalanceOptions": "lapwright.study.make",
    "load_study": "lapwright.inputs.study_file",
    "sweep": "lapwright.study.run",
    "make_card": "lapwright.corner.card",
    "make_booklet": "lapwright.corner.card",
}
"""Public names and the modules they live in; fetched on first use, so that a plain import stays quick."""

__all__ = [
    "BalanceOptions",
    "EndState",
    "LapOptions",
    "compare",
    "keep",
    "load_log",
    "load_study",
    "load_track",
    "load_vehicle",
    "make_balance",
    "make_booklet",
    "make_card",
    "session_of",
    "solve_baseline",
    "solve_lap",
    "sweep",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'lapwright' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
