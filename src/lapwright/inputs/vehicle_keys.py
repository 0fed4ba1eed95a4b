"""Every key of a vehicle file: unit, range, default and meaning, written down here and nowhere else."""

from __future__ import annotations

from lapwright.inputs.driveline_keys import DRIVELINE
from lapwright.inputs.kinds import Choice, Group, Key, Text
from lapwright.inputs.numbers import Number, share
from lapwright.inputs.vehicle_rules import check_chassis, check_vehicle
from lapwright.vehicle.parameters import (
    Aero,
    Brakes,
    Chassis,
    Driver,
    FrictionCircle,
    Steering,
    Tyre,
    Tyres,
    Vehicle,
)

SEVERAL_G = (0.1, 6.0)

CHASSIS = Group(
    (
        Key("mass_kg", Number("kg", 20, 40_000, (100, 5000)), "mass with driver and fuel", "mass"),
        Key(
            "yaw_inertia_kgm2",
            Number("kgm2", 0, 1e6, (20, 20_000), above=True),
            "moment of inertia about the vertical axis through the centre of gravity",
            "yaw_inertia",
        ),
        Key("wheelbase_m", Number("m", 0.5, 12, (0.9, 6)), "distance between the axles", "wheelbase"),
        Key(
            "front_mass_share",
            Number("share", 0, 1, (0.25, 0.75), above=True, below=True),
            "share of the weight on the front axle at rest",
            "front_mass_share",
        ),
        Key(
            "cg_height_m",
            Number("m", 0, 3, (0.1, 1.5)),
            "height of the centre of gravity above the road",
            "cg_height",
        ),
        Key(
            "track_front_m",
            Number("m", 0.3, 4, (0.7, 2.5)),
            "front track, between wheel centres",
            "track_front",
        ),
        Key(
            "track_rear_m", Number("m", 0.3, 4, (0.7, 2.5)), "rear track, between wheel centres", "track_rear"
        ),
        Key(
            "roll_stiffness_front_share",
            share(usual=(0.2, 0.9)),
            "share of the roll stiffness (springs and anti-roll bars) at the front axle",
            "roll_stiffness_front_share",
        ),
        Key(
            "roll_centre_front_m",
            Number("m", -1, 2, (-0.2, 0.6)),
            "height of the front roll centre above the road",
            "roll_centre_front",
        ),
        Key(
            "roll_centre_rear_m",
            Number("m", -1, 2, (-0.2, 0.6)),
            "height of the rear roll centre above the road",
            "roll_centre_rear",
        ),
        Key(
            "load_transfer_time_s",
            Number("s", 0.005, 2, (0.02, 0.6)),
            "time constant with which load transfer follows acceleration",
            "load_transfer_time",
        ),
        Key("width_m", Number("m", 0.3, 4, (0.8, 2.7)), "widest part of the car, kept on the road", "width"),
    ),
    make=lambda values: Chassis(**values),
    check=check_chassis,
    noun="chassis",
)

AERO = Group(
    (
        Key(
            "drag_area_m2", Number("m2", 0, 20, (0.1, 5)), "drag coefficient times frontal area", "drag_area"
        ),
        Key(
            "downforce_area_m2",
            Number("m2", -2, 30, (-0.5, 10)),
            "downforce coefficient times area, positive presses down",
            "downforce_area",
        ),
        Key(
            "downforce_front_share",
            share(),
            "share of the downforce on the front axle",
            "downforce_front_share",
        ),
        Key("air_density_kgm3", Number("kgm3", 0.3, 2, (0.8, 1.4)), "air density", "air_density"),
    ),
    make=lambda values: Aero(**values),
    noun="aero",
)

TYRE = Group(
    (
        Key(
            "peak_mu_long",
            Number("", 0.02, 6, (0.1, 3)),
            "peak friction coefficient braking and driving, at the reference load",
            "peak_mu_long",
        ),
        Key(
            "peak_mu_lat",
            Number("", 0.02, 6, (0.1, 3)),
            "peak friction coefficient cornering, at the reference load",
            "peak_mu_lat",
        ),
        Key(
            "reference_load_N",
            Number("N", 20, 1e5, (300, 20_000)),
            "wheel load at which the peak coefficients hold",
            "reference_load",
        ),
        Key(
            "load_sensitivity_per_kN",
            Number("per_kN", 0, 2, (0, 0.3)),
            "fall of the friction coefficient for each kN above the reference load",
            "load_sensitivity",
        ),
        Key(
            "peak_slip_angle_deg",
            Number("deg", 1, 30, (2, 15)),
            "slip angle at the peak of the side force",
            "peak_slip_angle",
        ),
        Key(
            "peak_slip_ratio",
            Number("share", 0.01, 0.6, (0.03, 0.3)),
            "slip ratio at the peak of the braking and driving force",
            "peak_slip_ratio",
        ),
        Key(
            "sliding_grip_ratio",
            Number("share", 0, 0.99, (0.4, 0.97)),
            "share of the peak left when the tyre slides fully",
            "sliding_grip_ratio",
        ),
        Key(
            "grip_scale",
            Number("share", 0.05, 3, (0.3, 1.5)),
            "factor on both coefficients (cold, worn, wet)",
            "grip_scale",
            default=1.0,
        ),
    ),
    make=lambda values: Tyre(**values),
    noun="a tyre",
)

