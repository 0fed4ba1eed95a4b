"""A bench that solves nothing: its answers follow from what a step is given, and it leaves a mark for every solve.

The marks lie in the folder that the study is named after. The value of a case says how it behaves. Run as a program it is a
whole sweep: ``python pretended_bench.py MARKS JOURNAL CASES WORKERS``.
"""

from __future__ import annotations

import hashlib
import os
import signal
import sys
import time
import uuid
from pathlib import Path

from lapwright.study.cases import COLD, NEAR, NO_SOLUTION, SOLVED, Answer, Axis, Case, CaseResult, Step, Study

QUICK, SLOW, TOGETHER, DIES, DIES_ONCE, RAISES, NO_MEMORY, UNSOLVED, BAD_NUMBERS = (
    "quick", "slow", "together", "dies", "dies once", "raises", "no memory", "unsolved", "bad numbers",
)  # fmt: skip


def pretended_study(folder, behaviours):
    """A study with a case for each behaviour."""
    cases = tuple(
        Case(
            number=number,
            circuit="ring",
            car="box",
            values=(behaviour,),
            track=0,
            vehicle=None,
            start=None,
            end=None,
            key=f"case{number:04d}",
            fault="its numbers do not fit" if behaviour == BAD_NUMBERS else "",
        )
        for number, behaviour in enumerate(behaviours)
    )
    axes = (Axis("behaviour", "behaviour", True, 0.0, 0.0),)
    return Study(str(folder), "side by side", axes, (), cases, None)


def pretended_steps(study):
    """Every case begins from the one at half its number, and the odd ones from the one before besides."""
    count = len(study.cases)
    near = [sorted({i // 2, i - i % 2} - {i}) for i in range(count)]
    begun_from = {j for many in near for j in many}
    return tuple(Step(i, tuple(near[i]), i in begun_from) for i in range(count))


class PretendedBench:
    """See the module."""

    def __init__(self, study):
        self.study = study
        self.marks = Path(study.name)
        (self.marks / f"bench-{os.getpid()}").touch()

    def solve(self, step, starts):
        case = self.study.cases[step.case]
        mark = self.marks / f"{case.key}-{os.getpid()}-{uuid.uuid4().hex}"
        mark.write_text(",".join(str(i) for i in sorted(starts)))
        behaviour = case.values[0]
        if behaviour == SLOW:
            time.sleep(0.05)
        until = time.monotonic() + 30
        while (
            behaviour == TOGETHER and len(list(self.marks.glob("bench-*"))) < 2 and time.monotonic() < until
        ):
            time.sleep(0.01)
        first = len(list(self.marks.glob(f"{case.key}-*"))) == 1
        if behaviour == DIES or (behaviour == DIES_ONCE and first):
            os.kill(os.getpid(), signal.SIGKILL)
        if behaviour == RAISES:
            raise ZeroDivisionError("a bug in the bench")
        if behaviour == NO_MEMORY:
            raise MemoryError
        if behaviour == UNSOLVED:
            return Answer(
                CaseResult(case.key, NO_SOLUTION, "there is no way round", begun=COLD, iterations=4)
            )
        digest = hashlib.sha256(case.key.encode())
        for i in sorted(starts):
            digest.update(b"%d" % i + starts[i])
        start = digest.digest() * 4000
        result = CaseResult(
            case.key,
            SOLVED,
            lap_time=60.0 + int.from_bytes(digest.digest()[:6], "big") / 2**48,
            mesh_error=0.001,
            iterations=len(starts),
            begun=NEAR if starts else COLD,
            seconds=time.process_time(),
        )
        return Answer(result, start if step.keep else None)


def broken_bench(study):
    """A bench that cannot be set up."""
    raise ZeroDivisionError("a bug in setting up")


def stillborn_bench(study):
    """A bench that takes its process with it."""
    os.kill(os.getpid(), signal.SIGKILL)


def table(results):
    """All of the answers but the time that they took."""
    return "".join(
        f"{r.key} {r.status} {r.words} {r.lap_time!r} {r.mesh_error!r} {r.iterations} {r.begun}\n"
        for r in results
    )


def solves(folder):
    """How often each case was begun."""
    counts = {}
    for mark in Path(folder).iterdir():
        key = mark.name.split("-")[0]
        if key != "bench":
            counts[key] = counts.get(key, 0) + 1
    return counts


def main(marks, folder, cases, workers):
    from pretended_bench import PretendedBench

    from lapwright.study.crews import LocalCrew
    from lapwright.study.journal import open_journal
    from lapwright.study.run import run_sweep

    study = pretended_study(marks, [SLOW] * int(cases))
    with open_journal(folder) as journal:
        crew = LocalCrew(study, int(workers), PretendedBench)
        results = run_sweep(study, journal, crew, steps=pretended_steps(study))
    print(table(results), end="")


if __name__ == "__main__":
    main(*sys.argv[1:])
