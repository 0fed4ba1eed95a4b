"""A study file as a ``Study``: every case with its car, its road and its key."""

from __future__ import annotations

import hashlib
import json
import warnings
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path as FilePath
from typing import Any

from lapwright.errors import Fault, InputError, InputNotice
from lapwright.inputs import kinds, tree
from lapwright.inputs.files import Loaded, refuse_other_kind
from lapwright.inputs.overrides import Absent, Spot, Value
from lapwright.inputs.source import read_text
from lapwright.inputs.study_keys import STUDY
from lapwright.inputs.study_plan import Row, rows, tidy
from lapwright.inputs.study_rules import end_states, for_cars, held, spot_in
from lapwright.inputs.study_sources import Car, Circuit, Values, with_road_grip
from lapwright.inputs.study_vary import ROAD_GRIP, Spread
from lapwright.problem.lap import EndState, asking_faults
from lapwright.reference.solve import LapOptions
from lapwright.study.cases import Axis, Case, Study
from lapwright.track.track import Track
from lapwright.vehicle.margin import with_margin
from lapwright.vehicle.parameters import AnyVehicle, Vehicle


def load_study(path: str | FilePath) -> Study:
    """The sweep that a study file (YAML) describes, with all its cases.

    Parameters
    ----------
    path
        Study file; the circuits and cars named in it are looked for from its folder.

    Returns
    -------
    Study
        Ready to run. A case whose numbers do not fit together is there and says so in ``Case.fault``.

    Raises
    ------
    InputError
        With every fault of the file and of the files that it names, each with file, line and column. Odd but
        possible values are told as ``InputNotice`` warnings.
    """
    loaded = read_study(read_text(path), str(path))
    for notice in loaded.notices:
        warnings.warn(InputNotice(notice), stacklevel=2)
    study: Study = loaded.value
    return study


def read_study(text: str, file: str = "") -> Loaded:
    """The study described by YAML ``text``; ``file`` is its name, in messages and to find the files that it names."""
    root, form_faults = tree.parse(text, file)
    report = kinds.Report(file)
    report.add_form_faults(form_faults)
    refuse_other_kind(root, report, "study")
    values = STUDY.read(root, (), report)
    if report.faults:
        raise InputError(report.final_faults())
    study = _Maker(values).study()
    _refuse_hopeless(study, root, file)
    return Loaded(study, tuple(report.notices))


def _refuse_hopeless(study: Study, root: tree.Mapping, file: str) -> None:
    """Fault for each circuit and car of which no changed case can be asked: that is a slip and no finding."""
    pairs: dict[tuple[str, str], list[Case]] = {}
    for case in study.cases:
        if case.number:
            pairs.setdefault((case.circuit, case.car), []).append(case)
    path = ("vary", study.axes[0].name) if len(study.axes) == 1 else ("vary",)
    place = root.keys["vary"] if len(path) == 1 else root.values["vary"].keys[path[1]]  # type: ignore[union-attr]
    faults = [
        Fault(
            f"no case of {car} on {circuit} can be asked; the first: {cases[0].fault}",
            path,
            file,
            place.line,
            place.column,
        )
        for (circuit, car), cases in pairs.items()
        if all(case.fault for case in cases)
    ]
    if faults:
        raise InputError(faults)


@dataclass
class _Maker:
    """Makes the cases of a study whose values have no fault."""

    values: dict[str, Any]
    tracks: list[Track] = field(default_factory=list)
    places: dict[tuple[str, Values, float], int] = field(default_factory=dict)
    asked: dict[tuple[Any, ...], str] = field(default_factory=dict)

    def study(self) -> Study:
        """The whole study."""
        v = self.values
        vary: dict[str, Spread] = v["vary"]
        plan: list[Row] = list(
            rows(
                v["plan"],
                list(vary.values()),
                int(v["samples"] or 0),
                int(1 if v["seed"] is None else v["seed"]),
            )
        )
        pairs = [_Pair(self, circuit, car) for circuit in v["circuits"] for car in v["cars"]]
        cases = [pair.case(0, (None,) * len(vary)) for pair in pairs]
        cases += [pair.case(number, row) for pair in pairs for number, row in enumerate(plan, 1)]
        return Study(
            name=v["name"],
            plan=v["plan"].replace("_", " "),
            axes=tuple(_axis(i, name, vary, cases) for i, name in enumerate(vary)),
            tracks=tuple(self.tracks),
            cases=tuple(cases),
            options=self.options(),
            corners=self.corners(),
        )

    def options(self) -> LapOptions:
        """How every case is solved."""
        v = self.values
        return LapOptions(mesh=v["mesh"], degree=int(v["degree"]), tolerance=v["tolerance"])

    def corners(self) -> tuple[str, ...]:
        """Names as the circuits write them."""
        known = {
            c.name.casefold(): c.name for circuit in self.values["circuits"] for c in circuit.track.corners
        }
        return tuple(dict.fromkeys(known[name.casefold()] for name in self.values["corners"]))

    def place(self, circuit: Circuit, changes: Values, grip: float) -> tuple[int, str]:
        """Index in ``tracks`` of a changed road, or that of the road as it is and why there can be no other."""
        track = circuit.changed(changes)
        if isinstance(track, str):
            return self.place(circuit, (), 1.0)[0], track
        key = (circuit.name, changes, grip)
        if key not in self.places:
            self.places[key] = len(self.tracks)
            self.tracks.append(with_road_grip(track, grip))
        return self.places[key], ""


