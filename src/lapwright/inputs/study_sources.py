"""The vehicle and track files of a study, which can be read again and again with other numbers."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path as FilePath
from typing import Any

from lapwright.errors import Fault, InputError
from lapwright.inputs import track_file, tree
from lapwright.inputs.files import is_circle, place_fault, read_track, read_vehicle
from lapwright.inputs.kinds import Group, Path, Report
from lapwright.inputs.overrides import Spot, Value, find_spot, remembering, with_values
from lapwright.inputs.source import read_text
from lapwright.inputs.track_keys import TRACK
from lapwright.inputs.vehicle_keys import FRICTION_CIRCLE, VEHICLE
from lapwright.track.build import build_track
from lapwright.track.definition import GripPatch
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle

Values = tuple[tuple[Path, Value], ...]
"""Changed values of a file by their paths, in the unit of the file, sorted."""


@dataclass(frozen=True, eq=False)
class Car:
    """A vehicle file.

    Attributes
    ----------
    name : of the file, without its ending
    file : as messages name it
    texts : all that was read, for a digest
    root, table : its tree, and the table that reads it
    notices : what is odd in it
    """

    name: str
    file: str
    texts: tuple[str, ...]
    root: tree.Mapping
    table: Group
    notices: tuple[Fault, ...]
    _known: dict[Values, AnyVehicle | str] = field(default_factory=dict)

    @property
    def short(self) -> str:
        """The file's name without its folder."""
        return FilePath(self.file).name

    def find(self, name: str) -> Spot | None:
        """The place of a name such as "brakes.front_share"; None when such a car has no such number."""
        return find_spot(self.table, name)

    def changed(self, values: Values) -> AnyVehicle | str:
        """The car with other values, or in words why there can be none."""
        if values not in self._known:
            report = Report(self.file)
            car = self.table.read(with_values(self.root, dict(values)), (), report)
            self._known[values] = _words(report.faults) if report.faults else car
        return self._known[values]


@dataclass(frozen=True, eq=False)
class Circuit:
    """A track file; attributes as those of ``Car``, and ``track``, the road as the file has it."""

    name: str
    file: str
    texts: tuple[str, ...]
    root: tree.Mapping
    table: Group
    notices: tuple[Fault, ...]
    track: Track
    _known: dict[Values, Track | str] = field(default_factory=dict)

    @property
    def short(self) -> str:
        """The file's name without its folder."""
        return FilePath(self.file).name

    def find(self, name: str) -> Spot | None:
        """The place of a name such as "grip.1.scale"; None when track files have no such number."""
        return find_spot(self.table, name)

    def changed(self, values: Values) -> Track | str:
        """The road with other values, or in words why there can be none."""
        if not values:
            return self.track
        if values not in self._known:
            self._known[values] = self._build(values)
        return self._known[values]

    def _build(self, values: Values) -> Track | str:
        report = Report(self.file)
        definition = track_file.read_definition(with_values(self.root, dict(values)), report, self.table)
        if report.faults:
            return _words(report.faults)
        try:
            return build_track(definition)
        except InputError as error:
            return _words([place_fault(fault, self.root, self.file) for fault in error.faults])


def with_road_grip(track: Track, scale: float) -> Track:
    """The road with ``scale`` times its grip everywhere, patches included."""
    if scale == 1.0:
        return track
    # Over the ends by a road's length on either side, so that the blend at the ends of a patch lies off the road.
    everywhere = GripPatch(-track.length, 2.0 * track.length, scale)
    return replace(track, grip_map=replace(track.grip_map, whole=(*track.grip_map.whole, everywhere)))


def read_car(file: str) -> Car:
    """A vehicle file.

    Raises
    ------
    InputError
        With every fault of it.
    """
    text = read_text(file)
    loaded = read_vehicle(text, file)
    root, _ = tree.parse(text, file)
    table = FRICTION_CIRCLE if is_circle(root) else VEHICLE
    return Car(FilePath(file).stem, file, (text,), root, remembering(table, root, file), loaded.notices)


def read_circuit(file: str) -> Circuit:
    """A track file, and the table of points that it may name.

    Raises
    ------
    InputError
        With every fault of them.
    """
    text = read_text(file)
    loaded = read_track(text, file)
    root, _ = tree.parse(text, file)
    texts = (text, *_tables(root, file))
    table = remembering(TRACK, root, file)
    return Circuit(FilePath(file).stem, file, texts, root, table, loaded.notices, loaded.value)


def _tables(root: tree.Mapping, file: str) -> tuple[str, ...]:
    node: Any = tree.at_path(root, ("centreline", "csv"))
    line = root.values["centreline"]
    if not isinstance(line, tree.Mapping) or "csv" not in line.values:
        return ()
    return (read_text(FilePath(file).parent / node.text.strip(), latin=True),)


def _words(faults: list[Fault]) -> str:
    """Faults of a changed file as one line; their lines would be those of the file as it is."""
    return "; ".join(dict.fromkeys(fault.message for fault in faults))
