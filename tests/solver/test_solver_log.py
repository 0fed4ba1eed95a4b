"""The log of a solve: a line an iteration, columns apart, the ending at the foot."""

import numpy as np

from lapwright.solver.log import log_text
from lapwright.solver.solution import Solution
from lapwright.solver.status import SOLVED, STALLED


def solution(history, status):
    return Solution(
        status=status,
        nlp=None,
        x=np.zeros(0),
        row_multipliers=np.zeros(0),
        bound_multipliers=np.zeros(0),
        p=np.zeros(0),
        objective=1.0,
        iterations=len(history["objective"]) - 1,
        seconds=0.25,
        history={name: np.array(values) for name, values in history.items()},
    )


HISTORY = {
    "objective": [88.0, 87.5],
    "violation": [1.0, 2e-9],
    "dual_violation": [0.5, 1e-9],
    "barrier": [0.1, 1e-7],
    "step": [0.25],
    "shift": [1e-4],
    "factorisations": [3],
}


def test_a_line_an_iteration_and_the_ending():
    lines = log_text(solution(HISTORY, SOLVED)).splitlines()
    assert len(lines) == 1 + 2 + 1
    assert lines[1].split() == ["0", "88.000000", "1.0e+00", "5.0e-01", "1.0e-01", "2.5e-01", "1.0e-04", "3"]
    assert lines[2].split() == ["1", "87.500000", "2.0e-09", "1.0e-09", "1.0e-07"]
    assert lines[-1].startswith("solved: ") and "1 iterations, 0.25 s" in lines[-1]


def test_headings_stand_apart_and_end_where_their_numbers_end():
    head, first = log_text(solution(HISTORY, STALLED)).splitlines()[:2]
    assert len(head) == len(first)
    assert " ".join(head.split()) == "it lap and effort s violation slope barrier step stiffening sweeps"


def test_a_solver_without_a_column_has_a_shorter_log():
    short = {name: HISTORY[name] for name in ("objective", "violation", "dual_violation", "barrier")}
    head = log_text(solution(short, SOLVED)).splitlines()[0]
    assert head.split()[-1] == "barrier"
