"""One line of progress on a terminal, nothing in a pipe."""

from __future__ import annotations

import sys
import time
from types import TracebackType
from typing import TextIO

INTERVAL = 0.1
"""Shortest time between two updates [s]."""


class ProgressLine:
    """A line that is rewritten in place: stage, what it says, seconds so far.

    Parameters
    ----------
    quiet
        Say nothing even on a terminal.
    stream
        Standard error when left out.
    """

    def __init__(self, quiet: bool = False, stream: TextIO | None = None) -> None:
        self.stream = stream or sys.stderr
        self.shown = not quiet and self.stream.isatty()
        self.began = time.perf_counter()
        self.last = -INTERVAL
        self.width = 0
        self.stage = ""

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.clear()

    def say(self, stage: str, words: str = "") -> None:
        """Show a stage; a new stage always, the rest at most ten times a second."""
        now = time.perf_counter() - self.began
        if not self.shown or (stage == self.stage and now - self.last < INTERVAL):
            return
        self.stage, self.last = stage, now
        text = f"{stage}  {words}  {now:.1f} s"
        self.stream.write("\r" + text.ljust(self.width))
        self.stream.flush()
        self.width = len(text)

    def clear(self) -> None:
        """Remove the line."""
        if self.shown and self.width:
            self.stream.write("\r" + " " * self.width + "\r")
            self.stream.flush()
            self.width = 0
