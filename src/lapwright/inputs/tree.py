"""YAML text as a tree of nodes that know where they stand.

Built from the parser's events with an own stack, so that neither deep nesting nor repeated aliases can
exhaust memory; and without guessing of types: a scalar stays text until a key says what it should be.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from lapwright.errors import Fault, InputError

MAX_DEPTH = 32
MAX_BYTES = 64 * 1024 * 1024

NULLS = frozenset({"", "~", "null", "Null", "NULL"})


@dataclass(slots=True)
class Scalar:
    """A single value: its text, whether it stood without quotes, and its place (counted from 1)."""

    text: str
    plain: bool
    line: int
    column: int

    @property
    def empty(self) -> bool:
        """True for a key without a value (YAML's null)."""
        return self.plain and self.text in NULLS


@dataclass(slots=True)
class Sequence:
    """A list of nodes and its place."""

    line: int
    column: int
    items: list[Node] = field(default_factory=list)


@dataclass(slots=True)
class Mapping:
    """Keys in file order, each with its place; where the group begins, and the key that holds it (if any)."""

    line: int
    column: int
    holder: Scalar | None = None
    keys: dict[str, Scalar] = field(default_factory=dict)
    values: dict[str, Node] = field(default_factory=dict)


Node = Scalar | Sequence | Mapping


def shorten(text: str) -> str:
    """The text itself, or its beginning when it is too long for a message."""
    return text if len(text) <= 60 else text[:57] + "..."


def describe(node: Node) -> str:
    """The node as a short phrase for a message: the value itself, or what kind of thing stands there."""
    if isinstance(node, Scalar):
        if node.empty:
            return "empty"
        text = shorten(node.text)
        return text if node.plain else f'"{text}"'
    if isinstance(node, Sequence):
        return f"a list of {len(node.items)}"
    return (
        "a group of keys ("
        + ", ".join(shorten(key) for key in list(node.keys)[:4])
        + (", ...)" if len(node.keys) > 4 else ")")
    )


def at_path(root: Node, path: tuple[str | int, ...]) -> Node:
    """The node at ``path``, or its nearest parent that the file has.

    For a group of keys it is the key that holds the group: that is where the eye looks for it.
    """
    node = root
    for part in path:
        if isinstance(node, Mapping) and part in node.values:
            node = node.values[str(part)]
        elif isinstance(node, Sequence) and isinstance(part, int) and 0 <= part < len(node.items):
            node = node.items[part]
        else:
            break
    return node.holder or node if isinstance(node, Mapping) else node


def parse(text: str, file: str = "") -> tuple[Mapping, list[Fault]]:
    """The tree of a YAML text whose top level is a group of keys, and faults of form that left it readable.

    Such faults are duplicate keys (the first is kept), aliases and tags.

    Raises
    ------
    InputError
        When there is no tree to look at: syntax (the parser stops at the first fault), nesting deeper than
        ``MAX_DEPTH``, several documents, control characters, or no keys at all.
    """
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    refuse_control_characters(text, file)
    builder = _Builder(file)
    builder.build(text)
    root = builder.root
    if builder.stopped:
        pass
    elif root is None or (isinstance(root, Scalar) and root.empty):
        builder.fault("the file is empty: it has no keys at all", 1, 1)
    elif not isinstance(root, Mapping):
        message = f"the file holds {describe(root)}, not keys with values (`key: value`, one a line)"
        builder.fault(message, root.line, root.column)
    if builder.stopped or not isinstance(root, Mapping):
        raise InputError(sorted(builder.faults, key=lambda fault: (fault.line, fault.column)))
    return root, builder.faults


CONTROL = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")


def refuse_control_characters(text: str, file: str) -> None:
    """Raise InputError at the first character that no text file should hold (the set that YAML forbids)."""
    bad = CONTROL.search(text)
    if bad is None:
        return
    line, column = place_of(text, bad.start())
    if bad.group() == "\0":
        raise InputError(Fault("zero bytes found: this is a binary file, not text", (), file, line, column))
    message = f"the character U+{ord(bad.group()):04X} is not allowed in a text file; delete it"
    raise InputError(Fault(message, (), file, line, column))


def place_of(text: str, index: int) -> tuple[int, int]:
    """Line and column, from 1, of a position in ``text``."""
    before = text[:index]
    line = before.count("\n") + 1
    return line, index - (before.rfind("\n") + 1) + 1


class _Builder:
    """Turns the events of one YAML stream into nodes and collects faults of form."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []
        self.root: Node | None = None
        self.stack: list[Sequence | Mapping] = []
        self.pending: list[Scalar | None] = []
        self.documents = 0
        self.stopped = False

    def fault(self, message: str, line: int, column: int) -> None:
        self.faults.append(Fault(message, (), self.file, line, column))

    def build(self, text: str) -> None:
        import yaml

        try:
            for event in _events(text):
                self._take(event)
                if self.stopped:
                    return
        except yaml.MarkedYAMLError as error:
            self._syntax(error, text)
        except yaml.reader.ReaderError as error:
            line, column = place_of(text, min(int(error.position), len(text)))
            self.stopped = True
            self.fault(f"this is not YAML text: {error.reason}", line, column)

    def _take(self, event: object) -> None:
        import yaml

        if isinstance(event, yaml.ScalarEvent):
            line, column = event.start_mark.line + 1, event.start_mark.column + 1
            self._refuse_tag(event.tag, event.implicit[0] or event.implicit[1], line, column)
            self._add(Scalar(event.value, not event.style, line, column))
        elif isinstance(event, (yaml.SequenceStartEvent, yaml.MappingStartEvent)):
            line, column = event.start_mark.line + 1, event.start_mark.column + 1
            if len(self.stack) >= MAX_DEPTH:
                self.fault(f"lists and groups are nested deeper than {MAX_DEPTH} levels here", line, column)
                self.stopped = True
                return
            self._refuse_tag(event.tag, event.implicit, line, column)
            made = (Sequence if isinstance(event, yaml.SequenceStartEvent) else Mapping)(line, column)
            self._add(made)
            self.stack.append(made)
            self.pending.append(None)
        elif isinstance(event, yaml.CollectionEndEvent):
            self.stack.pop()
            self.pending.pop()
        elif isinstance(event, yaml.AliasEvent):
            line, column = event.start_mark.line + 1, event.start_mark.column + 1
            self.fault(
                f"*{shorten(event.anchor)} refers to another place of the file; write the value out",
                line,
                column,
            )
            self._add(Scalar("", False, line, column))
        elif isinstance(event, yaml.DocumentStartEvent):
            self.documents += 1
            if self.documents > 1:
                line, column = event.start_mark.line + 1, event.start_mark.column + 1
                message = "a second document starts here (`---`); one file describes one thing"
                self.fault(message, line, column)
                self.stopped = True

    def _refuse_tag(self, tag: str | None, implicit: bool, line: int, column: int) -> None:
        if tag is not None and not (implicit and tag == "!"):
            shown = shorten(tag.replace("tag:yaml.org,2002:", "!!"))
            self.fault(f"tags ({shown}) are not used in these files; write the plain value", line, column)

    def _add(self, node: Node) -> None:
        if not self.stack:
            self.root = node
            return
        holder = self.stack[-1]
        if isinstance(holder, Sequence):
            holder.items.append(node)
            return
        key = self.pending[-1]
        if key is None:
            self.pending[-1] = self._as_key(node, holder)
        else:
            if key.text not in holder.values:
                if isinstance(node, Mapping):
                    node.holder = key
                holder.keys[key.text] = key
                holder.values[key.text] = node
            self.pending[-1] = None

    def _as_key(self, node: Node, holder: Mapping) -> Scalar:
        if not isinstance(node, Scalar):
            self.fault(f"a key must be a word, not {describe(node)}", node.line, node.column)
            return Scalar("", False, node.line, node.column)
        if node.text in holder.keys:
            first = holder.keys[node.text]
            message = f"{shorten(node.text)} is given twice; the first is on line {first.line}. Keep one"
            self.fault(message, node.line, node.column)
        return node

    def _syntax(self, error: object, text: str) -> None:
        mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
        problem = str(getattr(error, "problem", "") or "cannot be read")
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        context = getattr(error, "context_mark", None)
        lines = text.splitlines() or [""]
        here = lines[min(line, len(lines)) - 1]
        self.stopped = True
        self.fault(_syntax_message(problem, here, column, line, context), line, column)


def _syntax_message(problem: str, here: str, column: int, line: int, context: object) -> str:
    if "\t" in here[: len(here) - len(here.lstrip())] or here[column - 1 : column] == "\t":
        return "a tab stands where YAML wants spaces; indent with spaces only"
    if "nesting depth" in problem:
        return f"lists and groups are nested deeper than {MAX_DEPTH} levels here"
    if "mapping values are not allowed" in problem:
        return 'a second `: ` on this line, or a wrong indent; quote text that holds a colon: "a: b"'
    if "cannot start any token" in problem:
        return f"text may not begin with {here[column - 1 : column]!r}; put it in quotes"
    advice = f"this is not valid YAML: {problem}"
    began = getattr(context, "line", line - 1) + 1
    if began != line:
        advice += f" (in what begins on line {began})"
    return advice


def _events(text: str) -> Iterator[object]:
    import yaml

    # The C parser, in every PyYAML wheel, is some twenty times faster; the other one gives the same events.
    loader = yaml.CLoader if yaml.__with_libyaml__ else yaml.Loader
    return iter(yaml.parse(text, Loader=loader))
