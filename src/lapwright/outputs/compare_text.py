"""A comparison on the terminal: what to try next, where the time is, and why."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from lapwright.outputs.words import ascii_only, lap_time

CORNER_WIDTH = 12


def compare_terminal(record: Mapping[str, Any], width: int = 120) -> str:
    """The text of a comparison, driver by driver.

    Parameters
    ----------
    record
        From ``compare_record``.
    width
        Characters in a line at most.
    """
    head = f"{record['track']['name']} - {record['vehicle']['name']}"
    lines = [head, f"Reference  {lap_time(record['reference']['lap_time_s'])}" + _margin(record["reference"])]
    for driver in record["drivers"]:
        lines += ["", *_driver(driver, width)]
    lines += ["", *textwrap.wrap(f"Caution: {record['caution']}", width)]
    return ascii_only("\n".join(lines))


def _margin(reference: Mapping[str, Any]) -> str:
    margin = reference["grip_margin"]
    return f"   with {100 * margin:g} % of the grip left unused" if margin else ""


def _driver(driver: Mapping[str, Any], width: int) -> list[str]:
    total = driver["difference_s"]
    name = driver["name"].removeprefix(f"Lap {driver['lap']}, ")
    line = f"{name}, lap {driver['lap']} of {driver['log']}: {lap_time(driver['lap_time_s'])}, {total:+.3f} s"
    lines = textwrap.wrap(line, width)
    if driver["line_s"] is not None:
        split = f"Of that the line {driver['line_s']:+.3f} s, pedals and wheel {driver['inputs_s']:+.3f} s"
        lines += textwrap.wrap(
            f"{split} (the optimum {driver['line_words']}; the line's share is rather too small).", width
        )
    fit = driver["fit"]
    if fit and fit.get("words"):
        lines += textwrap.wrap(fit["words"], width)
    lines += [line for words in driver["withheld"] for line in textwrap.wrap(f"Not told: {words}", width)]
    lines += ["", "Try this next"]
    lines += _tries(driver["try_next"], width)
    lines += ["", *_table(driver, width)]
    lines += _findings(driver, width)
    return lines


def _tries(tries: Sequence[Mapping[str, Any]], width: int) -> list[str]:
    if not tries:
        return ["  nothing that is worth a hundredth"]
    lines: list[str] = []
    for number, one in enumerate(tries, 1):
        text = f"{number}. {one['words']} - worth {one['worth_s']:.2f} s. {one['why']}."
        lines += textwrap.wrap(text, width, initial_indent="  ", subsequent_indent="     ")
    return lines


def _table(driver: Mapping[str, Any], width: int) -> list[str]:
    """One line a corner: what was lost there, phase by phase."""
    known = driver["line_s"] is not None
    corners = [part for part in driver["parts"] if part["kind"] == "corner"]
    wide = max([CORNER_WIDTH, *(len(part["name"]) for part in corners)])
    split = "    Line  Inputs" if known else ""
    lines = [
        f"{'Seconds':{wide}s}    Here    Made  Braking   Entry    Exit{split}",
        f"{'-' * wide}  ------  ------  -------  ------  ------{'  ------  ------' if known else ''}",
    ]
    for part in corners:
        phases = {phase["name"]: phase["caused_s"] for phase in part["phases"]}
        cells = [
            part["difference_s"],
            part["caused_s"],
            phases.get("braking", phases.get("lift")),
            phases.get("entry"),
            phases.get("exit"),
        ]
        widths = [6, 6, 7, 6, 6]
        if known:
            cells += [part["line_s"], part["inputs_s"]]
            widths += [6, 6]
        text = "  ".join(
            " " * w if value is None else f"{value:+{w}.2f}" for value, w in zip(cells, widths, strict=True)
        )
        lines.append(f"{part['name']:{wide}s}  {text}".rstrip())
    straights = [part for part in driver["parts"] if part["kind"] == "straight"]
    text = f"{sum(part['difference_s'] for part in straights):+6.2f}  {sum(part['caused_s'] for part in straights):+6.2f}"
    lines.append(f"{'straights':{wide}s}  {text}")
    lines += [
        "",
        *textwrap.wrap(
            "Here: lost between the first foot that moves for the corner and its end. Made: the same with the speed that is "
            "missing at the end priced by what it costs on the way on; the phases are told so too.",
            width,
        ),
    ]
    return lines


def _findings(driver: Mapping[str, Any], width: int) -> list[str]:
    lines: list[str] = []
    if driver["findings"]:
        lines += ["", "What costs time, the dearest first"]
        for one in driver["findings"]:
            price = "" if one["priced"] == "solved" else f" ({one['priced']})"
            text = f"{one['loss_s']:6.3f} s  {one['corner']}: {one['words']}{price}"
            lines += textwrap.wrap(text, width, subsequent_indent=" " * 10)
    if driver["along"]:
        lines += ["", "What goes with one of these, and is not counted again"]
        for one in driver["along"]:
            text = f"{one['corner']}: {one['words']} - goes with: {one['goes_with']}"
            lines += textwrap.wrap(text, width, initial_indent="  ", subsequent_indent="    ")
    if driver["style"]:
        lines += ["", "Other differences, of style: each costs less than a hundredth"]
        for one in driver["style"]:
            lines += textwrap.wrap(
                f"{one['corner']}: {one['words']}", width, initial_indent="  ", subsequent_indent="    "
            )
    return lines