TYRES = Group(
    (
        Key("front", TYRE, "front tyres", "front"),
        Key("rear", TYRE, "rear tyres", "rear"),
    ),
    make=lambda values: Tyres(**values),
    noun="tyres",
)

BRAKES = Group(
    (
        Key(
            "front_share",
            share(usual=(0.3, 0.9)),
            "share of the braking torque on the front axle",
            "front_share",
        ),
        Key(
            "peak_pressure_bar",
            Number("bar", 1, 500, (15, 200)),
            "line pressure at full pedal",
            "peak_pressure",
        ),
        Key(
            "force_per_bar_N",
            Number("per_bar_N", 1, 20_000, (20, 2000)),
            "brake force of the whole car at the contact patches for each bar",
            "force_per_pressure",
        ),
    ),
    make=lambda values: Brakes(**values),
    noun="brakes",
)

STEERING = Group(
    (
        Key("ratio", Number("", 1, 60, (3, 25)), "hand-wheel angle over road-wheel angle", "ratio"),
        Key(
            "max_wheel_deg",
            Number("deg", 10, 2000, (60, 1000)),
            "travel of the hand wheel to either side",
            "max_wheel",
        ),
    ),
    make=lambda values: Steering(**values),
    noun="steering",
)

DRIVER = Group(
    (
        Key(
            "max_wheel_rate_dps",
            Number("dps", 10, 5000, (90, 1500)),
            "fastest turning of the hand wheel",
            "max_wheel_rate",
        ),
        Key(
            "brake_rise_s", Number("s", 0.01, 10, (0.05, 1)), "brake pedal from nothing to full", "brake_rise"
        ),
        Key(
            "brake_release_s",
            Number("s", 0.01, 10, (0.05, 2)),
            "brake pedal from full to nothing",
            "brake_release",
        ),
        Key(
            "throttle_rise_s",
            Number("s", 0.01, 10, (0.05, 2)),
            "throttle from closed to full",
            "throttle_rise",
        ),
        Key(
            "throttle_release_s",
            Number("s", 0.01, 10, (0.02, 1)),
            "throttle from full to closed",
            "throttle_release",
        ),
        Key(
            "grip_margin",
            Number("share", 0, 0.9, (0, 0.2), below=True),
            "share of the peak grip left unused",
            "grip_margin",
            default=0.0,
        ),
    ),
    make=lambda values: Driver(**values),
    noun="driver",
)

MODEL = Choice(("four_wheel", "friction_circle"))
NAME = Key("name", Text(), "name of the car", "name")

VEHICLE = Group(
    (
        Key(
            "model",
            MODEL,
            "which model of a car this is",
            "model",
            "four_wheel",
        ),
        NAME,
        Key("chassis", CHASSIS, "mass and geometry", "chassis"),
        Key("aero", AERO, "drag and downforce", "aero"),
        Key("tyres", TYRES, "tyres", "tyres"),
        Key("brakes", BRAKES, "brakes", "brakes"),
        Key("driveline", DRIVELINE, "engine to wheels", "driveline"),
        Key("steering", STEERING, "steering", "steering"),
        Key("driver", DRIVER, "what hands and feet can do", "driver"),
    ),
    make=lambda values: Vehicle(**{name: value for name, value in values.items() if name != "model"}),
    check=check_vehicle,
    noun="a vehicle file",
)

FRICTION_CIRCLE = Group(
    (
        Key("model", MODEL, "the point mass with a circle of grip", "model"),
        NAME,
        Key("grip_g", Number("g", 0.02, 10, SEVERAL_G), "radius of the circle, in units of g", "grip"),
        Key("mass_kg", Number("kg", 0.1, 40_000, (50, 5000)), "mass", "mass", default=1000.0),
        Key(
            "accel_limit_g",
            Number("g", 0, 10, (0.05, 6), above=True),
            "most forward acceleration, in units of g",
            "accel_limit",
            default=None,
        ),
        Key(
            "power_kW",
            Number("kW", 0.01, 5000, (3, 1500)),
            "engine power at any speed",
            "power",
            default=None,
        ),
        Key(
            "drag_area_m2",
            Number("m2", 0, 20),
            "drag coefficient times frontal area",
            "drag_area",
            default=0.0,
        ),
        Key(
            "downforce_area_m2",
            Number("m2", -2, 30),
            "downforce coefficient times area, positive presses down",
            "downforce_area",
            default=0.0,
        ),
        Key(
            "air_density_kgm3", Number("kgm3", 0.3, 2, (0.8, 1.4)), "air density", "air_density", default=1.2
        ),
    ),
    make=lambda values: FrictionCircle(**{name: value for name, value in values.items() if name != "model"}),
    noun="a vehicle file with model: friction_circle",
)
