"""A CasADi function at many points."""

from __future__ import annotations

from collections.abc import Sequence

import casadi as ca
import numpy as np

from lapwright.compiled.arrays import Array, doubles, overlap, places, widened
from lapwright.compiled.build import Kernel, Order, build
from lapwright.compiled.instructions import check
from lapwright.compiled.rows import Rows
from lapwright.compiled.ways import host, refuse


class OverPoints:
    """A CasADi SX function, to be evaluated at any number of points at once.

    It is translated at the first call: into machine code, or into numpy operations where that is not possible
    (``lapwright.compiled.backend`` says which).

    Parameters
    ----------
    function
        An SX function.
    shared
        Positions of the inputs that are the same at every point.

    Raises
    ------
    ValueError
        For a function that is not SX, or a shared input that it does not have; at the first call for an operation that
        is not supported, by its name.
    """

    def __init__(self, function: ca.Function, shared: Sequence[int] = ()) -> None:
        check(function, shared)
        self.function = function
        self.shared = frozenset(shared)
        self._name = function.name()
        self._sizes = [function.nnz_in(i) for i in range(function.n_in())]
        self._results = [function.nnz_out(i) for i in range(function.n_out())]
        self._kernel: Kernel | None = None
        self._rows: Rows | None = None
        self._width = 0

    def __call__(self, *arguments: Array, out: list[Array] | None = None) -> list[Array]:
        """Values of the function at M points.

        Parameters
        ----------
        arguments
            (nnz, M) for each input, (nnz,) for a shared one. With shared inputs alone M is that of ``out``, or 1.
        out
            (nnz, M) arrays of doubles with contiguous rows, one for each output, to be written into. They may not
            overlap one another.

        Returns
        -------
        list of (nnz, M) arrays
            Nonzeros of each output; ``out`` if that was given.

        Raises
        ------
        ValueError
            If an array has another shape than that.
        """
        given, count = self._checked(arguments)
        if count < 0:
            count = out[0].shape[-1] if out else 1
        results = places(self._name, [(size, count) for size in self._results], out)
        if self._kernel is None and self._rows is None:
            self._prepare()
        if count == 0 or not results:
            return results
        if out is not None and overlap(given, out):
            given = [array.copy() for array in given]
        if self._rows is not None:
            self._rows(given, results, count)
        elif count < self._width:
            self._few(given, results)
        else:
            self._run(given, results)
        return results

    def order(self, lanes: int = 1) -> Order | None:
        """What has to be translated before a call; None if nothing has. ``lanes`` is for programs along steps."""
        machine = host()
        if machine is None or self._kernel is not None or self._rows is not None:
            return None
        return Order(self.function, machine, machine.width, tuple(sorted(self.shared)))

    def adopt(self, order: Order, kernel: Kernel) -> None:
        """Take the program that was ordered."""
        self._kernel, self._width = kernel, order.width

    def _prepare(self) -> None:
        order = self.order()
        if order is not None:
            try:
                return self.adopt(order, build(order))
            except RuntimeError as error:
                refuse(f"LLVM refuses {self._name}: {error}")
        self._rows = Rows(self.function, self.shared)

    def _checked(self, arguments: Sequence[Array]) -> tuple[list[Array], int]:
        """Arguments as contiguous doubles, and the number of points; -1 if they do not say."""
        name = self._name
        if len(arguments) != len(self._sizes):
            raise ValueError(f"{name} takes {len(self._sizes)} arguments, not {len(arguments)}")
        given, count = [], -1
        for i, (value, size) in enumerate(zip(arguments, self._sizes, strict=True)):
            array = doubles(value)
            if i in self.shared:
                fits, wanted = array.shape == (size,), f"({size},)"
            else:
                fits = array.ndim == 2 and array.shape[0] == size and count in (-1, array.shape[1])
                wanted = f"({size}, {'points' if count < 0 else count})"
                count = array.shape[1] if fits else count
            if not fits:
                raise ValueError(f"{name}: argument {i} has the shape {array.shape}; it takes {wanted}")
            given.append(array)
        return given, count

    def _run(self, given: list[Array], results: list[Array]) -> None:
        kernel = self._kernel
        assert kernel is not None
        table = kernel.borrow()
        table.fill([*given, *results])
        kernel.run(table.address, 0, results[0].shape[1])
        kernel.give_back(table)

    def _few(self, given: list[Array], results: list[Array]) -> None:
        """Fewer points than a vector has lanes: the last one is repeated."""
        filled = [a if i in self.shared else widened(a, self._width) for i, a in enumerate(given)]
        wide = [np.empty((size, self._width)) for size in self._results]
        self._run(filled, wide)
        for place, value in zip(results, wide, strict=True):
            place[...] = value[:, : place.shape[1]]
