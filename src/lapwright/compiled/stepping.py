"""A recursion by CasADi's own evaluation, one step and one lane at a time: the way without machine code."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from lapwright.compiled.instructions import read

Array = NDArray[np.float64]


class Stepping:
    """An SX function as one step of a recursion; parameters as in ``AlongLap``."""

    def __init__(
        self, function: ca.Function, carried: Mapping[int, int], shared: Collection[int], backward: bool
    ) -> None:
        read(function, shared)  # refuses what machine code refuses
        self.function, self.carried, self.shared, self.backward = function, carried, shared, backward

    def __call__(self, arguments: list[Array], results: list[Array], steps: int, lanes: int) -> None:
        """Values at every step, written into ``results``; shapes as in ``AlongLap``."""
        tied = set(self.carried.values())
        places = [np.zeros(len(a)) for a in arguments]
        found = [np.zeros(len(r)) for r in results]
        buffer: Any
        buffer, evaluate = self.function.buffer()
        for i, place in enumerate(places):
            buffer.set_arg(i, place.data)
        for o, place in enumerate(found):
            buffer.set_res(o, place.data)
        changing = [i for i in range(len(arguments)) if i not in self.shared and i not in tied]
        for i in self.shared:
            places[i][...] = arguments[i]
        order = range(steps - 1, -1, -1) if self.backward else range(steps)
        for lane in range(lanes):
            for source in tied:
                places[source][...] = arguments[source][:, lane]
            for k in order:
                for i in changing:
                    places[i][...] = arguments[i][:, k, lane]
                evaluate()
                for result, value in zip(results, found, strict=True):
                    result[:, k, lane] = value
                for output, source in self.carried.items():
                    places[source][...] = found[output]
