"""The lap as a table for a terminal, corner by corner; plain ASCII."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from lapwright.lap.corners import CornerReport, corner_sectors, sector_times
from lapwright.lap.lap import Lap
from lapwright.outputs.words import ascii_only, brake_on_phrase, landmark_phrase, lap_time
from lapwright.quantities import CAUTION, KMH

WIDTH = 120
"""Columns of a wide terminal; a narrower one gets fewer columns."""

GAP = "  "


@dataclass(frozen=True)
class _Column:
    """One column: two lines of heading, the cell of a corner, how soon it goes when room is short, its
    note.
    """

    top: str
    bottom: str
    cell: Callable[[CornerReport], str]
    goes: int = 0
    left: bool = False
    shrinks_to: int = 0
    note: str = ""


def _signed(metres: float | None) -> str:
    return "" if metres is None else f"{round(metres):+d}".replace("+0", "0")


def _kmh(speed: float | None) -> str:
    return "" if speed is None else f"{speed * KMH:.0f}"


def _turn(direction: str) -> str:
    return "-".join(part[0].upper() for part in direction.split("-"))


COLUMNS: tuple[_Column, ...] = (
    _Column("", "Corner", lambda r: r.name, left=True, shrinks_to=8),
    _Column("", "", lambda r: _turn(r.direction), goes=7, left=True),
    _Column(
        "Brake on",
        "before",
        brake_on_phrase,
        shrinks_to=8,
        note='Brake on: metres before the corner\'s start ("in": after it).',
    ),
    _Column("", "landmark", landmark_phrase, goes=1, left=True, shrinks_to=20),
    _Column("", "km/h", lambda r: _kmh(r.brake_on_speed), goes=3),
    _Column(
        "Peak",
        "%",
        lambda r: "" if r.brake_peak is None else f"{100 * r.brake_peak:.0f}",
        goes=6,
        note="Peak: share of full brake pressure.",
    ),
    _Column(
        "Off",
        "m",
        lambda r: _signed(r.brake_off_past_slowest),
        goes=4,
        note="Off: brake released, metres from the slowest point, + past it.",
    ),
    _Column("Slowest", "km/h", lambda r: _kmh(r.slowest_speed)),
    _Column("", "gear", lambda r: str(r.slowest_gear) if r.slowest_gear else "", goes=5),
    _Column(
        "Throttle",
        "on m",
        lambda r: _signed(r.pick_up_past_slowest),
        goes=8,
        note="Throttle on, full: metres from the slowest point.",
    ),
    _Column("", "full m", lambda r: _signed(r.full_throttle_past_slowest), goes=9),
    _Column("Exit", "km/h", lambda r: _kmh(r.exit_speed), goes=2, note="Exit: at the corner's end."),
)


def corner_table(
    reports: Sequence[CornerReport], baseline_loss: Sequence[float] | None = None, width: int = WIDTH
) -> str:
    """The corners as lines of text no wider than ``width``, and below them what the columns mean.

    Parameters
    ----------
    reports
        From ``corner_reports``.
    baseline_loss
        Seconds that the baseline loses in the sector of each corner; without it the column is left out.
    width
        Characters in a line. Below 120 columns go, the least needed at the brake point first; the name,
        brake-on and the slowest speed always stay.
    """
    rows = {id(report): i for i, report in enumerate(reports)}
    columns = list(COLUMNS)
    if baseline_loss is not None:
        loss = [f"{value:+.2f}" for value in baseline_loss]
        note = "Baseline: seconds it loses from this corner's lift or brake point to the next one's."
        columns.append(_Column("Baseline", "s", lambda r: loss[rows[id(r)]], goes=2, note=note))
    cells = [[ascii_only(column.cell(report)) for report in reports] for column in columns]
    kept, widths = _fit(columns, cells, width)
    lines = []
    for texts in ([c.top for c in columns], [c.bottom for c in columns], *zip(*cells, strict=True)):
        parts = [_cell(texts[k], widths[k], columns[k].left) for k in kept]
        lines.append(GAP.join(parts).rstrip())
    lines.insert(2, GAP.join("-" * widths[k] for k in kept))
    notes = " ".join(columns[k].note for k in kept if columns[k].note)
    return "\n".join([*lines, "", *textwrap.wrap(notes, width)])


def _cell(text: str, width: int, left: bool) -> str:
    if len(text) > width:
        text = text[: max(width - 1, 0)] + "."
    return text.ljust(width) if left else text.rjust(width)


def _fit(columns: list[_Column], cells: list[list[str]], width: int) -> tuple[list[int], list[int]]:
    widths = [
        max([len(c.top), len(c.bottom), *map(len, cell)]) for c, cell in zip(columns, cells, strict=True)
    ]
    kept = list(range(len(columns)))

    def total() -> int:
        return sum(widths[k] for k in kept) + len(GAP) * (len(kept) - 1)

    while total() > width:
        over = total() - width
        long = [k for k in kept if columns[k].shrinks_to and widths[k] > columns[k].shrinks_to]
        droppable = [k for k in kept if columns[k].goes]
        slack = sum(widths[k] - columns[k].shrinks_to for k in long)
        if droppable and slack < over:
            kept.remove(max(droppable, key=lambda k: columns[k].goes))
        elif long:
            widths[max(long, key=lambda k: widths[k])] -= 1
        else:
            break
    return kept, widths


def lap_text(
    lap: Lap, reports: Sequence[CornerReport], baseline: Lap | None = None, width: int = WIDTH
) -> str:
    """What the terminal shows after a run: heading, corners, how to read them, caution.

    Parameters
    ----------
    lap
        The target.
    reports
        Its corners, from ``corner_reports``.
    baseline
        The quasi-steady lap to hold against it, of the same road.
    width
        Characters in a line.
    """
    heading = [ascii_only(f"{lap.track_name} - {lap.vehicle_name}"), f"Lap time   {lap_time(lap.time)}"]
    if not lap.closed:
        heading[1] = f"Time       {lap_time(lap.time)}"
    loss = None
    if baseline is not None:
        heading.append(
            f"Baseline   {lap_time(baseline.time)}   quasi-steady ({baseline.time - lap.time:+.3f} s)"
        )
        sectors = corner_sectors(tuple(reports), lap)
        loss = list(sector_times(baseline, sectors) - sector_times(lap, sectors))
    parts = ["\n".join(part for line in heading for part in _wrapped(line, width))]
    if reports:
        parts.append(corner_table(reports, loss, width))
    parts.append("\n".join(textwrap.wrap(CAUTION, width)))
    return "\n\n".join(parts) + "\n"


def _wrapped(line: str, width: int) -> list[str]:
    return [line] if len(line) <= width else textwrap.wrap(line, width)
