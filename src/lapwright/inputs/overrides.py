"""Single values of a vehicle or track file by their names: what there is, what a file has, and the file with others.

A name is the keys down to the value with points between them, items of lists by their position counted from 1:
``chassis.cg_height_m``, ``grip.1.scale``. A changed file is read by the same tables as the file itself, so every range
and every rule between its keys holds for it too.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from collections.abc import Mapping as MappingLike
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from lapwright.inputs.kinds import Choice, Either, Group, Key, Kind, ListOf, Path, Report, Schema
from lapwright.inputs.numbers import UNITS, Number, number_or_reason
from lapwright.inputs.points import FAR, Points
from lapwright.inputs.tree import Mapping, Node, Scalar, Sequence
from lapwright.inputs.vehicle_keys import VEHICLE

POSITION = re.compile(r"[1-9][0-9]{0,6}")
ANY = "#"
"""Stands for a position of a list in a name that is a pattern."""

Leaf = Number | Choice
Value = float | str


class Absent:
    """What a file says of a value that it does not have."""


ABSENT = Absent()


@dataclass(frozen=True)
class Spot:
    """Where a value stands in a file and what it may be.

    Attributes
    ----------
    path : keys, and positions of lists counted from 0
    kind : range or words
    default : in the unit of the file, when the key may be left out; None when there is then no such thing
    """

    path: Path
    kind: Leaf
    default: Value | None = None


@dataclass(frozen=True)
class NumberKey:
    """A number of the full vehicle file.

    Attributes
    ----------
    name : "chassis.cg_height_m"
    attribute : of :class:`lapwright.vehicle.parameters.Vehicle`, "chassis.cg_height"
    si : SI value of one unit of the file
    unit : as it is written, "" for none
    kind : range, in the unit of the file
    doc : what it is, one line
    """

    name: str
    attribute: str
    si: float
    unit: str
    kind: Number
    doc: str


@lru_cache(maxsize=1)
def vehicle_numbers() -> dict[str, NumberKey]:
    """Every number of the full vehicle file that stands alone (not in a list), by its name, in the order of the file."""
    return {number.name: number for number in _numbers(VEHICLE, "", "")}


def _numbers(group: Group, name: str, attribute: str) -> Iterator[NumberKey]:
    for key in group.keys:
        if isinstance(key.kind, Group):
            yield from _numbers(key.kind, f"{name}{key.name}.", f"{attribute}{key.field}.")
        elif isinstance(key.kind, Number):
            unit = UNITS[key.kind.unit]
            yield NumberKey(name + key.name, attribute + key.field, unit.si, unit.text, key.kind, key.doc)


def value_names(kind: Kind, name: str = "") -> Iterator[tuple[str, Leaf]]:
    """Every name of a number or word that a table allows, ``ANY`` for positions, and its kind."""
    if isinstance(kind, Number | Choice):
        yield name, kind
    for part, inner in _inside(kind):
        yield from value_names(inner, f"{name}.{part}" if name and part else name or part)


def _inside(kind: Kind) -> Iterator[tuple[str, Kind]]:
    if isinstance(kind, Group):
        yield from ((key.name, key.kind) for key in kind.keys)
    elif isinstance(kind, ListOf):
        yield ANY, kind.item
    elif isinstance(kind, Points):
        yield f"{ANY}.{ANY}", Number("m", -FAR, FAR)
    elif isinstance(kind, Either):
        yield from (("", part) for part in (kind.scalar, kind.mapping, kind.sequence) if part is not None)


def pattern_of(name: str) -> str:
    """The name with ``ANY`` for its positions."""
    return ".".join(ANY if POSITION.fullmatch(part) else part for part in name.split("."))


def find_spot(table: Group, name: str) -> Spot | None:
    """The place of a name in the files of a table; None when such files have no such value."""
    return _walk(table, name.split("."), (), None)


def _walk(kind: Kind, parts: list[str], path: Path, key: Key | None) -> Spot | None:
    if isinstance(kind, _Known):
        return _walk(kind.kind, parts, path, key)
    if isinstance(kind, Either):
        ways = (kind.mapping, kind.sequence) if parts else (kind.scalar,)
        found = (_walk(way, parts, path, key) for way in ways if way is not None)
        return next((spot for spot in found if spot is not None), None)
    if not parts:
        default = None if key is None or key.required else key.default
        return Spot(path, kind, default) if isinstance(kind, Number | Choice) else None
    if isinstance(kind, Group):
        inner = next((known for known in kind.keys if known.name == parts[0]), None)
        return None if inner is None else _walk(inner.kind, parts[1:], (*path, inner.name), inner)
    if not POSITION.fullmatch(parts[0]):
        return None
    place = (*path, int(parts[0]) - 1)
    if isinstance(kind, ListOf):
        return _walk(kind.item, parts[1:], place, None)
    if isinstance(kind, Points) and len(parts) == 2 and parts[1] in ("1", "2", "3"):
        return Spot((*place, int(parts[1]) - 1), Number("m", -FAR, FAR))
    return None


def file_value(root: Mapping, spot: Spot) -> Value | Absent | None:
    """What a sound file says at a place, in its own unit.

    Returns
    -------
    float | str | Absent | None
        The key's default where the file leaves it out; ``ABSENT`` where it has none; None where something else than a
        single value stands there, such as widths by stations.
    """
    node: Node | None = root
    for part in spot.path[:-1]:
        node = _child(node, part)
    if node is None:
        return ABSENT
    node = _child(node, spot.path[-1])
    if node is None:
        return ABSENT if spot.default is None else spot.default
    if not isinstance(node, Scalar):
        return None
    if isinstance(spot.kind, Choice):
        return node.text
    value = number_or_reason(node.text, node.plain)
    return value if isinstance(value, float) else None


def _child(node: Node | None, part: str | int) -> Node | None:
    if isinstance(node, Mapping) and isinstance(part, str):
        return node.values.get(part)
    if isinstance(node, Sequence) and isinstance(part, int) and 0 <= part < len(node.items):
        return node.items[part]
    return None


def with_values(root: Mapping, values: MappingLike[Path, Value]) -> Mapping:
    """A file's tree with other values; what is not on the way to one of them is shared with the tree given.

    Parameters
    ----------
    root
        Tree of the file; it stays as it is.
    values
        By path (positions of lists from 0), in the unit of the file. A key that a group lacks is added.

    Raises
    ------
    LookupError
        When the group or list that should hold a value is not there, or is too short.
    """
    made: dict[Path, Mapping | Sequence] = {(): _copy(root)}
    for path, value in values.items():
        holder = made[()]
        for depth in range(1, len(path)):
            if path[:depth] not in made:
                child = _child(holder, path[depth - 1])
                if not isinstance(child, Mapping | Sequence):
                    raise LookupError(f"the file has no {'.'.join(map(str, path[:depth]))} with values in it")
                made[path[:depth]] = _copy(child)
                _put(holder, path[depth - 1], made[path[:depth]])
            holder = made[path[:depth]]
        here = _child(holder, path[-1]) or holder
        _put(holder, path[-1], Scalar(_text(value), True, here.line, here.column))
    new_root = made[()]
    assert isinstance(new_root, Mapping)
    return new_root


def _copy(node: Mapping | Sequence) -> Mapping | Sequence:
    if isinstance(node, Sequence):
        return Sequence(node.line, node.column, list(node.items))
    return Mapping(node.line, node.column, node.holder, node.keys, dict(node.values))


def _put(holder: Mapping | Sequence, part: str | int, node: Node) -> None:
    if isinstance(holder, Mapping) and isinstance(part, str):
        if part not in holder.keys:
            holder.keys = {**holder.keys, part: Scalar(part, True, holder.line, holder.column)}
        holder.values[part] = node
    elif isinstance(holder, Sequence) and isinstance(part, int) and 0 <= part < len(holder.items):
        holder.items[part] = node
    else:
        raise LookupError(f"the file has no item {part} there")


def _text(value: Value) -> str:
    return value if isinstance(value, str) else repr(float(value)).removesuffix(".0")


@dataclass(frozen=True, eq=False)
class _Known(Kind):
    """A kind that has already read one node and hands the same value out for it again."""

    kind: Kind
    node: Node
    value: Any

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The value known, or what the kind reads of another node."""
        return self.value if node is self.node else self.kind.read(node, path, report)

    def schema(self) -> Schema:
        """The kind's."""
        return self.kind.schema()

    def words(self) -> str:
        """The kind's."""
        return self.kind.words()


def remembering(table: Group, root: Mapping, file: str) -> Group:
    """The table of a sound file, which does not read again what a changed tree shares with the file's own.

    Rules between keys are still looked at in every group that holds a change, and so in the file as a whole.

    Parameters
    ----------
    table, root
        Table, and the tree of a file in which it finds no fault.
    file
        Name of the file: tables of points are looked for beside it.
    """
    keys = []
    for key in table.keys:
        node = root.values.get(key.name)
        if node is None:
            keys.append(key)
            continue
        both = isinstance(node, Mapping) and isinstance(key.kind, Group)
        inner = remembering(key.kind, node, file) if both else key.kind  # type: ignore[arg-type]
        keys.append(replace(key, kind=_Known(inner, node, key.kind.read(node, (key.name,), Report(file)))))
    return replace(table, keys=tuple(keys))
