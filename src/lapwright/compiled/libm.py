"""Addresses of the C library's functions."""

from __future__ import annotations

import ctypes
import sys

NAMES: dict[str, int] = {
    "exp": 1,
    "log": 1,
    "sin": 1,
    "cos": 1,
    "tan": 1,
    "asin": 1,
    "acos": 1,
    "atan": 1,
    "sinh": 1,
    "cosh": 1,
    "tanh": 1,
    "asinh": 1,
    "acosh": 1,
    "atanh": 1,
    "log1p": 1,
    "expm1": 1,
    "pow": 2,
    "fmod": 2,
    "atan2": 2,
    "hypot": 2,
}
"""Functions that programs call, and their number of operands."""
SYMBOL = "lapwright_c_{}"
"""Name under which a program knows a function of the C library."""


def _library() -> ctypes.CDLL:
    if sys.platform == "win32":
        return ctypes.CDLL("ucrtbase")
    if sys.platform == "darwin":
        return ctypes.CDLL("/usr/lib/libSystem.B.dylib")
    try:
        return ctypes.CDLL("libm.so.6")
    except OSError:
        # Other C libraries of Linux have the functions of mathematics in themselves.
        return ctypes.CDLL(None)


def addresses() -> dict[str, int]:
    """Symbol -> address of each function that machine code may call.

    Raises
    ------
    OSError, AttributeError
        If the library or a function is not there.
    """
    library = _library()
    found = {}
    for name in NAMES:
        address = ctypes.cast(getattr(library, name), ctypes.c_void_p).value
        if address is None:
            raise OSError(f"the C library has no {name}")
        found[SYMBOL.format(name)] = address
    if sys.platform == "win32":
        # LLVM has it called by every function with a large stack frame.
        found["__chkstk"] = ctypes.cast(getattr(ctypes.CDLL("ntdll"), "__chkstk"), ctypes.c_void_p).value or 0
    return found
