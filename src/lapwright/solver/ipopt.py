"""IPOPT behind one call (Waechter & Biegler, Mathematical Programming 106 (2006) 25-57)."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

import casadi as ca
import numpy as np

from lapwright.solver.bridge import Bridge
from lapwright.solver.interrupt import Interrupt, noted_interrupts
from lapwright.solver.solution import Array, Progress, ProgressCallback, Solution, Start
from lapwright.solver.status import ipopt_status
from lapwright.transcription.nlp import Nlp

OPTIONS: dict[str, Any] = {
    "print_level": 0,
    "sb": "yes",
    "mumps_pivot_order": 0,
    "mumps_mem_percent": 10,
    "least_square_init_duals": "yes",
    "bound_relax_factor": 1e-9,
    "constr_viol_tol": 1e-7,
    "acceptable_iter": 0,
}


def solve_ipopt(
    nlp: Nlp,
    start: Start,
    *,
    p: Array | None = None,
    tolerance: float = 1e-7,
    barrier_target: float = 0.0,
    max_iterations: int = 500,
    progress: ProgressCallback | None = None,
) -> Solution:
    """Solve a transcribed problem.

    Parameters
    ----------
    nlp, start
        The problem and where to begin.
    p
        Parameters, when not those of the problem.
    tolerance
        Of the scaled optimality conditions.
    barrier_target
        Stop on the central path at this barrier parameter; 0 goes all the way.
    max_iterations
        After which the solve is given up.
    progress
        Called once an iteration; may raise KeyboardInterrupt.

    Returns
    -------
    Solution
        Always; its status says whether it may be used.
    """
    options = OPTIONS | {"tol": tolerance, "max_iter": max_iterations, "mu_target": barrier_target}
    if barrier_target > 0.0:
        # A point on the way need not be exact: the next mesh changes it anyway.
        options |= {
            "tol": max(tolerance, 10.0 * barrier_target),
            "constr_viol_tol": 1e-2,
            "dual_inf_tol": 1.0,
            "compl_inf_tol": 1.0,
        }
    if start.barrier is not None:
        options |= {
            "warm_start_init_point": "yes",
            "mu_init": start.barrier,
            "warm_start_bound_push": 1e-9,
            "warm_start_bound_frac": 1e-9,
            "warm_start_slack_bound_push": 1e-9,
            "warm_start_slack_bound_frac": 1e-9,
            "warm_start_mult_bound_push": 1e-9,
        }
        options.pop("least_square_init_duals")
    with noted_interrupts() as interrupt:
        watcher = _Watcher(nlp, progress, interrupt)
        bridge = Bridge(nlp)
        solver = ca.nlpsol(
            "lap",
            "ipopt",
            bridge.declaration(),
            {
                "grad_f": bridge.gradient,
                "jac_g": bridge.jacobian,
                "hess_lag": bridge.hessian,
                "calc_lam_p": False,
                "calc_multipliers": False,
                "no_nlp_grad": True,
                "print_time": False,
                "error_on_fail": False,
                "show_eval_warnings": False,
                "iteration_callback": watcher,
                "ipopt": options,
            },
        )
        values = nlp.parameters if p is None else p
        arguments = {
            "x0": start.x, "p": values, "lbx": nlp.lower, "ubx": nlp.upper, "lbg": nlp.row_lower, "ubg": nlp.row_upper,
        }  # fmt: skip
        if start.row_multipliers is not None and start.bound_multipliers is not None:
            arguments |= {"lam_g0": start.row_multipliers, "lam_x0": start.bound_multipliers}
        began = time.perf_counter()
        result = solver(**arguments)
        seconds = time.perf_counter() - began
    stats = solver.stats()
    return Solution(
        status=ipopt_status(stats["return_status"]),
        nlp=nlp,
        x=_vector(result["x"]),
        row_multipliers=_vector(result["lam_g"]),
        bound_multipliers=_vector(result["lam_x"]),
        p=np.asarray(values),
        objective=float(result["f"]),
        iterations=int(stats["iter_count"]),
        seconds=seconds,
        history=_history(stats),
    )


def _vector(matrix: ca.DM) -> Array:
    return np.asarray(matrix, dtype=float).ravel()


def _history(stats: dict[str, Any]) -> dict[str, Array]:
    found = stats.get("iterations") or {}
    names = {"objective": "obj", "violation": "inf_pr", "dual_violation": "inf_du", "barrier": "mu"}
    return {ours: np.asarray(found.get(theirs, []), dtype=float) for ours, theirs in names.items()}


class _Watcher(ca.Callback):  # type: ignore[misc]
    """Hands each iteration to the progress callback and turns Ctrl-C into a stop."""

    def __init__(self, nlp: Nlp, progress: ProgressCallback | None, interrupt: Interrupt) -> None:
        ca.Callback.__init__(self)
        self.size, self.row_count, self.parameter_count = (
            nlp.layout.size,
            nlp.layout.rows,
            len(nlp.parameters),
        )
        self.row_lower, self.row_upper = nlp.row_lower, nlp.row_upper
        self.progress, self.interrupt, self.iteration = progress, interrupt, 0
        self.construct("watcher", {})

    def get_n_in(self) -> int:
        return int(ca.nlpsol_n_out())

    def get_n_out(self) -> int:
        return 1

    def get_name_in(self, i: int) -> str:
        return str(ca.nlpsol_out(i))

    def get_name_out(self, i: int) -> str:
        return "ret"

    def get_sparsity_in(self, i: int) -> ca.Sparsity:
        name = ca.nlpsol_out(i)
        sizes = {
            "f": 1,
            "x": self.size,
            "lam_x": self.size,
            "g": self.row_count,
            "lam_g": self.row_count,
            "lam_p": self.parameter_count,
        }
        return ca.Sparsity.dense(sizes[name], 1)

    def eval(self, arg: Sequence[Any]) -> list[int]:
        if self.progress is not None and not self.interrupt.asked:
            rows = np.asarray(arg[2]).ravel()
            violation = float(np.max(np.maximum(rows - self.row_upper, self.row_lower - rows), initial=0.0))
            try:
                self.progress(Progress(self.iteration, float(arg[1]), violation))
            except KeyboardInterrupt:
                self.interrupt.ask()
        self.iteration += 1
        return [int(self.interrupt.asked)]
