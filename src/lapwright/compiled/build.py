"""From a CasADi function to a program in memory, by way of the disk where it was translated before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import casadi as ca

from lapwright.compiled import store
from lapwright.compiled.machine import Loaded, Machine
from lapwright.compiled.table import Table

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
    """Load a function from the disk, or translate it and keep it there.

    Parameters
    ----------
    function
        An SX function.
    machine
        The processor.
    width
        Doubles in a vector.
    shared
        Positions of the inputs that are the same at every point.
    carried
        (output, input) pairs of a program along steps; None for one over points.

    Raises
    ------
    ValueError
        For an operation that is not supported.
    RuntimeError
        If LLVM refuses the program.
    """
    integers = 2 if carried is None else 4
    arrays = function.n_in() + function.n_out()
    key = _key(function, machine, width, shared, carried) if store.folder() else None
    kept = store.read(key) if key else None
    if kept is not None:
        head, _, code = kept.partition(b"\n")
        return Kernel(machine.load(code, ENTRY, integers), arrays, json.loads(head)["scratch"])
    code, scratch = translate(function, machine, width, shared, carried)
    kernel = Kernel(machine.load(code, ENTRY, integers), arrays, scratch)
    if key:
        store.write(key, json.dumps({"scratch": scratch}).encode() + b"\n" + code)
    return kernel


def translate(
    function: ca.Function,
    machine: Machine,
    width: int,
    shared: Sequence[int],
    carried: Sequence[tuple[int, int]] | None,
) -> tuple[bytes, int]:
    """Object code of a function and the size of its scratch area in bytes; parameters and errors as in ``build``."""
    # Not needed when the program is on the disk.
    from lapwright.compiled.emit import Program
    from lapwright.compiled.instructions import read
    from lapwright.compiled.reduce import reduce
    from lapwright.compiled.words import Lanes

    steps = reduce(read(function, frozenset(shared)), machine.fused)
    program = Program(steps, function.n_in(), Lanes(width), ENTRY, machine.fused, carried)
    return machine.translate(program.text, len(steps.names) > LONG), program.scratch


def _key(
    function: ca.Function,
    machine: Machine,
    width: int,
    shared: Sequence[int],
    carried: Sequence[tuple[int, int]] | None,
) -> str | None:
    """Name of a program that changes with everything it depends on; None if that is not known."""
    sources = _sources()
    if sources is None:
        return None
    kind = (width, list(shared), carried, machine, ca.CasadiMeta.version(), sources)
    found = hashlib.blake2b(repr(kind).encode() + b"\0", digest_size=20)
    found.update(function.serialize().encode())
    return found.hexdigest()


@cache
def _sources() -> str | None:
    """Digest of the modules beside this one, for they decide what a program looks like."""
    modules = sorted(Path(__file__).parent.glob("*.py"))
    found = hashlib.blake2b(digest_size=20)
    try:
        for module in modules:
            found.update(module.name.encode() + b"\0" + module.read_bytes() + b"\0")
    except OSError:
        return None
    return found.hexdigest() if modules else None
