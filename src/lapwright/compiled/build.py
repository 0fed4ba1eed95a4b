"""From a CasADi function to a program in memory, by way of the disk where it was translated before."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

import casadi as ca

from lapwright.compiled import store
from lapwright.compiled.machine import Loaded, Machine
from lapwright.compiled.table import Table

ENTRY = "lapwright_run"
LONG = 400
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


@dataclass(frozen=True, eq=False)
class Order:
    """A program that is wanted.

    Attributes
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
    """

    function: ca.Function
    machine: Machine
    width: int
    shared: tuple[int, ...]
    carried: tuple[tuple[int, int], ...] | None = None

    @cached_property
    def serialized(self) -> str:
        """The function as text."""
        return str(self.function.serialize())

    @cached_property
    def key(self) -> str | None:
        """A word that changes with everything the program depends on; None if that is not known."""
        sources = _sources()
        if sources is None:
            return None
        kind = (self.width, self.shared, self.carried, self.machine, ca.CasadiMeta.version(), sources)
        found = hashlib.blake2b(repr(kind).encode() + b"\0", digest_size=20)
        found.update(self.serialized.encode())
        return found.hexdigest()

    def find(self) -> Kernel | None:
        """The program from the disk, if it is there."""
        if store.folder() is None or self.key is None:
            return None
        kept = store.read(self.key)
        if kept is None:
            return None
        head, _, code = kept.partition(b"\n")
        return self._load(code, json.loads(head)["scratch"])

    def translate(self) -> tuple[bytes, int]:
        """Object code and the size of the scratch area in bytes.

        Raises
        ------
        ValueError
            For an operation that is not supported.
        RuntimeError
            If LLVM refuses the program.
        """
        # Not needed when the program is on the disk.
        from lapwright.compiled.emit import Program
        from lapwright.compiled.instructions import read
        from lapwright.compiled.reduce import reduce
        from lapwright.compiled.words import Lanes

        steps = reduce(read(self.function, self.shared), self.machine.fused)
        inputs = self.function.n_in()
        program = Program(steps, inputs, Lanes(self.width), ENTRY, self.machine.fused, self.carried)
        return self.machine.translate(program.text, len(steps.names) > LONG), program.scratch

    def keep(self, code: bytes, scratch: int) -> Kernel:
        """Load what was translated and keep it on the disk."""
        kernel = self._load(code, scratch)
        if store.folder() is not None and self.key is not None:
            store.write(self.key, json.dumps({"scratch": scratch}).encode() + b"\n" + code)
        return kernel

    def _load(self, code: bytes, scratch: int) -> Kernel:
        integers = 2 if self.carried is None else 4
        arrays = self.function.n_in() + self.function.n_out()
        return Kernel(self.machine.load(code, ENTRY, integers), arrays, scratch)


def build(order: Order) -> Kernel:
    """A program from the disk, or translated and kept there; errors as in ``Order.translate``."""
    return order.find() or order.keep(*order.translate())


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
