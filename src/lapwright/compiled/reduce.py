"""From CasADi's instructions to what a processor does: shared reciprocals, fused products and sums.

Every value keeps the value IEEE arithmetic gives it but for two liberties, each an error of the last place:

- A division by a denominator that is used more than once, or that is the same at every point, is a product with its
  reciprocal. Zeros and infinities come out as they do from the division: x/0 is x times infinity, 0/0 and inf/inf are
  NaN, x/inf is zero. Only where the reciprocal itself leaves the range does the result differ: for abs(y) below
  2**-1024 it is infinite (so that 0/y is NaN), for abs(y) above 2**1022 it is subnormal and loses digits.
- A product that is used in sums alone is fused with them, where the processor can: one rounding in place of two, and a
  product beyond the range of doubles does no harm if the sum is within it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import casadi as ca

from lapwright.compiled.instructions import NONE, Instructions
from lapwright.compiled.operations import BINARY, UNARY

DIRECT: dict[int, str] = {
    ca.OP_ADD: "fadd",
    ca.OP_SUB: "fsub",
    ca.OP_MUL: "fmul",
    ca.OP_DIV: "fdiv",
    ca.OP_NEG: "fneg",
    ca.OP_POW: "pow",
    ca.OP_CONSTPOW: "pow",
    ca.OP_LT: "lt",
    ca.OP_LE: "le",
    ca.OP_EQ: "eq",
    ca.OP_NE: "ne",
    ca.OP_AND: "and",
    ca.OP_OR: "or",
    ca.OP_IF_ELSE_ZERO: "if_else_zero",
}
"""Operations with another name here than in words."""


@dataclass(frozen=True)
class Steps:
    """What is computed, in order.

    Attributes
    ----------
    names
        Name of the operation of each step: ``const``, ``input``, ``fadd`` ..., ``fma`` (a b + c), ``fms`` (a b - c), ``fnma``
        (c - a b), ``sqrt``, ``sin`` ...
    operands
        Numbers of earlier steps; (constant,) of a ``const``, (input, nonzero) of an ``input``.
    alike
        Whether a step depends on nothing but shared inputs and constants.
    outputs
        (output, nonzero, step).
    """

    names: list[str]
    operands: list[tuple]
    alike: list[bool]
    outputs: list[tuple[int, int, int]]

    def add(self, name: str, operands: tuple, alike: bool) -> int:
        """Append a step and return its number."""
        self.names.append(name)
        self.operands.append(operands)
        self.alike.append(alike)
        return len(self.names) - 1

    def sources(self, step: int) -> tuple[int, ...]:
        """Numbers of the steps that a step is computed from."""
        return () if self.names[step] in ("const", "input") else self.operands[step]


def reduce(tape: Instructions, fused: bool) -> Steps:
    """Steps of a function; with ``fused`` products and sums are one step where they can be."""
    steps = _with_reciprocals(tape)
    if fused:
        _fuse(steps)
    return _without_the_unused(steps)


def _with_reciprocals(tape: Instructions) -> Steps:
    steps = Steps([], [], [], [])
    number: list[int] = []
    shared = _shared_denominators(tape)
    one = steps.add("const", (1.0,), True)
    two = steps.add("const", (2.0,), True)
    reciprocals: dict[int, int] = {}
    for k, code in enumerate(tape.codes):
        a, b, alike = tape.first[k], tape.second[k], tape.alike[k]
        if code == ca.OP_CONST:
            number.append(steps.add("const", (tape.constants[k],), True))
        elif code == ca.OP_INPUT:
            number.append(steps.add("input", (a, b), alike))
        elif code in (ca.OP_DIV, ca.OP_INV) and (below := b if code == ca.OP_DIV else a) in shared:
            if below not in reciprocals:
                reciprocals[below] = steps.add("fdiv", (one, number[below]), tape.alike[below])
            turned = reciprocals[below]
            number.append(turned if code == ca.OP_INV else steps.add("fmul", (number[a], turned), alike))
        elif code == ca.OP_INV:
            number.append(steps.add("fdiv", (one, number[a]), alike))
        elif code == ca.OP_SQ:
            number.append(steps.add("fmul", (number[a], number[a]), alike))
        elif code == ca.OP_TWICE:
            number.append(steps.add("fmul", (two, number[a]), alike))
        elif code == ca.OP_ASSIGN:
            number.append(number[a])
        else:
            name = DIRECT.get(code) or UNARY.get(code) or BINARY[code]
            operands = (number[a],) if b == NONE else (number[a], number[b])
            number.append(steps.add(name, operands, alike))
    steps.outputs.extend((output, nonzero, number[k]) for output, nonzero, k in tape.outputs)
    return steps


def _shared_denominators(tape: Instructions) -> set[int]:
    below: Counter[int] = Counter()
    once = set()
    for k, code in enumerate(tape.codes):
        if code == ca.OP_DIV:
            below[tape.second[k]] += 1
            if tape.alike[tape.second[k]] and not tape.alike[k]:
                once.add(tape.second[k])
        elif code == ca.OP_INV:
            below[tape.first[k]] += 1
    return once | {k for k, count in below.items() if count > 1}


def _fuse(steps: Steps) -> None:
    """Turn sums of products into fused steps, where the product is then not needed by itself."""
    uses: list[list[int]] = [[] for _ in steps.names]
    for k in range(len(steps.names)):
        for source in steps.sources(k):
            uses[source].append(k)
    needed = {k for _, _, k in steps.outputs}
    names, alike = steps.names, steps.alike

    def can(product: int, total: int) -> bool:
        return names[product] == "fmul" and product not in needed and alike[product] == alike[total]

    for k, name in enumerate(names):
        if name == "fmul" and not all(names[u] in ("fadd", "fsub") and alike[u] == alike[k] for u in uses[k]):
            needed.add(k)
    chosen: dict[int, int] = {}
    totals = [k for k, name in enumerate(names) if name in ("fadd", "fsub")]
    for k in totals:
        a, b = steps.operands[k]
        if a == b:
            needed.add(a)
        elif can(a, k) and can(b, k):
            stays, goes = (a, b) if len(uses[a]) > len(uses[b]) else (b, a)
            needed.add(stays)
            chosen[k] = goes
    for k in totals:
        a, b = steps.operands[k]
        product = next((m for m in (chosen.get(k), a, b) if m is not None and can(m, k)), None)
        if product is not None:
            rest = b if product == a else a
            names[k] = "fma" if names[k] == "fadd" else ("fms" if product == a else "fnma")
            steps.operands[k] = (*steps.operands[product], rest)


def _without_the_unused(steps: Steps) -> Steps:
    wanted = [False] * len(steps.names)
    for _, _, k in steps.outputs:
        wanted[k] = True
    for k in range(len(wanted) - 1, -1, -1):
        if wanted[k]:
            for source in steps.sources(k):
                wanted[source] = True
    kept = Steps([], [], [], [])
    number: dict[int, int] = {}
    for k, name in enumerate(steps.names):
        if wanted[k]:
            operands = steps.operands[k]
            if name not in ("const", "input"):
                operands = tuple(number[source] for source in operands)
            number[k] = kept.add(name, operands, steps.alike[k])
    kept.outputs.extend((output, nonzero, number[k]) for output, nonzero, k in steps.outputs)
    return kept
