"""A function's steps as text of LLVM's intermediate language.

The program is a row of parts, each a function of some hundred steps. A part works on one vector of points (one number in
each lane); values that later parts need go through a scratch area. So the time to translate grows with the length of
the program and not with its square, and the registers of the processor are dealt out part by part.

Everything a part needs stands in a table of 64-bit words: address of the scratch area; then for each input, then
for each output, its address and the distance between two of its rows in bytes. Points are addressed by their offset in a row.
"""

from __future__ import annotations

from collections.abc import Sequence

from lapwright.compiled.drivers import along_lap, over_points
from lapwright.compiled.elementary import definitions
from lapwright.compiled.parts import NUMBER, Once, Outputs, Part
from lapwright.compiled.places import Places, deal_places
from lapwright.compiled.reduce import Steps
from lapwright.compiled.words import Lanes

PART = 150
"""Steps in a part. LLVM's plain way to deal out registers does well up to about 200; shorter parts cost time to translate."""


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
        once = _pieces([k for k, alike in enumerate(steps.alike) if alike])
        parts = _pieces([k for k, alike in enumerate(steps.alike) if not alike]) or [[]]
        places = deal_places(steps, parts)
        self.scratch = places.slots_at + 8 * lanes.width * places.slots
        before = [Once(f"once{n}", piece, steps, places) for n, piece in enumerate(once)]
        written = _written(steps, places, len(parts))
        bodies = [
            Part(f"part{n}", part, written[n], lanes, steps, places, inputs) for n, part in enumerate(parts)
        ]
        called = {(name, NUMBER.width) for body in before for name in body.called}
        called |= {(name, lanes.width) for body in bodies for name in body.called}
        lines = definitions(called, fused)
        for body in (*before, *bodies):
            lines += body.lines
        if carried is None:
            lines.append(over_points(name, lanes.width, len(before), len(bodies)))
        else:
            lines.append(along_lap(name, lanes.width, len(before), len(bodies), inputs, carried))
        self.text = "\n".join(lines)


def _pieces(steps: list[int]) -> list[list[int]]:
    return [steps[i : i + PART] for i in range(0, len(steps), PART)]


def _written(steps: Steps, places: Places, parts: int) -> list[Outputs]:
    """Results that each part writes; what is the same at every point is left to the last one."""
    found: list[Outputs] = [{} for _ in range(parts)]
    for output, nonzero, k in steps.outputs:
        found[places.part.get(k, -1)].setdefault(k, []).append((output, nonzero))
    return found
