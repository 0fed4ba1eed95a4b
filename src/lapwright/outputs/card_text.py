"""card.md, the booklet and the terminal's form of a corner card: written from the record of card.json and nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from lapwright.outputs.card_sections import (
    dearest,
    mistake_section,
    mistake_short,
    trail_line,
    trail_section,
    trail_short,
    why_section,
)
from lapwright.outputs.card_statements import (
    Record,
    entry_words,
    marked_name,
    metres,
    plain_name,
    statements,
)
from lapwright.outputs.card_trust import how_computed, how_sure, human_section, variant_short
from lapwright.outputs.markdown import labelled, lines_of, paragraph, table

LABEL = 20
"""Columns of the labels in the terminal."""


def card_markdown(record: Record, level: int = 1) -> str:
    """A corner card as a Markdown page that reads as plain text, too.

    Parameters
    ----------
    record
        From ``card_record``.
    level
        Of the heading: 1 on a page of its own, 2 in a booklet.
    """
    head, deeper, corner = "#" * level, "#" * (level + 1), record["corner"]
    where = f"{marked_name(corner['track'])}, {marked_name(corner['vehicle'])}"
    said = [
        (s.label, "; ".join(part for part in (s.brief, s.more) if part) + ".")
        for s in statements(record, marked_name)
    ]
    parts = [f"{head} {marked_name(corner['name'])} - {where}", paragraph(_opening(record))]
    parts += [f"{deeper} What to do", labelled(said)]
    for heading, body in (
        ("Why", why_section(record)),
        ("Worth of trail braking here", trail_section(record)),
        ("What a mistake costs", mistake_section(record)),
        ("How sure", how_sure(record)),
        ("For other feet and hands", human_section(record)),
        ("How it was computed", how_computed(record)),
    ):
        parts += [f"{deeper} {heading}", *body]
    return "\n\n".join([*parts, f"{deeper} Caution", paragraph(record["caution"])]) + "\n"


def booklet_markdown(records: Sequence[Record]) -> str:
    """All cards of a lap as one page: a table of the corners first, then the cards.

    Parameters
    ----------
    records
        From ``card_record``, in driving order, all of one track and car.

    Raises
    ------
    ValueError
        When there is no card.
    """
    if not records:
        raise ValueError("a booklet needs a card")
    first = records[0]["corner"]
    rows = [
        (
            marked_name(record["corner"]["name"]),
            entry_words(record, marked_name),
            f"{record['slowest']['slowest_speed_kmh']:.0f} km/h",
            trail_short(record),
            dearest(record),
        )
        for record in records
    ]
    head = ("corner", "brake on", "slowest", "worth of trail braking", "dearest small mistake")
    title = f"# {marked_name(first['track'])}, {marked_name(first['vehicle'])}: corner by corner"
    note = (
        "Worth of trail braking: seconds lost with the brake off by turn-in. Small mistakes: the brake or the lift 5 m "
        "early or late, the peak brake 10 % low, the slowest speed 3 km/h low, the throttle half closed for a moment "
        "where it stays open."
    )
    cards = [card_markdown(record, 2).rstrip("\n") for record in records]
    return "\n\n".join([title, table(head, rows, (0, 1, 4)), paragraph(note), *cards]) + "\n"


def card_terminal(record: Record, width: int = 100) -> str:
    """A corner card for the terminal: what to do, what it is worth, what mistakes cost, the caution.

    Parameters
    ----------
    record
        From ``card_record``.
    width
        Characters in a line.
    """
    corner = record["corner"]
    title = " - ".join(plain_name(corner[key]) for key in ("name", "track", "vehicle"))
    said = [(s.label, s.brief) for s in statements(record, plain_name)]
    said += [
        ("Trail braking", trail_line(record)),
        ("Mistakes", "; ".join(mistake_short(m) for m in record["mistakes"]) or "none was worked out"),
        ("How sure", "; ".join(variant_short(record, v) for v in record["grip"]) or "not worked out"),
    ]
    lines = [*lines_of(title, width), *lines_of(_opening(record), width), ""]
    for label, text in said:
        first, *rest = lines_of(text, max(width - LABEL, 20))
        lines += [f"{label:<{LABEL}}{first}", *(" " * LABEL + line for line in rest)]
    return "\n".join([*lines, "", *lines_of(record["caution"], width)]) + "\n"


def _opening(record: Record) -> str:
    corner = record["corner"]
    return (
        f"{corner['direction'].capitalize()} corner, {metres(corner['length_m'])} long from station "
        f"{corner['start_m']:.0f} m, driven in {corner['time_s']:.2f} s; in at {corner['entry_speed_kmh']:.0f} km/h, "
        f"out at {corner['exit_speed_kmh']:.0f} km/h."
    )
