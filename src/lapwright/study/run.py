"""A sweep from its first case to its last: what is left to do, in which order, and how long it will take."""

from __future__ import annotations

import heapq
import statistics
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from lapwright.study.cases import FAULT, LOST, SOLVED, Answer, Case, CaseResult, Step, Study
from lapwright.study.crews import Crew, LocalCrew
from lapwright.study.journal import Notes

RECENT = 31
"""Cases from which the time that is left is told."""


@dataclass(frozen=True)
class Standing:
    """How far a sweep is.

    Attributes
    ----------
    done, total : cases, those of earlier runs and those with a fault included
    not_solved : of those done
    seconds_left : from the cases finished last; None before there is one
    """

    done: int
    total: int
    not_solved: int
    seconds_left: float | None


ProgressCallback = Callable[[Standing], None]


def run_sweep(
    study: Study,
    journal: Notes,
    crew: Crew,
    progress: ProgressCallback | None = None,
    steps: Sequence[Step] | None = None,
) -> tuple[CaseResult, ...]:
    """Solve what the journal does not know yet.

    The answer to a step depends on the study, the step and the answers that it begins from, on nothing else. So the results
    are the same however many workers there are, however often the work was broken off and taken up again. A case whose
    workers died ("lost") is the one exception; it is not written down, so that the next run tries it again.

    Parameters
    ----------
    study
        What to solve.
    journal
        What is solved already; takes every answer at once.
    crew
        Who does the work. It is not started when nothing is left to do, and always ended.
    progress
        Called at the start and after every case.
    steps
        The order of the work; that of ``study.solving.steps_of`` when left out.

    Returns
    -------
    tuple of CaseResult
        In the order of ``study.cases``. A case with a fault is no work for anybody: it has status "fault".
    """
    if steps is None:
        from lapwright.study.solving import steps_of

        steps = steps_of(study)
    work = _Sweep(study, steps, journal, crew, progress)
    work.run()
    return work.results()


def sweep(
    study: Study, workers: int | None = None, progress: ProgressCallback | None = None
) -> tuple[CaseResult, ...]:
    """Solve all cases of a study with processes of this machine, and keep nothing on disk.

    A script that calls this must guard its own work with ``if __name__ == "__main__":``, as every program whose processes are
    new interpreters (``multiprocessing``, start method spawn).

    Parameters
    ----------
    study
        From ``load_study``.
    workers
        How many processes; one for each core that may be used when left out.
    progress
        Called at the start and after every case.

    Returns
    -------
    tuple of CaseResult
        In the order of ``study.cases``.
    """
    return run_sweep(study, Notes(), LocalCrew(study, workers), progress)


