"""Definitions of the functions that a program calls."""

from __future__ import annotations

from collections.abc import Iterable

from lapwright.compiled.libm import NAMES, SYMBOL
from lapwright.compiled.operate import INTRINSIC
from lapwright.compiled.quick import BOUNDED, LARGE, QUICK
from lapwright.compiled.words import Lanes, Writer


def definitions(called: Iterable[tuple[str, int]], fused: bool) -> list[str]:
    """Declarations and definitions of functions.

    Parameters
    ----------
    called
        (name, number of lanes) of each.
    fused
        Whether the processor rounds a product and a sum once; if not, all is left to the C library.
    """
    called = set(called)
    wanted = sorted((name, width) for name, width in called if name in NAMES)
    lines: list[str] = []
    for name, width in wanted:
        lanes = Lanes(width)
        if fused and name in QUICK:
            lines += _quick(name, lanes)
            called |= {("fma", width), ("fabs", width), ("copysign", width), ("sqrt", width)}
        else:
            lines += _lane_by_lane(name, name, lanes)
    for name in sorted({name for name, _ in wanted}):
        operands = ", ".join(["double"] * NAMES[name])
        lines.append(f"declare double @{SYMBOL.format(name)}({operands}) nounwind")
    for name, width in sorted(called):
        if name in INTRINSIC:
            kind = Lanes(width).doubles
            operands = ", ".join([kind] * INTRINSIC[name])
            lines.append(f"declare {kind} @llvm.{name}.{Lanes(width).suffix()}({operands})")
    return lines


def _head(name: str, lanes: Lanes, operands: list[str]) -> str:
    kind = lanes.doubles
    typed = ", ".join(f"{kind} {operand}" for operand in operands)
    return f"define internal {kind} @{name}.{lanes.width}({typed}) nounwind {{"


def _lane_by_lane(name: str, called: str, lanes: Lanes) -> list[str]:
    """A function of the C library, called for each lane."""
    write, kind = Writer(lanes), lanes.doubles
    given = ["%a", "%b"][: NAMES[name]]
    write.line(_head(called, lanes, given))
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


def _quick(name: str, lanes: Lanes) -> list[str]:
    """A function for all lanes at once; where it does not reach, the C library lane by lane."""
    write, kind = Writer(lanes), lanes.doubles
    write.line(_head(name, lanes, ["%a"]))
    value = QUICK[name](write, "%a")
    if name not in BOUNDED:
        write.line(f"ret {kind} {value}\n}}")
        return write.lines
    far = write.compare("ogt", write.intrinsic("fabs", "%a"), write.constant(LARGE))
    write.line(f"br i1 {write.any(far)}, label %beyond, label %within\nwithin:\nret {kind} {value}\nbeyond:")
    write.line(f"ret {kind} {write.select(far, write.call(f'{name}.far.{lanes.width}', '%a'), value)}\n}}")
    return write.lines + _lane_by_lane(name, f"{name}.far", lanes)
