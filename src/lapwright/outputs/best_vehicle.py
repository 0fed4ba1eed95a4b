"""A vehicle file with the numbers of the best setup in place of its own: everything else as it was, comments included."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from operator import attrgetter

from lapwright.errors import Fault, InputError
from lapwright.inputs.files import read_vehicle
from lapwright.inputs.tree import Mapping, Node, Scalar, parse
from lapwright.outputs.vehicle_edits import Path, VehicleEdits, head_lines, last_line, node_at
from lapwright.outputs.words import lap_time
from lapwright.study.balance import BestSetup, Chosen
from lapwright.study.numbers import SetupNumber, numbers_of
from lapwright.vehicle.parameters import Vehicle

WORD = " (best setup)"
"""What is added to the car's name."""

LABEL = "best setup: "
"""What opens a comment."""

WRITTEN = 1e-4
"""Share by which a number that is written with five digits may differ, with room to spare."""

NOTHING = 1e-3
"""Seconds a lap that are told as less than a millisecond."""

CHANGED_SINCE = (
    "the file was changed since the best setup was found, or it is another one: run the balance again"
)


def best_text(source: str, best: BestSetup, track: str, file: str = "") -> str:
    """The text of a vehicle file with the best setup.

    A number that stays as it was to five digits is left alone. Line feeds are plain.

    Parameters
    ----------
    source
        Text of the file that the search began with.
    best
        From ``study.best.find_best``.
    track
        Name of the circuit, for the head of the file.
    file
        Name of the vehicle file, for faults.

    Returns
    -------
    str
        A vehicle file that gives the car ``best.vehicle``, new numbers to five digits, but for its name and
        ``driver.grip_margin``, which are the file's.

    Raises
    ------
    InputError
        When the file is not sound, or not the one that the search began with; when numbers stand where they cannot be
        replaced (behind an anchor), or a name over several lines, all of them; when the setup is one that a vehicle file may
        not hold.
    """
    own = read_vehicle(source, file).value
    root, _ = parse(source, file)
    if not isinstance(own, Vehicle):
        raise InputError(
            Fault(f"this car has no setup numbers; {CHANGED_SINCE}", (), file, root.line, root.column)
        )
    edits = VehicleEdits(source, file)
    had = {number.key for number in numbers_of(own)}
    stay = []
    for one in best.chosen:
        key = one.number.key
        if key not in had:
            edits.fault(f"this car has no {key}; {CHANGED_SINCE}", path_of(key), root)
        elif not _set(edits, root, one, own, best.vehicle):
            stay.append(key)
    name = root.values.get("name")
    if isinstance(name, Scalar):
        edits.rename(name, WORD)
    text, new = edits.whole(_head(best, own, track, stay), "with the best setup")
    assert isinstance(new, Vehicle), "no edit changes the model"
    _refuse_other_car(new, best.vehicle, root, file)
    return text


def path_of(key: str) -> Path:
    """The path of a setup number: its items of lists, counted from 1 in the key, are counted from 0 in it."""
    return tuple(int(part) - 1 if part.isdigit() else part for part in key.split("."))


def _set(edits: VehicleEdits, root: Mapping, one: Chosen, own: Vehicle, car: Vehicle) -> bool:
    """Put the number of ``car`` in place of that of the file's own car; False when these are the same."""
    number, path = one.number, path_of(one.number.key)
    before, after = number.value(own), _factor(number, own, car) if number.factor else number.value(car)
    if _written(before) == _written(after):
        return False
    within = f"within {_written(one.low)} to {_written(one.high)}{' of it' if number.factor else ''}"
    end = f"{within}{', at its bound' if one.at_bound else ''}"
    node, group = node_at(root, path), node_at(root, path[:-1])
    if node is None:
        assert isinstance(group, Mapping), "only keys with a default are left out, and their groups are not"
        words = f"was {before:g}; {end}"
        named = _labelled(edits, group.line - 1, f"{path[-1]} {words}")
        edits.insert(path, group, _written(after), LABEL + words, named)
        return True
    old = edits.replace(path, node, lambda text: _written(after * float(text) if number.factor else after))
    if old:
        words = f"was {', '.join(old)}; {end}"
        if not _alone(edits, node):
            words = f"{_name(number.key)} {words}"
        edits.note(node, _labelled(edits, last_line(node), words))
    return True


