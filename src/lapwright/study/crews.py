"""Who works on a sweep: processes of this machine.

Each worker is a process of its own with a pipe to this one. A pool of the standard library is lost as a whole when one of its
processes dies; here a dead worker is replaced and its case is tried once more.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import queue
import signal
import threading
import traceback
from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing import connection
from multiprocessing.process import BaseProcess
from typing import Any, Protocol

from lapwright.errors import Fault, InputError
from lapwright.study.cases import LOST, Answer, CaseResult, Step, Study

DEATHS = 2
"""How many processes may die over a case before it is given up."""

STILLBORN = 3
"""How many processes in a row may die before they have begun, before the whole is given up."""

SINGLE = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""One thread for each worker: there is a worker for each core already."""

_NO_MEMORY = 71
"""Exit code of a worker whose Python could not get memory."""

_UP, _READY, _ANSWER, _BUG = "up", "ready", "answer", "bug"


class Bench(Protocol):
    """Everything ready to solve the steps of a study; one a process."""

    def solve(self, step: Step, starts: Mapping[int, bytes]) -> Answer:
        """The answer to a step; ``starts`` by index of the case, those of ``step.near`` that exist."""


BenchMaker = Callable[[Study], Bench]


class BenchError(RuntimeError):
    """The solving raised an exception, which it never should: the traceback of the worker is in the text."""


class Crew(Protocol):
    """Workers that solve steps.

    ``size`` is the number of steps that are worked on at once, once all workers are there.
    """

    size: int

    def begin(self, steps: int) -> None:
        """Start workers for so many steps."""

    def room(self, waiting: int) -> int:
        """How many steps ``give`` takes now without waiting, when ``waiting`` are ready to be given."""

    def give(self, step: Step, starts: Mapping[int, bytes]) -> None:
        """Hand out a step."""

    def take(self) -> list[tuple[Step, Answer]]:
        """Wait until something happened; what is finished, which may be nothing while workers come and go."""

    def end(self) -> None:
        """Send the workers home, whatever they are doing."""


@dataclass(frozen=True)
class _Task:
    step: Step
    starts: Mapping[int, bytes]


@dataclass(eq=False)
class _Worker:
    """A process, the pipe to it, and what it has to do; ``ready`` when its bench is set up."""

    process: BaseProcess
    pipe: connection.Connection
    ready: bool = False
    tasks: deque[_Task] = field(default_factory=deque)


