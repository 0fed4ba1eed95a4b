"""Kinds of value that a key can hold: how each is read, what it allows, and its JSON Schema.

The tables in ``vehicle_keys`` and ``track_keys`` are made of these; reading, schemas and the documentation
all come from those tables, so that a key is described once.
"""

from __future__ import annotations

import difflib
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from lapwright.errors import Fault
from lapwright.inputs.tree import Mapping, Node, Scalar, Sequence, at_path, describe, shorten

Path = tuple[str | int, ...]
Schema = dict[str, Any]

MAX_FAULTS = 100


class Missing:
    """The value of something that could not be read; the reason is among the faults."""


MISSING = Missing()
REQUIRED = object()


@dataclass
class Report:
    """Collects the faults and notices of one file."""

    file: str
    faults: list[Fault] = field(default_factory=list)
    notices: list[Fault] = field(default_factory=list)
    _places: set[tuple[int, int]] = field(default_factory=set)

    def add_form_faults(self, faults: list[Fault]) -> None:
        """Take over faults of form; what stands in those places is not complained about again."""
        self.faults += faults
        self._places |= {(fault.line, fault.column) for fault in faults}

    def fault(self, node: Node, path: Path, message: str) -> Missing:
        """Record a fault at ``node``; returns ``MISSING`` for the caller to hand on."""
        if (node.line, node.column) not in self._places:
            self.faults.append(Fault(message, path, self.file, node.line, node.column))
        return MISSING

    def take(self, faults: list[Fault]) -> Missing:
        """Take over faults that already know their place, such as those of another file."""
        self.faults += faults
        return MISSING

    def notice(self, node: Node, path: Path, message: str) -> None:
        """Record something odd that does not stop the work."""
        self.notices.append(Fault(message, path, self.file, node.line, node.column))

    def final_faults(self) -> list[Fault]:
        """Faults in file order; a flood of them is cut, with the number that is left out."""
        ordered = sorted(self.faults, key=lambda fault: (fault.file != self.file, fault.line, fault.column))
        if len(ordered) <= MAX_FAULTS:
            return ordered
        rest = len(ordered) - MAX_FAULTS
        return [*ordered[:MAX_FAULTS], Fault(f"and {rest} more faults", (), self.file)]


class Kind(ABC):
    """How a value is read and what it allows."""

    @abstractmethod
    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The value in SI units, or ``MISSING`` after recording why not."""

    @abstractmethod
    def schema(self) -> Schema:
        """JSON Schema (draft 2020-12) of the value as it stands in the file."""

    @abstractmethod
    def words(self) -> str:
        """What is allowed, for people, e.g. ``0.02 to 3 m``."""

    def from_default(self, default: Any) -> Any:
        """A key's default, written as in the file, as the value that reading it would give."""
        return default


def label(path: Path) -> str:
    """How a message names the thing at ``path``: its key, or the key and the item of a list."""
    if not path:
        return "the file"
    if isinstance(path[-1], str):
        return path[-1]
    return f"item {path[-1] + 1}" + (f" of {label(path[:-1])}" if len(path) > 1 else "")


