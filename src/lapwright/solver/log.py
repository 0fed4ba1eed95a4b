"""The history of a solve as a text that a person can read."""

from __future__ import annotations

from lapwright.solver.solution import Solution

COLUMNS = (
    ("objective", "lap and effort s", "{:19.6f}"),
    ("violation", "violation", "{:12.1e}"),
    ("dual_violation", "slope", "{:12.1e}"),
    ("barrier", "barrier", "{:12.1e}"),
    ("step", "step", "{:12.1e}"),
    ("shift", "stiffening", "{:12.1e}"),
    ("factorisations", "sweeps", "{:9.0f}"),
)
"""History, heading, form. Violation: largest of a row; slope: largest of the Lagrangian; stiffening: what was added to
the Hessian until its curvature was right, and the backward sweeps that took."""


def log_text(solution: Solution) -> str:
    """One line an iteration, how the solve ended at the foot.

    Each line tells where the iteration began, and the step that was taken from there.
    """
    columns = [column for column in COLUMNS if column[0] in solution.history]
    lines = ["  it" + "".join(heading.rjust(len(form.format(0))) for _, heading, form in columns)]
    for k in range(len(solution.history["objective"])):
        cells = [
            form.format(solution.history[name][k])
            if k < len(solution.history[name])
            else " " * len(form.format(0))
            for name, _, form in columns
        ]
        lines.append(f"{k:4d}" + "".join(cells))
    status = solution.status
    lines.append(
        f"{status.name}: {status.words} ({solution.iterations} iterations, {solution.seconds:.2f} s)"
    )
    return "\n".join(line.rstrip() for line in lines) + "\n"
