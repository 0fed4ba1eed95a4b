"""What a study varies: the names of numbers and words, and how their values are given."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from lapwright.inputs.kinds import MISSING, Choice, Either, Group, Key, Kind, ListOf, Path, Report, Schema
from lapwright.inputs.numbers import Number, Whole, show
from lapwright.inputs.overrides import ANY, POSITION, Leaf, Value, pattern_of, value_names
from lapwright.inputs.track_keys import TRACK
from lapwright.inputs.tree import Mapping, Node, at_path, describe, shorten
from lapwright.inputs.vehicle_keys import AERO, FRICTION_CIRCLE, VEHICLE

MAX_CASES = 100_000
ROAD_GRIP, AIR_DENSITY = "conditions.grip_scale", "conditions.air_density_kgm3"
CONDITIONS: dict[str, Leaf] = {
    ROAD_GRIP: Number("share", 0.05, 3, (0.2, 1.3)),
    AIR_DENSITY: next(key.kind for key in AERO.keys if key.field == "air_density"),  # type: ignore[dict-item]
}


@dataclass(frozen=True)
class Spread:
    """The values that a study gives for one number or word.

    Attributes
    ----------
    how : "value", "change" (added to what the file says) or "factor" (times what the file says)
    listed : the values; empty for a range
    low, high : of a range, in the unit of the file
    count : how many values of the range; None when it does not say
    """

    how: str
    listed: tuple[Value, ...] = ()
    low: float = 0.0
    high: float = 0.0
    count: int | None = None


@dataclass(frozen=True)
class _AsInFile(Kind):
    """A number that stays in the unit of its file."""

    number: Number

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The value as written."""
        return self.number.read_in_file_unit(node, path, report)

    def schema(self) -> Schema:
        """The number's."""
        return self.number.schema()

    def words(self) -> str:
        """The number's."""
        return self.number.words()


@dataclass(frozen=True)
class _Open(Number):
    """A number whose limits depend on what it is for; it stands in the page of keys only."""

    def words(self) -> str:
        """What is allowed."""
        return "number, as the key allows"


def _range_keys(number: Number) -> tuple[Key, ...]:
    value = _AsInFile(number)
    return (
        Key("from", value, "first value", "low", default=None),
        Key("to", value, "last value", "high", default=None),
        Key(
            "count",
            Whole("", 2, MAX_CASES),
            "how many values, evenly apart; left out for a hypercube, which takes them from the whole range",
            "count",
            default=None,
        ),
    )


