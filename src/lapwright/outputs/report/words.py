"""Numbers and sentences of a report, from its record alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lapwright.outputs.words import lap_time

NONE = "-"
"""Stands for what is not known or did not happen."""


def seconds(value: float | None, decimals: int = 2, sign: bool = False) -> str:
    """A duration [s], e.g. "0.21 s"; with ``sign`` "+0.21 s" for a loss."""
    if value is None:
        return NONE
    shown = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    return f"{_plain_nought(shown)} s"


def number(value: float | None, unit: str = "", decimals: int = 0) -> str:
    """A number with its unit."""
    if value is None:
        return NONE
    return f"{_plain_nought(f'{value:.{decimals}f}')}{' ' if unit else ''}{unit}"


def _plain_nought(shown: str) -> str:
    """Nothing has no sign."""
    return shown if shown.strip("+-0.") else shown.lstrip("+-")


def time_words(value: float | None) -> str:
    """A lap time, e.g. "1:29.612"."""
    return NONE if value is None else lap_time(value)


def headline(driver: Mapping[str, Any], record: Mapping[str, Any]) -> str:
    """Whose lap it is, against what."""
    whole = "lap" if record["track"]["closed"] else "run"
    reference = record["reference"]["lap_time_s"]
    return f"{whole.capitalize()} {driver['lap']}: {time_words(driver['lap_time_s'])}; reference {time_words(reference)}"


def split_words(driver: Mapping[str, Any]) -> str:
    """How the difference is made up."""
    if driver["line_s"] is None:
        return f"How much of it is the line is not said: {driver['line_words']}"
    line, inputs = seconds(driver["line_s"], sign=True), seconds(driver["inputs_s"], sign=True)
    return f"{line} the line, {inputs} pedals and wheel on that line"


def stretch_words(part: Mapping[str, Any]) -> str:
    """From where to where a part runs."""
    return f"{part['start_m']:.0f} to {part['end_m']:.0f} m"


def priced_words(finding: Mapping[str, Any]) -> str:
    """How the worth of a finding was found."""
    if finding["off_road"]:
        return "the reference cannot do this and stay on the road"
    return {"solved": "imposed on the reference and solved", "first order": "estimated to first order"}.get(
        str(finding["priced"]), str(finding["priced"])
    )


def worth_words(finding: Mapping[str, Any]) -> str:
    """What a finding costs."""
    return "off the road" if finding["off_road"] and finding["loss_s"] is None else seconds(finding["loss_s"])
