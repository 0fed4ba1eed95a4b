"""A CasADi SX function as a list of values, each computed once from values before it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import casadi as ca

from lapwright.compiled.operations import BINARY, UNARY, refusal

NONE = -1
"""Stands where a value has no second operand."""


@dataclass(frozen=True)
class Instructions:
    """The values of a function in the order of its own instructions.

    CasADi's registers are used again and again; here every value has a number of its own.

    Attributes
    ----------
    codes
        CasADi's number of the operation of each value; ``OP_CONST`` and ``OP_INPUT`` among them.
    first, second
        Operands as numbers of values; ``NONE`` where there is none. An input has its position and its nonzero here.
    constants
        Number of a value -> its constant.
    outputs
        (output, nonzero, number of the value) of every nonzero of the results.
    alike
        Whether a value depends on nothing but shared inputs and constants.
    """

    codes: list[int]
    first: list[int]
    second: list[int]
    constants: dict[int, float]
    outputs: list[tuple[int, int, int]]
    alike: list[bool]

    def __len__(self) -> int:
        return len(self.codes)

    def operands(self, value: int) -> Iterator[int]:
        """Numbers of the values that a value is computed from."""
        if self.codes[value] not in (ca.OP_CONST, ca.OP_INPUT):
            yield self.first[value]
            if self.second[value] != NONE:
                yield self.second[value]


def check(function: ca.Function, shared: Collection[int] = ()) -> None:
    """Raise ValueError for what is no SX function, or for a shared input that does not exist."""
    if not function.is_a("SXFunction"):
        raise ValueError(f"{function.name()} is not an SX function")
    for i in shared:
        if not 0 <= i < function.n_in():
            raise ValueError(f"{function.name()} has {function.n_in()} inputs; {i} cannot be a shared one")


def read(function: ca.Function, shared: Collection[int] = ()) -> Instructions:
    """Walk through the instructions of an SX function.

    Parameters
    ----------
    function
        An SX function.
    shared
        Positions of the inputs that are the same at every point.

    Raises
    ------
    ValueError
        For an operation that is not supported, in words, or a function that is not SX.
    """
    check(function, shared)
    found = Instructions([], [], [], {}, [], [])
    holds: dict[int, int] = {}
    for k in range(function.n_instructions()):
        code = function.instruction_id(k)
        into, source = function.instruction_output(k), function.instruction_input(k)
        if code == ca.OP_OUTPUT:
            found.outputs.append((into[0], into[1], holds[source[0]]))
            continue
        first = second = NONE
        if code == ca.OP_CONST:
            found.constants[len(found)] = function.instruction_constant(k)
            alike = True
        elif code == ca.OP_INPUT:
            first, second = source
            alike = first in shared
        elif code in UNARY:
            first = holds[source[0]]
            alike = found.alike[first]
        elif code in BINARY:
            first, second = holds[source[0]], holds[source[1]]
            alike = found.alike[first] and found.alike[second]
        else:
            raise refusal(function, code)
        holds[into[0]] = len(found)
        found.codes.append(code)
        found.first.append(first)
        found.second.append(second)
        found.alike.append(alike)
    return found
