"""The keys of the driveline group of a vehicle file."""

from __future__ import annotations

from lapwright.inputs.kinds import Choice, Group, Key, ListOf
from lapwright.inputs.numbers import Number, share
from lapwright.inputs.vehicle_rules import (
    ENGINE_TABLE,
    ascending,
    check_differential,
    check_driveline,
    descending,
)
from lapwright.vehicle.parameters import Differential, Driveline

DIFFERENTIAL = Group(
    (
        Key(
            "type", Choice(("open", "locked", "viscous", "preload")), "how the axle shares its torque", "type"
        ),
        Key(
            "viscosity_Nms_per_rad",
            Number("Nms_per_rad", 0, 1e5, (1, 5000)),
            "type viscous: torque between the wheels for each rad/s of speed difference",
            "viscosity",
            default=None,
        ),
        Key(
            "preload_Nm",
            Number("Nm", 0, 5000, (0, 500)),
            "type preload: locking torque without any input torque",
            "preload",
            default=None,
        ),
        Key(
            "ramp_drive",
            share(),
            "type preload: share of the input torque that locks on drive",
            "ramp_drive",
            default=None,
        ),
        Key(
            "ramp_overrun",
            share(),
            "type preload: share of the input torque that locks on overrun",
            "ramp_overrun",
            default=None,
        ),
    ),
    make=lambda values: Differential(**{name: value for name, value in values.items() if value is not None}),
    check=check_differential,
    extra_schema={
        "allOf": [
            {
                "if": {"properties": {"type": {"const": "viscous"}}, "required": ["type"]},
                "then": {"required": ["viscosity_Nms_per_rad"]},
            },
            {
                "if": {"properties": {"type": {"const": "preload"}}, "required": ["type"]},
                "then": {"required": ["preload_Nm"]},
            },
        ]
    },
    noun="differential",
)


DRIVELINE = Group(
    (
        Key("driven", Choice(("front", "rear", "all")), "driven axle", "driven"),
        Key(
            "front_torque_share",
            share(),
            "driven all: share of the drive torque on the front axle",
            "front_torque_share",
            default=None,
        ),
        Key(
            "power_kW",
            Number("kW", 0.1, 5000, (3, 1500)),
            "the engine as one number: this power at any speed (instead of the engine table)",
            "power",
            default=None,
        ),
        Key(
            "engine_rpm",
            ListOf(Number("rpm", 0, 40_000, (0, 22_000)), 2, ascending),
            "engine speeds of the torque table, ascending",
            "engine_speed",
            default=None,
        ),
        Key(
            "engine_torque_Nm",
            ListOf(Number("Nm", 0, 20_000, (0, 3000)), 2),
            "full-throttle torque at each of these speeds",
            "engine_torque",
            default=None,
        ),
        Key(
            "gear_ratios",
            ListOf(Number("", 0.1, 30, (0.3, 8)), 1, descending, noun="gears"),
            "gear ratios from first gear up, descending",
            "gear_ratios",
            default=None,
        ),
        Key(
            "final_drive",
            Number("", 0.2, 30, (0.8, 15)),
            "ratio between gearbox and driven wheels",
            "final_drive",
            default=None,
        ),
        Key(
            "shift_rpm",
            Number("rpm", 100, 40_000, (2000, 22_000)),
            "engine speed of the upshift",
            "shift_speed",
            default=None,
        ),
        Key(
            "efficiency",
            Number("share", 0.2, 1, (0.7, 1)),
            "share of the engine's power that reaches the wheels",
            "efficiency",
        ),
        Key(
            "wheel_radius_m",
            Number("m", 0.05, 1.2, (0.1, 0.6)),
            "rolling radius of the wheels",
            "wheel_radius",
        ),
        Key(
            "wheel_inertia_kgm2",
            Number("kgm2", 0, 100, (0.02, 10), above=True),
            "moment of inertia of one wheel with what turns with it",
            "wheel_inertia",
        ),
        Key(
            "overrun_torque_Nm",
            Number(
                "Nm", 0, 5000, (0, 500), advice="The drag of the closed-throttle engine is given as positive."
            ),
            "drag torque of the closed-throttle engine at the crank (with power_kW: at the wheels)",
            "overrun_torque",
            default=0.0,
        ),
        Key(
            "differential",
            DIFFERENTIAL,
            "differential of each driven axle; open when left out",
            "differential",
            None,
        ),
    ),
    make=lambda values: Driveline(**{name: value for name, value in values.items() if value is not None}),
    check=check_driveline,
    extra_schema={
        "oneOf": [
            {"required": ["power_kW"], "properties": dict.fromkeys(ENGINE_TABLE, False)},
            {"required": list(ENGINE_TABLE), "properties": {"power_kW": False}},
        ],
        "if": {"properties": {"driven": {"const": "all"}}, "required": ["driven"]},
        "then": {"required": ["front_torque_share"]},
    },
    noun="driveline",
)
