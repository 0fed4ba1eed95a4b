"""Centreline from straights and bends with clothoid ramps."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from lapwright.errors import Fault, InputError
from lapwright.quantities import DEG
from lapwright.track.definition import Arc, ElementLine, Straight
from lapwright.track.line import Line, length_fault
from lapwright.track.plan import PlanCurve, plan_curve
from lapwright.track.road import Array

GAP_LIMIT = 5.0
"""Largest gap [m] at the line that is spread over the lap; a larger one is an error."""
GAP_SHARE = 0.01
"""The same as a share of the lap length, whichever is smaller."""
HEADING_LIMIT = 3.0 * DEG
"""Largest heading error [rad] at the line that is spread over the lap."""
GAP_SILENT = 0.1
"""Gap [m] that is closed without a notice: less than a careful hand rounding of a file leaves."""
HEADING_SILENT = 0.1 * DEG
"""Heading error [rad] that is closed without a notice."""


def build_elements(line: ElementLine, closed: bool) -> Line:
    """Join the elements and, on a closed track, spread a small gap over the lap.

    Raises
    ------
    InputError
        A length, radius or angle that cannot be, ramps that turn more than their bend, or a gap that is too
        large.
    """
    faults = element_faults(line)
    if faults:
        raise InputError(faults)
    given = _ends(line.elements)
    if fault := length_fault(float(given[-1]), ("centreline", "elements")):
        raise InputError(fault)
    if not closed:
        return _line(line, line.elements, given)
    gap, error = _misfit(line.elements)
    fault = _gap_fault(line.elements, gap, error, float(given[-1]))
    if fault:
        raise InputError(fault)
    elements = _close(line.elements)
    notices: tuple[str, ...] = ()
    if abs(gap) > GAP_SILENT or abs(error) > HEADING_SILENT:
        notices = (
            f"the lap as given ends {abs(gap):.3f} m and {error / DEG:+.3f} deg from where it starts; "
            "lengths, radii and angles were changed slightly, in proportion, so that it closes",
        )
    return _line(line, elements, given, gap=abs(gap), heading_error=error, notices=notices)


def _line(source: ElementLine, elements: tuple[Straight | Arc, ...], given: Array, **done: Any) -> Line:
    made = _ends(elements)
    return Line(source, _curve(elements), given, made, made[:-1], np.arange(len(elements)), **done)


def element_faults(line: ElementLine) -> list[Fault]:
    """Everything that is wrong with single elements."""
    root = ("centreline", "elements")
    if not line.elements:
        return [Fault("no elements: give at least one straight or bend", root)]
    faults = []
    for index, element in enumerate(line.elements):
        key = (*root, index)
        if isinstance(element, Straight):
            if not (math.isfinite(element.length) and element.length > 0.0):
                text = f"straight_m is {element.length:g}: a straight has a positive length"
                faults.append(Fault(text, (*key, "straight_m")))
        else:
            faults += _arc_faults(element, key)
    return faults


def _arc_faults(arc: Arc, key: tuple[str | int, ...]) -> list[Fault]:
    faults = []
    if not (math.isfinite(arc.radius) and arc.radius > 0.0):
        text = f"radius_m is {arc.radius:g}: a radius is a positive length; the side is said by turn"
        faults.append(Fault(text, (*key, "radius_m")))
    if not (math.isfinite(arc.angle) and arc.angle != 0.0 and abs(arc.angle) <= 4.0 * math.pi):
        text = f"angle_deg is {arc.angle / DEG:g}: a bend turns more than 0 and no more than 720 degrees"
        faults.append(Fault(text, (*key, "angle_deg")))
    if not all(math.isfinite(ramp) and ramp >= 0.0 for ramp in (arc.ramp_in, arc.ramp_out)):
        text = f"ramps are {arc.ramp_in:g} and {arc.ramp_out:g} m long: a ramp is 0 or longer"
        faults.append(Fault(text, (*key, "ramp_m")))
    if faults:
        return faults
    ramps = arc.ramp_in + arc.ramp_out
    if 0.5 * ramps / arc.radius > abs(arc.angle) * (1.0 + 1e-9):
        fit = 2.0 * arc.radius * abs(arc.angle)
        text = (
            f"the ramps alone ({arc.ramp_in:g} + {arc.ramp_out:g} m at radius {arc.radius:g} m) turn "
            f"{0.5 * ramps / arc.radius / DEG:.2f} deg, more than angle_deg {abs(arc.angle) / DEG:g}: the "
            f"two ramps together may be at most {fit:.2f} m"
        )
        faults.append(Fault(text, (*key, "ramp_m")))
    return faults


def _pieces(element: Straight | Arc) -> list[tuple[float, float, float]]:
    """Length, curvature at the start and slope of curvature of the pieces of one element."""
    if isinstance(element, Straight):
        return [(element.length, 0.0, 0.0)]
    bend = math.copysign(1.0 / element.radius, element.angle)
    arc = element.radius * abs(element.angle) - 0.5 * (element.ramp_in + element.ramp_out)
    pieces = []
    if element.ramp_in > 0.0:
        pieces.append((element.ramp_in, 0.0, bend / element.ramp_in))
    if arc > 1e-9 * element.radius:
        pieces.append((arc, bend, 0.0))
    if element.ramp_out > 0.0:
        pieces.append((element.ramp_out, bend, -bend / element.ramp_out))
    return pieces


def _curve(elements: tuple[Straight | Arc, ...]) -> PlanCurve:
    pieces = np.array([piece for element in elements for piece in _pieces(element)])
    return plan_curve(np.concatenate([[0.0], np.cumsum(pieces[:, 0])]), pieces[:, 1:])


def element_length(element: Straight | Arc) -> float:
    """Length of a straight, or of a bend with its ramps [m]."""
    return sum(piece[0] for piece in _pieces(element))


def _ends(elements: tuple[Straight | Arc, ...]) -> Array:
    return np.concatenate([[0.0], np.cumsum([element_length(element) for element in elements])])


def _misfit(elements: tuple[Straight | Arc, ...]) -> tuple[complex, float]:
    """Place of the end seen from the start (x + iy) [m], and heading error [rad] against whole turns."""
    curve = _curve(elements)
    return curve.gap, math.remainder(curve.turn, 2.0 * math.pi)


def _gap_fault(
    elements: tuple[Straight | Arc, ...], gap: complex, error: float, length: float
) -> Fault | None:
    limit = min(GAP_LIMIT, GAP_SHARE * length)
    if abs(gap) <= limit and abs(error) <= HEADING_LIMIT:
        return None
    angles = sum(element.angle for element in elements if isinstance(element, Arc))
    turns = round(angles / (2.0 * math.pi))
    text = (
        f"the lap does not close: after {length:.1f} m it ends at x {gap.real:.2f}, y {gap.imag:.2f} m "
        f"({abs(gap):.2f} m from the start, at most {limit:.2f} m can be spread) heading {error / DEG:+.2f} "
        f"deg off the start (at most {HEADING_LIMIT / DEG:g} deg)"
    )
    if abs(error) > HEADING_LIMIT:
        text += (
            f"; the bends, left positive, add up to {angles / DEG:.2f} deg and must add up to {360 * turns} "
            "deg: put the angles right first, then the lengths"
        )
    else:
        text += (
            "; change the lengths of straights or the radii of bends so that the end comes back to the start"
        )
    return Fault(text + ", or write closed: false if the road is open", ("centreline", "elements"))


def _scaled(element: Straight | Arc, size: float, turn: float) -> Straight | Arc:
    """The element made larger by the factor ``size`` and, a bend, turning more by the factor ``turn``."""
    if isinstance(element, Straight):
        return Straight(element.length * size)
    ramp = size * turn
    return Arc(element.radius * size, element.angle * turn, element.ramp_in * ramp, element.ramp_out * ramp)


def _close(elements: tuple[Straight | Arc, ...]) -> tuple[Straight | Arc, ...]:
    """Scale the elements so that the lap closes, with the least sum of squared relative changes.

    Sizes of all elements and angles of bends are free; Gauss-Newton steps of least norm (pseudo-inverse).
    """
    for _ in range(20):
        gap, error = _misfit(elements)
        if abs(gap) < 1e-10 and abs(error) < 1e-12:
            break
        effect = np.array([_size_effect(elements), _turn_effect(elements)])
        rows = np.vstack([effect[:, :, 0].ravel(), effect[:, :, 1].ravel(), effect[:, :, 2].ravel()])
        step = -np.linalg.pinv(rows) @ np.array([gap.real, gap.imag, error])
        size, turn = step.reshape(2, -1)
        size, turn = 1.0 + np.clip(size, -0.5, 0.5), 1.0 + np.clip(turn, -0.5, 0.5)
        elements = tuple(_scaled(e, a, b) for e, a, b in zip(elements, size, turn, strict=True))
    gap, error = _misfit(elements)
    if abs(gap) > 1e-6 or abs(error) > 1e-8:
        text = (
            f"the lap does not close: a gap of {abs(gap):.3f} m and {error / DEG:.3f} deg is left after the "
            "lengths and angles were adjusted; the elements leave no way to close it, add a straight or a "
            "bend"
        )
        raise InputError(Fault(text, ("centreline", "elements")))
    return elements


def _size_effect(elements: tuple[Straight | Arc, ...]) -> Array:
    """Change of (x, y, heading) of the end for each element's relative change of size, (E, 3)."""
    curve = _curve(elements)
    ends = curve.place(_ends(elements))
    chord = np.diff(ends)
    return np.column_stack([chord.real, chord.imag, np.zeros(len(chord))])


def _turn_effect(elements: tuple[Straight | Arc, ...]) -> Array:
    """Change of (x, y, heading) of the end for each bend's relative change of angle, (E, 3)."""
    curve = _curve(elements)
    stations = _ends(elements)
    ends, headings = curve.place(stations), curve.heading(stations)
    effect = np.zeros((len(elements), 3))
    step = 1e-6
    for index, element in enumerate(elements):
        if not isinstance(element, Arc):
            continue
        more = _curve((_scaled(element, 1.0, 1.0 + step),)).gap
        less = _curve((_scaled(element, 1.0, 1.0 - step),)).gap
        own = np.exp(1j * headings[index]) * (more - less) / (2.0 * step)
        moved = own + 1j * element.angle * (ends[-1] - ends[index + 1])
        effect[index] = moved.real, moved.imag, element.angle
    return effect