def _labelled(edits: VehicleEdits, line: int, words: str) -> str:
    """The words with what opens a comment, unless there are others on the line already."""
    return words if edits.notes.get(line) else LABEL + words


def _alone(edits: VehicleEdits, node: Node) -> bool:
    """Whether a number, or a list, has a line for itself, so that a comment need not name it."""
    line, start = edits.lines[node.line - 1], node.column - 1
    after = line[start + len(node.text) :] if isinstance(node, Scalar) else ""
    own_key = re.fullmatch(r"""\s*(["']?\w+["']?\s*:\s+)?""", line[:start])
    return bool(own_key and re.fullmatch(r"[\s\],}]*(#.*)?", after))


def _name(key: str) -> str:
    """The key without its groups: "ramp_drive", "gear_ratios.3"."""
    return re.sub(r"^.*?(\w+(\.\d+)?)$", r"\1", key)


def _written(value: float) -> str:
    """A number with five digits, without a minus before a zero."""
    return f"{value + 0.0:.5g}"


def _table(number: SetupNumber, car: Vehicle) -> tuple[float, ...]:
    table: tuple[float, ...] = attrgetter(number.field)(car)
    return table


def _factor(number: SetupNumber, own: Vehicle, car: Vehicle) -> float:
    """By how much a table of ``car`` is that of the file's own car."""
    return sum(_table(number, car)) / sum(_table(number, own))


def _refuse_other_car(new: Vehicle, car: Vehicle, root: Mapping, file: str) -> None:
    """Faults where the file that was written gives another car than the one of the best setup."""
    numbers = numbers_of(new)
    if numbers != numbers_of(car):
        raise InputError(Fault(CHANGED_SINCE, (), file, root.line, root.column))
    faults = []
    for number in numbers:
        read = _table(number, new) if number.factor else (number.value(new),)
        meant = _table(number, car) if number.factor else (number.value(car),)
        if len(read) != len(meant) or not all(map(_alike, read, meant)):
            path = path_of(number.key)
            place: Node = node_at(root, path) or node_at(root, path[:-1]) or root
            told = f"{number.key} gives {_listed(read)}, the best setup has {_listed(meant)}"
            faults.append(Fault(f"{told}; {CHANGED_SINCE}", path, file, place.line, place.column))
    if faults:
        raise InputError(sorted(faults, key=lambda fault: (fault.line, fault.column)))


def _alike(read: float, meant: float) -> bool:
    return math.isclose(read, meant, rel_tol=WRITTEN, abs_tol=1e-12)


def _listed(values: tuple[float, ...]) -> str:
    return ", ".join(map(_written, values))


def _head(best: BestSetup, own: Vehicle, track: str, stay: Sequence[str]) -> list[str]:
    gain = best.before - best.after
    times = f"{lap_time(best.before)} becomes {lap_time(best.after)}"
    if abs(gain) < NOTHING:
        worth = f"worth less than 1 ms a lap in the model ({lap_time(best.after)})"
    elif gain > 0.0:
        worth = f"worth {gain:.3f} s a lap in the model ({times})"
    else:
        worth = f"{-gain:.3f} s a lap slower in the model than the car as it was ({times})"
    said = [f"Best setup of {own.name} on {track}, found by lapwright: {worth}."]
    if best.most_doublings is not None:
        kept = "is kept" if best.held else "could not be kept"
        said.append(
            f"That a disturbance doubles at most {best.most_doublings:.1f} times on the entries {kept}."
        )
    if best.words:
        said.append(f"How the search ended: {best.words}.")
    if stay:
        said.append(f"Left as it was: {', '.join(stay)}.")
    said.append(
        "A local optimum: the best within the bounds beside each number, near the setup that the search began with. Not a "
        "promise: the real car, road and weather differ from the files. Build up to it in steps."
    )
    return head_lines(" ".join(said))
