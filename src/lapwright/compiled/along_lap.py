"""A CasADi function step after step, with values carried from one step to the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import casadi as ca
import numpy as np

from lapwright.compiled.arrays import Array, doubles, overlap, places, widened
from lapwright.compiled.build import Kernel, Order, build
from lapwright.compiled.instructions import check
from lapwright.compiled.stepping import Stepping
from lapwright.compiled.ways import host, refuse


class AlongLap:
    """A CasADi SX function as one step of a recursion, run along any number of steps in independent lanes.

    It is translated at the first call: into machine code, or into calls of CasADi's own evaluation where that is not
    possible (``lapwright.compiled.backend`` says which).

    Parameters
    ----------
    function
        An SX function.
    carried
        {output: input}: the input takes the value that the output had one step before.
    shared
        Positions of the inputs that are the same at every step.
    backward
        Whether steps run from the last to the first.

    Raises
    ------
    ValueError
        For a function that is not SX; an output and an input that are tied and have not the same number of nonzeros, an
        input that is tied twice, or tied and shared; at the first call for an operation that is not supported, by its name.
    """

    def __init__(
        self,
        function: ca.Function,
        carried: Mapping[int, int],
        shared: Sequence[int] = (),
        backward: bool = False,
    ) -> None:
        check(function, shared)
        self.function, self.carried, self.backward = function, dict(carried), backward
        self.shared = frozenset(shared)
        self._name = function.name()
        self._tied = frozenset(self.carried.values())
        self._sizes = [function.nnz_in(i) for i in range(function.n_in())]
        self._results = [function.nnz_out(i) for i in range(function.n_out())]
        self._kernels: dict[int, Kernel] = {}
        self._stepping: Stepping | None = None
        self._check_ties()

    def __call__(self, *arguments: Array, out: list[Array] | None = None) -> list[Array]:
        """Values of the function at K steps in L lanes.

        Parameters
        ----------
        arguments
            (nnz, K, L) for each input; (nnz, L) for a carried one: its value at the step that is done first; (nnz,) for a
            shared one. With no input of the first kind K is that of ``out``, or 1.
        out
            (nnz, K, L) C-contiguous arrays of doubles, one for each output, to be written into. They may not overlap one
            another.

        Returns
        -------
        list of (nnz, K, L) arrays
            Nonzeros of each output at each step; ``out`` if that was given.

        Raises
        ------
        ValueError
            If an array has another shape than that.
        """
        given, steps, lanes = self._checked(arguments)
        if steps < 0:
            steps = out[0].shape[1] if out else 1
        if lanes < 0:
            lanes = out[0].shape[-1] if out else 1
        results = places(self._name, [(size, steps, lanes) for size in self._results], out)
        if steps == 0 or lanes == 0 or not results:
            return results
        if out is not None and overlap(given, out):
            given = [array.copy() for array in given]
        width = self._prepare(lanes)
        if width == 0:
            assert self._stepping is not None
            self._stepping(given, results, steps, lanes)
        elif lanes < width:
            self._few(given, results, width)
        else:
            self._run(width, given, results)
        return results

    def _check_ties(self) -> None:
        name = self._name
        if len(self._tied) < len(self.carried):
            raise ValueError(f"{name}: an input is tied to two outputs")
        for output, source in self.carried.items():
            if not (0 <= output < len(self._results) and 0 <= source < len(self._sizes)):
                raise ValueError(f"{name} has no output {output} or no input {source} to tie together")
            if source in self.shared:
                raise ValueError(f"{name}: input {source} cannot be both carried and shared")
            if self._results[output] != self._sizes[source]:
                raise ValueError(
                    f"{name}: output {output} has {self._results[output]} nonzeros, the input {source} "
                    f"that takes it {self._sizes[source]}"
                )

    def order(self, lanes: int = 1) -> Order | None:
        """What has to be translated before a call with a number of lanes; None if nothing has."""
        machine = host()
        if machine is None or self._stepping is not None:
            return None
        width = 1 if lanes == 1 else machine.width
        if width in self._kernels:
            return None
        return Order(
            self.function, machine, width, tuple(sorted(self.shared)), tuple(sorted(self.carried.items()))
        )

    def adopt(self, order: Order, kernel: Kernel) -> None:
        """Take the program that was ordered."""
        self._kernels[order.width] = kernel

    def _prepare(self, lanes: int) -> int:
        """Width of the vectors to work with; zero for CasADi's own evaluation."""
        order = self.order(lanes)
        if order is not None:
            try:
                self.adopt(order, build(order))
            except RuntimeError as error:
                refuse(f"LLVM refuses {self._name}: {error}")
        machine = host()
        if machine is not None and self._stepping is None:
            return 1 if lanes == 1 else machine.width
        if self._stepping is None:
            self._stepping = Stepping(self.function, self.carried, self.shared, self.backward)
        return 0

    def _checked(self, arguments: Sequence[Array]) -> tuple[list[Array], int, int]:
        """Arguments as contiguous doubles, and the numbers of steps and lanes; -1 if they do not say."""
        name = self._name
        if len(arguments) != len(self._sizes):
            raise ValueError(f"{name} takes {len(self._sizes)} arguments, not {len(arguments)}")
        given, steps, lanes = [], -1, -1
        for i, (value, size) in enumerate(zip(arguments, self._sizes, strict=True)):
            array = doubles(value)
            wanted: tuple[int | str, ...] = (size,)
            if i in self._tied:
                wanted = (size, lanes if lanes >= 0 else "lanes")
            elif i not in self.shared:
                wanted = (size, steps if steps >= 0 else "steps", lanes if lanes >= 0 else "lanes")
            if len(wanted) != array.ndim or any(
                w != n for w, n in zip(wanted, array.shape, strict=True) if not isinstance(w, str)
            ):
                shape = f"({', '.join(map(str, wanted))}{',' * (len(wanted) == 1)})"
                raise ValueError(f"{name}: argument {i} has the shape {array.shape}; it takes {shape}")
            if len(wanted) > 1:
                lanes = array.shape[-1]
            if len(wanted) == 3:
                steps = array.shape[1]
            given.append(array)
        return given, steps, lanes

    def _run(self, width: int, given: list[Array], results: list[Array]) -> None:
        kernel = self._kernels[width]
        _, steps, lanes = results[0].shape
        table = kernel.borrow()
        table.fill([*given, *results])
        first, stride = ((steps - 1) * lanes, -lanes) if self.backward else (0, lanes)
        kernel.run(table.address, lanes, steps, first, stride)
        kernel.give_back(table)

    def _few(self, given: list[Array], results: list[Array], width: int) -> None:
        """Fewer lanes than a vector has: the last one is repeated."""
        filled = [a if i in self.shared else widened(a, width) for i, a in enumerate(given)]
        wide = [np.empty((*place.shape[:2], width)) for place in results]
        self._run(width, filled, wide)
        for place, value in zip(results, wide, strict=True):
            place[...] = value[..., : place.shape[2]]
