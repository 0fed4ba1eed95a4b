"""A vehicle file with what a log showed of the car in place of its numbers: everything else as it was, comments included."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from lapwright.driver.fit import CarFit, Shown
from lapwright.errors import InputError
from lapwright.inputs.tree import Mapping, Node, Scalar, parse
from lapwright.inputs.tree import Sequence as ListNode
from lapwright.outputs.words import ascii_only

Path = tuple[str | int, ...]


class Change(NamedTuple):
    """One number of a file: its keys, and what it is scaled by."""

    path: Path
    shown: Shown
    words: str


NUMBERS: tuple[tuple[Path, str, str], ...] = (
    (("tyres", "front", "grip_scale"), "front", "front grip"),
    (("tyres", "rear", "grip_scale"), "rear", "rear grip"),
    (("grip_g",), "front", "grip"),
    (("driveline", "power_kW"), "power", "power"),
    (("driveline", "engine_torque_Nm"), "power", "torque"),
    (("power_kW",), "power", "power"),
    (("aero", "drag_area_m2"), "drag", "drag"),
    (("drag_area_m2",), "drag", "drag"),
)
"""What is scaled, by which field of ``CarFit``."""

DEFAULT = {("tyres", "front", "grip_scale"): 1.0, ("tyres", "rear", "grip_scale"): 1.0}
"""What a key stands for when a file leaves it out."""


def fitted_text(source: str, fit: CarFit, logs: Sequence[str]) -> str:
    """The text of a vehicle file with fitted numbers.

    Parameters
    ----------
    source
        Text of the file that the fit was made with.
    fit
        From ``driver.fit.fit_car``. What was not seen is left as it is.
    logs
        Names of the logs, for the head of the file.

    Raises
    ------
    InputError
        When a number of the file stands where it cannot be replaced (an alias, a text over several lines).
    """
    root, faults = parse(source)
    if faults:
        raise InputError(faults)
    lines = source.splitlines()
    changes = [
        Change(path, getattr(fit, field), words)
        for path, field, words in NUMBERS
        if getattr(fit, field).kind != "not seen"
        and (_has(root, path) or (path in DEFAULT and _has(root, path[:-1])))
    ]
    edits: list[tuple[int, int, int, str]] = []
    notes: dict[int, list[str]] = {}
    inserted: list[tuple[int, str]] = []
    for change in changes:
        if not _has(root, change.path):
            inserted.append(_inserted(root, lines, change))
            continue
        node = _node(root, change.path)
        assert node is not None
        scalars = (
            [item for item in node.items if isinstance(item, Scalar)]
            if isinstance(node, ListNode)
            else [node]
        )
        for scalar in scalars:
            assert isinstance(scalar, Scalar)
            edits.append(_edit(lines, scalar, change.shown.value))
        notes.setdefault(edits[-1][0], []).append(_note(change, node))
    name = root.values.get("name")
    if isinstance(name, Scalar):
        edits.append(_renamed(lines, name))
    for line, start, end, text in sorted(edits, reverse=True):
        lines[line] = lines[line][:start] + text + lines[line][end:]
    for line, words in notes.items():
        lines[line] = f"{lines[line].rstrip()}{'; ' if '#' in lines[line] else '  # '}{'; '.join(words)}"
    for line, text in sorted(inserted, reverse=True):
        lines.insert(line, text)
    return "\n".join([*_head(fit, logs), *lines]) + "\n"


def _node(root: Mapping, path: Path) -> Node | None:
    """What stands at a path of keys; None where the file has nothing."""
    node: Node = root
    for key in path:
        if not isinstance(node, Mapping) or key not in node.values:
            return None
        node = node.values[str(key)]
    return node


def _has(root: Mapping, path: Path) -> bool:
    return _node(root, path) is not None


def _edit(lines: Sequence[str], scalar: Scalar, factor: float) -> tuple[int, int, int, str]:
    """Line, first and last character, and new text of a number."""
    line, start = scalar.line - 1, scalar.column - 1
    found = re.match(r"[^\s,\]}#]+", lines[line][start:])
    if not scalar.plain or found is None or found.group() != scalar.text:
        raise InputError(
            f"line {scalar.line} of the vehicle file: {scalar.text} stands where it cannot be replaced"
        )
    value = float(scalar.text.replace("_", "")) * factor
    return line, start, start + len(scalar.text), f"{value:.5g}"


def _renamed(lines: Sequence[str], name: Scalar) -> tuple[int, int, int, str]:
    line, start = name.line - 1, name.column - 1
    raw = lines[line][start:]
    if not name.plain:
        quote = raw[0]
        end = raw.index(quote, 1) if quote in raw[1:] else len(raw)
        return line, start + end, start + end, " (fitted)"
    return line, start + len(name.text), start + len(name.text), " (fitted)"


def _note(change: Change, node: Node) -> str:
    old = (
        ", ".join(item.text for item in node.items if isinstance(item, Scalar))
        if isinstance(node, ListNode)
        else ""
    )
    old = old or (node.text if isinstance(node, Scalar) else "")
    return ascii_only(f"fitted: was {old}; {_told(change)}")


def _told(change: Change) -> str:
    shown = change.shown
    least = "at least " if shown.kind == "at least" else ""
    return f"{least}{shown.value:.3f} +- {shown.error:.3f} of it"


def _inserted(root: Mapping, lines: Sequence[str], change: Change) -> tuple[int, str]:
    """Line number and text of a key that the file leaves out, before the first key of its group."""
    group = _node(root, change.path[:-1])
    assert isinstance(group, Mapping)
    first = next(iter(group.keys.values()))
    if "{" in lines[first.line - 1][: first.column]:
        raise InputError(
            f"line {first.line} of the vehicle file: {change.path[-1]} is left out of a group in braces; write it there "
            "as 1.0"
        )
    value = DEFAULT[change.path] * change.shown.value  # type: ignore[index]
    return (
        first.line - 1,
        f"{' ' * (first.column - 1)}{change.path[-1]}: {value:.5g}  # fitted: was 1; {_told(change)}",
    )


def _head(fit: CarFit, logs: Sequence[str]) -> list[str]:
    from lapwright.outputs.markdown import lines_of

    words = ascii_only(
        f"Fitted by lapwright from {', '.join(logs)}. {fit.words} It is what a driver used, not all that there is, and of "
        "that day: tyres, track and weather. Not a promise."
    )
    return [f"# {line}" for line in lines_of(words, 110)]