def cores() -> int:
    """Processor cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def own_bench(study: Study) -> Bench:
    """The bench that solves laps."""
    from lapwright.study.solving import Bench as Solving

    return Solving(study)


class LocalCrew:
    """Processes of this machine.

    Parameters
    ----------
    study
        What the steps belong to.
    workers
        How many processes; one for each core that may be used when left out.
    bench
        Makes the bench in each worker; importable by its name, since workers are new interpreters.
    """

    def __init__(self, study: Study, workers: int | None = None, bench: BenchMaker = own_bench) -> None:
        self.size = workers or cores()
        self._cases = study.cases
        # Made once: every worker, and every one in the place of a dead one, gets the same bytes.
        self._order = pickle.dumps((bench, study))
        self._workers: list[_Worker] = []
        self._again: deque[_Task] = deque()
        self._deaths: Counter[int] = Counter()
        self._stillborn = 0

    def begin(self, steps: int) -> None:
        """As ``Crew.begin``: no more workers than steps."""
        self.size = max(1, min(self.size, steps))
        self._workers = [_start() for _ in range(self.size)]

    def room(self, waiting: int) -> int:
        """As ``Crew.room``: idle workers, and one ahead for each when there is plenty, so that none waits."""
        ahead = 2 if waiting > 2 * self.size else 1
        return sum(max(0, ahead - len(w.tasks)) for w in self._workers if w.ready) - len(self._again)

    def give(self, step: Step, starts: Mapping[int, bytes]) -> None:
        """As ``Crew.give``: to the worker that has least to do."""
        self._again.append(_Task(step, starts))
        self._hand_out()

    def take(self) -> list[tuple[Step, Answer]]:
        """As ``Crew.take``.

        Raises
        ------
        BenchError
            When the bench raised an exception.
        InputError
            When one worker after the other dies before it has begun.
        """
        done: list[tuple[Step, Answer]] = []
        speaking = connection.wait([worker.pipe for worker in self._workers])
        for worker in [worker for worker in self._workers if worker.pipe in speaking]:
            try:
                said, what = worker.pipe.recv()
            except (EOFError, OSError, pickle.UnpicklingError):
                done.extend(self._bury(worker))
                continue
            if said == _UP:
                self._send(worker, self._order)
            elif said == _READY:
                worker.ready, self._stillborn = True, 0
            elif said == _ANSWER:
                done.append((worker.tasks.popleft().step, what))
            else:
                raise BenchError(f"a worker failed:\n{what}")
        self._hand_out()
        return done

    def end(self) -> None:
        """As ``Crew.end``."""
        for worker in self._workers:
            worker.pipe.close()
            worker.process.terminate()
        for worker in self._workers:
            worker.process.join(5)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
        self._workers = []

    def _hand_out(self) -> None:
        while self._again:
            free = [worker for worker in self._workers if worker.ready and len(worker.tasks) < 2]
            if not free:
                return
            worker = min(free, key=lambda w: len(w.tasks))
            task = self._again.popleft()
            worker.tasks.append(task)
            self._send(worker, pickle.dumps((task.step, dict(task.starts))))

    def _send(self, worker: _Worker, data: bytes) -> None:
        # A worker that has died is seen, and buried, when its pipe is read.
        with suppress(OSError):
            worker.pipe.send_bytes(data)

    def _bury(self, worker: _Worker) -> Iterator[tuple[Step, Answer]]:
        """Replace a dead worker; the case that it worked on is tried again, or given up."""
        worker.pipe.close()
        worker.process.join(5)
        how = _how(worker.process.exitcode)
        if not worker.ready:
            self._stillborn += 1
            if self._stillborn >= STILLBORN:
                raise InputError(
                    Fault(
                        f"the processes that solve end before they have begun ({how}): is there memory enough? "
                        "Try --workers 1"
                    )
                )
        self._workers[self._workers.index(worker)] = _start()
        lost = None
        if worker.tasks:
            # They are done in order, so it was the first; the others only waited behind it.
            index = worker.tasks[0].step.case
            self._deaths[index] += 1
            if self._deaths[index] >= DEATHS:
                lost = worker.tasks.popleft().step
            self._again.extendleft(reversed(worker.tasks))
        if lost is not None:
            yield (
                lost,
                lost_answer(
                    self._cases[lost.case].key, f"{DEATHS} processes ended while they worked on it ({how})"
                ),
            )


def lost_answer(key: str, words: str) -> Answer:
    """The answer to a case whose workers died."""
    return Answer(
        CaseResult(key, LOST, f"{words}: too little memory is the usual cause, and fewer workers help")
    )


def _how(code: int | None) -> str:
    if code is None:
        return "it does not answer"
    if code == _NO_MEMORY:
        return "no memory left"
    if code >= 0:
        return f"exit status {code}"
    try:
        return f"signal {-code}, {signal.Signals(-code).name}"
    except ValueError:
        return f"signal {-code}"


def _start() -> _Worker:
    """A new worker: a fresh interpreter, since a fork would share what the libraries hold at that moment."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_work, args=(theirs,), daemon=True, name="lapwright sweep")
    with _single_threaded(), _deaf():
        process.start()
    # The only end left is the worker's own: when it dies, however, the pipe says so.
    theirs.close()
    return _Worker(process, ours)


@contextmanager
def _single_threaded() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in SINGLE}
    os.environ.update(dict.fromkeys(SINGLE, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextmanager
def _deaf() -> Iterator[None]:
    """Ctrl-C goes to every process of a terminal; a worker started in here never hears it, and waits to be sent home."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _work(pipe: connection.Connection) -> None:
    """A worker: set up the bench, solve what comes, until the other side is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Standard output belongs to the result; whatever a library prints goes where messages go.
    with suppress(OSError):
        os.dup2(2, 1)
    orders: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(pipe, orders), daemon=True).start()
    try:
        pipe.send((_UP, None))
        make, study = pickle.loads(orders.get())
        bench = make(study)
        pipe.send((_READY, None))
        while True:
            step, starts = pickle.loads(orders.get())
            answer = bench.solve(step, starts)
            pipe.send((_ANSWER, answer))
    except MemoryError:
        os._exit(_NO_MEMORY)
    except BrokenPipeError:
        os._exit(0)
    except BaseException:
        _confess(pipe, traceback.format_exc())


def _confess(pipe: connection.Connection, words: Any) -> None:
    with suppress(OSError):
        pipe.send((_BUG, words))
    os._exit(1)


def _listen(pipe: connection.Connection, orders: queue.SimpleQueue[bytes]) -> None:
    """Take orders in while the worker solves, and end the process at once when nobody is left to give any."""
    while True:
        try:
            orders.put(pipe.recv_bytes())
        except (EOFError, OSError):
            os._exit(0)
