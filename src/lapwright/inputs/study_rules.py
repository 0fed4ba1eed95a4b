"""What must fit together between the keys of a study file, its cars and its circuits."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

from lapwright.inputs.kinds import MISSING, Report, did_you_mean
from lapwright.inputs.overrides import ABSENT, Absent, Spot, Value, file_value
from lapwright.inputs.study_keys import ENDS
from lapwright.inputs.study_plan import row_count, size
from lapwright.inputs.study_sources import Car, Circuit
from lapwright.inputs.study_vary import AIR_DENSITY, MAX_CASES, ROAD_GRIP, Spread
from lapwright.inputs.tree import Mapping, at_path
from lapwright.problem.lap import EndState, asking_faults


def spot_in(name: str, source: Car | Circuit) -> Spot | None:
    """Where a study's name stands in a car's or a circuit's file; None when such a file has no such value."""
    if name == AIR_DENSITY:
        return source.find("aero.air_density_kgm3") or source.find("air_density_kgm3")
    return source.find(name.split(".", 1)[1])


def held(name: str, source: Car | Circuit) -> Value | Absent | None:
    """What the file of a car or circuit says for a study's name; see ``file_value``."""
    spot = spot_in(name, source)
    return ABSENT if spot is None else file_value(source.root, spot)


def for_cars(name: str) -> bool:
    """True for a value of the car, the air that it drives through included."""
    return name.startswith("vehicle.") or name == AIR_DENSITY


def end_states(values: dict[str, Any]) -> tuple[EndState, EndState]:
    """How an open road is entered and left, from the values of a study."""
    start, end = (
        EndState(*(values[f"{which}_{what}"] for what in ("speed", "offset", "heading")))
        for which in ("start", "end")
    )
    return start, end


def check_study(values: dict[str, Any], node: Mapping, report: Report) -> None:
    """Every rule; what could not be read is left out of them."""
    check = _Check(values, node, report)
    check.hypercube_keys()
    check.spreads()
    check.count()
    check.names()
    check.same_number_twice()
    check.corners()
    check.ends()


