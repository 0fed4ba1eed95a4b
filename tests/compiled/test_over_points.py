"""Functions over points, by machine code and by numpy, against CasADi's own evaluation point by point."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import casadi as ca
import llvmlite.binding as llvm
import numpy as np
import pytest

from lapwright.compiled.emit import Program
from lapwright.compiled.instructions import read
from lapwright.compiled.operations import BINARY, UNARY
from lapwright.compiled.over_points import OverPoints
from lapwright.compiled.reduce import reduce
from lapwright.compiled.words import Lanes

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
def test_unary_operations_agree_with_casadi(name, way):
    function = function_of(name, UNARY_WAYS[name], 1)
    found = OverPoints(function)(ALL[None, :])[0][0]
    np.testing.assert_allclose(found, by_casadi(function, ALL), rtol=1e-13, atol=0.0, equal_nan=True)


@pytest.mark.parametrize("name", BINARY_WAYS)
def test_binary_operations_agree_with_casadi(name, way):
    function = function_of(name, BINARY_WAYS[name], 2)
    found = OverPoints(function)(PAIRS[:1], PAIRS[1:])[0][0]
    np.testing.assert_allclose(found, by_casadi(function, *PAIRS), rtol=1e-13, atol=0.0, equal_nan=True)


@pytest.mark.parametrize("name", [*UNARY_WAYS, *BINARY_WAYS])
def test_operations_on_shared_inputs_agree_with_casadi(name, way):
    """What depends on shared inputs alone is computed by other code: once, on single numbers."""
    operation = UNARY_WAYS.get(name) or BINARY_WAYS[name]
    function = function_of(name, operation, 1 if name in UNARY_WAYS else 2)
    inputs = (ALL,) if name in UNARY_WAYS else PAIRS[:, ::7]
    program = OverPoints(function, shared=range(len(inputs)))
    found = [float(program(*np.array(point)[:, None])[0][0, 0]) for point in zip(*inputs, strict=True)]
    np.testing.assert_allclose(found, by_casadi(function, *inputs), rtol=1e-13, atol=0.0, equal_nan=True)


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


def long_function(seed: int, length: int) -> ca.Function:
    """A long random expression that stays in range and forgets nothing: many parts, values needed again far behind."""
    rng = np.random.default_rng(seed)
    x, q = ca.SX.sym("x", 5), ca.SX.sym("q", 3)
    values = [x[i] for i in range(5)] + [q[i] for i in range(3)]
    for _ in range(length):
        a, b, c = (values[int(i)] for i in rng.integers(len(values) // 3, len(values), 3))
        values.append(
            [
                lambda a, b, c: 0.5 * a + b * c,
                lambda a, b, c: ca.sin(a - b),
                lambda a, b, c: a / (2.0 + c * c) - b / (2.0 + c * c),
                lambda a, b, c: ca.atan(a) * ca.cos(b),
                lambda a, b, c: ca.fmin(a, ca.fabs(b)) - 0.25 * c,
                lambda a, b, c: ca.if_else(a < b, c, 0.5 * a),
                lambda a, b, c: ca.sqrt(1.0 + a * a) - ca.sqrt(1.0 + b * b),
                lambda a, b, c: 2.0 * ca.tanh(a) - b,
            ][int(rng.integers(8))](a, b, c)
        )
        values[-1] = ca.sin(values[-1])
    picked = [values[int(i)] for i in rng.integers(0, len(values), 40)]
    return ca.Function("long", [x, q], [ca.vertcat(*picked[:25]), ca.vertcat(*picked[25:])])


@pytest.mark.parametrize("count", [1, 2, 3, 7, 8, 9, 17, 64])
@pytest.mark.parametrize("shared", [(), (1,)])
def test_vectors_sparse_outputs_and_shared_inputs(count, shared, way):
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


@pytest.mark.parametrize("shared", [(), (1,)])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_long_functions_agree_with_casadi(seed, shared, way):
    rng = np.random.default_rng(seed)
    function = long_function(seed, 700)
    assert function.n_instructions() > 1500
    x, q = rng.normal(size=(5, 21)), rng.normal(size=3)
    found = OverPoints(function, shared)(x, q if shared else np.repeat(q[:, None], 21, axis=1))
    for m in range(21):
        for got, wanted in zip(found, function(x[:, m], q), strict=True):
            np.testing.assert_allclose(got[:, m], np.asarray(wanted.nonzeros()), rtol=1e-9, atol=1e-11)


@pytest.mark.parametrize("carried", [None, [(0, 0)]])
@pytest.mark.parametrize("shared", [(), (1,), (0, 1)])
@pytest.mark.parametrize("width", [1, 2, 4, 8])
@pytest.mark.parametrize("fused", [False, True])
def test_programs_pass_the_verifier_of_llvm(fused, width, shared, carried):
    steps = reduce(read(long_function(8, 300), shared), fused)
    llvm.parse_assembly(Program(steps, 2, Lanes(width), "run", fused, carried).text).verify()


def test_one_program_for_any_number_of_points(way):
    program, rng = OverPoints(mixed_function(), (1,)), np.random.default_rng(2)
    x, q = rng.normal(size=(3, 40)), rng.normal(size=4)
    whole = program(x, q)
    for count in (40, 1, 23, 8, 5, 0):
        for part, full in zip(program(x[:, :count], q), whole, strict=True):
            np.testing.assert_array_equal(part, full[:, :count])


def test_a_point_does_not_see_its_neighbours(way):
    """Whichever points share a vector, and where the last vector begins: every bit is the same."""
    function, rng = long_function(4, 300), np.random.default_rng(4)
    x, q = rng.normal(size=(5, 37)), rng.normal(size=3)
    program = OverPoints(function, (1,))
    whole = program(x, q)
    for start, end in ((0, 8), (3, 19), (30, 37), (36, 37)):
        for part, full in zip(program(x[:, start:end], q), whole, strict=True):
            np.testing.assert_array_equal(part, full[:, start:end])


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_shared_denominators_at_the_ends_of_the_range(way):
    """x/y and z/y with the same y: zeros, infinities and NaN as IEEE 754 has them, and no error but the last place."""
    x, y, z = ca.SX.sym("x"), ca.SX.sym("y"), ca.SX.sym("z")
    function = ca.Function("quotients", [x, y, z], [ca.vertcat(x / y, z / y)])
    rows = np.array([(a, b) for a in EDGES for b in EDGES]).T
    wanted = rows[0] / rows[1]
    found = OverPoints(function)(rows[:1], rows[1:], rows[:1])[0]
    np.testing.assert_allclose(found, [wanted, wanted], rtol=4e-16, equal_nan=True)
    program = OverPoints(function, (1,))
    for y in EDGES:
        found = program(EDGES[None, :], np.array([y]), EDGES[None, :])[0]
        np.testing.assert_allclose(found, [EDGES / y] * 2, rtol=4e-16, equal_nan=True)


def test_a_second_call_forgets_the_first(way):
    program = OverPoints(mixed_function(), (1,))
    rng = np.random.default_rng(1)
    first, second = [(rng.normal(size=(3, 5)), rng.normal(size=4)) for _ in range(2)]
    once = program(*first)
    program(*second)
    for again, before in zip(program(*first), once, strict=True):
        np.testing.assert_array_equal(again, before)


def test_results_are_written_where_asked(way):
    program, rng = OverPoints(mixed_function(), (1,)), np.random.default_rng(5)
    x, q = rng.normal(size=(3, 21)), rng.normal(size=4)
    wanted = program(x, q)
    room = np.full((40, 30), 3.25)
    out = [np.empty(wanted[0].shape), room[5 : 5 + len(wanted[1]), 4:25], np.empty(wanted[2].shape)]
    assert program(x, q, out=out) is out
    for got, value in zip(out, wanted, strict=True):
        np.testing.assert_array_equal(got, value)
    room[5 : 5 + len(wanted[1]), 4:25] = 3.25
    assert np.all(room == 3.25)


def test_results_may_be_written_over_the_arguments(way):
    x = ca.SX.sym("x", 2)
    program = OverPoints(ca.Function("swap", [x], [ca.vertcat(x[1], x[0] + x[1])]))
    place = np.arange(38.0).reshape(2, 19)
    wanted = program(place)[0]
    program(place, out=[place])
    np.testing.assert_array_equal(place, wanted)


def test_arguments_of_other_kinds_are_copied(way):
    program, rng = OverPoints(mixed_function(), (1,)), np.random.default_rng(6)
    x, q = rng.integers(-4, 5, size=(3, 11)), [0.5, 1.5, -2.0, 3.0]
    wanted = program(x.astype(float), np.array(q))
    sliced = np.zeros((6, 22))
    sliced[::2, ::2] = x
    for argument in (
        x,
        x.tolist(),
        np.asfortranarray(x, dtype=float),
        x.astype(np.float32),
        sliced[::2, ::2],
    ):
        for got, value in zip(program(argument, q), wanted, strict=True):
            np.testing.assert_array_equal(got, value)


def test_empty_inputs_and_outputs(way):
    x, nothing = ca.SX.sym("x"), ca.SX.sym("n", 0)
    program = OverPoints(ca.Function("part", [nothing, x], [ca.SX(0, 1), 2.0 * x, ca.SX(2, 2)]))
    found = program(np.zeros((0, 9)), np.arange(9.0)[None])
    assert [a.shape for a in found] == [(0, 9), (1, 9), (0, 9)]
    np.testing.assert_array_equal(found[1][0], 2.0 * np.arange(9.0))


def test_results_that_depend_on_shared_inputs_alone(way):
    q = ca.SX.sym("q", 2)
    program = OverPoints(ca.Function("own", [q], [ca.vertcat(q[0] / q[1], 4.0)]), (0,))
    np.testing.assert_array_equal(program(np.array([1.0, 4.0]))[0], [[0.25], [4.0]])
    out = [np.empty((2, 11))]
    np.testing.assert_array_equal(program(np.array([1.0, 4.0]), out=out)[0], [[0.25] * 11, [4.0] * 11])


def test_several_threads_may_call_one_program(way):
    function, rng = long_function(7, 300), np.random.default_rng(7)
    program, q = OverPoints(function, (1,)), rng.normal(size=3)
    inputs = [rng.normal(size=(5, 50)) for _ in range(24)]
    wanted = [program(x, q) for x in inputs]
    if way == "numpy":
        program = OverPoints(function, (1,))
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda x: program(x, q), inputs))
    for got, value in zip(found, wanted, strict=True):
        for a, b in zip(got, value, strict=True):
            np.testing.assert_array_equal(a, b)


def test_one_point_out_of_range_leaves_the_others_alone(way):
    x = ca.SX.sym("x")
    function = ca.Function("log", [x], [ca.log(x) + 1.0 / x])
    found = OverPoints(function)(np.array([[1.0, -1.0, np.e]]))[0][0]
    np.testing.assert_allclose(found[[0, 2]], [1.0, 1.0 + 1.0 / np.e], rtol=1e-15)
    assert np.isnan(found[1])


def test_unsupported_operation_is_named(way):
    x = ca.SX.sym("x")
    with pytest.raises(ValueError, match=r"bell: erf \(error function\) is not supported"):
        OverPoints(ca.Function("bell", [x], [ca.erf(x)]))(np.zeros((1, 4)))


def test_a_function_that_is_not_sx_is_refused():
    x = ca.MX.sym("x")
    with pytest.raises(ValueError, match="graph is not an SX function"):
        OverPoints(ca.Function("graph", [x], [ca.sin(x)]))


@pytest.mark.parametrize(
    ("arguments", "out", "words"),
    [
        ([np.zeros((3, 2))], None, "takes 2 arguments, not 1"),
        ([np.zeros((2, 5)), np.zeros(4)], None, r"argument 0 has the shape \(2, 5\); it takes \(3, points\)"),
        ([np.zeros((3, 5)), np.zeros((4, 5))], None, r"argument 1 has the shape \(4, 5\); it takes \(4,\)"),
        ([np.zeros((3, 5)), np.zeros(4)], [np.zeros((5, 5))], "3 outputs, not 1"),
        ([np.zeros((3, 5)), np.zeros(4)], [np.zeros((5, 4))] * 3, r"place for output 0 .* \(5, 5\)"),
        ([np.zeros((3, 5)), np.zeros(4)], [np.zeros((5, 10))[:, ::2]] * 3, "output 0 .* contiguous rows"),
        (
            [np.zeros((3, 5)), np.zeros(4)],
            [np.broadcast_to(np.zeros(5), (5, 5))] * 3,
            "output 0 .* written to",
        ),
    ],
)
def test_shapes_are_checked(arguments, out, words):
    with pytest.raises(ValueError, match=words):
        OverPoints(mixed_function(), (1,))(*arguments, out=out)


def test_a_shared_input_has_to_exist():
    with pytest.raises(ValueError, match="mixed has 2 inputs; 2 cannot be a shared one"):
        OverPoints(mixed_function(), (2,))
