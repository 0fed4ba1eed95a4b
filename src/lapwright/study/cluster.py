"""Who works on a sweep: the workers of a Dask cluster (``distributed``), wherever they run.

The study is sent to every worker once. What is finished comes back here, so the journal is written on this machine.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
import pickle
import threading
import time
import traceback
import warnings
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from lapwright.errors import Fault, InputError, InputNotice
from lapwright.study.cases import Answer, Step, Study
from lapwright.study.crews import Bench, BenchError, BenchMaker, lost_answer, own_bench

ANSWERS_WITHIN = 10.0
"""Seconds in which a scheduler has to answer, and to have a worker."""

PATIENCE = 60.0
"""Seconds that a sweep waits for a worker when all are gone."""

LOOK = 1.0
"""Seconds between two looks at which workers there are."""

_ANSWER, _BUG, _OTHER_CODE, _NO_MEMORY = "answer", "bug", "other code", "no memory"


class ClusterCrew:
    """The workers of a Dask cluster; see ``crews.Crew``.

    Parameters
    ----------
    study
        What the steps belong to.
    address
        Of the scheduler, such as "tcp://10.0.0.5:8786".
    bench
        Makes the bench in each worker; importable by its name there.

    Raises
    ------
    InputError
        When ``distributed`` is not installed. ``begin`` raises it for a scheduler that does not answer, for workers that
        are not there and for workers with another version of lapwright.
    """

    def __init__(self, study: Study, address: str, bench: BenchMaker = own_bench) -> None:
        try:
            import distributed
        except ImportError as error:
            raise InputError(
                Fault("--scheduler needs the package distributed: pip install 'lapwright[cluster]'")
            ) from error
        self._distributed = distributed
        self._cases, self._address = study.cases, address
        self._order = pickle.dumps((bench, study))
        self._digest = hashlib.sha256(self._order).hexdigest()
        self._client: Any = None
        self._sent: Any = None
        self._busy: dict[Any, tuple[Step, Mapping[int, bytes]]] = {}
        self._looked = self._seen = 0.0
        self.size = 1

    def begin(self, steps: int) -> None:
        """As ``Crew.begin``: find the cluster, see that its workers are fit, send them the study."""
        _see_scheduler(self._address)
        # Its complaints about connections would come between the sentences that follow from them here.
        logging.getLogger("distributed").setLevel(logging.CRITICAL)
        try:
            self._client = self._distributed.Client(
                self._address, timeout=ANSWERS_WITHIN, set_as_default=False
            )
            self._client.wait_for_workers(1, timeout=ANSWERS_WITHIN)
        except TimeoutError as error:
            raise self._fault(
                f"this cluster has no worker; start some with: dask worker {self._address} --nthreads 1"
            ) from error
        except OSError as error:
            raise self._fault(f"this scheduler does not answer ({error})") from error
        self._check_code()
        self._look()
        self._send()

    def room(self, waiting: int) -> int:
        """As ``Crew.room``: one step for each worker, and one ahead when there is plenty."""
        ahead = 2 if waiting > 2 * self.size else 1
        return ahead * self.size - len(self._busy)

    def give(self, step: Step, starts: Mapping[int, bytes]) -> None:
        """As ``Crew.give``."""
        future = self._client.submit(
            _solve, self._sent, self._digest, code_version(), step, dict(starts), pure=False
        )
        self._busy[future] = (step, starts)

    def take(self) -> list[tuple[Step, Answer]]:
        """As ``Crew.take``.

        Raises
        ------
        BenchError
            When the bench raised an exception.
        InputError
            When the scheduler is gone, or all workers are for ``PATIENCE``.
        """
        try:
            return self._taken()
        except (OSError, self._distributed.CancelledError) as error:
            # CommClosedError of distributed is an OSError.
            raise self._gone() from error

    def _taken(self) -> list[tuple[Step, Answer]]:
        self._wait()
        if self._client.status != "running":
            raise self._gone()
        self._look()
        done, again = [], []
        for future in [future for future in self._busy if future.done()]:
            step, starts = self._busy.pop(future)
            answer = self._answer(future, step)
            if answer is None:
                again.append((step, starts))
            else:
                done.append((step, answer))
        if again:
            # What went with a worker may have been the only copy of the study.
            self._send()
        for step, starts in again:
            self.give(step, starts)
        return done

    def end(self) -> None:
        """As ``Crew.end``; what a worker has in hand it finishes for nobody."""
        client, self._client = self._client, None
        if client is None:
            return
        if client.status == "running":
            client.cancel(list(self._busy), force=True)
        self._busy.clear()
        self._sent = None
        client.close(timeout=2)

    def _wait(self) -> None:
        if not self._busy:
            time.sleep(0.1)
            return
        try:
            with self._client.as_current():
                self._distributed.wait(list(self._busy), timeout=LOOK, return_when="FIRST_COMPLETED")
        except (TimeoutError, self._distributed.CancelledError):
            # What became of each future is looked at one by one.
            return

    def _answer(self, future: Any, step: Step) -> Answer | None:
        """The answer that a future holds; None when it went, or the study did, with a worker that died."""
        key = self._cases[step.case].key
        try:
            said, what = future.result(timeout=PATIENCE)
        except self._distributed.KilledWorker as error:
            return lost_answer(key, " ".join(str(error).split()).split(". ")[0])
        except (self._distributed.CancelledError, TimeoutError):
            return None
        except Exception as error:
            # Nothing of ours raises there: the worker could not even load the step.
            raise BenchError(f"a worker of {self._address} failed:\n{_text(error)}") from error
        if said == _ANSWER:
            found: Answer = what
            return found
        if said == _NO_MEMORY:
            return lost_answer(key, "no memory left on a worker")
        if said == _OTHER_CODE:
            raise self._fault(_disagree({what}))
        raise BenchError(f"a worker of {self._address} failed:\n{what}")

    def _send(self) -> None:
        try:
            self._sent = self._client.scatter(self._order, broadcast=True, hash=False, timeout=PATIENCE)
        except TimeoutError as error:
            raise self._no_worker() from error

    def _look(self) -> None:
        """See how many workers there are."""
        now = time.monotonic()
        if now - self._looked < LOOK:
            return
        threads = self._client.nthreads()
        first, self._looked = self._looked == 0.0, now
        if threads:
            self.size, self._seen = len(threads), now
        elif now - self._seen > PATIENCE:
            raise self._no_worker()
        most = max(threads.values(), default=1)
        if first and most > 1:
            warnings.warn(
                InputNotice(
                    Fault(
                        f"workers of this cluster have up to {most} threads, and each solves one case at a time: "
                        "more workers with --nthreads 1 make more of its cores",
                        file=self._address,
                    )
                ),
                stacklevel=2,
            )

    def _check_code(self) -> None:
        """See that every worker has this version of lapwright: others would give other numbers."""
        codes = self._client.run(_code_of_worker, on_error="return")
        lacking = sorted(place for place, code in codes.items() if isinstance(code, BaseException))
        if lacking:
            raise self._fault(
                f"lapwright cannot be used on the worker {lacking[0]} ({_text(codes[lacking[0]])}): "
                "install the same version there"
            )
        others = {code for code in codes.values() if code != code_version()}
        if others:
            raise self._fault(_disagree(others))

    def _gone(self) -> InputError:
        return self._fault("the scheduler is gone; what is finished is kept")

    def _no_worker(self) -> InputError:
        return self._fault(f"for {PATIENCE:.0f} s there was no worker; what is finished is kept")

    def _fault(self, words: str) -> InputError:
        return InputError(Fault(words, file=self._address))


@cache
def code_version() -> str:
    """Version of lapwright, and a digest of its sources, which tells versions under work apart."""
    from importlib.metadata import version

    import lapwright

    digest = hashlib.sha256()
    place = Path(lapwright.__file__).parent
    for path in sorted(place.rglob("*.py")):
        digest.update(path.relative_to(place).as_posix().encode() + b"\0" + path.read_bytes())
    return f"{version('lapwright')} ({digest.hexdigest()[:12]})"


def _disagree(others: set[str]) -> str:
    return (
        f"a worker has lapwright {', '.join(sorted(others))} and this is {code_version()}: "
        "install the same version on all, and start the workers again"
    )


def _text(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())


def _see_scheduler(address: str) -> None:
    """Find out whether a Dask scheduler answers at an address, without leaving anything open when it does not."""

    async def ask() -> Any:
        from distributed.core import rpc

        async with rpc(address, timeout=ANSWERS_WITHIN) as scheduler:
            return await asyncio.wait_for(scheduler.identity(), ANSWERS_WITHIN)

    try:
        kind = asyncio.run(ask())["type"]
    except (TimeoutError, OSError) as error:
        raise InputError(
            Fault(
                f"no Dask scheduler answers here within {ANSWERS_WITHIN:.0f} s: is it running, and is the address right?",
                file=address,
            )
        ) from error
    except Exception as error:
        # Whatever else listens there, or an address that cannot be one.
        raise InputError(
            Fault(
                f"this is no address of a Dask scheduler ({_text(error)}): it looks like tcp://10.0.0.5:8786",
                file=address,
            )
        ) from error
    if kind != "Scheduler":
        raise InputError(Fault(f"this is a Dask {kind}, not the scheduler", file=address))


# -- in a worker -------------------------------------------------------------------------------------------------------------

_lock = threading.Lock()
_benches: dict[str, Bench] = {}


def _code_of_worker() -> str:
    return code_version()


def _solve(order: bytes, digest: str, code: str, step: Step, starts: Mapping[int, bytes]) -> tuple[str, Any]:
    """Solve a step on the bench of this process, which is set up for the first step of a study."""
    if code_version() != code:
        return _OTHER_CODE, code_version()
    try:
        # Threads of one worker share the process, and a bench is for one at a time.
        with _lock:
            if digest not in _benches:
                _benches.clear()
                make, study = pickle.loads(order)
                _benches[digest] = make(study)
            return _ANSWER, _benches[digest].solve(step, starts)
    except MemoryError:
        return _NO_MEMORY, None
    except Exception:
        return _BUG, traceback.format_exc()