@dataclass
class _Check:
    values: dict[str, Any]
    node: Mapping
    report: Report

    @property
    def vary(self) -> dict[str, Spread]:
        found = self.values["vary"]
        return found if isinstance(found, dict) else {}

    @property
    def plan(self) -> str | None:
        plan = self.values["plan"]
        return plan if isinstance(plan, str) else None

    def sources(self, which: str) -> tuple[Any, ...]:
        found = self.values[which]
        return found if isinstance(found, tuple) else ()

    def at_name(self, name: str, message: str) -> None:
        """A fault at a name under ``vary``."""
        group = self.node.values["vary"]
        assert isinstance(group, Mapping)
        self.report.fault(group.keys[name], ("vary", name), message)

    def at_key(self, key: str, message: str) -> None:
        self.report.fault(self.node.keys.get(key, self.node), (key,), message)

    def hypercube_keys(self) -> None:
        """Samples are needed there; samples and seed mean nothing elsewhere."""
        if self.plan == "hypercube":
            if "samples" not in self.node.keys:
                self.at_key("plan", f"plan: hypercube needs samples, the number of cases (1 to {MAX_CASES})")
        elif self.plan is not None:
            for key in ("samples", "seed"):
                if key in self.node.keys:
                    self.at_key(key, f"{key} is for plan: hypercube; this plan is {self.plan}")

    def spreads(self) -> None:
        """Ranges say how many values where that is needed; lists side by side are equally long."""
        if self.plan is None:
            return
        for name, spread in self.vary.items():
            if self.plan == "hypercube":
                if spread.count is not None:
                    place = at_path(self.node, ("vary", name))
                    self.report.notice(
                        place, ("vary", name), f"count of {name} does not count for plan: hypercube"
                    )
            elif not spread.listed and spread.count is None:
                self.at_name(name, f"count is missing: how many values of {name} from its range (2 or more)")
        sizes = {name: size(spread) for name, spread in self.vary.items() if size(spread)}
        if self.plan == "side_by_side" and len(set(sizes.values())) > 1:
            told = ", ".join(f"{name} has {count}" for name, count in sizes.items())
            self.at_key(
                "vary",
                f"plan: side_by_side takes the k-th value of every list, so all need equally many: {told}",
            )

    def count(self) -> None:
        """Not more cases than anybody waits for."""
        samples = self.values["samples"]
        if (
            self.plan is None
            or not self.vary
            or samples is MISSING
            or (self.plan == "hypercube" and not samples)
        ):
            return
        pairs = max(1, len(self.sources("circuits"))) * max(1, len(self.sources("cars")))
        cases = pairs * (1 + row_count(self.plan, list(self.vary.values()), int(samples or 0)))
        if cases > MAX_CASES:
            self.at_key("vary", f"this makes {cases:,} cases; at most {MAX_CASES:,} are taken on")

    def names(self) -> None:
        """What is varied stands in every file, as a number where it is changed by or multiplied."""
        for name, spread in self.vary.items():
            if name == ROAD_GRIP:
                continue
            for source in self.sources("cars" if for_cars(name) else "circuits"):
                value = held(name, source)
                own = name.split(".", 1)[1]
                if isinstance(value, Absent):
                    message = f"{source.short} has no {own}; what is varied must stand in the file of every "
                    self.at_name(name, message + ("car" if for_cars(name) else "circuit"))
                elif value is None and spread.how != "value":
                    message = (
                        f"{spread.how}: {own} is not a single number in {source.short}; give values instead"
                    )
                    self.at_name(name, message)
        if "vehicle.driver.grip_margin" in self.vary and "grip_margin" in self.node.keys:
            self.at_key(
                "grip_margin",
                "grip_margin stands beside vehicle.driver.grip_margin, which is varied; keep one",
            )

    def same_number_twice(self) -> None:
        """One value is varied under one name, and not together with a group or list that holds it."""
        twice: dict[str, str] = {}
        for source in (*self.sources("cars"), *self.sources("circuits")):
            is_car = isinstance(source, Car)
            mine = [name for name in self.vary if name != ROAD_GRIP and for_cars(name) == is_car]
            spots = [(name, spot.path) for name in mine if (spot := spot_in(name, source)) is not None]
            for (one, first), (other, second) in itertools.combinations(spots, 2):
                short = min(len(first), len(second))
                if first[:short] == second[:short]:
                    twice[other] = f"{other} stands beside {one}, which sets the same value; keep one"
        for name, message in twice.items():
            self.at_name(name, message)

    def corners(self) -> None:
        """Names that one of the circuits has."""
        wanted, circuits = self.values["corners"], self.sources("circuits")
        if wanted is MISSING or not circuits:
            return
        known = {
            corner.name.casefold(): corner.name for circuit in circuits for corner in circuit.track.corners
        }
        for i, name in enumerate(wanted):
            if name.casefold() not in known:
                near = did_you_mean(name, tuple(known.values())) or "; known: " + ", ".join(known.values())
                where = "on " + " or ".join(circuit.short for circuit in circuits)
                message = f"there is no corner {name} {where}{near}"
                self.report.fault(at_path(self.node, ("corners", i)), ("corners", i), message)

    def ends(self) -> None:
        """An open road is entered at a speed; a circuit joins itself."""
        circuits, given = self.sources("circuits"), [key for key in ENDS if key in self.node.keys]
        opened = [circuit for circuit in circuits if not circuit.track.closed]
        if (
            circuits
            and len(circuits) == len(getattr(self.node.values["circuits"], "items", ()))
            and not opened
        ):
            for key in given:
                self.at_key(key, f"{key} is for open roads; the circuits of this study are closed")
            return
        if opened and "start_speed_mps" not in given:
            message = (
                f"{opened[0].short} is an open road: give start_speed_mps, the speed at which it is entered"
            )
            self.at_key("circuits", message)
            return
        if any(self.values[f"{which}_{what}"] is MISSING for which in ("start", "end") for what in _WHAT):
            return
        start, end = end_states(self.values)
        told: set[str] = set()
        for circuit, car in itertools.product(opened, self.sources("cars")):
            for fault in asking_faults(circuit.track, car.changed(()), start, end):
                keys = [key for key in ENDS if fault.message.startswith(_words(key))]
                if keys and fault.message not in told:
                    told.add(fault.message)
                    self.at_key(keys[0], f"{fault.message} ({circuit.name}, {car.name})")


_WHAT = ("speed", "offset", "heading")


def _words(key: str) -> str:
    """Such as "start speed" of "start_speed_mps": how a message of the problem begins."""
    return " ".join(key.split("_")[:2])
