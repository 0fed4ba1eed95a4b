"""A CasADi SX function as a list of numpy operations over rows of points.

CasADi's own virtual machine walks through a function's instructions once for every point. Here the walk is done once and
every instruction works on a whole row of points, which costs a tenth. Instructions that depend on nothing but shared inputs
(a car's numbers, the same at every point) work on a single number.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import casadi as ca
import numpy as np
from numpy.typing import NDArray

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


UNARY: dict[int, Any] = {
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
}

BINARY: dict[int, Any] = {
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


class PointProgram:
    """A CasADi SX function prepared for a fixed number of points.

    Parameters
    ----------
    function
        An SX function.
    count
        Number of points M.
    shared
        Positions of the inputs that are the same at every point.

    Raises
    ------
    ValueError
        For an operation that is not supported, by its CasADi number, or a function that is not SX.
    """

    def __init__(self, function: ca.Function, count: int, shared: Sequence[int] = ()) -> None:
        if not function.is_a("SXFunction"):
            raise ValueError(f"{function.name()} is not an SX function")
        self.count = count
        self.shared = frozenset(shared)
        self.inputs = [
            np.zeros((function.nnz_in(i), 1 if i in self.shared else count)) for i in range(function.n_in())
        ]
        self.outputs = [np.zeros((function.nnz_out(i), count)) for i in range(function.n_out())]
        self._once: list[tuple[Any, tuple[Array, ...]]] = []
        self._rows: list[tuple[Any, tuple[Array, ...]]] = []
        self._prepare(function)

    def __call__(self, *arguments: Array) -> list[Array]:
        """Values of the function at M points.

        Parameters
        ----------
        arguments
            (nnz, M) for each input, (nnz,) for a shared one.

        Returns
        -------
        list of (nnz, M) arrays
            Nonzeros of each output; overwritten by the next call.
        """
        for i, (place, value) in enumerate(zip(self.inputs, arguments, strict=True)):
            place[...] = np.asarray(value).reshape(place.shape) if i in self.shared else value
        with np.errstate(all="ignore"):
            for operation, operands in self._once:
                operation(*operands)
            for operation, operands in self._rows:
                operation(*operands)
        return self.outputs

    def _prepare(self, function: ca.Function) -> None:
        size = function.sz_w()
        rows = np.zeros((size, self.count))
        # Registers are used again and again, so shared values each get a place of their own.
        holds: list[Array] = [rows[k] for k in range(size)]
        for k in range(function.n_instructions()):
            code = function.instruction_id(k)
            into = function.instruction_output(k)
            if code == ca.OP_CONST:
                holds[into[0]] = np.array([function.instruction_constant(k)])
                continue
            if code == ca.OP_INPUT:
                which, nonzero = function.instruction_input(k)
                holds[into[0]] = self.inputs[which][nonzero]
                continue
            if code == ca.OP_OUTPUT:
                source = holds[function.instruction_input(k)[0]]
                self._rows.append((np.positive, (source, self.outputs[into[0]][into[1]])))
                continue
            operands = [holds[i] for i in function.instruction_input(k)]
            operation = UNARY.get(code) or BINARY.get(code)
            if operation is None:
                raise ValueError(f"{function.name()}: CasADi operation {code} is not supported")
            if code in UNARY:
                operands = operands[:1]
            alike = all(len(operand) == 1 for operand in operands) and self.count > 1
            target = np.zeros(1) if alike else rows[into[0]]
            (self._once if alike else self._rows).append((operation, (*operands, target)))
            holds[into[0]] = target
