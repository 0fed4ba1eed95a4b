"""Text of LLVM's intermediate language: types, constants, and a writer that names its results."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property


def bits(value: float) -> str:
    """A double as LLVM reads it without any rounding."""
    return f"0x{struct.unpack('<Q', struct.pack('<d', value))[0]:016X}"


@dataclass(frozen=True)
class Lanes:
    """How many doubles are worked on at once.

    Attributes
    ----------
    width
        Number of doubles; 1 for plain numbers.
    """

    width: int

    @cached_property
    def doubles(self) -> str:
        """Type of a value."""
        return self.of("double")

    @cached_property
    def words(self) -> str:
        """Type of the 64-bit whole numbers beside a value."""
        return self.of("i64")

    @cached_property
    def flags(self) -> str:
        """Type of the outcome of a comparison."""
        return self.of("i1")

    def of(self, kind: str) -> str:
        """Type of a value made of ``kind``."""
        return f"<{self.width} x {kind}>" if self.width > 1 else kind

    def suffix(self, kind: str = "f64") -> str:
        """How a type is written in the name of an intrinsic."""
        return f"v{self.width}{kind}" if self.width > 1 else kind

    def constant(self, value: float) -> str:
        """A double in every lane."""
        return f"splat (double {bits(value)})" if self.width > 1 else bits(value)

    def word(self, value: int) -> str:
        """A whole number in every lane."""
        return f"splat (i64 {value})" if self.width > 1 else str(value)


class Writer:
    """Writes the body of a function for a number of lanes. Operands and results are names or constants, as text."""

    def __init__(self, lanes: Lanes) -> None:
        self.lanes = lanes
        self.lines: list[str] = []
        self._count = 0

    def line(self, text: str) -> None:
        """Append a line as it is."""
        self.lines.append(text)

    def result(self, text: str) -> str:
        """Append an instruction and return the name of its result."""
        self._count += 1
        name = f"%x{self._count}"
        self.lines.append(f"{name} = {text}")
        return name

    def two(self, operation: str, a: str, b: str) -> str:
        """An instruction with two operands of doubles: fadd, fsub, fmul, fdiv."""
        return self.result(f"{operation} {self.lanes.doubles} {a}, {b}")

    def add(self, a: str, b: str) -> str:
        """A sum."""
        return self.two("fadd", a, b)

    def sub(self, a: str, b: str) -> str:
        """A difference."""
        return self.two("fsub", a, b)

    def mul(self, a: str, b: str) -> str:
        """A product."""
        return self.two("fmul", a, b)

    def div(self, a: str, b: str) -> str:
        """A quotient."""
        return self.two("fdiv", a, b)

    def neg(self, a: str) -> str:
        """The value with the other sign."""
        return self.result(f"fneg {self.lanes.doubles} {a}")

    def fma(self, a: str, b: str, c: str) -> str:
        """Product and sum, rounded once."""
        return self.intrinsic("fma", a, b, c)

    def intrinsic(self, name: str, *operands: str) -> str:
        """A call of one of LLVM's own functions on doubles."""
        return self.call(f"llvm.{name}.{self.lanes.suffix()}", *operands)

    def call(self, name: str, *operands: str) -> str:
        """A call of a function from doubles to doubles."""
        kind = self.lanes.doubles
        return self.result(f"call {kind} @{name}({', '.join(f'{kind} {operand}' for operand in operands)})")

    def compare(self, predicate: str, a: str, b: str) -> str:
        """Flags of a comparison of doubles."""
        return self.result(f"fcmp {predicate} {self.lanes.doubles} {a}, {b}")

    def both(self, operation: str, a: str, b: str) -> str:
        """Flags of ``and`` or ``or``."""
        return self.result(f"{operation} {self.lanes.flags} {a}, {b}")

    def select(self, flags: str, a: str, b: str) -> str:
        """Where a flag is set the first, else the second."""
        lanes = self.lanes
        return self.result(f"select {lanes.flags} {flags}, {lanes.doubles} {a}, {lanes.doubles} {b}")

    def constant(self, value: float) -> str:
        """A double in every lane."""
        return self.lanes.constant(value)

    def bits_of(self, a: str) -> str:
        """The 64 bits of a double as a whole number."""
        return self.result(f"bitcast {self.lanes.doubles} {a} to {self.lanes.words}")

    def from_bits(self, a: str) -> str:
        """The double of 64 bits."""
        return self.result(f"bitcast {self.lanes.words} {a} to {self.lanes.doubles}")

    def whole(self, operation: str, a: str, b: int | str) -> str:
        """An instruction on whole numbers: add, sub, and, xor, shl, ashr; the second may be a constant."""
        second = self.lanes.word(b) if isinstance(b, int) else b
        return self.result(f"{operation} {self.lanes.words} {a}, {second}")

    def polynomial(self, coefficients: Sequence[float], x: str) -> str:
        """A polynomial by Horner's rule, lowest power first."""
        found = self.constant(coefficients[-1])
        for coefficient in coefficients[-2::-1]:
            found = self.fma(found, x, self.constant(coefficient))
        return found

    def any(self, flags: str) -> str:
        """Whether a flag is set in any lane."""
        width = self.lanes.width
        if width == 1:
            return flags
        packed = self.result(f"bitcast {self.lanes.flags} {flags} to i{width}")
        return self.result(f"icmp ne i{width} {packed}, 0")
