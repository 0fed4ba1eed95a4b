"""A vehicle file with what a log showed of the car in place of its numbers: everything else as it was, comments included."""

from __future__ import annotations

from collections.abc import Sequence

from lapwright.driver.fit import CarFit
from lapwright.driver.shown import Shown
from lapwright.errors import InputError
from lapwright.inputs.tree import Mapping, Node, Scalar, parse
from lapwright.outputs.vehicle_edits import GRIP_SCALES, Path, VehicleEdits, head_lines, node_at

NUMBERS: tuple[tuple[Path, str], ...] = (
    (("tyres", "front", "grip_scale"), "front"),
    (("tyres", "rear", "grip_scale"), "rear"),
    (("grip_g",), "front"),
    (("driveline", "power_kW"), "power"),
    (("driveline", "engine_torque_Nm"), "power"),
    (("power_kW",), "power"),
    (("aero", "drag_area_m2"), "drag"),
    (("drag_area_m2",), "drag"),
)
"""What is scaled, by which field of ``CarFit``."""

WORD = " (fitted)"
"""What is added to the car's name."""


def fitted_text(source: str, fit: CarFit, logs: Sequence[str], file: str = "") -> str:
    """The text of a vehicle file with fitted numbers.

    Parameters
    ----------
    source
        Text of the file that the fit was made with.
    fit
        From ``driver.fit.fit_car``. What was not seen is left as it is.
    logs
        Names of the logs, for the head of the file.
    file
        Name of the vehicle file, for faults.

    Raises
    ------
    InputError
        When numbers stand where they cannot be replaced (behind an anchor, a name over several lines), all of them; and
        when a fitted number is none that a vehicle file may hold.
    """
    root, faults = parse(source, file)
    if faults:
        raise InputError(faults)
    edits = VehicleEdits(source, file)
    for path, field in NUMBERS:
        shown: Shown = getattr(fit, field)
        if shown.kind == "not seen":
            continue
        node, group = node_at(root, path), node_at(root, path[:-1])
        if node is not None:
            _scale(edits, path, node, shown)
        elif path in GRIP_SCALES and isinstance(group, Mapping):
            was = GRIP_SCALES[path]
            words = f"fitted: was {was:g}; {_told(shown)}"
            edits.insert(path, group, f"{was * shown.value:.5g}", words, f"{path[-1]} {words}")
    name = root.values.get("name")
    if isinstance(name, Scalar):
        edits.rename(name, WORD)
    return edits.whole(_head(fit, logs), "with what the log showed")[0]


def _scale(edits: VehicleEdits, path: Path, node: Node, shown: Shown) -> None:
    """Put scaled numbers in place of one, or of all of a list."""
    old = edits.replace(path, node, lambda text: f"{float(text) * shown.value:.5g}")
    if old:
        edits.note(node, f"fitted: was {', '.join(old)}; {_told(shown)}")


def _told(shown: Shown) -> str:
    least = "at least " if shown.kind == "at least" else ""
    return f"{least}{shown.value:.3f} +- {shown.error:.3f} of it"


def _head(fit: CarFit, logs: Sequence[str]) -> list[str]:
    return head_lines(
        f"Fitted by lapwright from {', '.join(logs)}. {fit.words} It is what a driver used, not all that there is, and of "
        "that day: tyres, track and weather. Not a promise."
    )
