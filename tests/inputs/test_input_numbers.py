"""Numbers in files, against the core schema of YAML 1.2.2 (10.3.2, from memory) and Python's json module."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapwright.inputs.csv_points import COLUMNS, number_or_none
from lapwright.inputs.driveline_keys import DRIVELINE
from lapwright.inputs.kinds import Either, Group, ListOf, Report
from lapwright.inputs.numbers import UNITS, Number, number_or_reason
from lapwright.inputs.track_keys import TRACK
from lapwright.inputs.tree import Scalar
from lapwright.inputs.vehicle_keys import FRICTION_CIRCLE, VEHICLE


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_json_number_is_read_as_json_reads_it(value):
    assert number_or_reason(json.dumps(value)) == json.loads(json.dumps(value))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0", 0.0),
        ("-0.0", -0.0),
        ("3", 3.0),
        ("-19", -19.0),
        ("0.", 0.0),
        (".5", 0.5),
        ("+12e03", 12000.0),
        ("-2E+05", -2e5),
        ("1e3", 1000.0),
        ("12.3e-2", 0.123),
    ],
)
def test_numbers_of_the_yaml_core_schema(text, value):
    assert number_or_reason(text) == value


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("012", "base eight"),
        ("-0777", "base eight"),
        ("0o14", "decimal number"),
        ("0x1F", "decimal number"),
        ("0b101", "decimal number"),
        ("1_000", "1000"),
        ("1:30", "base sixty"),
        ("190:20:30", "base sixty"),
        ("1,5", "1.5"),
        ("11 m", "unit is in the name"),
        ("1250kg", "number alone"),
        ("62%", "write 0.62"),
        (".inf", "finite"),
        ("-.Inf", "finite"),
        (".nan", "finite"),
        ("NaN", "finite"),
        ("inf", "finite"),
        ("1e999", "too large"),
        ("-1e999", "too large"),
        ("ten", "must be a number"),
        ("1.2.3", "must be a number"),
        ("1 2", "must be a number"),
        ("--1", "must be a number"),
        ("", "must be a number"),
        ("٣", "must be a number"),
    ],
)
def test_what_is_no_number_says_why(text, advice):
    reason = number_or_reason(text)
    assert isinstance(reason, str)
    assert advice in reason


def test_a_quoted_number_is_text():
    assert "quotes" in number_or_reason("12", plain=False)


@given(st.text(max_size=20), st.booleans())
def test_any_text_is_a_finite_number_or_a_reason(text, plain):
    result = number_or_reason(text, plain)
    assert isinstance(result, str) or math.isfinite(result)


@pytest.mark.parametrize(
    ("unit", "given_value", "si"),
    [  # SI Brochure (BIPM 2019), tables 5 and 8: degree, bar; the rest follow from the prefixes
        ("deg", 180.0, math.pi),
        ("bar", 1.0, 1e5),
        ("rpm", 60.0, 2 * math.pi),
        ("kW", 1.0, 1000.0),
        ("per_kN", 0.05, 5e-5),
        ("per_bar_N", 300.0, 3e-3),
        ("dps", 360.0, 2 * math.pi),
    ],
)
def test_units_become_si(unit, given_value, si):
    kind = Number(unit, 0, 1e6)
    assert kind.read(Scalar(str(given_value), True, 1, 1), ("k",), Report("")) == pytest.approx(si, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "value"), [("1,5", 1.5), ("-0,25", -0.25), ("1.5", 1.5), ("1e3", 1000.0), ("007", 7.0)]
)
def test_decimal_comma_in_a_table_with_semicolons(text, value):
    assert number_or_none(text, ";") == value


@pytest.mark.parametrize("text", ["1,5", "x", "", "nan", "inf", "1e999", "1,5,6"])
def test_no_number_in_a_table_with_commas(text):
    assert number_or_none(text, ",") is None


def _numbers(kind, name):
    if isinstance(kind, Number):
        yield name, kind
    elif isinstance(kind, Group):
        for key in kind.keys:
            yield from _numbers(key.kind, key.name)
    elif isinstance(kind, ListOf):
        yield from _numbers(kind.item, name)
    elif isinstance(kind, Either):
        for part in (kind.scalar, kind.mapping, kind.sequence):
            if part is not None:
                yield from _numbers(part, name)


ALL_NUMBERS = [pair for group in (VEHICLE, FRICTION_CIRCLE, TRACK, DRIVELINE) for pair in _numbers(group, "")]
ALL_NUMBERS += list(COLUMNS.items())


@pytest.mark.parametrize(("name", "kind"), ALL_NUMBERS, ids=[name for name, _ in ALL_NUMBERS])
def test_every_key_carries_its_unit_and_a_sensible_range(name, kind):
    # left, right and value take the unit of the key that holds them
    if kind.unit not in ("", "share") and name not in ("left", "right", "value"):
        assert name.endswith("_" + kind.unit)
    if kind.unit in ("", "share"):
        assert not any(name.endswith("_" + unit) for unit in UNITS if unit not in ("", "share"))
    assert kind.low < kind.high
    if kind.usual:
        assert kind.allows(kind.usual[0]) or kind.above
        assert kind.allows(kind.usual[1]) or kind.below
