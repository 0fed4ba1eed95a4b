"""From a CasADi function to a program in memory."""

from __future__ import annotations

from collections.abc import Sequence

import casadi as ca

from lapwright.compiled.emit import Program
from lapwright.compiled.instructions import read
from lapwright.compiled.machine import Loaded, Machine
from lapwright.compiled.reduce import reduce
from lapwright.compiled.table import Table
from lapwright.compiled.words import Lanes

ENTRY = "lapwright_run"
LONG = 1000
"""Steps from which on the time to translate counts more than a tenth of the time of a call."""


class Kernel:
    """A program in memory with its tables.

    Several threads may call it at once: every call takes a table of its own from those not in use.
    """

    def __init__(self, loaded: Loaded, arrays: int, scratch: int) -> None:
        self.run = loaded.run
        self._loaded, self._arrays, self._scratch = loaded, arrays, scratch
        self._free: list[Table] = []

    def borrow(self) -> Table:
        """A table that no other call is using."""
        try:
            return self._free.pop()
        except IndexError:
            return Table(self._arrays, self._scratch)

    def give_back(self, table: Table) -> None:
        """Leave a table to the next call."""
        self._free.append(table)


def build(
    function: ca.Function,
    machine: Machine,
    width: int,
    shared: Sequence[int],
    carried: Sequence[tuple[int, int]] | None = None,
) -> Kernel:
    """Translate and load a function.

    Raises
    ------
    ValueError
        For an operation that is not supported.
    RuntimeError
        If LLVM refuses the program.
    """
    steps = reduce(read(function, frozenset(shared)), machine.fused)
    program = Program(steps, function.n_in(), Lanes(width), ENTRY, machine.fused, carried)
    code = machine.translate(program.text, len(steps.names) > LONG)
    loaded = machine.load(code, ENTRY, 2 if carried is None else 4)
    return Kernel(loaded, function.n_in() + function.n_out(), program.scratch)
