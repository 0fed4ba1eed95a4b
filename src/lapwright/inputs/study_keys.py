"""Every key of a study file: what a sweep varies, over which circuits and cars, and how it solves."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

from lapwright.errors import InputError
from lapwright.inputs.kinds import (
    MISSING,
    Choice,
    Group,
    Key,
    Kind,
    ListOf,
    Path,
    Report,
    Schema,
    Text,
    label,
)
from lapwright.inputs.numbers import Number, Whole
from lapwright.inputs.study_vary import MAX_CASES, Vary
from lapwright.inputs.tree import Mapping, Node, Scalar, Sequence, describe

PLANS = ("grid", "one_at_a_time", "side_by_side", "hypercube")
ENDS = (
    "start_speed_mps",
    "end_speed_mps",
    "start_offset_m",
    "end_offset_m",
    "start_heading_deg",
    "end_heading_deg",
)
"""Keys for open roads."""


@dataclass(frozen=True)
class NamedFile(Kind):
    """A vehicle or track file, relative to the file that names it; ``what`` is "vehicle" or "track"."""

    what: str

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The file, read (``study_sources``), or the faults found in it, which carry its name."""
        from lapwright.inputs.study_sources import read_car, read_circuit

        if not isinstance(node, Scalar) or not node.text.strip():
            return report.fault(
                node, path, f"{label(path)} is {describe(node)}; it must be the name of a file"
            )
        source = FilePath(report.file).parent / node.text.strip()
        try:
            read = (read_car if self.what == "vehicle" else read_circuit)(str(source))
        except InputError as error:
            if not source.is_file():
                return report.fault(node, path, "; ".join(map(str, error.faults)))
            return report.take(list(error.faults))
        report.notices += read.notices
        return read

    def schema(self) -> Schema:
        """A string."""
        return {"type": "string", "minLength": 1}

    def words(self) -> str:
        """What is allowed."""
        return f"names of {self.what} files, relative to this one"


@dataclass(frozen=True)
class FileList(ListOf):
    """Files, each once; what could be read is handed on even when another could not."""

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """A tuple."""
        if not isinstance(node, Sequence) or not node.items:
            return super().read(node, path, report)
        found: dict[str, Any] = {}
        for i, child in enumerate(node.items):
            source = self.item.read(child, (*path, i), report)
            if source is MISSING:
                continue
            if source.name in found:
                message = (
                    f"there are two files named {source.name}; rows are told apart by the name of the file"
                )
                report.fault(child, (*path, i), message)
            found.setdefault(source.name, source)
        return tuple(found.values())

    def words(self) -> str:
        """What is allowed."""
        return f"list of {self.item.words()}"


def _check_study(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    from lapwright.inputs.study_rules import check_study

    check_study(values, node, report)


def _end(name: str, number: Number, doc: str) -> Key:
    return Key(name, number, f"open roads: {doc}", name.rsplit("_", 1)[0], default=None)


_HYPERCUBE = {"properties": {"plan": {"const": "hypercube"}}, "required": ["plan"]}
_SPEED, _OFFSET, _HEADING = Number("mps", 0.5, 130), Number("m", -100, 100), Number("deg", -68, 68)

STUDY = Group(
    (
        Key("name", Text(), "name of the study", "name"),
        Key("circuits", FileList(NamedFile("track")), "circuits or roads", "circuits"),
        Key("cars", FileList(NamedFile("vehicle")), "cars", "cars"),
        Key(
            "plan",
            Choice(PLANS),
            "every combination, each number by itself, the k-th of every list together, or a Latin hypercube",
            "plan",
            default="grid",
        ),
        Key("samples", Whole("", 1, MAX_CASES), "plan hypercube: how many cases", "samples", default=None),
        Key(
            "seed",
            Whole("", 0, 999_999_999),
            "plan hypercube: another seed gives other samples (1)",
            "seed",
            default=None,
        ),
        Key("vary", Vary(), "what is varied", "vary"),
        Key(
            "corners",
            ListOf(Text(60), 1, noun="names"),
            "the corners that the table tells; all when left out",
            "corners",
            default=(),
        ),
        Key(
            "grip_margin",
            Number("share", 0, 0.5, (0, 0.2)),
            "share of the peak grip left unused, in place of the vehicle file's",
            "grip_margin",
            default=None,
        ),
        Key(
            "mesh_m",
            Number("m", 0.25, 50),
            "mean length of a mesh interval; from the length of the road, 2 to 5.5, when left out",
            "mesh",
            default=None,
        ),
        Key("degree", Whole("", 1, 5), "collocation points an interval", "degree", default=2),
        Key(
            "tolerance_s",
            Number("s", 0, 10, (0.0005, 0.5), above=True),
            "largest mesh error of the lap time",
            "tolerance",
            default=0.01,
        ),
        _end("start_speed_mps", _SPEED, "speed at the start; they need one"),
        _end("end_speed_mps", _SPEED, "speed at the end; free when left out"),
        _end("start_offset_m", _OFFSET, "distance left of the centreline at the start; free when left out"),
        _end("end_offset_m", _OFFSET, "distance left of the centreline at the end; free when left out"),
        _end(
            "start_heading_deg",
            _HEADING,
            "heading at the start, left of the road's direction; 0 when left out",
        ),
        _end(
            "end_heading_deg",
            _HEADING,
            "heading at the end, left of the road's direction; free when left out",
        ),
    ),
    check=_check_study,
    extra_schema={
        "if": _HYPERCUBE,
        "then": {"required": ["samples"]},
        "else": {"properties": {"samples": False, "seed": False}},
    },
    noun="a study file",
)
