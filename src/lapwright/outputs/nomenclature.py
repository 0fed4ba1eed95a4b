"""The tables of docs/nomenclature.md that follow from the code.

``python -m lapwright.outputs.nomenclature`` prints them; a test compares them with the page.
"""

from __future__ import annotations

from lapwright.outputs.balance_files import EFFECTS, ENTRIES, PIECES, ROWS, WORDS
from lapwright.outputs.balance_keys import BALANCE_KEYS
from lapwright.outputs.card_keys import CARD_KEYS
from lapwright.outputs.channels import CHANNELS
from lapwright.outputs.compare_files import ALIGNED, PARTS, READINGS, RUNNING
from lapwright.outputs.compare_keys import COMPARE_KEYS
from lapwright.outputs.corner_file import BASELINE_LOSS, CORNER_COLUMNS
from lapwright.outputs.sweep_table import CASE_COLUMNS
from lapwright.outputs.sweep_text import SWEEP_KEYS


def channel_table() -> str:
    """Columns of a trace file as a Markdown table."""
    rows = [f"| `{channel.name}` | {channel.unit or '-'} | {channel.doc} |" for channel in CHANNELS]
    return "\n".join(["| column | unit | meaning |", "|---|---|---|", *rows])


def corner_table() -> str:
    """Columns of corners.csv as a Markdown table."""
    rows = [f"| `{column.name}` | {column.doc} |" for column in CORNER_COLUMNS]
    loss = "seconds that the baseline loses from this corner's lift or brake point to the next one's"
    rows.append(f"| `{BASELINE_LOSS}` | {loss} |")
    return "\n".join(["| column | meaning |", "|---|---|", *rows])


def card_table() -> str:
    """Keys of card.json as a Markdown table."""
    rows = [f"| `{key}` | {doc} |" for key, doc in CARD_KEYS]
    return "\n".join(["| key | meaning |", "|---|---|", *rows])


def aligned_table() -> str:
    """Columns of aligned.csv as a Markdown table."""
    rows = ["| `distance_m` | distance along the centreline, in plan |"]
    rows += [f"| `*_{column.name}` | {column.doc} |" for column in ALIGNED]
    rows += [f"| `driver_{name}` | {doc} |" for name, doc in RUNNING]
    return "\n".join(["| column | meaning |", "|---|---|", *rows])


def parts_table() -> str:
    """Columns of the corners.csv of a comparison as a Markdown table."""
    rows = [f"| `{name}` | {doc} |" for name, doc in PARTS]
    rows += [f"| `*_{name}` | {doc} |" for name, doc in READINGS]
    return "\n".join(["| column | meaning |", "|---|---|", *rows])


def compare_table() -> str:
    """Keys of compare.json as a Markdown table."""
    rows = [f"| `{key}` | {doc} |" for key, doc in COMPARE_KEYS]
    return "\n".join(["| key | meaning |", "|---|---|", *rows])


def cases_table() -> str:
    """Columns of the cases.csv of a sweep as a Markdown table."""
    rows = [f"| `{name}` | {doc} |" for name, doc in CASE_COLUMNS]
    return "\n".join(["| column | meaning |", "|---|---|", *rows])


def sweep_table() -> str:
    """Keys of sweep.json as a Markdown table."""
    rows = [f"| `{key}` | {doc} |" for key, doc in SWEEP_KEYS]
    return "\n".join(["| key | meaning |", "|---|---|", *rows])


def balance_table() -> str:
    """Keys of balance.json as a Markdown table."""
    rows = [f"| `{key}` | {doc} |" for key, doc in BALANCE_KEYS]
    return "\n".join(["| key | meaning |", "|---|---|", *rows])


def effects_table() -> str:
    """Columns of effects.csv as a Markdown table."""
    rows = [f"| `{name}` | {doc} |" for name, doc in (*EFFECTS, *PIECES)]
    return "\n".join(["| column | meaning |", "|---|---|", *rows])


def entries_table() -> str:
    """Columns of entries.csv as a Markdown table."""
    rows = [f"| `{name}` | {doc} |" for name, doc in ENTRIES]
    return "\n".join(["| column | meaning |", "|---|---|", *rows])


def entry_table() -> str:
    """Columns of an entry-*.csv as a Markdown table."""
    rows = [f"| `{column.name}` | {column.doc} |" for column in ROWS]
    rows += [f"| `{name}` | {doc} |" for name, doc in WORDS]
    return "\n".join(["| column | meaning |", "|---|---|", *rows])


if __name__ == "__main__":
    tables = (
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
    )
    print(*(table() for table in tables), sep="\n\n")
