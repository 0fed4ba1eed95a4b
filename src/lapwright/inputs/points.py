"""Long lists of surveyed points, read quickly and with a place for each fault."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lapwright.inputs.kinds import Kind, Path, Report, Schema, label
from lapwright.inputs.numbers import NUMBER, number_or_reason, show
from lapwright.inputs.tree import Node, Scalar, Sequence, describe

FAR = 1e8
"""Largest coordinate [m]: beyond it double precision no longer gives the shape of a kerb."""
MAX_LISTED = 20
"""Faults listed for one list of points; more are counted."""
MIN_POINTS = 4
MAX_POINTS = 1_000_000


@dataclass(frozen=True)
class Points(Kind):
    """A list of [x, y] or [x, y, z], in m, all of them alike."""

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """Tuple of tuples of floats."""
        if not isinstance(node, Sequence):
            return report.fault(node, path, f"{label(path)} is {describe(node)}; it must be a {self.words()}")
        if len(node.items) < MIN_POINTS:
            message = f"{label(path)} has {len(node.items)} points; at least {MIN_POINTS} are needed"
            return report.fault(node, path, message)
        faults = _Capped(report)
        size = _size(node.items[0])
        points = []
        for i, item in enumerate(node.items):
            point = _point(item, size, (*path, i), faults)
            if point is not None:
                points.append(point)
        faults.close(node, path)
        if faults.count:
            return faults.missing
        problem = extent_problem(points)
        return report.fault(node, path, problem) if problem else tuple(points)

    def schema(self) -> Schema:
        """An array of pairs or triples of numbers."""
        number = {"type": "number", "minimum": -FAR, "maximum": FAR}
        point = {"type": "array", "items": number, "minItems": 2, "maxItems": 3}
        return {"type": "array", "items": point, "minItems": MIN_POINTS}

    def words(self) -> str:
        """What is allowed."""
        return "list of [x, y] or [x, y, z], in m"


class _Capped:
    """Passes faults on up to a number, counts the rest."""

    def __init__(self, report: Report) -> None:
        self.report = report
        self.count = 0
        self.missing: Any = None

    def fault(self, node: Node, path: Path, message: str) -> None:
        self.count += 1
        if self.count <= MAX_LISTED:
            self.missing = self.report.fault(node, path, message)

    def close(self, node: Node, path: Path) -> None:
        if self.count > MAX_LISTED:
            self.report.fault(node, path, f"and {self.count - MAX_LISTED} more faults in {label(path)}")


def _size(item: Node) -> int:
    return len(item.items) if isinstance(item, Sequence) and len(item.items) in (2, 3) else 2


def _point(item: Node, size: int, path: Path, faults: _Capped) -> tuple[float, ...] | None:
    if not isinstance(item, Sequence) or len(item.items) not in (2, 3):
        faults.fault(item, path, f"{label(path)} is {describe(item)}; a point is [x, y] or [x, y, z]")
        return None
    if len(item.items) != size:
        message = (
            f"{label(path)} has {len(item.items)} coordinates, the first point has {size}; all must be alike"
        )
        faults.fault(item, path, message)
        return None
    values = []
    for axis, child in enumerate(item.items):
        if isinstance(child, Scalar) and child.plain and NUMBER.fullmatch(child.text):
            value = float(child.text)
            if -FAR <= value <= FAR:
                values.append(value)
                continue
        _bad_coordinate(child, "xyz"[axis], (*path, axis), faults)
    return tuple(values) if len(values) == size else None


def _bad_coordinate(child: Node, axis: str, path: Path, faults: _Capped) -> None:
    name = f"{axis} of {label(path[:-1])}"
    if not isinstance(child, Scalar):
        faults.fault(child, path, f"{name} is {describe(child)}; it must be a number, in m")
        return
    value = number_or_reason(child.text, child.plain)
    reason = value if isinstance(value, str) else f"it must lie between {show(-FAR)} and {show(FAR)} m"
    faults.fault(child, path, f"{name} is {describe(child)}; {reason}")


def extent_problem(points: list[tuple[float, ...]]) -> str:
    """What the size of the whole says about the unit; empty when it can be metres.

    Latitude and longitude in degrees make a track a few hundredths across, millimetres one of thousands of
    kilometres.
    """
    spans = [max(axis) - min(axis) for axis in zip(*(point[:2] for point in points), strict=True)]
    span = max(spans)
    if span < 1.0:
        degrees = all(abs(x) <= 180 and abs(y) <= 180 for x, y, *_ in points)
        hint = "; these look like degrees of latitude and longitude: give metres (a local east and north)"
        return f"the points span only {show(span)} m" + (hint if degrees and span > 0 else "")
    if span > 200_000:
        return f"the points span {show(span / 1000)} km; at most 200 km are possible: are they in mm or cm?"
    return ""
