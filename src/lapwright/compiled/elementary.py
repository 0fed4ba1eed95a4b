"""Definitions of the functions that a program calls."""

from __future__ import annotations

from collections.abc import Iterable

from lapwright.compiled.libm import NAMES as LIBRARY
from lapwright.compiled.libm import SYMBOL
from lapwright.compiled.operate import INTRINSIC
from lapwright.compiled.words import Lanes, Writer


def definitions(called: Iterable[tuple[str, int]]) -> list[str]:
    """Declarations and definitions of functions, given as (name, number of lanes)."""
    wanted = sorted(set(called))
    lines = []
    for name, width in wanted:
        if name in INTRINSIC:
            kind = Lanes(width).doubles
            operands = ", ".join([kind] * INTRINSIC[name])
            lines.append(f"declare {kind} @llvm.{name}.{Lanes(width).suffix()}({operands})")
    for name in sorted({name for name, _ in wanted} & set(LIBRARY)):
        operands = ", ".join(["double"] * LIBRARY[name])
        lines.append(f"declare double @{SYMBOL.format(name)}({operands}) nounwind")
    for name, width in wanted:
        if name in LIBRARY:
            lines += _lane_by_lane(name, Lanes(width))
    return lines


def _lane_by_lane(name: str, lanes: Lanes) -> list[str]:
    """A function of the C library, called for each lane."""
    write, kind = Writer(lanes), lanes.doubles
    given = ["%a", "%b"][: LIBRARY[name]]
    typed = ", ".join(f"{kind} {operand}" for operand in given)
    write.line(f"define internal {kind} @{name}.{lanes.width}({typed}) nounwind {{")
    found = "poison"
    for lane in range(lanes.width):
        single = given
        if lanes.width > 1:
            single = [write.result(f"extractelement {kind} {operand}, i32 {lane}") for operand in given]
        typed = ", ".join(f"double {operand}" for operand in single)
        value = write.result(f"call double @{SYMBOL.format(name)}({typed})")
        if lanes.width > 1:
            value = write.result(f"insertelement {kind} {found}, double {value}, i32 {lane}")
        found = value
    write.line(f"ret {kind} {found}\n}}")
    return write.lines
