"""A balance on the terminal: what each number is worth, the entries, the brake share, tyres and the best setup."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from lapwright.outputs.balance_words import capital
from lapwright.outputs.sweep_groups import figure_of
from lapwright.outputs.words import ascii_only, lap_time

IN_WORDS = 6
"""Effects that are told in a sentence besides, the largest."""

MOVED = 8
"""Numbers whose step is told for the entries, those with the largest effects."""

LETTERS = 34
"""Of a number's words in the table at most."""

EFFECTS = ("Number", ">Value", ">Step", ">First order ", ">Step up ", ">Step down ", "Largest piece")
ENTRIES = (
    "Entry", "First|limit", ">At the|front", ">limit|rear", ">[% of|both", ">time]|none", ">Spare|front", ">[N]|rear",
    ">Understeer|entry", ">[deg]|exit", "Least stable:|doubles, place, brake",
)  # fmt: skip
SHARES = (
    "Entry", ">Straight, both|lock at", "the car's|first", ">In turn, both|lock at", "the car's|first",
    ">This entry|likes", ">worth|[s]",
)  # fmt: skip
"""Headings of the tables, one line above the other; > for columns of numbers."""

Record = Mapping[str, Any]


def balance_terminal(record: Record, width: int = 120) -> str:
    """The text of a balance, plain ASCII.

    Parameters
    ----------
    record
        From ``balance_record``.
    width
        Characters in a line at most; in less than 110 the last columns of the tables are left out.
    """
    only = f", {record['corner']}" if record["corner"] else ""
    lines = [f"{record['track']['name']} - {record['vehicle']['name']}{only}"]
    lines.append(
        f"Lap {lap_time(record['lap_time_s'])}, known within {record['mesh_error_s']:.3f} s of mesh error"
    )
    for part in (_effects, _entries, _moved, _share, _tyres, _best):
        found = part(record, width)
        lines += ["", *found] if found else []
    lines += ["", *textwrap.wrap(f"Caution: {record['caution']}", width)]
    return ascii_only("\n".join(lines))


def _wrapped(text: str, width: int, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent=indent)


def _told(texts: Sequence[str], width: int) -> list[str]:
    return [
        line
        for text in texts
        for line in textwrap.wrap(
            text, width, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False
        )
    ]


def _seconds(value: float | None, flag: str = "") -> str:
    return f"{'-' if value is None else f'{value:+.3f}'}{flag or ' '}"


