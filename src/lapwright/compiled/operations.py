"""The operations of CasADi's scalar functions: which are supported, and what they are called in words."""

from __future__ import annotations

import casadi as ca

UNARY: dict[int, str] = {
    ca.OP_ASSIGN: "copy",
    ca.OP_NEG: "negation",
    ca.OP_EXP: "exp",
    ca.OP_LOG: "log",
    ca.OP_SQRT: "sqrt",
    ca.OP_SQ: "square",
    ca.OP_TWICE: "twice",
    ca.OP_SIN: "sin",
    ca.OP_COS: "cos",
    ca.OP_TAN: "tan",
    ca.OP_ASIN: "asin",
    ca.OP_ACOS: "acos",
    ca.OP_ATAN: "atan",
    ca.OP_SINH: "sinh",
    ca.OP_COSH: "cosh",
    ca.OP_TANH: "tanh",
    ca.OP_ASINH: "asinh",
    ca.OP_ACOSH: "acosh",
    ca.OP_ATANH: "atanh",
    ca.OP_FLOOR: "floor",
    ca.OP_CEIL: "ceil",
    ca.OP_FABS: "fabs",
    ca.OP_SIGN: "sign",
    ca.OP_INV: "reciprocal",
    ca.OP_NOT: "not",
    ca.OP_LOG1P: "log1p",
    ca.OP_EXPM1: "expm1",
}
"""Supported operations of one operand: CasADi's number and a name."""

BINARY: dict[int, str] = {
    ca.OP_ADD: "sum",
    ca.OP_SUB: "difference",
    ca.OP_MUL: "product",
    ca.OP_DIV: "quotient",
    ca.OP_POW: "pow",
    ca.OP_CONSTPOW: "pow with a constant exponent",
    ca.OP_FMIN: "fmin",
    ca.OP_FMAX: "fmax",
    ca.OP_FMOD: "fmod",
    ca.OP_ATAN2: "atan2",
    ca.OP_COPYSIGN: "copysign",
    ca.OP_HYPOT: "hypot",
    ca.OP_LT: "less than",
    ca.OP_LE: "less than or equal",
    ca.OP_EQ: "equal",
    ca.OP_NE: "not equal",
    ca.OP_AND: "and",
    ca.OP_OR: "or",
    ca.OP_IF_ELSE_ZERO: "value if a condition holds, else zero",
}
"""Supported operations of two operands."""

OTHERS: dict[int, str] = {
    ca.OP_ERF: "erf (error function)",
    ca.OP_ERFINV: "erfinv (inverse of the error function)",
    ca.OP_REMAINDER: "remainder (IEEE remainder)",
    ca.OP_PRINTME: "printme (prints its operand)",
    ca.OP_LIFT: "lift (lifted variable)",
    ca.OP_PARAMETER: "a symbol that is no input of the function",
    ca.OP_CALL: "a call of another function",
}
"""Operations that may stand in a CasADi function and are not supported."""


def refusal(function: ca.Function, code: int) -> ValueError:
    """The error that says which operation of a function is not supported."""
    words = OTHERS.get(code, f"CasADi operation number {code}")
    return ValueError(
        f"{function.name()}: {words} is not supported; expand the function or write it otherwise"
    )
