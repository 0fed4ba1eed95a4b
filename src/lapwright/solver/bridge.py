"""A problem's own values and derivatives as functions that CasADi can hand to a solver."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.transcription.evaluate import Pattern
from lapwright.transcription.nlp import Nlp

Array = NDArray[np.float64]
Fill = Callable[[list[Array], list[Array | None]], None]


class Bridge:
    """CasADi functions with the names and patterns that ``nlpsol`` expects; alive as long as the solver uses them."""

    def __init__(self, nlp: Nlp) -> None:
        self.size, self.parameter_count = nlp.layout.size, len(nlp.parameters)
        e = nlp.evaluator
        x, p = ca.Sparsity.dense(self.size), ca.Sparsity.dense(self.parameter_count)
        rows, one = ca.Sparsity.dense(nlp.layout.rows), ca.Sparsity.dense(1)
        inputs = {"x": x, "p": p}
        self.objective = _Passage(
            "nlp_f", inputs, {"f": one}, lambda a, r: _put(r[0], e.objective(a[0], a[1]))
        )
        self.rows = _Passage("nlp_g", inputs, {"g": rows}, lambda a, r: _put(r[0], e.rows(a[0], a[1])))

        def gradient(a: list[Array], r: list[Array | None]) -> None:
            _put(r[0], lambda: e.objective(a[0], a[1]))
            _put(r[1], lambda: e.gradient(a[0], a[1]))

        def jacobian(a: list[Array], r: list[Array | None]) -> None:
            _put(r[0], lambda: e.rows(a[0], a[1]))
            _put(r[1], lambda: e.jacobian(a[0], a[1]))

        def hessian(a: list[Array], r: list[Array | None]) -> None:
            _put(r[0], lambda: e.hessian(a[0], a[1], float(a[2][0]), a[3]))

        self.gradient = _Passage("nlp_grad_f", inputs, {"f": one, "grad:f:x": x}, gradient)
        self.jacobian = _Passage(
            "nlp_jac_g", inputs, {"g": rows, "jac:g:x": _sparsity(e.jacobian_pattern)}, jacobian
        )
        self.hessian = _Passage(
            "nlp_hess_l",
            inputs | {"lam:f": one, "lam:g": rows},
            {"triu:hess:gamma:x:x": _sparsity(e.hessian_pattern)},
            hessian,
        )

    def declaration(self) -> dict[str, Any]:
        """The problem as ``nlpsol`` takes it."""
        x, p = ca.MX.sym("x", self.size), ca.MX.sym("p", self.parameter_count)
        return {"x": x, "p": p, "f": self.objective(x, p), "g": self.rows(x, p)}


def _sparsity(pattern: Pattern) -> ca.Sparsity:
    return ca.Sparsity(*pattern.shape, pattern.starts.tolist(), pattern.rows.tolist())


def _put(place: Array | None, value: Any) -> None:
    """Fill a result that was asked for; a value may come as a function, called only then."""
    if place is not None:
        place[:] = value() if callable(value) else value


class _Passage(ca.Callback):  # type: ignore[misc]
    """One function: names and patterns outside, numpy arrays inside."""

    def __init__(
        self, name: str, inputs: dict[str, ca.Sparsity], outputs: dict[str, ca.Sparsity], fill: Fill
    ) -> None:
        ca.Callback.__init__(self)
        self.inputs, self.outputs, self.fill = list(inputs.items()), list(outputs.items()), fill
        self.construct(name, {})

    def get_n_in(self) -> int:
        return len(self.inputs)

    def get_n_out(self) -> int:
        return len(self.outputs)

    def get_name_in(self, i: int) -> str:
        return self.inputs[i][0]

    def get_name_out(self, i: int) -> str:
        return self.outputs[i][0]

    def get_sparsity_in(self, i: int) -> ca.Sparsity:
        return self.inputs[i][1]

    def get_sparsity_out(self, i: int) -> ca.Sparsity:
        return self.outputs[i][1]

    def has_eval_buffer(self) -> bool:
        return True

    def eval_buffer(self, arguments: Any, results: Any) -> int:
        taken = [np.frombuffer(a) for a in arguments]
        self.fill(taken, [None if r is None else np.frombuffer(r) for r in results])
        return 0
