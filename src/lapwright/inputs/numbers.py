"""Numbers as people write them in files, with their units and the slips that happen with them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from lapwright.inputs.kinds import Kind, Path, Report, Schema, label
from lapwright.inputs.tree import Node, Scalar, describe
from lapwright.quantities import DEG, KMH, RPM, G

NUMBER = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_LEADING_ZERO = re.compile(r"[-+]?0[0-9]+")
_OTHER_BASE = re.compile(r"[-+]?0[xob][0-9a-fA-F_]+")
_UNDERSCORE = re.compile(r"[-+]?[0-9][0-9_]*_[0-9_]*(?:\.[0-9]*)?")
_SEXAGESIMAL = re.compile(r"[-+]?[0-9]+(?::[0-9]+)+(?:\.[0-9]*)?")
_DECIMAL_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+")
_WITH_UNIT = re.compile(r"([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?)\s*([^\W\d].*|%|°.*)")
_SPECIAL = re.compile(r"[-+]?\.?(?:inf|infinity|nan)", re.IGNORECASE)


@dataclass(frozen=True)
class Unit:
    """A unit of the files: SI value of one of it, how it is written, and what is mistaken for it.

    ``slips`` are (factor to this unit, name) of units in which people give such a value by mistake.
    """

    si: float
    text: str
    slips: tuple[tuple[float, str], ...] = ()


UNITS: dict[str, Unit] = {
    "": Unit(1.0, ""),
    "share": Unit(1.0, "", ((0.01, "percent"),)),
    "m": Unit(1.0, "m", ((1e-3, "mm"), (1e-2, "cm"), (0.0254, "inches"), (0.3048, "feet"))),
    "m2": Unit(1.0, "m2", ((1e-4, "cm2"), (1e-6, "mm2"))),
    "kg": Unit(1.0, "kg", ((1e3, "tonnes"), (1e-3, "grams"))),
    "kgm2": Unit(1.0, "kg m2", ((1e-6, "kg mm2"), (1e-4, "kg cm2"))),
    "kgm3": Unit(1.0, "kg/m3", ((1e-3, "g/m3"), (1e3, "g/cm3"))),
    "s": Unit(1.0, "s", ((1e-3, "ms"),)),
    "N": Unit(1.0, "N", ((1e3, "kN"), (G, "kilograms"))),
    "Nm": Unit(1.0, "N m", ((1e3, "kN m"), (1e-3, "N mm"))),
    "per_kN": Unit(1e-3, "1/kN", ((1e3, "1/N"),)),
    "bar": Unit(1e5, "bar", ((1e-5, "Pa"), (1e-2, "kPa"), (10.0, "MPa"), (0.0689476, "psi"))),
    "per_bar_N": Unit(1e-5, "N/bar", ((1e5, "N/Pa"), (1e-1, "N/MPa"), (1e3, "kN/bar"))),
    "kW": Unit(1e3, "kW", ((1e-3, "W"), (1e3, "MW"))),
    "rpm": Unit(RPM, "rpm", ((1e3, "thousands of rpm"), (60.0, "revolutions a second"))),
    "deg": Unit(DEG, "deg", ((1.0 / DEG, "radians"),)),
    "dps": Unit(DEG, "deg/s", ((1.0 / DEG, "rad/s"),)),
    "g": Unit(1.0, "g", ((1.0 / G, "m/s2"),)),
    "Nms_per_rad": Unit(1.0, "N m s/rad"),
    "mps": Unit(1.0, "m/s", ((1.0 / KMH, "km/h"),)),
}


def number_or_reason(text: str, plain: bool = True) -> float | str:
    """A finite float, or the reason (for a message) why the text is not one.

    Decimal digits with an optional point and exponent, as in YAML 1.2 and JSON. What YAML 1.1 would silently
    turn into another number (octal, base sixty, underscores) is refused with the reason.
    """
    if plain and NUMBER.fullmatch(text):
        if _LEADING_ZERO.fullmatch(text):
            return "a leading zero makes some programs read it in base eight; write it without the zero"
        value = float(text)
        return value if math.isfinite(value) else "it is too large for a number"
    return _why_not(text, plain)


def _why_not(text: str, plain: bool) -> str:
    if len(text) > 100:
        return "it must be a number"
    if not plain and NUMBER.fullmatch(text.strip()):
        return "it is text because of the quotes; write the number without them"
    if _SPECIAL.fullmatch(text):
        return "it must be a finite number"
    if _UNDERSCORE.fullmatch(text):
        return f"write it without the underscore: {text.replace('_', '')}"
    if _OTHER_BASE.fullmatch(text):
        return "write it as a decimal number"
    if _SEXAGESIMAL.fullmatch(text):
        return "a number with colons would be read in base sixty; write it as a decimal number"
    if _DECIMAL_COMMA.fullmatch(text):
        return f"write a decimal point: {text.replace(',', '.')}"
    with_unit = _WITH_UNIT.fullmatch(text)
    if with_unit and NUMBER.fullmatch(with_unit.group(1)):
        if with_unit.group(2) == "%":
            return f"a share is a fraction: write {show(float(with_unit.group(1)) / 100)}"
        return "it must be a number alone; the unit is in the name"
    return "it must be a number"


def show(value: float) -> str:
    """A finite number for a message: short, no exponent where none is needed."""
    return str(int(value)) if value == int(value) and abs(value) < 1e9 else f"{value:.6g}"


@dataclass(frozen=True)
class Number(Kind):
    """A number with a unit and the range that is allowed, both as in the file.

    Parameters
    ----------
    unit
        Key of ``UNITS``.
    low, high
        Allowed range; outside it the value is refused.
    usual
        Range in which such values lie in practice (common practice, wide); outside it the user gets a
        notice, and it tells which slip of units explains a refused value.
    above, below
        The lower (upper) end itself is not allowed.
    advice
        A sentence added when a value is refused.
    """

    unit: str
    low: float
    high: float
    usual: tuple[float, float] | None = None
    above: bool = False
    below: bool = False
    advice: str = ""

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The value in SI units."""
        value = self.read_in_file_unit(node, path, report)
        return value * UNITS[self.unit].si if isinstance(value, float) else value

    def read_in_file_unit(self, node: Node, path: Path, report: Report) -> Any:
        """The value in the unit of the file."""
        if not isinstance(node, Scalar):
            message = f"{label(path)} is {describe(node)}; it must be a number ({self.words()})"
            return report.fault(node, path, message)
        value = number_or_reason(node.text, node.plain)
        if isinstance(value, str):
            return report.fault(
                node, path, f"{label(path)} is {describe(node)}; {value} (allowed: {self.words()})"
            )
        if not self.allows(value):
            return report.fault(node, path, self.refusal(label(path), node.text, value))
        if self.usual and not self.usual[0] <= value <= self.usual[1]:
            report.notice(node, path, self._unusual(label(path), node.text, value))
        return value

    def allows(self, value: float) -> bool:
        """True when ``value`` (in the unit of the file) lies in the allowed range."""
        low_ok = value > self.low if self.above else value >= self.low
        return low_ok and (value < self.high if self.below else value <= self.high)

    def refusal(self, name: str, text: str, value: float) -> str:
        """Sentence about a value outside the allowed range."""
        if self.unit == "share":
            message = (
                f"{name} is {text}: a share is a fraction between {show(self.low)} and {show(self.high)}"
            )
        else:
            message = f"{name} is {text}: it must be {self.words()}"
        slip = self._slip(value)
        if slip and slip[1] == "percent":
            message += f"; did you mean {show(slip[0])}?"
        elif slip:
            message += f"; this looks like {slip[1]}: did you mean {show(slip[0])}?"
        elif value < 0 <= self.low and self.allows(-value):
            message += f"; did you mean {show(-value)}?"
        return message + (f" {self.advice}" if self.advice else "")

    def _unusual(self, name: str, text: str, value: float) -> str:
        assert self.usual is not None
        unit = UNITS[self.unit].text
        message = f"{name} is {text}: unusual, such values mostly lie between {show(self.usual[0])} and "
        message += f"{show(self.usual[1])}" + (f" {unit}" if unit else "")
        slip = self._slip(value)
        return message + (f"; is it in {slip[1]} (then {show(slip[0])})?" if slip else "")

    def _slip(self, value: float) -> tuple[float, str] | None:
        low, high = self.usual or (self.low, self.high)
        for factor, name in UNITS[self.unit].slips:
            if low <= value * factor <= high and self.allows(value * factor) and value != 0:
                return value * factor, name
        return None

    def schema(self) -> Schema:
        """A number with limits."""
        return {
            "type": "number",
            "exclusiveMinimum" if self.above else "minimum": self.low,
            "exclusiveMaximum" if self.below else "maximum": self.high,
        }

    def words(self) -> str:
        """What is allowed."""
        unit = f" {UNITS[self.unit].text}" if UNITS[self.unit].text else ""
        low = f"above {show(self.low)}" if self.above else f"at least {show(self.low)}"
        high = f"below {show(self.high)}" if self.below else f"at most {show(self.high)}"
        if self.above or self.below:
            return f"{low} and {high}{unit}"
        return f"{show(self.low)} to {show(self.high)}{unit}"

    def from_default(self, default: Any) -> Any:
        """The default in SI units."""
        return None if default is None else default * UNITS[self.unit].si


@dataclass(frozen=True)
class Whole(Number):
    """A whole number."""

    def read(self, node: Node, path: Path, report: Report) -> Any:
        """The number, without a fraction."""
        value = super().read(node, path, report)
        if isinstance(value, float) and value != int(value):
            return report.fault(node, path, f"{label(path)} is {describe(node)}; it must be a whole number")
        return value

    def schema(self) -> Schema:
        """A whole number with limits."""
        return {**super().schema(), "type": "integer"}


def share(low: float = 0.0, high: float = 1.0, usual: tuple[float, float] | None = None) -> Number:
    """A fraction between 0 and 1 (or a narrower range), mistaken for a percentage now and then."""
    return Number("share", low, high, usual)
