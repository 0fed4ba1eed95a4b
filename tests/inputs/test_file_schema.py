"""The JSON Schemas, held against the jsonschema library and against what the reader itself accepts."""

import copy
from pathlib import Path

import jsonschema
import pytest
import yaml
from sample_files import CIRCLE, TRACK, VEHICLE

from lapwright.errors import InputError
from lapwright.inputs import reference
from lapwright.inputs.files import read_definition, read_vehicle
from lapwright.inputs.kinds import Group
from lapwright.inputs.numbers import Number
from lapwright.inputs.schema import track_schema, vehicle_schema
from lapwright.inputs.vehicle_keys import FRICTION_CIRCLE
from lapwright.inputs.vehicle_keys import VEHICLE as TABLE

ROOT = Path(__file__).parents[2]
SHIPPED = sorted((ROOT / "tracks").glob("*.yaml")) + sorted((ROOT / "vehicles").glob("*.yaml"))


def validator(schema):
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


TRACKS, VEHICLES = validator(track_schema()), validator(vehicle_schema())


def test_there_are_shipped_files():
    assert len(SHIPPED) >= 8


@pytest.mark.parametrize("path", SHIPPED, ids=[path.name for path in SHIPPED])
def test_shipped_files_fit(path):
    schema, other = (TRACKS, VEHICLES) if path.parent.name == "tracks" else (VEHICLES, TRACKS)
    data = yaml.safe_load(path.read_text(encoding="utf-8"))
    assert [error.message for error in schema.iter_errors(data)] == []
    assert not other.is_valid(data)


@pytest.mark.parametrize(("schema", "text"), [(TRACKS, TRACK), (VEHICLES, VEHICLE), (VEHICLES, CIRCLE)])
def test_samples_fit(schema, text):
    assert schema.is_valid(yaml.safe_load(text))


def changed(text, path, value):
    data = copy.deepcopy(yaml.safe_load(text))
    here = data
    for part in path[:-1]:
        here = here[part]
    if value is None:
        del here[path[-1]]
    else:
        here[path[-1]] = value
    return data


@pytest.mark.parametrize(
    ("text", "path", "value"),
    [
        (TRACK, ("name",), None),
        (TRACK, ("closed",), "yes"),
        (TRACK, ("width_m",), 1100),
        (TRACK, ("width_m",), {"left": 5}),
        (TRACK, ("widht_m",), 11),
        (TRACK, ("centreline", "points_m"), [[0, 0], [9, 0], [9, 9], [0, 9]]),
        (TRACK, ("centreline", "elements"), []),
        (TRACK, ("centreline", "elements", 0, "turn"), "left"),
        (TRACK, ("centreline", "elements", 1, "turn"), None),
        (TRACK, ("centreline", "elements", 1, "turn"), "rigth"),
        (TRACK, ("centreline", "elements", 1, "radius_m"), -35),
        (TRACK, ("centreline", "elements", 1, "ramp_in_m"), 5),
        (TRACK, ("grip", 0, "scale"), 93),
        (TRACK, ("corners", 0, "name"), None),
        (VEHICLE, ("chassis", "mass_kg"), None),
        (VEHICLE, ("chassis", "mass_kg"), "1300"),
        (VEHICLE, ("chassis", "wheelbase_m"), 2500),
        (VEHICLE, ("brakes", "front_share"), 62),
        (VEHICLE, ("driveline", "power_kW"), 300),
        (VEHICLE, ("driveline", "shift_rpm"), None),
        (VEHICLE, ("driveline", "driven"), "all"),
        (VEHICLE, ("driveline", "differential", "type"), "viscous"),
        (VEHICLE, ("driveline", "differential", "preload_Nm"), None),
        (VEHICLE, ("grip_g",), 1.2),
        (VEHICLE, ("model",), "friction_circle"),
        (CIRCLE, ("model",), None),
        (CIRCLE, ("grip_g",), None),
        (CIRCLE, ("chassis",), {}),
    ],
)
def test_schema_and_reader_refuse_the_same(text, path, value):
    data = changed(text, path, value)
    schema, read = (TRACKS, read_definition) if text is TRACK else (VEHICLES, read_vehicle)
    assert not schema.is_valid(data)
    with pytest.raises(InputError):
        read(yaml.safe_dump(data))


def _numbers(group, path=()):
    for key in group.keys:
        if isinstance(key.kind, Number):
            yield (*path, key.name), key.kind
        elif isinstance(key.kind, Group):
            yield from _numbers(key.kind, (*path, key.name))


CASES = [
    (VEHICLE, *case) for case in _numbers(TABLE) if case[0][-1] not in ("power_kW", "viscosity_Nms_per_rad")
]
CASES += [(CIRCLE, *case) for case in _numbers(FRICTION_CIRCLE)]


@pytest.mark.parametrize(("text", "path", "kind"), CASES, ids=[".".join(case[1]) for case in CASES])
def test_schema_and_reader_draw_the_same_limits(text, path, kind):
    for value in (
        kind.low,
        kind.high,
        kind.low - 1e-6 * (1 + abs(kind.low)),
        kind.high * 1.001,
        0.5 * (kind.low + kind.high),
    ):
        data = changed(text, path, float(value))
        faults = []
        try:
            read_vehicle(yaml.safe_dump(data))
        except InputError as error:
            faults = [fault for fault in error.faults if fault.key == path and "it must be" in fault.message]
            faults += [fault for fault in error.faults if fault.key == path and "a share is" in fault.message]
        assert VEHICLES.is_valid(data) == (not faults) == kind.allows(float(value))


def test_descriptions_and_defaults_are_there_for_editors():
    grip = TRACKS.schema["properties"]["grip"]["items"]["properties"]["scale"]
    assert "friction coefficient" in grip["description"]
    tyre = VEHICLES.schema["$defs"]["four_wheel"]["properties"]["tyres"]["properties"]["front"]
    assert tyre["properties"]["grip_scale"]["default"] == 1.0


def test_the_page_of_keys_is_up_to_date():
    page = (ROOT / "docs" / "files.md").read_text(encoding="utf-8")
    assert page == reference.reference_page(), "run: python -m lapwright.inputs.reference > docs/files.md"


def test_the_page_names_every_key():
    page = reference.reference_page()
    for path, kind in [*_numbers(TABLE), *_numbers(FRICTION_CIRCLE)]:
        assert f"| `{path[-1]}` | {kind.words()} |" in page