class _Pair:
    """A car on a circuit."""

    def __init__(self, maker: _Maker, circuit: Circuit, car: Car) -> None:
        self.maker, self.circuit, self.car = maker, circuit, car
        self.names: dict[str, Spread] = maker.values["vary"]
        self.spots = {name: self._spot(name) for name in self.names}
        self.base = [self._base(name) for name in self.names]
        closed = circuit.track.closed
        self.start, self.end = (EndState(), EndState()) if closed else end_states(maker.values)
        decides = [_version(), *circuit.texts, *car.texts, repr(maker.values["grip_margin"])]
        decides += [repr(asdict(maker.options())), repr(asdict(self.start)), repr(asdict(self.end))]
        self.digest = hashlib.sha256(json.dumps(decides).encode())

    def _spot(self, name: str) -> Spot | None:
        return None if name == ROAD_GRIP else spot_in(name, self._source(name))

    def _source(self, name: str) -> Car | Circuit:
        return self.car if for_cars(name) else self.circuit

    def _base(self, name: str) -> Value | None:
        """What the file has."""
        value = 1.0 if name == ROAD_GRIP else held(name, self._source(name))
        assert not isinstance(value, Absent)
        return value

    def case(self, number: int, row: Row) -> Case:
        """One case."""
        values = tuple(
            _value(spread.how, amount, base)
            for spread, amount, base in zip(self.names.values(), row, self.base, strict=True)
        )
        car, road, grip = self._changes(values)
        track, track_fault = self.maker.place(self.circuit, road, grip)
        vehicle = self.car.changed(car)
        faults = [text for text in (track_fault, vehicle) if isinstance(text, str) and text]
        driven = None if isinstance(vehicle, str) else with_margin(vehicle, self.maker.values["grip_margin"])
        if driven is not None and not track_fault:
            faults += [text for text in (self._asked(road, track, driven),) if text]
        return Case(
            number=number,
            circuit=self.circuit.name,
            car=self.car.name,
            values=values,
            track=track,
            vehicle=driven,
            start=self.start,
            end=self.end,
            key=self._key(car, road, grip),
            fault="; ".join(faults),
        )

    def _changes(self, values: tuple[Value | None, ...]) -> tuple[Values, Values, float]:
        """What differs from the files: of the car, of the road, and the factor on all its grip."""
        car: list[tuple[kinds.Path, Value]] = []
        road: list[tuple[kinds.Path, Value]] = []
        grip = 1.0
        for name, value, base in zip(self.names, values, self.base, strict=True):
            if value is None or value == base:
                continue
            spot = self.spots[name]
            if spot is None:
                assert isinstance(value, float)
                grip = value
            else:
                (car if for_cars(name) else road).append((spot.path, value))
        return _sorted(car), _sorted(road), grip

    def _asked(self, road: Values, track: int, vehicle: AnyVehicle) -> str:
        """Why this car cannot be asked to drive this road, such as one too narrow; its grip does not matter here."""
        width = vehicle.chassis.width if isinstance(vehicle, Vehicle) else None
        key = (self.circuit.name, road, width)
        if key not in self.maker.asked:
            faults = asking_faults(self.maker.tracks[track], vehicle, self.start, self.end)
            self.maker.asked[key] = "; ".join(fault.message for fault in faults)
        return self.maker.asked[key]

    def _key(self, car: Values, road: Values, grip: float) -> str:
        digest = self.digest.copy()
        changes = [[(list(path), repr(value)) for path, value in part] for part in (car, road)]
        digest.update(json.dumps([*changes, repr(grip)]).encode())
        return digest.hexdigest()


@lru_cache(maxsize=1)
def _version() -> str:
    return version("lapwright")


def _sorted(changes: list[tuple[kinds.Path, Value]]) -> Values:
    # Paths mix words and positions, which do not compare with each other.
    return tuple(sorted(changes, key=lambda change: [str(part) for part in change[0]]))


def _value(how: str, amount: Value | None, base: Value | None) -> Value | None:
    """The value of a case, in the unit of the file."""
    if amount is None:
        return base
    if how == "value" or isinstance(amount, str):
        return amount
    assert isinstance(base, float)
    return tidy(base + amount if how == "change" else base * amount)


def _axis(index: int, name: str, vary: dict[str, Spread], cases: list[Case]) -> Axis:
    found = [case.values[index] for case in cases]
    numbers = [value for value in found if isinstance(value, float)]
    short = name.removeprefix("vehicle.")
    alone = sum(other.removeprefix("vehicle.") == short for other in vary) == 1
    words = any(isinstance(value, str) for value in found)
    low, high = (min(numbers), max(numbers)) if numbers and not words else (0.0, 0.0)
    return Axis(name, short if alone else name, words, low, high)
