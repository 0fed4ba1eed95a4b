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

Record = Mapping[str, Any]


def balance_terminal(record: Record, width: int = 120) -> str:
    """The text of a balance, plain ASCII.

    Parameters
    ----------
    record
        From ``balance_record``.
    width
        Characters in a line at most; 100 or more.
    """
    only = f", {record['corner']}" if record["corner"] else ""
    lines = [f"{record['track']['name']} - {record['vehicle']['name']}{only}"]
    lines.append(
        f"Lap {lap_time(record['lap_time_s'])}, known within {record['mesh_error_s']:.3f} s of mesh error"
    )
    for part in (_effects, _entries, _moved, _share, _tyres, _best):
        found = part(record, width)
        lines += ["", *found] if found else []
    if record["notices"]:
        lines += ["", *(line for notice in record["notices"] for line in _wrapped(f"Note: {notice}", width))]
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


# -- effects -----------------------------------------------------------------------------------------------------------------


def _effects(record: Record, width: int) -> list[str]:
    told = [one for one in record["effects"] if not one["nothing"]]
    small = [one["words"] for one in record["effects"] if one["nothing"]]
    lines = ["What one step of a number does to the lap [s], minus is quicker"]
    if told:
        wide = max(len(one["words"][:LETTERS]) for one in told)
        head = f"{'Number':{wide}s}  {'Value':>15s}  {'Step':>7s}  First order  Step up   Step down   Largest piece"
        lines += [head, "-" * min(len(head) + 16, width)]
        lines += [_effect_row(one, wide)[:width].rstrip() for one in told]
        if any(one["check"] and not one["check"]["agrees"] for one in told):
            lines += _wrapped(
                "* The two solves and the first order do not say the same; the solves count.", width
            )
        lines += ["", "In words", *_told([one["said"] for one in told[:IN_WORDS]], width)]
    if small:
        lines += ["", *_wrapped(f"Nothing, less than 1 ms a step: {', '.join(small)}.", width)]
    return lines


def _effect_row(one: Record, wide: int) -> str:
    check = one["check"] or {"up_s": None, "down_s": None, "agrees": True}
    flag = "" if check["agrees"] else "*"
    value = f"{figure_of(one['value'])} {one['unit']}".rstrip()
    text = f"{one['words'][:LETTERS]:{wide}s}  {value:>15s}  {figure_of(one['step']):>7s}  "
    text += f"{_seconds(one['per_step_s']):>11s}  {_seconds(check['up_s'], flag):>8s}  {_seconds(check['down_s'], flag):>10s}"
    return f"{text}  {_largest(one)}"


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
    wide = max(len("Entry"), *(len(one["corner"]) for one in entries))
    head = (
        f"{'Entry':{wide}s}  First   Time at the limit [%]    Spare side [N]  Understeer [deg]  "
        "Least stable: doubles, place, brake"
    )
    below = f"{'':{wide}s}  limit   front rear both none     front   rear     entry   exit"
    lines = [head, below, "-" * min(len(head), width)]
    for one in entries:
        shares = " ".join(
            f"{_round(one[f'time_{axle}_percent'])}" for axle in ("front", "rear", "both", "none")
        )
        spare = f"{_round(one['front_spare_while_rear_limited_N'], 5)}  {_round(one['rear_spare_while_front_limited_N'], 5)}"
        steer = f"{_signed(one['understeer_entry_deg'])}  {_signed(one['understeer_exit_deg'])}"
        text = f"{one['corner']:{wide}s}  {one['first_limit']:6s}  {shares}   {spare}    {steer}    {_stable(one['nervous'])}"
        lines.append(text[:width].rstrip())
    lines += _wrapped(
        "Spare side: what the front could still add in the mean while the rear alone is at its limit, and the other way "
        "round. Understeer: of the road wheels against a neutral car, minus is oversteer.",
        width,
    )
    return [*lines, "", *_told([one["said"] for one in entries], width)]


def _round(value: float | None, wide: int = 4) -> str:
    return f"{'-' if value is None else f'{value:.0f}':>{wide}s}"


def _signed(value: float | None) -> str:
    return f"{'-' if value is None else f'{value:+.1f}':>5s}"


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
        wide = max(len(one["corner"]) for one in found["corners"])
        lines.append(f"  {'':{wide}s}  Both lock together     First with the car's   This entry alone")
        lines.append(f"  {'':{wide}s}  straight   in turn    straight   in turn     likes   worth [s]")
        for one in found["corners"]:
            locks = [_share_of(one[f"locks_{where}_share"]) for where in ("straight", "turn")]
            text = f"  {one['corner']:{wide}s}  {locks[0]:>8s}  {locks[1]:>8s}"
            text += f"    {one['locks_straight_first'] or '-':8s}   {one['locks_turn_first'] or '-':8s}"
            worth = one["best_entry_worth_s"]
            text += (
                f"  {_share_of(one['best_entry_share']):>6s}   {'-' if worth is None else f'{worth:.3f}':>8s}"
            )
            lines.append(text[:width].rstrip())
    return lines


def _tyres(record: Record, width: int) -> list[str]:
    if not record["tyres"]:
        return []
    lines = ["Tyres"]
    for state in record["tyres"]:
        lines += _told([state["said"]], width)
        if state["best_share_moves"] is not None and state["corners"]:
            said = f"{'; '.join(one['said'] for one in state['corners'])}."
            lines += textwrap.wrap(said, width, initial_indent="      ", subsequent_indent="      ")
    return lines


def _best(record: Record, width: int) -> list[str]:
    best = record["best"]
    if best is None:
        return []
    lines = ["Best setup within the bounds", *_told([best["said"]], width)]
    lines += _told([f"{one['said']}." for one in best["numbers"]], width)
    lines += _told([f"{capital(best['words'])} ({best['solves']} laps were solved)."], width)
    return lines