def _check_range(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """Both ends, in ascending order."""
    for name in ("from", "to"):
        if name not in node.keys:
            report.fault(
                at_path(node, ()), (*path, name), f"{name} is missing: a range runs from: ... to: ..."
            )
    low, high = values["low"], values["high"]
    if isinstance(low, float) and isinstance(high, float) and low >= high:
        message = f"from is {show(low)}, to is {show(high)}: a range ascends"
        report.fault(at_path(node, ("from",)), (*path, "from"), message)


def _make_range(values: dict[str, Any]) -> Spread:
    count = values["count"]
    return Spread("value", (), values["low"], values["high"], None if count is None else int(count))


def _amounts(number: Number) -> Either:
    return Either(
        mapping=Group(_range_keys(number), make=_make_range, check=_check_range, noun="a range"),
        sequence=ListOf(_AsInFile(number), 1),
    )


def _check_spread(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """A range, or changes, or factors."""
    given = [name for name in ("change", "factor") if name in node.keys]
    if not given:
        _check_range(values, node, path, report)
    for name in [key for key in node.keys if key in ("from", "to", "count", "change", "factor")]:
        if given and name != given[0]:
            message = f"{name} stands beside {given[0]}: give values, changes or factors, one of them"
            report.fault(node.keys[name], (*path, name), message)


def _make_spread(values: dict[str, Any]) -> Spread:
    for how in ("change", "factor"):
        amounts = values[how]
        if isinstance(amounts, Spread):
            return Spread(how, (), amounts.low, amounts.high, amounts.count)
        if amounts is not None:
            return Spread(how, amounts)
    return _make_range(values)


@lru_cache(maxsize=256)
def spread_kind(kind: Leaf) -> Kind:
    """How the values of a number or word of that kind are given."""
    if isinstance(kind, Choice):
        return ListOf(kind, 1, noun="words")
    width = kind.high - kind.low
    keys = (
        *_range_keys(kind),
        Key(
            "change",
            _amounts(
                _Open(kind.unit, -width, width)
                if isinstance(kind, _Open)
                else Number(kind.unit, -width, width)
            ),
            "list or range of what is added to the number that the file has",
            "change",
            default=None,
        ),
        Key(
            "factor",
            _amounts(Number("", 0, 1000, (0.1, 10))),
            "list or range of factors on the number that the file has",
            "factor",
            default=None,
        ),
    )
    return Either(
        mapping=Group(keys, make=_make_spread, check=_check_spread, noun="a varied number"),
        sequence=ListOf(_AsInFile(kind), 1),
    )


ANY_NUMBER = spread_kind(_Open("", -1e300, 1e300))
"""How the values of a number are given that is not known."""


@lru_cache(maxsize=1)
def varied_names() -> dict[str, Leaf]:
    """Every name that may be varied, ``ANY`` for a position in a list, and its kind."""
    names: dict[str, Leaf] = {}
    for start, table in (("vehicle", VEHICLE), ("vehicle", FRICTION_CIRCLE), ("track", TRACK)):
        names |= {f"{start}.{name}": kind for name, kind in value_names(table) if name != "model"}
    return names | CONDITIONS


def _nearest(name: str) -> str:
    """``; did you mean ...?`` with the likeliest names, or how names are made."""
    known, given = varied_names(), pattern_of(shorten(name))
    inside = [other for other in known if other.startswith(given + ".")]
    if inside:
        some = " or ".join(_with_positions(inside[:2], name))
        return f"; numbers and words are varied one by one, such as {some}"
    last = given.rsplit(".", 1)[-1]
    near = [other for other in known if other.rsplit(".", 1)[-1] == last and last != ANY]
    near = difflib.get_close_matches(given, near, n=2, cutoff=0.0)
    near = near or difflib.get_close_matches(given, known, n=1, cutoff=0.75)
    if not near:
        ends = difflib.get_close_matches(last, {other.rsplit(".", 1)[-1] for other in known}, n=1, cutoff=0.7)
        near = [other for other in known if other.rsplit(".", 1)[-1] in ends][:2]
    if not near:
        return (
            "; names are vehicle. or track. and the keys of that file with points between, or "
            + " or ".join(CONDITIONS)
        )
    return f"; did you mean {' or '.join(_with_positions(near, name))}?"


def _with_positions(patterns: list[str], name: str) -> list[str]:
    """The patterns with the positions that the user wrote, then 1."""
    made = []
    for pattern in patterns:
        positions = iter([part for part in name.split(".") if POSITION.fullmatch(part)])
        made.append(".".join(next(positions, "1") if part == ANY else part for part in pattern.split(".")))
    return made


@dataclass(frozen=True)
class Vary(Kind):
    """What is varied: names of the vehicle and track files with their values."""

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """A dict of name to ``Spread`` of all that can be read; what cannot is among the faults."""
        if not isinstance(node, Mapping) or not node.keys:
            message = f"vary is {describe(node)}; it must hold what is varied, e.g. vehicle.brakes.front_share: [0.6, 0.65]"
            return report.fault(at_path(node, ()), path, message)
        found: dict[str, Spread] = {}
        for name, place in node.keys.items():
            kind = varied_names().get(pattern_of(name)) if ANY not in name else None
            if kind is None:
                message = f"{shorten(name)} is not a number or word that can be varied{_nearest(name)}"
                report.fault(place, (*path, name), message)
                if isinstance(node.values[name], Mapping):
                    # What is wrong with the range besides is told at once.
                    ANY_NUMBER.read(node.values[name], (*path, name), report)
                continue
            values = spread_kind(kind).read(node.values[name], (*path, name), report)
            if values is not MISSING:
                found[name] = values if isinstance(values, Spread) else Spread("value", values)
        return found

    def schema(self) -> Schema:
        """An object; names with positions are patterns."""
        plain = {name: kind for name, kind in varied_names().items() if ANY not in name}
        placed = {name: kind for name, kind in varied_names().items() if ANY in name}
        return {
            "type": "object",
            "minProperties": 1,
            "properties": {name: _spread_schema(kind) for name, kind in plain.items()},
            "patternProperties": {_regex(name): _spread_schema(kind) for name, kind in placed.items()},
            "additionalProperties": False,
        }

    def words(self) -> str:
        """What is allowed."""
        return "numbers and words by the names of their file, see below"

    @property
    def entry(self) -> Kind:
        """What stands at each name, for the page of keys."""
        return ANY_NUMBER


def _regex(name: str) -> str:
    return "^" + name.replace(".", r"\.").replace(ANY, "[1-9][0-9]{0,6}") + "$"


def _spread_schema(kind: Leaf) -> Schema:
    if isinstance(kind, Choice):
        return spread_kind(kind).schema()
    value = kind.schema()
    ends = {"from": value, "to": value, "count": {"type": "integer", "minimum": 2, "maximum": MAX_CASES}}
    return {
        "anyOf": [
            {"type": "array", "items": value, "minItems": 1},
            {"type": "object", "properties": ends, "required": ["from", "to"], "additionalProperties": False},
            *(
                {
                    "type": "object",
                    "properties": {how: {"$ref": "#/$defs/amounts"}},
                    "required": [how],
                    "additionalProperties": False,
                }
                for how in ("change", "factor")
            ),
        ]
    }


AMOUNTS = _amounts(Number("", -1e9, 1e9)).schema()
"""What ``change`` and ``factor`` hold, as far as a schema can say it."""
