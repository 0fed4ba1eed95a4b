"""Every operation of a function over points against CasADi's own evaluation of the same function, point by point."""

from __future__ import annotations

import casadi as ca
import numpy as np
import pytest

from lapwright.compiled.operations import BINARY, UNARY
from lapwright.compiled.over_points import OverPoints

EDGES = np.array([0.0, -0.0, 1.0, -1.0, 0.5, -0.5, 2.0, -3.0, 1e-300, 1e300, -1e300, np.inf, -np.inf, np.nan])
DRAWN = np.random.default_rng(7).normal(0.0, 2.0, 40)
ALL = np.concatenate([EDGES, DRAWN, np.linspace(-0.999, 0.999, 21)])
PAIRS = np.array([(a, b) for a in np.concatenate([EDGES, DRAWN[:8]]) for b in (*EDGES, *DRAWN[8:14])]).T

UNARY_WAYS = {
    "assign": lambda a: a,
    "neg": lambda a: -a,
    "exp": ca.exp,
    "log": ca.log,
    "sqrt": ca.sqrt,
    "sq": lambda a: a**2,
    "twice": lambda a: 2.0 * a,
    "sin": ca.sin,
    "cos": ca.cos,
    "tan": ca.tan,
    "asin": ca.asin,
    "acos": ca.acos,
    "atan": ca.atan,
    "sinh": ca.sinh,
    "cosh": ca.cosh,
    "tanh": ca.tanh,
    "asinh": ca.asinh,
    "acosh": ca.acosh,
    "atanh": ca.atanh,
    "floor": ca.floor,
    "ceil": ca.ceil,
    "fabs": ca.fabs,
    "sign": ca.sign,
    "inv": lambda a: 1.0 / a,
    "not": ca.logic_not,
    "log1p": ca.log1p,
    "expm1": ca.expm1,
    "constpow": lambda a: a**2.7,
    "cube": lambda a: a**3,
    "constant": lambda a: a - a + 3.25,
}
BINARY_WAYS = {
    "add": lambda a, b: a + b,
    "sub": lambda a, b: a - b,
    "mul": lambda a, b: a * b,
    "div": lambda a, b: a / b,
    "pow": lambda a, b: a**b,
    "fmin": ca.fmin,
    "fmax": ca.fmax,
    "fmod": ca.fmod,
    "atan2": ca.atan2,
    "copysign": ca.copysign,
    "hypot": ca.hypot,
    "lt": lambda a, b: a < b,
    "le": lambda a, b: a <= b,
    "eq": lambda a, b: a == b,
    "ne": lambda a, b: a != b,
    "and": ca.logic_and,
    "or": ca.logic_or,
    "if_else_zero": lambda a, b: ca.if_else(a, b, 0.0),
    "if_else": lambda a, b: ca.if_else(a < b, a, b),
}


def function_of(name: str, way, count: int) -> ca.Function:
    symbols = [ca.SX.sym(f"x{i}") for i in range(count)]
    return ca.Function(f"try_{name}", symbols, [way(*symbols)])


def by_casadi(function: ca.Function, *rows: np.ndarray) -> np.ndarray:
    """CasADi's virtual machine, one point at a time."""
    return np.array([float(function(*(float(v) for v in point))) for point in zip(*rows, strict=True)])


@pytest.mark.parametrize("name", UNARY_WAYS)
def test_unary_operations_agree_with_casadi(name):
    function = function_of(name, UNARY_WAYS[name], 1)
    found = OverPoints(function)(ALL[None, :])[0][0]
    np.testing.assert_allclose(found, by_casadi(function, ALL), rtol=1e-13, atol=0.0, equal_nan=True)


@pytest.mark.parametrize("name", BINARY_WAYS)
def test_binary_operations_agree_with_casadi(name):
    function = function_of(name, BINARY_WAYS[name], 2)
    found = OverPoints(function)(PAIRS[:1], PAIRS[1:])[0][0]
    np.testing.assert_allclose(found, by_casadi(function, *PAIRS), rtol=1e-13, atol=0.0, equal_nan=True)


def test_every_operation_of_the_tables_is_tried():
    tried = set()
    for ways, count in ((UNARY_WAYS, 1), (BINARY_WAYS, 2)):
        for name, way in ways.items():
            function = function_of(name, way, count)
            tried |= {function.instruction_id(k) for k in range(function.n_instructions())}
    # A plain copy is no instruction of its own in a function of scalars: CasADi moves the register.
    assert set(UNARY) | set(BINARY) <= tried | {ca.OP_ASSIGN}


def mixed_function() -> ca.Function:
    """Several outputs, a sparse one among them, registers used again, parts that depend on shared inputs alone."""
    x, q = ca.SX.sym("x", 3), ca.SX.sym("q", 4)
    own = ca.exp(q[0]) / (1.0 + q[1] ** 2) + ca.sin(q[2] * q[3])
    values = ca.vertcat(x[0] * own + ca.tanh(x[1]), ca.sqrt(x[2] ** 2 + own**2), own, 7.5, q[1])
    return ca.Function("mixed", [x, q], [values, ca.jacobian(values, x), ca.hessian(values[0], x)[0]])


@pytest.mark.parametrize("count", [1, 2, 17])
@pytest.mark.parametrize("shared", [(), (1,)])
def test_vectors_sparse_outputs_and_shared_inputs(count, shared):
    rng = np.random.default_rng(count)
    function = mixed_function()
    x, q = rng.normal(size=(3, count)), rng.normal(size=4)
    every = np.repeat(q[:, None], count, axis=1)
    program = OverPoints(function, shared)
    for _ in range(2):
        found = program(x, q if shared else every)
    for m in range(count):
        for got, wanted in zip(found, function(x[:, m], q), strict=True):
            np.testing.assert_allclose(got[:, m], np.asarray(wanted.nonzeros()), rtol=1e-13)


def test_a_second_call_forgets_the_first():
    program = OverPoints(mixed_function(), (1,))
    rng = np.random.default_rng(1)
    first, second = [(rng.normal(size=(3, 5)), rng.normal(size=4)) for _ in range(2)]
    once = [v.copy() for v in program(*first)]
    program(*second)
    for again, before in zip(program(*first), once, strict=True):
        np.testing.assert_array_equal(again, before)


def test_one_point_out_of_range_leaves_the_others_alone():
    x = ca.SX.sym("x")
    function = ca.Function("log", [x], [ca.log(x) + 1.0 / x])
    found = OverPoints(function)(np.array([[1.0, -1.0, np.e]]))[0][0]
    np.testing.assert_allclose(found[[0, 2]], [1.0, 1.0 + 1.0 / np.e], rtol=1e-15)
    assert np.isnan(found[1])


def test_unsupported_operation_is_named():
    x = ca.SX.sym("x")
    with pytest.raises(ValueError, match=r"bell: erf \(error function\) is not supported"):
        OverPoints(ca.Function("bell", [x], [ca.erf(x)]))(np.zeros((1, 4)))


def test_a_function_that_is_not_sx_is_refused():
    x = ca.MX.sym("x")
    with pytest.raises(ValueError, match="graph is not an SX function"):
        OverPoints(ca.Function("graph", [x], [ca.sin(x)]))


def test_number_of_arguments_is_checked():
    with pytest.raises(ValueError):
        OverPoints(mixed_function())(np.zeros((3, 2)))
