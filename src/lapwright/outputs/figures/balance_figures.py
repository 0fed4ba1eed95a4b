"""Which figures a balance has."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from matplotlib.figure import Figure

from lapwright.outputs.balance_files import entry_slugs
from lapwright.outputs.figures.balance_brakes import draw_brakes
from lapwright.outputs.figures.balance_effects import draw_effects
from lapwright.outputs.figures.balance_entry import draw_entry
from lapwright.outputs.figures.balance_tyres import draw_tyres
from lapwright.study.balance import Balance


def balance_figures(balance: Balance) -> dict[str, Callable[[], Figure]]:
    """The figures of a balance by the name of their file, each drawn when it is called.

    "effects"; then "entry-CORNER", "brakes-CORNER" and "tyres-CORNER" for each entry, with the corner's name in small
    letters: the same names as those of the tables.
    """
    made: dict[str, Callable[[], Figure]] = {"effects": partial(draw_effects, balance)}
    brakes = {one.corner: k for k, one in enumerate(balance.brakes)}
    cold = {entry.corner for state in balance.tyres for entry in state.entries}
    for k, (slug, entry) in enumerate(zip(entry_slugs(balance), balance.entries, strict=True)):
        made[f"entry-{slug}"] = partial(draw_entry, balance, k)
        if entry.corner in brakes:
            made[f"brakes-{slug}"] = partial(draw_brakes, balance, brakes[entry.corner])
        if entry.corner in cold:
            made[f"tyres-{slug}"] = partial(draw_tyres, balance, k)
    return made
