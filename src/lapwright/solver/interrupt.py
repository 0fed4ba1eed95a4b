"""Ctrl-C during a solve: noted at once, acted on between two iterations, so that nothing is left half-done."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Interrupt:
    """Whether somebody asked to stop."""

    def __init__(self) -> None:
        self.asked = False

    def ask(self, number: int = 0, frame: FrameType | None = None) -> None:
        """Note the wish; has the form of a signal handler."""
        self.asked = True


@contextmanager
def noted_interrupts() -> Iterator[Interrupt]:
    """Notes SIGINT and SIGTERM while the body runs, in place of their handlers, and raises KeyboardInterrupt after it.

    A solver's library would swallow an exception raised in one of its callbacks. Off the main thread, where Python delivers
    no signals, nothing changes.
    """
    interrupt = Interrupt()
    if threading.current_thread() is not threading.main_thread():
        yield interrupt
        return
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.signal(number, interrupt.ask) for number in numbers}
    try:
        yield interrupt
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if interrupt.asked:
        raise KeyboardInterrupt
