"""Changes of single numbers in the text of a vehicle file: everything else stays as it was, comments included."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

from lapwright.errors import Fault, InputError
from lapwright.inputs.files import read_vehicle
from lapwright.inputs.tree import Mapping, Node, Scalar
from lapwright.inputs.tree import Sequence as ListNode
from lapwright.outputs.markdown import lines_of
from lapwright.outputs.words import ascii_only
from lapwright.vehicle.parameters import AnyVehicle

Path = tuple[str | int, ...]
"""Keys, and items of lists counted from 0."""

GRIP_SCALES: dict[Path, float] = {("tyres", axle, "grip_scale"): 1.0 for axle in ("front", "rear")}
"""What these keys stand for when a file leaves them out."""

COMMENT = re.compile(r"[\s\],}]*#")
"""What stands between the last number of a line and a comment."""

HEAD_WIDTH = 110
"""Columns of a comment at the head of a file."""


class Edit(NamedTuple):
    """Characters ``start`` to ``end`` of a line (all counted from 0) and what comes in their place."""

    line: int
    start: int
    end: int
    text: str


class VehicleEdits:
    """Edits of the text of a vehicle file, and what is to be said on its lines.

    Parameters
    ----------
    source
        The text.
    file
        Its name, for faults. These collect in ``faults``; ``text`` is worth nothing when there are any.
    """

    def __init__(self, source: str, file: str) -> None:
        # A byte-order mark would stand in the way of the columns that the tree gives, and of a head.
        self.lines = source.removeprefix("\ufeff").splitlines()
        self.file = file
        self.edits: list[Edit] = []
        self.notes: dict[int, list[str]] = {}
        self.inserted: list[tuple[int, str]] = []
        self.faults: list[Fault] = []

    def replace(self, path: Path, node: Node, new: Callable[[str], str]) -> list[str]:
        """Put other numbers in place of one, or of all of a list.

        Parameters
        ----------
        path
            Of the node, for faults.
        node
            The number or the list.
        new
            The text that comes in the place of another.

        Returns
        -------
        list
            The texts that stood there; those that cannot be replaced are faults.
        """
        texts = []
        for number in _numbers(node):
            if isinstance(number, Scalar) and self._stands(number):
                texts.append(number.text)
                start = number.column - 1
                self.edits.append(Edit(number.line - 1, start, start + len(number.text), new(number.text)))
            else:
                message = (
                    "this number cannot be replaced here; write it plainly, on one line and without an anchor"
                )
                self.fault(message, path, number)
        return texts

    def note(self, node: Node, words: str) -> None:
        """Say something on the last line of what was replaced."""
        self.notes.setdefault(last_line(node), []).append(words)

    def insert(self, path: Path, group: Mapping, text: str, words: str, named: str) -> None:
        """Put a key that was left out before the first one of its group.

        Parameters
        ----------
        path
            Of the key.
        group
            Where it belongs.
        text
            Its value.
        words, named
            What is said of it on a line of its own, and on a line with others, where it has to be named.
        """
        key, first = path[-1], next(iter(group.keys.values()))
        above = "".join(self.lines[group.line - 1 : first.line - 1])
        between = (above + self.lines[first.line - 1][: first.column - 1])[group.column - 1 :]
        if between.startswith("{"):
            self.edits.append(Edit(group.line - 1, group.column, group.column, f"{key}: {text}, "))
            self.notes.setdefault(group.line - 1, []).append(named)
            return
        if "{" in between or self.lines[first.line - 1][: first.column - 1].strip():
            self.fault(f"{key} cannot be put in here; write it into the file first", path, group)
            return
        self.inserted.append((first.line - 1, f"{' ' * (first.column - 1)}{key}: {text}  # {words}"))

    def rename(self, name: Scalar, word: str) -> None:
        """Add a word to the name, inside its quotes; a name that ends with it stays."""
        if name.text.endswith(word):
            return
        here = self.lines[name.line - 1][name.column - 1 :]
        quoted = re.match(r"""'(?:[^']|'')*'|"(?:[^"\\]|\\.)*\"""", here)
        if not name.plain and quoted:
            end = name.column - 2 + quoted.end()
        elif name.plain and self._stands(name):
            end = name.column - 1 + len(name.text)
        else:
            message = "the name cannot be added to here; write it on one line and without an anchor"
            self.fault(message, ("name",), name)
            return
        self.edits.append(Edit(name.line - 1, end, end, word))

    def fault(self, message: str, path: Path, node: Node) -> None:
        """Keep a fault at a node."""
        self.faults.append(Fault(message, path, self.file, node.line, node.column))

    def text(self) -> list[str]:
        """The lines with all of it done.

        Raises
        ------
        InputError
            With all faults, in the order of the file.
        """
        if self.faults:
            raise InputError(sorted(self.faults, key=lambda fault: (fault.line, fault.column)))
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

    def whole(self, head: Sequence[str], why: str) -> tuple[str, AnyVehicle]:
        """The new text, with plain line feeds, and the car that it gives.

        Parameters
        ----------
        head
            Lines that come above the file's own.
        why
            What stands before the message of a fault, such as "with what the log showed".

        Raises
        ------
        InputError
            With all that cannot be edited; or when a new number is none that a vehicle file may hold, told by the lines of
            the file as it was.
        """
        text = "\n".join([*head, *self.text()]) + "\n"
        try:
            return text, read_vehicle(text, self.file).value
        except InputError as error:
            raise InputError(
                [
                    replace(fault, message=f"{why}: {fault.message}", line=self._line(fault.line - len(head)))
                    for fault in error.faults
                ]
            ) from error

    def _line(self, line: int) -> int:
        """Where a line of the new text was, both counted from 1; 0 for what stands nowhere."""
        places = [place + i for i, (place, _) in enumerate(sorted(self.inserted))]
        return max(line - sum(place < line - 1 for place in places), 0)

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

    def _stands(self, scalar: Scalar) -> bool:
        """Whether a plain value stands in the text as it was read."""
        start = scalar.column - 1
        return scalar.plain and self.lines[scalar.line - 1][start : start + len(scalar.text)] == scalar.text


def _numbers(node: Node) -> Sequence[Node]:
    return node.items if isinstance(node, ListNode) else [node]


def last_line(node: Node) -> int:
    """The line, counted from 0, of a number or of the last number of a list."""
    return max(number.line for number in _numbers(node)) - 1


def node_at(root: Mapping, path: Path) -> Node | None:
    """What stands at a path of keys and items; None where the file has nothing."""
    node: Node = root
    for key in path:
        if isinstance(node, Mapping) and key in node.values:
            node = node.values[str(key)]
        elif isinstance(node, ListNode) and isinstance(key, int) and 0 <= key < len(node.items):
            node = node.items[key]
        else:
            return None
    return node


def head_lines(words: str) -> list[str]:
    """Sentences as a comment at the head of a file."""
    return [f"# {line}" for line in lines_of(ascii_only(words), HEAD_WIDTH)]
