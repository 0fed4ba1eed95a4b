"""Error types that carry enough for the user to act on."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing wrong with what the user gave.

    Parameters
    ----------
    message
        What is wrong, which value was found, what is allowed, what to try.
    key
        Path of keys and list positions inside the file, e.g. ``("centreline", "elements", 3, "radius_m")``.
    file
        The file as the user named it; empty when the object was built in Python.
    line, column
        Position in the file, counted from 1; 0 when unknown.
    """

    message: str
    key: tuple[str | int, ...] = ()
    file: str = ""
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        place = self.file
        if self.line:
            place += f":{self.line}" + (f":{self.column}" if self.column else "")
        if not place and self.key:
            place = ".".join(str(part) for part in self.key)
        return f"{place}: {self.message}" if place else self.message


class LapwrightError(Exception):
    """Base of every error that lapwright raises on purpose."""


class InputError(LapwrightError):
    """What the user gave cannot be used: every fault found, not only the first.

    The command line prints one line per fault and ends with exit status 2.
    """

    def __init__(self, faults: Fault | list[Fault] | tuple[Fault, ...] | str) -> None:
        if isinstance(faults, str):
            faults = Fault(faults)
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class NoSolutionError(LapwrightError):
    """The problem as asked has no answer, or none was found (exit status 3).

    The text says which limit, where on the lap, and what to try.
    """


class InputNotice(UserWarning):
    """A warning about something odd in a file that does not stop the work; ``fault`` says what and where."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(str(fault))
