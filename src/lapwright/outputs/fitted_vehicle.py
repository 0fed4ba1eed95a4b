"""A vehicle file with what a log showed of the car in place of its numbers: everything else as it was, comments included."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from lapwright.driver.fit import CarFit
from lapwright.driver.shown import Shown
from lapwright.errors import Fault, InputError
from lapwright.inputs.files import read_vehicle
from lapwright.inputs.tree import Mapping, Node, Scalar, parse
from lapwright.inputs.tree import Sequence as ListNode
from lapwright.outputs.words import ascii_only

Path = tuple[str, ...]

NUMBERS: tuple[tuple[Path, str], ...] = (
    (("tyres", "front", "grip_scale"), "front"),
    (("tyres", "rear", "grip_scale"), "rear"),
    (("grip_g",), "front"),
    (("driveline", "power_kW"), "power"),
    (("driveline", "engine_torque_Nm"), "power"),
    (("power_kW",), "power"),
    (("aero", "drag_area_m2"), "drag"),
    (("drag_area_m2",), "drag"),
)
"""What is scaled, by which field of ``CarFit``."""

DEFAULT = {("tyres", "front", "grip_scale"): 1.0, ("tyres", "rear", "grip_scale"): 1.0}
"""What a key stands for when a file leaves it out."""

WORD = " (fitted)"
"""What is added to the car's name."""

COMMENT = re.compile(r"[\s\],}]*#")
"""What stands between the last number of a line and a comment."""


class _Edit(NamedTuple):
    """Characters ``start`` to ``end`` of a line (counted from 0) and what comes in their place."""

    line: int
    start: int
    end: int
    text: str


class _Work:
    """Edits of a text, and what is to be said on its lines."""

    def __init__(self, source: str, file: str) -> None:
        self.lines = source.splitlines()
        self.file = file
        self.edits: list[_Edit] = []
        self.notes: dict[int, list[str]] = {}
        self.inserted: list[tuple[int, str]] = []
        self.faults: list[Fault] = []

    def scale(self, path: Path, node: Node, shown: Shown) -> None:
        """Put scaled numbers in place of one, or of all of a list."""
        numbers = node.items if isinstance(node, ListNode) else [node]
        texts = []
        for number in numbers:
            if isinstance(number, Scalar) and self._stands(number):
                texts.append(number.text)
                scaled = f"{float(number.text) * shown.value:.5g}"
                self._put(number, number.column - 1 + len(number.text), scaled)
            else:
                message = (
                    "this number cannot be replaced here; write it plainly, on one line and without an anchor"
                )
                self.faults.append(Fault(message, path, self.file, number.line, number.column))
        if texts:
            last = max(number.line for number in numbers) - 1
            self.notes.setdefault(last, []).append(f"fitted: was {', '.join(texts)}; {_told(shown)}")

    def insert(self, group: Mapping, key: str, value: float, shown: Shown) -> None:
        """Put a key that was left out before the first one of its group."""
        told = f"fitted: was {value:g}; {_told(shown)}"
        text = f"{key}: {value * shown.value:.5g}"
        if self.lines[group.line - 1][group.column - 1 : group.column] == "{":
            self.edits.append(_Edit(group.line - 1, group.column, group.column, f"{text}, "))
            self.notes.setdefault(group.line - 1, []).append(f"{key} {told}")
            return
        first = next(iter(group.keys.values()))
        self.inserted.append((first.line - 1, f"{' ' * (first.column - 1)}{text}  # {told}"))

    def rename(self, name: Scalar) -> None:
        """Add a word to the name, inside its quotes."""
        if name.text.endswith(WORD):
            return
        here = self.lines[name.line - 1][name.column - 1 :]
        quoted = re.match(r"""'(?:[^']|'')*'|"(?:[^"\\]|\\.)*\"""", here)
        if not name.plain and quoted:
            end = name.column - 2 + quoted.end()
        elif name.plain and self._stands(name):
            end = name.column - 1 + len(name.text)
        else:
            message = "the name cannot be added to here; write it on one line and without an anchor"
            self.faults.append(Fault(message, ("name",), self.file, name.line, name.column))
            return
        self.edits.append(_Edit(name.line - 1, end, end, WORD))

    def text(self) -> list[str]:
        """The lines with all of it done."""
        lines = list(self.lines)
        for line in {edit.line for edit in self.edits}:
            lines[line] = self._edited(line)
        for line, words in self.notes.items():
            last = max(edit.end for edit in self.edits if edit.line == line)
            told = ascii_only("; ".join(words))
            joint = "; " if COMMENT.match(self.lines[line][last:]) else "  # "
            lines[line] = f"{lines[line].rstrip()}{joint}{told}"
        for line, text in sorted(self.inserted, reverse=True):
            lines.insert(line, ascii_only(text))
        return lines

    def _edited(self, line: int) -> str:
        """A line with its edits, and its comment in the column where it was as far as there is room."""
        old = new = self.lines[line]
        edits = sorted((edit for edit in self.edits if edit.line == line), reverse=True)
        for edit in edits:
            new = new[: edit.start] + edit.text + new[edit.end :]
        last = edits[0].end
        comment = COMMENT.match(old[last:])
        if comment is None:
            return new
        before = new[: len(new) - (len(old) - last - comment.end()) - 1].rstrip()
        space = max(last + comment.end() - 1 - len(before), 1)
        return before + " " * space + old[last + comment.end() - 1 :]

    def _put(self, scalar: Scalar, end: int, text: str) -> None:
        self.edits.append(_Edit(scalar.line - 1, scalar.column - 1, end, text))

    def _stands(self, scalar: Scalar) -> bool:
        """Whether a plain value stands in the text as it was read."""
        start = scalar.column - 1
        return scalar.plain and self.lines[scalar.line - 1][start : start + len(scalar.text)] == scalar.text


