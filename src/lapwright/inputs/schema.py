"""JSON Schemas (draft 2020-12) of the files, so that an editor completes keys and marks mistakes."""

from __future__ import annotations

from lapwright.inputs.kinds import Schema
from lapwright.inputs.study_keys import STUDY
from lapwright.inputs.study_vary import AMOUNTS
from lapwright.inputs.track_keys import TRACK
from lapwright.inputs.vehicle_keys import FRICTION_CIRCLE, VEHICLE

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def track_schema() -> Schema:
    """Schema of a track file."""
    return {"$schema": DIALECT, "title": "lapwright track file", **TRACK.schema()}


def vehicle_schema() -> Schema:
    """Schema of a vehicle file: ``model`` tells which of the two models its keys are for."""
    circle = {"properties": {"model": {"const": "friction_circle"}}, "required": ["model"]}
    return {
        "$schema": DIALECT,
        "title": "lapwright vehicle file",
        "type": "object",
        "if": circle,
        "then": {"$ref": "#/$defs/friction_circle"},
        "else": {"$ref": "#/$defs/four_wheel"},
        "$defs": {"four_wheel": VEHICLE.schema(), "friction_circle": FRICTION_CIRCLE.schema()},
    }


def study_schema() -> Schema:
    """Schema of a study file."""
    study = {"title": "lapwright study file", **STUDY.schema()}
    return {"$schema": DIALECT, **study, "$defs": {"amounts": AMOUNTS}}
