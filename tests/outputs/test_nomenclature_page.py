"""docs/nomenclature.md names every column that is written, with its unit and meaning."""

import re
from pathlib import Path

import pytest

from lapwright.corner import reading
from lapwright.lap import corners, phases
from lapwright.outputs.balance_files import EFFECTS, ENTRIES, PIECES, ROWS, WORDS
from lapwright.outputs.balance_keys import BALANCE_KEYS
from lapwright.outputs.card_keys import CARD_KEYS, written_out
from lapwright.outputs.channels import CHANNELS, COLUMNS
from lapwright.outputs.compare_files import ALIGNED, PARTS, READINGS, RUNNING
from lapwright.outputs.compare_keys import COMPARE_KEYS
from lapwright.outputs.corner_file import CORNER_COLUMNS
from lapwright.outputs.nomenclature import (
    aligned_table,
    balance_table,
    card_table,
    cases_table,
    channel_table,
    compare_table,
    corner_table,
    effects_table,
    entries_table,
    entry_table,
    parts_table,
    sweep_table,
)
from lapwright.outputs.sweep_table import CASE_COLUMNS
from lapwright.outputs.sweep_text import SWEEP_KEYS

PAGE = (Path(__file__).parents[2] / "docs" / "nomenclature.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "table",
    [
        channel_table,
        corner_table,
        card_table,
        aligned_table,
        parts_table,
        compare_table,
        cases_table,
        sweep_table,
        balance_table,
        effects_table,
        entries_table,
        entry_table,
    ],
)
def test_tables_are_those_of_the_code(table):
    missing = [row for row in table().splitlines() if row not in PAGE]
    assert not missing, "print them anew with python -m lapwright.outputs.nomenclature"


def test_no_column_is_made_up():
    known = (
        {channel.name for channel in CHANNELS}
        | {column.name for column in CORNER_COLUMNS}
        | {"baseline_loss_s"}
        | {key for key, _ in CARD_KEYS}
        | {f"*_{column.name}" for column in ALIGNED}
        | {f"driver_{name}" for name, _ in RUNNING}
        | {name for name, _ in PARTS}
        | {f"*_{name}" for name, _ in READINGS}
        | {key for key, _ in COMPARE_KEYS}
        | {name for name, _ in CASE_COLUMNS}
        | {key for key, _ in SWEEP_KEYS}
        | {name for name, _ in (*EFFECTS, *PIECES, *ENTRIES, *WORDS)}
        | {column.name for column in ROWS}
        | {key for key, _ in BALANCE_KEYS}
    )
    section = PAGE[PAGE.index("## Channels") : PAGE.index("## Trade words")]
    named = set(re.findall(r"^\| `([\w.*\[\]]+)` \|", section, flags=re.MULTILINE))
    assert named == known


def test_every_unit_at_the_end_of_a_name_is_explained():
    endings = set(re.findall(r"^\| `(_\w+)` \|", PAGE, flags=re.MULTILINE))
    units = {"m", "s", "kmh", "mps", "bar", "deg", "dps", "rpm", "g", "N", "1pm", "1ps", "Nm", "percent"}
    balance = [key for key, _ in (*EFFECTS, *ENTRIES, *BALANCE_KEYS)] + [column.name for column in ROWS]
    for name in (*COLUMNS, *(column.name for column in CORNER_COLUMNS), *written_out(), *balance):
        last = name.rsplit("_", 1)[-1]
        if last in units:
            assert f"_{last}" in endings, name
    for channel in CHANNELS:
        carries = channel.name.rsplit("_", 1)[-1] in units
        assert carries == (channel.unit not in ("", "0 to 1", "word")), channel.name


def test_thresholds_on_the_page_are_those_of_the_code():
    """The page tells them to people, so it must not fall behind."""
    for words, value in [
        ("rises through 5 % of peak pressure", phases.BRAKE_ON == 0.05),
        ("never passes 10 %", phases.BRAKE_ZONE_PEAK == 0.10),
        ("less than 0.3 s apart", phases.BRAKE_GAP == 0.3),
        ("throttle rises through 5 %", phases.THROTTLE_ON == 0.05),
        ("throttle at 95 % or more", phases.FULL_THROTTLE == 0.95),
        ("more than 20 % of its lateral grip", phases.TRAIL_LATERAL_SHARE == 0.2),
        ("passes 20 % of it", corners.TURN_IN_SHARE == 0.2),
        ("at 90 % of the zone's peak", corners.RELEASE_SHARE == 0.9),
        (
            "above 2 % of peak pressure that comes above 3 %",
            (reading.TOUCHED, reading.MARKED) == (0.02, 0.03),
        ),
        ("reaches 90 % of its highest", reading.BUILT == 0.9),
        ("through 20 % of its peak in the corner", reading.BENT == 0.2),
        ("below 90 % of what it was at turn-in", reading.HELD == 0.9),
        ("below 90 % of its peak", reading.UNWOUND == 0.9),
    ]:
        assert words in PAGE and value, words