@dataclass(frozen=True)
class Text(Kind):
    """A line of text, not empty."""

    max_length: int = 120

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The text without blanks at its ends."""
        if not isinstance(node, Scalar):
            return report.fault(node, path, f"{label(path)} is {describe(node)}; it must be a line of text")
        text = node.text.strip()
        if node.empty or not text:
            return report.fault(node, path, f"{label(path)} is empty; it must be a line of text")
        if len(text) > self.max_length or "\n" in text:
            message = f"{label(path)} must be one line of at most {self.max_length} characters"
            return report.fault(node, path, message)
        return text

    def schema(self) -> Schema:
        """A string, or a number that is then taken as text."""
        return {"type": ["string", "number"], "minLength": 1, "maxLength": self.max_length}

    def words(self) -> str:
        """What is allowed."""
        return "text"


@dataclass(frozen=True)
class Flag(Kind):
    """True or false."""

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """A bool; only the words true and false."""
        if isinstance(node, Scalar) and node.plain and node.text in ("true", "True", "TRUE"):
            return True
        if isinstance(node, Scalar) and node.plain and node.text in ("false", "False", "FALSE"):
            return False
        message = f"{label(path)} is {describe(node)}; write true or false"
        if isinstance(node, Scalar) and node.plain:
            meant = {"yes": "true", "on": "true", "y": "true", "1": "true"}
            meant |= {"no": "false", "off": "false", "n": "false", "0": "false"}
            if node.text.lower() in meant:
                message += f" (here: {meant[node.text.lower()]})"
        elif isinstance(node, Scalar) and node.text in ("true", "false"):
            message += ", without quotes"
        return report.fault(node, path, message)

    def schema(self) -> Schema:
        """A boolean."""
        return {"type": "boolean"}

    def words(self) -> str:
        """What is allowed."""
        return "true or false"


@dataclass(frozen=True)
class Choice(Kind):
    """One word out of a few."""

    options: tuple[str, ...]

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The word."""
        if isinstance(node, Scalar) and node.text in self.options:
            return node.text
        message = f"{label(path)} is {describe(node)}; it must be {self.words()}"
        if isinstance(node, Scalar):
            message += did_you_mean(node.text, self.options)
        return report.fault(node, path, message)

    def schema(self) -> Schema:
        """An enumeration."""
        return {"enum": list(self.options)}

    def words(self) -> str:
        """What is allowed."""
        return ", ".join(self.options[:-1]) + " or " + self.options[-1]


@dataclass(frozen=True)
class ListOf(Kind):
    """A list of values of one kind.

    ``check`` may look at the whole list afterwards, called with (values, node, path, report); what could not
    be read is ``MISSING`` among the values.
    """

    item: Kind
    min_items: int = 1
    check: Callable[[list[Any], Sequence, Path, Report], None] | None = None
    noun: str = "values"

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """A tuple of values."""
        if not isinstance(node, Sequence):
            message = f"{label(path)} is {describe(node)}; it must be a {self.words()}"
            return report.fault(node, path, message)
        values = [self.item.read(child, (*path, i), report) for i, child in enumerate(node.items)]
        if len(values) < self.min_items:
            message = f"{label(path)} has {len(values)} {self.noun}; at least {self.min_items} are needed"
            return report.fault(node, path, message)
        before = len(report.faults)
        if self.check is not None:
            self.check(values, node, path, report)
        if len(report.faults) > before or any(value is MISSING for value in values):
            return MISSING
        return tuple(values)

    def schema(self) -> Schema:
        """An array."""
        return {"type": "array", "items": self.item.schema(), "minItems": self.min_items}

    def words(self) -> str:
        """What is allowed."""
        return f"list of {self.item.words()}"


@dataclass(frozen=True)
class Either(Kind):
    """One of several kinds, told apart by what stands there: a value, a list, or a group of keys."""

    scalar: Kind | None = None
    sequence: Kind | None = None
    mapping: Kind | None = None

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """What the fitting kind reads."""
        kind = {Scalar: self.scalar, Sequence: self.sequence, Mapping: self.mapping}[type(node)]
        if kind is None:
            return report.fault(node, path, f"{label(path)} is {describe(node)}; it must be {self.words()}")
        return kind.read(node, path, report)

    def schema(self) -> Schema:
        """Any of them."""
        return {"anyOf": [kind.schema() for kind in self._kinds()]}

    def words(self) -> str:
        """What is allowed."""
        return ", or ".join(kind.words() for kind in self._kinds())

    def _kinds(self) -> list[Kind]:
        return [kind for kind in (self.scalar, self.mapping, self.sequence) if kind is not None]


@dataclass(frozen=True)
class Key:
    """One key of a file.

    Parameters
    ----------
    name
        As written in the file, unit included.
    kind
        What it holds.
    doc
        What it is, one line.
    field
        Name under which the value is handed to the converter.
    default
        Value when the key is left out, in the unit of the file; ``REQUIRED`` when it may not be,
        ``None`` when there is then no such thing.
    """

    name: str
    kind: Kind
    doc: str
    field: str
    default: Any = REQUIRED

    @property
    def required(self) -> bool:
        """True when the key may not be left out."""
        return self.default is REQUIRED


