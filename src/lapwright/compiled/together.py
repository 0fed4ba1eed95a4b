"""Several programs translated at once, in this process and one beside it.

LLVM is called under a lock of its Python binding, so threads of one process would wait for one another.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Sequence

import casadi as ca

from lapwright.compiled.along_lap import AlongLap
from lapwright.compiled.build import Order
from lapwright.compiled.over_points import OverPoints

START = 8000
"""Instructions that are translated in the time that the other process takes to start."""

Program = OverPoints | AlongLap


def compile_together(programs: Sequence[Program], lanes: int = 1) -> None:
    """Make programs ready to be called: from the disk, or translated, in two processes where that is quicker.

    Without machine code this does nothing. A program that is refused is left to its first call, which says so.

    Parameters
    ----------
    programs
        Programs over points and along steps.
    lanes
        Number of lanes that the programs along steps will be called with.

    Raises
    ------
    ValueError
        For an operation that is not supported.
    """
    missing: list[tuple[Program, Order]] = []
    for program in programs:
        order = program.order(lanes)
        if order is None:
            continue
        kernel = order.find()
        if kernel is None:
            missing.append((program, order))
        else:
            program.adopt(order, kernel)
    here, there = _share([order.function.n_instructions() for _, order in missing])
    helper = _Helper([missing[i][1] for i in there]) if there and _can_help() else None
    for i in here if helper else range(len(missing)):
        _make(*missing[i])
    if helper:
        found = helper.wait()
        for place, i in enumerate(there):
            program, order = missing[i]
            if found is None:
                _make(program, order)
            else:
                program.adopt(order, order.keep(*found[place]))


def _can_help() -> bool:
    """Whether there is a second processor core, and a Python to start that is no program frozen into one file."""
    return (os.cpu_count() or 1) > 1 and bool(sys.executable) and not getattr(sys, "frozen", False)


def _make(program: Program, order: Order) -> None:
    try:
        program.adopt(order, order.keep(*order.translate()))
    except RuntimeError:
        return


def _share(sizes: Sequence[int]) -> tuple[list[int], list[int]]:
    """Which programs to translate here and which in the other process, by their numbers of instructions."""
    here: list[int] = []
    there: list[int] = []
    load = [0, START]
    for i in sorted(range(len(sizes)), key=lambda i: -sizes[i]):
        side = 0 if load[0] <= load[1] else 1
        load[side] += sizes[i]
        (here, there)[side].append(i)
    return here, there


class _Helper:
    """Another process that translates programs."""

    def __init__(self, orders: Sequence[Order]) -> None:
        self._found: list[tuple[bytes, int]] | None = None
        work = [(o.serialized, o.machine, o.width, o.shared, o.carried) for o in orders]
        self._thread = threading.Thread(target=self._run, args=(pickle.dumps(work),))
        self._thread.start()

    def _run(self, work: bytes) -> None:
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
        command = [sys.executable, "-c", "from lapwright.compiled.together import serve; serve()"]
        try:
            done = subprocess.run(command, input=work, capture_output=True, env=environment, check=True)
            self._found = pickle.loads(done.stdout)
        except (OSError, subprocess.SubprocessError, pickle.UnpicklingError, EOFError):
            return  # the programs are then translated here

    def wait(self) -> list[tuple[bytes, int]] | None:
        """Object code and scratch size of each; None if the process failed."""
        self._thread.join()
        return self._found


def serve() -> None:
    """Translate what standard input asks for; the other side of ``compile_together``."""
    from lapwright.compiled.machine import machine

    machine()
    found = []
    for serialized, *rest in pickle.load(sys.stdin.buffer):
        found.append(Order(ca.Function.deserialize(serialized), *rest).translate())
    pickle.dump(found, sys.stdout.buffer)