def _share_of(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """A table under its headings, without the last columns when it would be wider than ``width``."""
    names = [["", *head.removeprefix(">").split("|")][-2:] for head in heads]
    wide = [max(len(cell) for cell in (*name, *(row[k] for row in rows))) for k, name in enumerate(names)]
    count = len(heads)
    while count > 1 and sum(wide[:count]) + 2 * (count - 1) > width:
        count -= 1

    def line(cells: Sequence[str]) -> str:
        made = [
            f"{cell:>{wide[k]}s}" if heads[k].startswith(">") else f"{cell:{wide[k]}s}"
            for k, cell in enumerate(cells[:count])
        ]
        return "  ".join(made).rstrip()[:width]

    head = [line([name[level] for name in names]) for level in (0, 1)]
    return [
        *(text for text in head if text),
        "-" * min(sum(wide[:count]) + 2 * (count - 1), width),
        *map(line, rows),
    ]


# -- effects -----------------------------------------------------------------------------------------------------------------


def _effects(record: Record, width: int) -> list[str]:
    told = [one for one in record["effects"] if not one["nothing"]]
    small = [one["words"] for one in record["effects"] if one["nothing"]]
    lines = ["What one step of a number does to the lap [s], minus is quicker"]
    if told:
        lines += _table(EFFECTS, [_effect_cells(one) for one in told], width)
        if any(one["check"] and not one["check"]["agrees"] for one in told):
            lines += _wrapped(
                "* The two solves and the first order do not say the same; the solves count.", width
            )
        lines += ["", "In words", *_told([one["said"] for one in told[:IN_WORDS]], width)]
    if small:
        lines += ["", *_wrapped(f"Nothing, less than 1 ms a step: {'; '.join(small)}.", width)]
    return lines


def _effect_cells(one: Record) -> list[str]:
    check = one["check"] or {"up_s": None, "down_s": None, "agrees": True}
    flag = "" if check["agrees"] else "*"
    return [
        one["words"][:LETTERS],
        f"{figure_of(one['value'])} {one['unit']}".rstrip(),
        figure_of(one["step"]),
        _seconds(one["per_step_s"]),
        _seconds(check["up_s"], flag),
        _seconds(check["down_s"], flag),
        _largest(one),
    ]


def _largest(one: Record) -> str:
    """Piece of the lap with the largest part of an effect."""
    total = one["per_step_s"]
    parts = [part for part in one["parts"] if part["change_s"] is not None and part["change_s"] * total > 0.0]
    if not parts:
        return ""
    part = max(parts, key=lambda each: abs(each["change_s"]))
    if abs(part["change_s"]) < 0.0005:
        return "spread over the lap"
    return f"{part['name']} {part['phase']}".rstrip() + f" {part['change_s']:+.3f}"


# -- entries -----------------------------------------------------------------------------------------------------------------


def _entries(record: Record, width: int) -> list[str]:
    entries = record["entries"]
    if not entries:
        return []
    lines = _table(ENTRIES, [_entry_cells(one) for one in entries], width)
    lines += _wrapped(
        "Spare side: what the front could still add in the mean while the rear alone is at its limit, and the other way "
        "round. Understeer: of the road wheels against a neutral car, minus is oversteer.",
        width,
    )
    return [*lines, "", *_told([one["said"] for one in entries], width)]


def _entry_cells(one: Record) -> list[str]:
    return [
        one["corner"],
        one["first_limit"],
        *(_round(one[f"time_{axle}_percent"]) for axle in ("front", "rear", "both", "none")),
        _round(one["front_spare_while_rear_limited_N"]),
        _round(one["rear_spare_while_front_limited_N"]),
        _signed(one["understeer_entry_deg"]),
        _signed(one["understeer_exit_deg"]),
        _stable(one["nervous"]),
    ]


def _round(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _signed(value: float | None) -> str:
    return "-" if value is None else f"{value:+.1f}"


def _stable(spot: Record | None) -> str:
    if spot is None:
        return "no brake"
    growing = "dies out" if spot["doubling_s"] is None else f"{spot['doubling_s']:.2f} s"
    return f"{growing}, {spot['words']}, {spot['brake_percent']:.0f} %"


def _moved(record: Record, width: int) -> list[str]:
    if not record["moved"]:
        return []
    told = _told([one["said"] for one in record["moved"][:MOVED]], width)
    more = len(record["moved"]) - MOVED
    rest = [f"  {more} more in balance.json"] if more > 0 else []
    return ["What one step more does to the entries", *told, *rest]


# -- brake share, tyres, best setup ------------------------------------------------------------------------------------------


def _share(record: Record, width: int) -> list[str]:
    found = record["brake_share"]
    if found is None:
        return []
    lines = ["Brake share to the front", *_told([found["said"]], width)]
    if found["corners"]:
        lines += _table(SHARES, [_share_cells(one) for one in found["corners"]], width)
    return lines


def _share_cells(one: Record) -> list[str]:
    worth = one["best_entry_worth_s"]
    return [
        one["corner"],
        _share_of(one["locks_straight_share"]),
        one["locks_straight_first"] or "-",
        _share_of(one["locks_turn_share"]),
        one["locks_turn_first"] or "-",
        _share_of(one["best_entry_share"]),
        "-" if worth is None else f"{worth:.3f}",
    ]


def _tyres(record: Record, width: int) -> list[str]:
    if not record["tyres"]:
        return []
    lines = ["Tyres"]
    for state in record["tyres"]:
        lines += _told([state["said"]], width)
        if state["best_share_moves"] is not None:
            lines += textwrap.wrap(
                _alike(state["corners"]), width, initial_indent="    ", subsequent_indent="    "
            )
    return lines


def _alike(corners: Sequence[Record]) -> str:
    """What changes corner by corner, those of which the same is said together."""
    groups: dict[str, list[str]] = {}
    for one in corners:
        groups.setdefault(one["said"].removeprefix(f"{one['corner']}: "), []).append(one["corner"])
    said = "; ".join(f"{words} in {', '.join(names)}" for words, names in groups.items())
    return f"{capital(said)}." if said else ""


def _best(record: Record, width: int) -> list[str]:
    best = record["best"]
    if best is None:
        return []
    lines = ["Best setup within the bounds", *_told([best["said"]], width)]
    lines += _told([f"{one['said']}." for one in best["numbers"]], width)
    end = f"{capital(best['words'])} ({best['solves']} laps were solved)." if best["words"] else ""
    lines += _told([end or f"{best['solves']} laps were solved."], width)
    return lines