def fitted_text(source: str, fit: CarFit, logs: Sequence[str], file: str = "") -> str:
    """The text of a vehicle file with fitted numbers.

    Parameters
    ----------
    source
        Text of the file that the fit was made with.
    fit
        From ``driver.fit.fit_car``. What was not seen is left as it is.
    logs
        Names of the logs, for the head of the file.
    file
        Name of the vehicle file, for faults.

    Raises
    ------
    InputError
        When numbers stand where they cannot be replaced (behind an anchor, a name over several lines), all of them; and
        when a fitted number is none that a vehicle file may hold.
    """
    root, faults = parse(source, file)
    if faults:
        raise InputError(faults)
    work = _Work(source, file)
    for path, field in NUMBERS:
        shown: Shown = getattr(fit, field)
        if shown.kind == "not seen":
            continue
        node, group = _node(root, path), _node(root, path[:-1])
        if node is not None:
            work.scale(path, node, shown)
        elif path in DEFAULT and isinstance(group, Mapping):
            work.insert(group, path[-1], DEFAULT[path], shown)
    name = root.values.get("name")
    if isinstance(name, Scalar):
        work.rename(name)
    if work.faults:
        raise InputError(sorted(work.faults, key=lambda fault: (fault.line, fault.column)))
    head = _head(fit, logs)
    text = "\n".join([*head, *work.text()]) + "\n"
    _refuse(text, file, len(head))
    return text


def _refuse(text: str, file: str, above: int) -> None:
    """Faults of a text that has ``above`` lines more than the file, told by the lines of the file."""
    try:
        read_vehicle(text, file)
    except InputError as error:
        raise InputError(
            [
                replace(
                    fault,
                    message=f"with what the log showed: {fault.message}",
                    line=max(fault.line - above, 1) if fault.line else 0,
                )
                for fault in error.faults
            ]
        ) from error


def _node(root: Mapping, path: Path) -> Node | None:
    """What stands at a path of keys; None where the file has nothing."""
    node: Node = root
    for key in path:
        if not isinstance(node, Mapping) or key not in node.values:
            return None
        node = node.values[key]
    return node


def _told(shown: Shown) -> str:
    least = "at least " if shown.kind == "at least" else ""
    return f"{least}{shown.value:.3f} +- {shown.error:.3f} of it"


def _head(fit: CarFit, logs: Sequence[str]) -> list[str]:
    from lapwright.outputs.markdown import lines_of

    words = ascii_only(
        f"Fitted by lapwright from {', '.join(logs)}. {fit.words} It is what a driver used, not all that there is, and of "
        "that day: tyres, track and weather. Not a promise."
    )
    return [f"# {line}" for line in lines_of(words, 110)]
