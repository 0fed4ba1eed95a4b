"""A function's steps as text of LLVM's intermediate language.

The program is a row of parts, each a function of some hundred steps. A part works on one vector of points (one number in
each lane); values that later parts need go through a scratch area. So the time to translate grows with the length of
the program and not with its square, and the registers of the processor are dealt out part by part.

Everything a part needs stands in a table of 64-bit words: address of the scratch area; then for each input, then
for each output, its address and the distance between two of its rows in bytes. Points are addressed by their offset in a row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from lapwright.compiled.drivers import along_lap, over_points
from lapwright.compiled.elementary import definitions
from lapwright.compiled.operate import operate
from lapwright.compiled.reduce import Steps
from lapwright.compiled.words import Lanes, Writer

PART = 150
"""Steps in a part. LLVM's plain way to deal out registers does well up to about 200; shorter parts cost time to translate."""
NUMBER = Lanes(1)


@dataclass
class Places:
    """Where values stand between parts.

    Attributes
    ----------
    part
        Part in which a step is done.
    last
        Last part that needs it.
    slot
        Place in the scratch area of a value that a later part needs; ``slots`` is their number.
    alike
        Place in the scratch area of a value that is the same at every point.
    """

    part: dict[int, int] = field(default_factory=dict)
    last: dict[int, int] = field(default_factory=dict)
    slot: dict[int, int] = field(default_factory=dict)
    slots: int = 0
    alike: dict[int, int] = field(default_factory=dict)


def deal_places(steps: Steps, parts: list[list[int]]) -> Places:
    """Deal out the scratch area; places are used again once a value is no longer needed."""
    places = Places()
    for number, part in enumerate(parts):
        places.part.update(dict.fromkeys(part, number))
    for k, number in places.part.items():
        for source in steps.sources(k):
            places.last[source] = number
    for _, _, k in steps.outputs:
        number = places.part.get(k, len(parts) - 1)
        places.last[k] = max(places.last.get(k, 0), number)
    # Constants stand there too: a part reads them from memory anyway, and so with the shortest instructions.
    read = set(places.last)
    wanted = [k for k, alike in enumerate(steps.alike) if alike and (k in read or steps.names[k] != "const")]
    places.alike = {k: i for i, k in enumerate(wanted)}
    free: list[int] = []
    ends: dict[int, list[int]] = {}
    for number, part in enumerate(parts):
        free += ends.pop(number - 1, [])
        for k in part:
            # An input is simply read again.
            if places.last.get(k, number) > number and steps.names[k] != "input":
                if not free:
                    free.append(places.slots)
                    places.slots += 1
                places.slot[k] = free.pop()
                ends.setdefault(places.last[k], []).append(places.slot[k])
    return places


