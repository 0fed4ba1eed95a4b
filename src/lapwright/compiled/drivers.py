"""The entries of a program: its loops over points, and over steps and lanes."""

from __future__ import annotations

from collections.abc import Sequence

OVER = """
define void @{name}(ptr %table, i64 %begin, i64 %end) nounwind {{
entry:
{once}
  %final = sub i64 %end, {width}
  br label %loop
loop:
  %j = phi i64 [%begin, %entry], [%next, %loop]
  %offset = shl i64 %j, 3
{calls}
  %ahead = add i64 %j, {width}
  %late = icmp sgt i64 %ahead, %final
  %next = select i1 %late, i64 %final, i64 %ahead
  %done = icmp sge i64 %j, %final
  br i1 %done, label %out, label %loop
out:
  ret void
}}
"""
ALONG = """
define void @{name}(ptr %table, i64 %count, i64 %steps, i64 %first, i64 %stride) nounwind {{
entry:
{once}
  %final = sub i64 %count, {width}
  %start = shl i64 %first, 3
  %back = mul i64 %stride, -8
{prepare}
  br label %steps.loop
steps.loop:
  %k = phi i64 [0, %entry], [%next.k, %carry]
  %j0 = phi i64 [%first, %entry], [%next.j0, %carry]
  br label %lanes.loop
lanes.loop:
  %lane = phi i64 [0, %steps.loop], [%next.lane, %lanes.loop]
  %j = add i64 %j0, %lane
  %offset = shl i64 %j, 3
{calls}
  %ahead = add i64 %lane, {width}
  %late = icmp sgt i64 %ahead, %final
  %next.lane = select i1 %late, i64 %final, i64 %ahead
  %done = icmp sge i64 %lane, %final
  br i1 %done, label %carry, label %lanes.loop
carry:
{carry}
  %next.k = add i64 %k, 1
  %next.j0 = add i64 %j0, %stride
  %more = icmp slt i64 %next.k, %steps
  br i1 %more, label %steps.loop, label %out
out:
  ret void
}}
"""
PREPARE = """
  %at{i} = getelementptr i64, ptr %table, i64 {at}
  %in{i} = load i64, ptr %at{i}
  %in.pitch.at{i} = getelementptr i64, ptr %table, i64 {pitch}
  %out.at{i} = getelementptr i64, ptr %table, i64 {out}
  %out{i} = load i64, ptr %out.at{i}
  %out.pitch.at{i} = getelementptr i64, ptr %table, i64 {out_pitch}
  %out.pitch{i} = load i64, ptr %out.pitch.at{i}
  %from{i} = sub i64 %in{i}, %start
  store i64 %from{i}, ptr %at{i}
  %then{i} = add i64 %out{i}, %back
"""
CARRY = """
  store i64 %then{i}, ptr %at{i}
  store i64 %out.pitch{i}, ptr %in.pitch.at{i}
"""


def _once(count: int) -> str:
    return "\n".join(f"  call void @once{number}(ptr %table)" for number in range(count))


def _calls(parts: int) -> str:
    return "\n".join(f"  call void @part{number}(ptr %table, i64 %offset)" for number in range(parts))


def over_points(name: str, width: int, once: int, parts: int) -> str:
    """Entry that works on the points from ``begin`` to ``end``, at least ``width`` of them.

    The last vector may overlap the one before; what it does again has the same results.
    """
    return OVER.format(name=name, width=width, once=_once(once), calls=_calls(parts))


def along_lap(
    name: str, width: int, once: int, parts: int, inputs: int, carried: Sequence[tuple[int, int]]
) -> str:
    """Entry that goes ``steps`` steps with ``count`` lanes, at least ``width`` of them.

    ``first`` is the place of the first step's first value in a row, ``stride`` the distance from step to step (``count``,
    or ``-count`` for the way back). A carried input is read from the output it is tied to, one step back: after the first
    step its address in the table is changed.
    """
    prepared = [
        PREPARE.format(
            i=i,
            at=1 + 2 * source,
            pitch=2 + 2 * source,
            out=1 + 2 * (inputs + output),
            out_pitch=2 + 2 * (inputs + output),
        )
        for i, (output, source) in enumerate(carried)
    ]
    every = range(len(carried))
    return ALONG.format(
        name=name,
        width=width,
        once=_once(once),
        calls=_calls(parts),
        prepare="".join(prepared),
        carry="".join(CARRY.format(i=i) for i in every),
    )
