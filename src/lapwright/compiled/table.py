"""What a program is called with: addresses of arrays, and a scratch area."""

from __future__ import annotations

import ctypes

import numpy as np

from lapwright.compiled.arrays import Array, address

ALIGNMENT = 64


class Table:
    """Addresses of a program's arrays, and its scratch area.

    Parameters
    ----------
    arrays
        Number of inputs and outputs.
    scratch
        Size of the scratch area in bytes.
    """

    def __init__(self, arrays: int, scratch: int) -> None:
        self._area = np.empty(scratch + ALIGNMENT, dtype=np.uint8)
        self.words = (ctypes.c_int64 * (1 + 2 * arrays))()
        start = int(self._area.ctypes.data)
        self.words[0] = start + -start % ALIGNMENT
        self.address = ctypes.addressof(self.words)

    def fill(self, arrays: list[Array]) -> None:
        """Put in the address of each array and the distance of its rows."""
        words, at = self.words, 1
        for array in arrays:
            words[at] = address(array)
            words[at + 1] = array.strides[0]
            at += 2
