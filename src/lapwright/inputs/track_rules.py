"""What must fit together between the keys of a track file, and its elements as objects."""

from __future__ import annotations

from typing import Any

from lapwright.inputs.kinds import MISSING, Path, Report, label
from lapwright.inputs.numbers import number_or_reason
from lapwright.inputs.tree import Mapping, Scalar, Sequence, at_path
from lapwright.track.definition import Arc, ElementLine, Straight

BEND_KEYS = ("radius_m", "angle_deg", "turn")
RAMP_KEYS = ("ramp_m", "ramp_in_m", "ramp_out_m")


def check_element(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """An element is a straight alone or a whole bend; a bend has one way of giving its ramps."""
    bend = [name for name in (*BEND_KEYS, *RAMP_KEYS) if name in node.keys]
    if "straight_m" in node.keys:
        for name in bend:
            message = f"{name} stands beside straight_m: a straight and a bend are two elements"
            report.fault(node.keys[name], (*path, name), message)
        return
    if not bend:
        message = f"{label(path)} is neither a straight (straight_m) nor a bend (radius_m, angle_deg, turn)"
        report.fault(node, path, message)
        return
    for name in BEND_KEYS:
        if name not in node.keys:
            message = f"{name} is missing: a bend needs radius_m, angle_deg and turn (left or right)"
            report.fault(node, (*path, name), message)
    if "ramp_m" in node.keys:
        for name in ("ramp_in_m", "ramp_out_m"):
            if name in node.keys:
                message = f"{name} stands beside ramp_m, which is already both ramps; keep one"
                report.fault(node.keys[name], (*path, name), message)


def make_element(values: dict[str, Any]) -> Straight | Arc:
    """The element as an object; a right turn has a negative angle."""
    if values["straight"] is not None:
        return Straight(values["straight"])
    sign = 1.0 if values["turn"] == "left" else -1.0
    ramps = [values["ramp"] if values[name] is None else values[name] for name in ("ramp_in", "ramp_out")]
    return Arc(values["radius"], sign * values["angle"], *ramps)


def check_centreline(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """Exactly one way of giving the line; a tolerance only for surveyed points."""
    given = [name for name in ("elements", "points_m", "csv") if name in node.keys]
    if not given:
        place = at_path(node, ())
        message = "centreline needs exactly one of elements, points_m and csv; there is none"
        report.fault(place, path, message)
    for name in given[1:]:
        message = f"{name} stands beside {given[0]}: give the centreline in one way only"
        report.fault(node.keys[name], (*path, name), message)
    if values["elements"] not in (None, MISSING):
        _check_bends(values["elements"], node, report)
    if "tolerance_m" in node.keys and given == ["elements"]:
        place = node.keys["tolerance_m"]
        report.fault(
            place, (*path, "tolerance_m"), "tolerance_m is for points_m and csv; elements are not smoothed"
        )


def _check_bends(elements: tuple[Straight | Arc, ...], node: Mapping, report: Report) -> None:
    """Faults of single elements that the geometry finds, such as ramps that turn more than their bend."""
    from lapwright.track.elements import element_faults

    for fault in element_faults(ElementLine(elements)):
        report.fault(at_path(node, fault.key[1:]), fault.key, fault.message)


def check_sorted(values: list[Any], node: Sequence, path: Path, report: Report) -> None:
    """Stations must ascend: in the order in which they are driven."""
    before: float | None = None
    for i, item in enumerate(node.items):
        # From the nodes themselves: the order is worth telling even where a station's value is faulty.
        place = item.values.get("at_m") if isinstance(item, Mapping) else None
        at = number_or_reason(place.text, place.plain) if isinstance(place, Scalar) else None
        if place is None or not isinstance(at, float):
            continue
        if before is not None and at <= before:
            again = "again after" if at == before else "after"
            message = f"at_m is {at:g} {again} {before:g}: stations of {label(path)} must ascend"
            report.fault(place, (*path, i, "at_m"), message)
        before = at


def check_names(values: list[Any], node: Sequence, path: Path, report: Report) -> None:
    """Corners are asked for by name, so a name may occur once."""
    seen: dict[str, int] = {}
    for i, corner in enumerate(values):
        if corner is MISSING:
            continue
        name = corner.name.casefold()
        if name in seen:
            item = node.items[i]
            place = item.values["name"] if isinstance(item, Mapping) else item
            first = node.items[seen[name]].line
            message = f"there are two corners named {corner.name}; the first is on line {first}"
            report.fault(place, (*path, i, "name"), message)
        else:
            seen[name] = i


def check_band(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """The left limit of a band lies to the left of the right one; a patch has a length."""
    right, left = values["band_right"], values["band_left"]
    numbers = not any(value is MISSING or value is None for value in (right, left))
    if numbers and right >= left:
        message = f"band_right_m is {right:g}, not to the right of band_left_m {left:g}: left is positive"
        report.fault(node.values["band_right_m"], (*path, "band_right_m"), message)
    if values["start"] is not MISSING and values["start"] == values["end"]:
        report.fault(node.values["to_m"], (*path, "to_m"), "to_m equals from_m: the patch has no length")


def check_track(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """Nothing given twice by the points and by the file itself, and no width left out."""
    given = node.values.get("centreline")
    if "width_m" not in node.keys and not (isinstance(given, Mapping) and "csv" in given.keys):
        _miss_width(node, report)
    line = values["centreline"]
    if not isinstance(line, dict) or MISSING in (line["points"], line["csv"]):
        return
    table, points = line["csv"], line["points"]
    if table and not table.width_left and "width_m" not in node.keys:
        _miss_width(node, report)
    first = table.points[0] if table else points[0] if points else ()
    twice = {
        "elevation_m": len(first) == 3,
        "bank_deg": bool(table and table.bank),
        "width_m": bool(table and table.width_left),
    }
    for name in twice:
        if twice[name] and name in node.keys:
            message = f"{name} stands beside points that already have it: it is given twice; keep one"
            report.fault(node.keys[name], (name,), message)


def _miss_width(node: Mapping, report: Report) -> None:
    message = "width_m is missing: the whole width of the road, {left, right} of the centreline, or stations"
    report.fault(node, ("width_m",), message)
