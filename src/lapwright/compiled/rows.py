"""A CasADi SX function as a list of numpy operations over rows of points.

The way without machine code. CasADi's own virtual machine walks through a function's instructions once for every point;
here the walk is done once and every instruction works on a whole row of points, which costs a tenth. Instructions that depend
on nothing but shared inputs work on a single number.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.compiled.instructions import NONE, Instructions, read

Array = NDArray[np.float64]


def _if_else_zero(condition: Array, value: Array, out: Array) -> None:
    out[...] = np.where(condition != 0.0, value, 0.0)


def _logical(compare: Callable[..., Any]) -> Callable[[Array, Array, Array], None]:
    def run(a: Array, b: Array, out: Array) -> None:
        out[...] = compare(a, b)

    return run


def _not(a: Array, out: Array) -> None:
    out[...] = a == 0.0


def _twice(a: Array, out: Array) -> None:
    np.add(a, a, out)


WAYS: dict[int, Any] = {
    ca.OP_ASSIGN: np.positive,
    ca.OP_NEG: np.negative,
    ca.OP_EXP: np.exp,
    ca.OP_LOG: np.log,
    ca.OP_SQRT: np.sqrt,
    ca.OP_SQ: np.square,
    ca.OP_TWICE: _twice,
    ca.OP_SIN: np.sin,
    ca.OP_COS: np.cos,
    ca.OP_TAN: np.tan,
    ca.OP_ASIN: np.arcsin,
    ca.OP_ACOS: np.arccos,
    ca.OP_ATAN: np.arctan,
    ca.OP_SINH: np.sinh,
    ca.OP_COSH: np.cosh,
    ca.OP_TANH: np.tanh,
    ca.OP_ASINH: np.arcsinh,
    ca.OP_ACOSH: np.arccosh,
    ca.OP_ATANH: np.arctanh,
    ca.OP_FLOOR: np.floor,
    ca.OP_CEIL: np.ceil,
    ca.OP_FABS: np.fabs,
    ca.OP_SIGN: np.sign,
    ca.OP_INV: np.reciprocal,
    ca.OP_NOT: _not,
    ca.OP_LOG1P: np.log1p,
    ca.OP_EXPM1: np.expm1,
    ca.OP_ADD: np.add,
    ca.OP_SUB: np.subtract,
    ca.OP_MUL: np.multiply,
    ca.OP_DIV: np.divide,
    ca.OP_POW: np.power,
    ca.OP_CONSTPOW: np.power,
    ca.OP_FMIN: np.fmin,
    ca.OP_FMAX: np.fmax,
    ca.OP_FMOD: np.fmod,
    ca.OP_ATAN2: np.arctan2,
    ca.OP_COPYSIGN: np.copysign,
    ca.OP_HYPOT: np.hypot,
    ca.OP_LT: _logical(np.less),
    ca.OP_LE: _logical(np.less_equal),
    ca.OP_EQ: _logical(np.equal),
    ca.OP_NE: _logical(np.not_equal),
    ca.OP_AND: _logical(np.logical_and),
    ca.OP_OR: _logical(np.logical_or),
    ca.OP_IF_ELSE_ZERO: _if_else_zero,
}
"""numpy's operation for each of CasADi's."""
KEPT = 2
"""Numbers of points for which rows are kept ready."""


class Rows:
    """A CasADi SX function by numpy.

    Parameters
    ----------
    function
        An SX function.
    shared
        Positions of the inputs that are the same at every point.
    """

    def __init__(self, function: ca.Function, shared: Collection[int]) -> None:
        self.function, self.shared = function, frozenset(shared)
        self.tape = read(function, shared)
        self._ready: dict[int, _Prepared] = {}

    def __call__(self, arguments: list[Array], results: list[Array], count: int) -> None:
        """Values at ``count`` points, written into ``results``; shapes as in ``OverPoints``."""
        prepared = self._ready.pop(count, None) or _Prepared(self.function, self.tape, self.shared, count)
        prepared.run(arguments, results)
        self._ready[count] = prepared
        while len(self._ready) > KEPT:
            self._ready.pop(next(iter(self._ready)))


class _Prepared:
    """Operations and rows for a number of points."""

    def __init__(self, function: ca.Function, tape: Instructions, shared: frozenset[int], count: int) -> None:
        self.inputs = [
            np.zeros((function.nnz_in(i), 1 if i in shared else count)) for i in range(function.n_in())
        ]
        self.outputs = tape.outputs
        self.work: list[tuple[Any, tuple[Array, ...]]] = []
        self.values: list[Array] = []
        places = _registers(tape)
        rows = np.zeros((max(places, default=-1) + 1, count))
        for k, code in enumerate(tape.codes):
            if code == ca.OP_CONST:
                self.values.append(np.array([tape.constants[k]]))
            elif code == ca.OP_INPUT:
                self.values.append(self.inputs[tape.first[k]][tape.second[k]])
            else:
                target = np.zeros(1) if tape.alike[k] else rows[places[k]]
                operands = [self.values[i] for i in (tape.first[k], tape.second[k]) if i != NONE]
                self.work.append((WAYS[code], (*operands, target)))
                self.values.append(target)

    def run(self, arguments: list[Array], results: list[Array]) -> None:
        """Walk through the operations."""
        for place, value in zip(self.inputs, arguments, strict=True):
            place[...] = value.reshape(place.shape)
        with np.errstate(all="ignore"):
            for operation, operands in self.work:
                operation(*operands)
        for output, nonzero, k in self.outputs:
            results[output][nonzero] = self.values[k]


def _registers(tape: Instructions) -> list[int]:
    """A row for every value; a row is used again once its value is no longer needed."""
    last = list(range(len(tape)))
    for k in range(len(tape)):
        for source in tape.operands(k):
            last[source] = k
    for _, _, k in tape.outputs:
        last[k] = len(tape)
    places: list[int] = []
    free: list[int] = []
    size = 0
    ends: dict[int, list[int]] = {}
    for k in range(len(tape)):
        if free:
            place = free.pop()
        else:
            place, size = size, size + 1
        places.append(place)
        ends.setdefault(last[k], []).append(place)
        free += ends.pop(k, [])
    return places