class Program:
    """Text of a program and what its caller has to know.

    Parameters
    ----------
    steps
        What is computed.
    inputs
        Number of inputs of the function.
    lanes
        Width of a vector.
    name
        Name of the entry.
    fused
        Whether the processor rounds a product and a sum once.
    carried
        (output, input) pairs; None for a program over points.

    Attributes
    ----------
    text
        Module in LLVM's intermediate language.
    scratch
        Size of the scratch area in bytes; it has to start at a multiple of 64.
    """

    def __init__(
        self,
        steps: Steps,
        inputs: int,
        lanes: Lanes,
        name: str,
        fused: bool,
        carried: Sequence[tuple[int, int]] | None = None,
    ) -> None:
        self.steps, self.inputs, self.lanes = steps, inputs, lanes
        varying = [k for k, alike in enumerate(steps.alike) if not alike]
        self.parts = [varying[i : i + PART] for i in range(0, len(varying), PART)] or [[]]
        self.places = deal_places(steps, self.parts)
        self.slots_at = -(-8 * len(self.places.alike) // 64) * 64
        self.scratch = self.slots_at + 8 * lanes.width * self.places.slots
        self.written = self._written()
        self.called: set[tuple[str, int]] = set()
        bodies = [_alike(self)] + [_Part(self, number).lines for number in range(len(self.parts))]
        lines = [line for body in (definitions(self.called, fused), *bodies) for line in body]
        count = len(self.parts)
        if carried is None:
            lines.append(over_points(name, lanes.width, count))
        else:
            lines.append(along_lap(name, lanes.width, count, inputs, carried))
        self.text = "\n".join(lines)

    def _written(self) -> list[dict[int, list[tuple[int, int]]]]:
        """Outputs that each part writes; what is the same at every point is left to the last one."""
        found: list[dict[int, list[tuple[int, int]]]] = [{} for _ in self.parts]
        for output, nonzero, k in self.steps.outputs:
            found[self.places.part.get(k, -1)].setdefault(k, []).append((output, nonzero))
        return found

    def note(self, names: set[str], lanes: Lanes) -> None:
        """Note functions that were called."""
        self.called |= {(name, lanes.width) for name in names}


def word(write: Writer, place: int, kind: str = "i64") -> str:
    """Load a word of the table."""
    at = write.result(f"getelementptr i64, ptr %table, i64 {place}")
    return write.result(f"load {kind}, ptr {at}, align 8")


def _alike(program: Program) -> list[str]:
    """The function that computes what is the same at every point."""
    steps, slots, names = program.steps, program.places.alike, {}
    write = Writer(NUMBER)
    called: set[str] = set()
    write.line("define internal void @alike(ptr %table) nounwind {")
    scratch = word(write, 0, "ptr")
    bases = {
        i: word(write, 1 + 2 * i, "ptr")
        for i in sorted({steps.operands[k][0] for k in slots if steps.names[k] == "input"})
    }
    for k, alike in enumerate(steps.alike):
        if not alike:
            continue
        if steps.names[k] == "const":
            names[k] = write.constant(steps.operands[k][0])
        elif steps.names[k] == "input":
            i, nonzero = steps.operands[k]
            at = write.result(f"getelementptr double, ptr {bases[i]}, i64 {nonzero}")
            names[k] = write.result(f"load double, ptr {at}, align 8")
        else:
            names[k] = operate(write, steps.names[k], [names[s] for s in steps.sources(k)], called)
        if k in slots:
            at = write.result(f"getelementptr double, ptr {scratch}, i64 {slots[k]}")
            write.line(f"store double {names[k]}, ptr {at}, align 8")
    write.line("ret void\n}")
    program.note(called, NUMBER)
    return write.lines


class _Part(Writer):
    """Text of one part of a program."""

    def __init__(self, program: Program, number: int) -> None:
        super().__init__(program.lanes)
        self.program, self.steps, self.places = program, program.steps, program.places
        self.names: dict[int, str] = {}
        self.rows: dict[tuple[str, int], tuple[str, str]] = {}
        called: set[str] = set()
        at = program.written[number]
        self.line(f"define internal void @part{number}(ptr %table, i64 %offset) nounwind {{")
        self.scratch = word(self, 0, "ptr")
        self.slots = self.result(f"getelementptr i8, ptr {self.scratch}, i64 {program.slots_at}")
        for k in program.parts[number]:
            self._step(k, called)
            for output, nonzero in at.pop(k, ()):
                self._store(self.value(k), self._place("out", output, nonzero), 8)
        for k, targets in at.items():
            for output, nonzero in targets:
                self._store(self.value(k), self._place("out", output, nonzero), 8)
        self.line("ret void\n}")
        program.note(called, self.lanes)

    def _step(self, k: int, called: set[str]) -> None:
        name = self.steps.names[k]
        if name == "input":
            return
        self.names[k] = operate(self, name, [self.value(s) for s in self.steps.sources(k)], called)
        if k in self.places.slot:
            self._store(self.names[k], self._slot(k), 8 * self.lanes.width)

    def value(self, k: int) -> str:
        """Name of a value in this part, fetched when it is first used."""
        if k not in self.names:
            self.names[k] = self._fetch(k)
        return self.names[k]

    def _fetch(self, k: int) -> str:
        steps = self.steps
        if steps.alike[k]:
            at = self.result(f"getelementptr double, ptr {self.scratch}, i64 {self.places.alike[k]}")
            return self._everywhere(self.result(f"load double, ptr {at}, align 8"))
        if steps.names[k] == "input":
            return self._load(self._place("in", *steps.operands[k]), 8)
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
        return self.result(f"getelementptr i8, ptr {self.slots}, i64 {where}")

    def _place(self, side: str, which: int, nonzero: int) -> str:
        """Address of a nonzero of an input or an output at this part's points."""
        if (side, which) not in self.rows:
            place = 2 * (which if side == "in" else self.program.inputs + which)
            row, pitch = word(self, 1 + place, "ptr"), word(self, 2 + place)
            self.rows[side, which] = self.result(f"getelementptr i8, ptr {row}, i64 %offset"), pitch
        row, pitch = self.rows[side, which]
        distance = self.result(f"mul i64 {pitch}, {nonzero}")
        return self.result(f"getelementptr i8, ptr {row}, i64 {distance}")

    def _load(self, at: str, align: int) -> str:
        return self.result(f"load {self.lanes.doubles}, ptr {at}, align {align}")

    def _store(self, value: str, at: str, align: int) -> None:
        self.line(f"store {self.lanes.doubles} {value}, ptr {at}, align {align}")