class _Sweep:
    """A sweep while it runs. Cases with the same key are one, and are solved where the first of them stands."""

    def __init__(
        self,
        study: Study,
        steps: Sequence[Step],
        journal: Notes,
        crew: Crew,
        progress: ProgressCallback | None,
    ) -> None:
        self.study, self.journal, self.crew, self.progress = study, journal, crew, progress
        self.steps = _by_key(study.cases, steps)
        self.place = {key: place for place, key in enumerate(self.steps)}
        self.left = to_do(self.steps, study.cases, journal)
        self.lost: dict[str, CaseResult] = {}
        self.pace = _Pace()

    def run(self) -> None:
        """Give out what is ready, take in what is finished, until nothing is left."""
        self._tell()
        if not self.left:
            return
        missing = {key: self._waits_for(key) for key in self.left}
        followers: dict[str, list[str]] = {}
        for key, others in missing.items():
            for other in others:
                followers.setdefault(other, []).append(key)
        ready = [self.place[key] for key, others in missing.items() if not others]
        heapq.heapify(ready)
        order = list(self.steps)
        try:
            self.crew.begin(len(self.left))
            while self.left:
                for _ in range(min(len(ready), max(0, self.crew.room(len(ready))))):
                    self._give(order[heapq.heappop(ready)])
                for step, answer in self.crew.take():
                    key = self.study.cases[step.case].key
                    self._took(key, step, answer)
                    for follower in followers.get(key, ()):
                        missing[follower].discard(key)
                        if not missing[follower]:
                            heapq.heappush(ready, self.place[follower])
        finally:
            self.crew.end()

    def results(self) -> tuple[CaseResult, ...]:
        """Of every case of the study, in its order."""
        return tuple(self._result(case) for case in self.study.cases)

    def _result(self, case: Case) -> CaseResult:
        if case.fault:
            return CaseResult(case.key, FAULT, case.fault)
        found = self.journal.results.get(case.key)
        return found if found is not None else self.lost[case.key]

    def _waits_for(self, key: str) -> set[str]:
        return {self.study.cases[i].key for i in self.steps[key].near} & self.left

    def _give(self, key: str) -> None:
        step = self.steps[key]
        starts = {i: self.journal.start(self.study.cases[i].key) for i in step.near}
        self.crew.give(step, {i: start for i, start in starts.items() if start is not None})

    def _took(self, key: str, step: Step, answer: Answer) -> None:
        self.left.discard(key)
        if answer.result.status == LOST:
            self.lost[key] = answer.result
        else:
            self.journal.add(answer, step.keep)
        self.pace.tick()
        self._tell()

    def _tell(self) -> None:
        if self.progress is None:
            return
        known = self.journal.results
        done = unsolved = 0
        for case in self.study.cases:
            found = None if case.fault else known.get(case.key) or self.lost.get(case.key)
            if case.fault or found is not None:
                done += 1
                unsolved += found is None or found.status != SOLVED
        self.progress(
            Standing(done, len(self.study.cases), unsolved, self.pace.left(len(self.left), self.crew.size))
        )


def _by_key(cases: Sequence[Case], steps: Sequence[Step]) -> dict[str, Step]:
    """The first step of each key, in the order of work, with ``keep`` when any step of that key has it; no faults."""
    found: dict[str, Step] = {}
    for step in steps:
        case = cases[step.case]
        if case.fault:
            continue
        first = found.setdefault(case.key, step)
        if step.keep and not first.keep:
            found[case.key] = replace(first, keep=True)
    return found


def to_do(steps: dict[str, Step], cases: Sequence[Case], journal: Notes) -> set[str]:
    """Keys of what has to be solved: what has no result, and what has one but not the start that one of these needs.

    Parameters
    ----------
    steps
        By key, in the order of work: what a step begins from comes before it.
    cases
        Of the study.
    journal
        What is known.
    """
    left: set[str] = set()
    there: dict[str, bool] = {}

    def missing(key: str) -> bool:
        if key not in there:
            result = journal.results.get(key)
            there[key] = result is None or (
                result.status == SOLVED and key not in journal.without_start and journal.start(key) is None
            )
        return there[key]

    for key, step in reversed(steps.items()):
        if key in left or key not in journal.results:
            left.add(key)
            near = {cases[i].key for i in step.near}
            left.update(other for other in near if other in steps and missing(other))
    return left


class _Pace:
    """How quickly cases are finished.

    The time from each to the one so many places after it, where "so many" is one for each worker: these come in bunches. Of
    those the median, which a long case or a pause of the machine does not move.
    """

    def __init__(self) -> None:
        self.ticks: deque[float] = deque([time.monotonic()], maxlen=4 * RECENT)

    def tick(self) -> None:
        """A case is finished."""
        self.ticks.append(time.monotonic())

    def left(self, cases: int, workers: int) -> float | None:
        """Seconds for so many more cases; None before one is finished."""
        ticks = list(self.ticks)
        if len(ticks) < 2:
            return None
        stride = min(max(1, workers), len(ticks) - 1)
        spans = [(later - earlier) / stride for earlier, later in zip(ticks, ticks[stride:], strict=False)]
        return cases * statistics.median(spans[-RECENT:])
