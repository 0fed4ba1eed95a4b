"""How a solve ended, as a value with a sentence."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Status:
    """``name`` for programs, ``words`` and ``advice`` for people; ``solved`` only when the answer may be used."""

    name: str
    words: str
    solved: bool = False
    advice: str = ""


SOLVED = Status("solved", "the fastest lap was found to the asked tolerance", True)

NOT_INSIDE = Status(
    "infeasible",
    "the search could not get back inside the limits",
    False,
    "see the places below; loosen what is said there",
)
TOO_LONG = Status(
    "not converged",
    "the iterations ran out",
    False,
    "allow more (--max-iterations), or try another mesh (--mesh-m)",
)
STALLED = Status(
    "not converged",
    "the search stalled",
    False,
    "try another mesh (--mesh-m) or a small grip margin (--grip-margin 0.01)",
)
NO_STEP = Status(
    "not converged", "no direction was found that makes the lap faster", False, "try another mesh (--mesh-m)"
)
INVALID = Status(
    "invalid number",
    "a formula gave no number",
    False,
    "look for an extreme number in the vehicle or track file",
)
INTERRUPTED = Status("interrupted", "the solve was interrupted", False)

IPOPT_STATUS = {
    "Solve_Succeeded": SOLVED,
    "Solved_To_Acceptable_Level": Status(
        "not converged",
        "the solver stopped close to an answer but short of the asked tolerance",
        False,
        "try a finer mesh (--mesh-m)",
    ),
    "Infeasible_Problem_Detected": Status(
        "infeasible",
        "no way was found to keep within every limit",
        False,
        "see the places below; loosen what is said there",
    ),
    "Restoration_Failed": NOT_INSIDE,
    "Maximum_Iterations_Exceeded": TOO_LONG,
    "Maximum_CpuTime_Exceeded": Status("not converged", "the time allowed ran out", False, "allow more time"),
    "Maximum_WallTime_Exceeded": Status(
        "not converged", "the time allowed ran out", False, "allow more time"
    ),
    "Search_Direction_Becomes_Too_Small": STALLED,
    "Diverging_Iterates": Status(
        "diverged", "the search ran away", False, "look for an extreme number in the vehicle file"
    ),
    "Invalid_Number_Detected": INVALID,
    "User_Requested_Stop": INTERRUPTED,
}


def ipopt_status(name: str) -> Status:
    """Our status for IPOPT's return code."""
    return IPOPT_STATUS.get(
        name, Status("failed", f"the solver ended with {name}", False, "try another mesh (--mesh-m)")
    )
