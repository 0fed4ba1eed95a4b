"""Single operations in LLVM's intermediate language."""

from __future__ import annotations

from collections.abc import Callable

from lapwright.compiled.libm import NAMES as LIBRARY
from lapwright.compiled.words import Writer

PLAIN = frozenset(("fadd", "fsub", "fmul", "fdiv"))
COMPARED = {"lt": "olt", "le": "ole", "eq": "oeq", "ne": "une"}
INTRINSIC = {"sqrt": 1, "fabs": 1, "floor": 1, "ceil": 1, "copysign": 2, "fma": 3}
"""LLVM's own functions and their number of operands."""


def operate(write: Writer, name: str, operands: list[str], called: set[str]) -> str:
    """Write an operation and return the name of its result; a function it calls is added to ``called``."""
    if name in PLAIN:
        return write.two(name, *operands)
    if name in LIBRARY:
        called.add(name)
        return write.call(f"{name}.{write.lanes.width}", *operands)
    if name in INTRINSIC:
        called.add(name)
        return write.intrinsic(name, *operands)
    if name in COMPARED:
        return as_number(write, write.compare(COMPARED[name], *operands))
    if name in ("fms", "fnma"):
        called.add("fma")
    return WAYS[name](write, *operands)


def as_number(write: Writer, flags: str) -> str:
    """One where a flag is set, else zero."""
    return write.select(flags, write.constant(1.0), write.constant(0.0))


def not_zero(write: Writer, a: str) -> str:
    """Flags of what counts as true; NaN does."""
    return write.compare("une", a, write.constant(0.0))


def _sign(write: Writer, a: str) -> str:
    zero = write.constant(0.0)
    below = write.select(write.compare("olt", a, zero), write.constant(-1.0), a)
    return write.select(write.compare("ogt", a, zero), write.constant(1.0), below)


def _extreme(predicate: str) -> Callable[..., str]:
    """The smaller or larger of two; of a number and NaN the number."""

    def way(write: Writer, a: str, b: str) -> str:
        first = write.both("or", write.compare(predicate, a, b), write.compare("uno", b, b))
        return write.select(first, a, b)

    return way


WAYS: dict[str, Callable[..., str]] = {
    "fneg": lambda write, a: write.neg(a),
    "fms": lambda write, a, b, c: write.fma(a, b, write.neg(c)),
    "fnma": lambda write, a, b, c: write.fma(write.neg(a), b, c),
    "not": lambda write, a: as_number(write, write.compare("oeq", a, write.constant(0.0))),
    "and": lambda write, a, b: as_number(write, write.both("and", not_zero(write, a), not_zero(write, b))),
    "or": lambda write, a, b: as_number(write, write.both("or", not_zero(write, a), not_zero(write, b))),
    "if_else_zero": lambda write, a, b: write.select(not_zero(write, a), b, write.constant(0.0)),
    "sign": _sign,
    "fmin": _extreme("olt"),
    "fmax": _extreme("ogt"),
}