@dataclass(frozen=True)
class Group(Kind):
    """A group of known keys, read into a dict of field name to value (``make`` then turns it into an object).

    ``check`` sees the values that could be read (field name to value), the node, the path and the report,
    and may add faults about what does not fit together. ``extra_schema`` holds such rules as far as JSON
    Schema can.
    """

    keys: tuple[Key, ...]
    make: Callable[[dict[str, Any]], Any] | None = None
    check: Callable[[dict[str, Any], Mapping, Path, Report], None] | None = None
    extra_schema: Schema = field(default_factory=dict)
    noun: str = ""

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The object that ``make`` builds, or the dict."""
        if not isinstance(node, Mapping):
            known = ", ".join(key.name for key in self.keys)
            return report.fault(node, path, f"{label(path)} is {describe(node)}; it must hold keys: {known}")
        before = len(report.faults)
        values = {key.field: self._read_key(key, node, path, report) for key in self.keys}
        refuse_unknown(node, path, report, tuple(key.name for key in self.keys), self.noun)
        if self.check is not None:
            self.check(values, node, path, report)
        if len(report.faults) > before or any(value is MISSING for value in values.values()):
            return MISSING
        return self.make(values) if self.make is not None else values

    def _read_key(self, key: Key, node: Mapping, path: Path, report: Report) -> Any:
        if key.name in node.values:
            child = node.values[key.name]
            if isinstance(child, Scalar) and child.empty:
                rule = "give it a value" if key.required else "give it a value or leave the key out"
                return report.fault(child, (*path, key.name), f"{key.name} has no value; {rule}")
            return key.kind.read(child, (*path, key.name), report)
        if not key.required:
            return key.kind.from_default(key.default)
        place = at_path(node, ())
        where = f" in {label(path)}" if path else ""
        allowed = "" if isinstance(key.kind, Group) else f" ({key.kind.words()})"
        message = f"{key.name} is missing{where}: {key.doc}{allowed}"
        return report.fault(place, (*path, key.name), message)

    def schema(self) -> Schema:
        """An object that allows no other keys."""
        properties = {}
        for key in self.keys:
            entry = {"description": f"{key.doc} ({key.kind.words()})", **key.kind.schema()}
            if not key.required and key.default is not None:
                entry["default"] = key.default
            properties[key.name] = entry
        schema: Schema = {"type": "object", "additionalProperties": False, "properties": properties}
        required = [key.name for key in self.keys if key.required]
        if required:
            schema["required"] = required
        return {**schema, **self.extra_schema}

    def words(self) -> str:
        """What is allowed."""
        return "{" + ", ".join(key.name for key in self.keys) + "}"


def refuse_unknown(node: Mapping, path: Path, report: Report, known: tuple[str, ...], noun: str) -> None:
    """Record a fault for each key that is not known, with the nearest known ones."""
    where = f" of {noun}" if noun else ""
    for name, place in node.keys.items():
        if name not in known:
            # A hint costs a millisecond, and beyond so many faults nobody sees it.
            near = did_you_mean(name, known) if len(report.faults) < MAX_FAULTS else ""
            message = f"{shorten(name)} is not a key{where}" + (near or "; known: " + ", ".join(known))
            report.fault(place, (*path, name), message)


def _same_stem(stem: str, name: str) -> bool:
    return name.split("_")[0] == stem or (len(stem) > 2 and name.startswith(stem))


def did_you_mean(word: str, known: tuple[str, ...]) -> str:
    """``; did you mean a or b?`` with the nearest known words, or nothing."""
    if len(word) > 60:
        return ""
    near = difflib.get_close_matches(word, known, n=3, cutoff=0.6)
    if not near:
        stem = word.lower().split("_")[0]
        near = [name for name in known if _same_stem(stem, name.lower())][:3]
    return f"; did you mean {' or '.join(near)}?" if near else ""
