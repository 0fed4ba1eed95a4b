"""How programs are run here: machine code where that is possible, else numpy. Said once, decided once."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

from lapwright.compiled.machine import Machine, machine
from lapwright.errors import InputError

VARIABLE = "LAPWRIGHT_COMPILED"
ALLOWED = ("machine", "numpy")


def _to_standard_error(text: str) -> None:
    print(f"lapwright: {text}", file=sys.stderr)


announce: Callable[[str], None] = _to_standard_error
"""Called once with a sentence when programs cannot run as machine code."""


_decided: list[tuple[Machine | None, str]] = []


def _decide() -> tuple[Machine | None, str]:
    asked = os.environ.get(VARIABLE, "")
    if asked and asked not in ALLOWED:
        raise InputError(
            f"{VARIABLE}={asked}: allowed are {' and '.join(ALLOWED)}, or not set for the quickest"
        )
    if asked == "numpy":
        return None, f"numpy rows ({VARIABLE}=numpy)"
    try:
        found = machine()
    except ImportError as error:
        return _refused(f"llvmlite is missing: {error}")
    except (OSError, RuntimeError, AttributeError) as error:
        return _refused(f"LLVM cannot be used: {error}")
    return found, found.describe()


def _refused(why: str) -> tuple[None, str]:
    why = " ".join(why.split())
    announce(f"no machine code, numpy in its place, many times slower ({why})")
    return None, f"numpy rows ({why})"


def _found() -> tuple[Machine | None, str]:
    if not _decided:
        _decided.append(_decide())
    return _decided[0]


def host() -> Machine | None:
    """The processor to translate for, or None for numpy."""
    return _found()[0]


def refuse(why: str) -> None:
    """From now on programs run by numpy, since LLVM failed with one; said once."""
    if host() is not None:
        _decided[0] = _refused(why)


def backend() -> str:
    """How programs are run, in words.

    Returns
    -------
    str
        "machine code (LLVM ..., processor)" or "numpy rows (why)".

    Raises
    ------
    InputError
        If the environment variable ``LAPWRIGHT_COMPILED`` is neither ``machine`` nor ``numpy`` nor empty.
    """
    return _found()[1]
