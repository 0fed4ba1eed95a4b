"""Text of the parts of a program: what is done once before, and what is done at every vector of points."""

from __future__ import annotations

from abc import ABC, abstractmethod

from lapwright.compiled.operate import operate
from lapwright.compiled.places import Places
from lapwright.compiled.reduce import Steps
from lapwright.compiled.words import Lanes, Writer

NUMBER = Lanes(1)
Outputs = dict[int, list[tuple[int, int]]]
"""Step -> (output, nonzero) that take its value."""


class _Body(Writer, ABC):
    """A function that does some of a program's steps.

    Attributes
    ----------
    called
        Names of the functions that it calls.
    """

    def __init__(self, lanes: Lanes, steps: Steps, places: Places) -> None:
        super().__init__(lanes)
        self.steps, self.places = steps, places
        self.called: set[str] = set()
        self._names: dict[int, str] = {}
        self._words: dict[int, str] = {}

    def word(self, place: int, kind: str = "i64") -> str:
        """A word of the program's table."""
        if place not in self._words:
            at = self.result(f"getelementptr i64, ptr %table, i64 {place}")
            self._words[place] = self.result(f"load {kind}, ptr {at}, align 8")
        return self._words[place]

    def value(self, k: int) -> str:
        """Name of a value in this function, fetched when it is first used."""
        if k not in self._names:
            self._names[k] = self._fetch(k)
        return self._names[k]

    def operation(self, k: int) -> str:
        """Do a step."""
        operands = [self.value(source) for source in self.steps.sources(k)]
        self._names[k] = operate(self, self.steps.names[k], operands, self.called)
        return self._names[k]

    @abstractmethod
    def _fetch(self, k: int) -> str:
        """Have a value of an earlier step at hand."""

    def _load(self, at: str, align: int = 8) -> str:
        return self.result(f"load {self.lanes.doubles}, ptr {at}, align {align}")

    def _store(self, value: str, at: str, align: int = 8) -> None:
        self.line(f"store {self.lanes.doubles} {value}, ptr {at}, align {align}")

    def _alike(self, k: int) -> str:
        """Address of a value that is the same at every point."""
        return self.result(f"getelementptr double, ptr {self.word(0, 'ptr')}, i64 {self.places.alike[k]}")


class Once(_Body):
    """Steps on single numbers, for what is the same at every point."""

    def __init__(self, name: str, chosen: list[int], steps: Steps, places: Places) -> None:
        super().__init__(NUMBER, steps, places)
        self.line(f"define internal void @{name}(ptr %table) nounwind {{")
        for k in chosen:
            given = steps.names[k] in ("const", "input")
            value = self.value(k) if given else self.operation(k)
            if k in places.alike:
                self._store(value, self._alike(k))
        self.line("ret void\n}")

    def _fetch(self, k: int) -> str:
        if self.steps.names[k] == "const":
            return self.constant(self.steps.operands[k][0])
        if self.steps.names[k] == "input":
            i, nonzero = self.steps.operands[k]
            row = self.word(1 + 2 * i, "ptr")
            return self._load(self.result(f"getelementptr double, ptr {row}, i64 {nonzero}"))
        return self._load(self._alike(k))


class Part(_Body):
    """Steps on a vector of points.

    Parameters
    ----------
    name
        Name of the function.
    chosen
        The steps that it does.
    outputs
        The results that it writes.
    lanes, steps, places
        Width of a vector, and all of the program.
    inputs
        Number of inputs of the program.
    """

    def __init__(
        self,
        name: str,
        chosen: list[int],
        outputs: Outputs,
        lanes: Lanes,
        steps: Steps,
        places: Places,
        inputs: int,
    ) -> None:
        super().__init__(lanes, steps, places)
        self._inputs = inputs
        self._rows: dict[int, str] = {}
        self.line(f"define internal void @{name}(ptr %table, i64 %offset) nounwind {{")
        self._slots = self.result(f"getelementptr i8, ptr {self.word(0, 'ptr')}, i64 {places.slots_at}")
        left = dict(outputs)
        for k in chosen:
            if steps.names[k] != "input":
                self._do(k)
            self._write(k, left.pop(k, []))
        for k, targets in left.items():
            self._write(k, targets)
        self.line("ret void\n}")

    def _do(self, k: int) -> None:
        value = self.operation(k)
        if k in self.places.slot:
            self._store(value, self._slot(k), 8 * self.lanes.width)

    def _write(self, k: int, targets: list[tuple[int, int]]) -> None:
        for output, nonzero in targets:
            self._store(self.value(k), self._row(self._inputs + output, nonzero))

    def _fetch(self, k: int) -> str:
        if self.steps.alike[k]:
            return self._everywhere(self.result(f"load double, ptr {self._alike(k)}, align 8"))
        if self.steps.names[k] == "input":
            return self._load(self._row(*self.steps.operands[k]))
        return self._load(self._slot(k), 8 * self.lanes.width)

    def _everywhere(self, number: str) -> str:
        """A number in every lane."""
        kind, width = self.lanes.doubles, self.lanes.width
        if width == 1:
            return number
        single = self.result(f"insertelement {kind} poison, double {number}, i32 0")
        return self.result(f"shufflevector {kind} {single}, {kind} poison, <{width} x i32> zeroinitializer")

    def _slot(self, k: int) -> str:
        where = 8 * self.lanes.width * self.places.slot[k]
        return self.result(f"getelementptr i8, ptr {self._slots}, i64 {where}")

    def _row(self, array: int, nonzero: int) -> str:
        """Address of a nonzero of an input or, counted after those, an output at these points."""
        if array not in self._rows:
            row = self.word(1 + 2 * array, "ptr")
            self._rows[array] = self.result(f"getelementptr i8, ptr {row}, i64 %offset")
        distance = self.result(f"mul i64 {self.word(2 + 2 * array)}, {nonzero}")
        return self.result(f"getelementptr i8, ptr {self._rows[array]}, i64 {distance}")
