"""The numbers of a car, in SI units, as frozen objects.

Which key of a vehicle file becomes which field, its unit, range and meaning stand in ``lapwright.inputs``;
the physics that uses the fields stands in the neighbouring modules.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Chassis:
    """Mass and geometry. Lengths in m, mass in kg, inertia in kg m2, time in s, shares as fractions."""

    mass: float
    yaw_inertia: float
    wheelbase: float
    front_mass_share: float
    cg_height: float
    track_front: float
    track_rear: float
    roll_stiffness_front_share: float
    roll_centre_front: float
    roll_centre_rear: float
    load_transfer_time: float
    width: float

    @property
    def cg_to_front(self) -> float:
        """Distance from the centre of gravity forward to the front axle [m]."""
        return self.wheelbase * (1.0 - self.front_mass_share)

    @property
    def cg_to_rear(self) -> float:
        """Distance from the centre of gravity back to the rear axle [m]."""
        return self.wheelbase * self.front_mass_share


@dataclass(frozen=True)
class Aero:
    """Areas Cd*A and Cl*A [m2, downforce positive], share of the downforce on the front axle, air density [kg/m3]."""

    drag_area: float
    downforce_area: float
    downforce_front_share: float
    air_density: float


@dataclass(frozen=True)
class Tyre:
    """One axle's tyre.

    Peak friction coefficients at ``reference_load`` [N], ``load_sensitivity`` their fall per newton above it [1/N],
    slip angle [rad] and slip ratio [-] at the peak, ``sliding_grip_ratio`` the share of the peak left when the tyre
    slides fully, ``grip_scale`` a factor on both coefficients (cold, worn, wet).
    """

    peak_mu_long: float
    peak_mu_lat: float
    reference_load: float
    load_sensitivity: float
    peak_slip_angle: float
    peak_slip_ratio: float
    sliding_grip_ratio: float
    grip_scale: float = 1.0


@dataclass(frozen=True)
class Tyres:
    """Front and rear tyre."""

    front: Tyre
    rear: Tyre


@dataclass(frozen=True)
class Brakes:
    """Share of the braking torque on the front axle, peak line pressure [Pa], brake force of the whole car at the
    contact patches per pascal of line pressure [N/Pa].
    """

    front_share: float
    peak_pressure: float
    force_per_pressure: float

    @property
    def peak_force(self) -> float:
        """Brake force of the whole car at peak pressure, were there grip for it [N]."""
        return self.peak_pressure * self.force_per_pressure


@dataclass(frozen=True)
class Differential:
    """Differential of each driven axle.

    ``viscosity`` [N m s/rad] for type "viscous"; ``preload`` [N m] and the locking shares of the input torque on
    drive (``ramp_drive``) and on overrun (``ramp_overrun``) for type "preload".
    """

    type: Literal["open", "locked", "viscous", "preload"] = "open"
    viscosity: float = 0.0
    preload: float = 0.0
    ramp_drive: float = 0.0
    ramp_overrun: float = 0.0


@dataclass(frozen=True)
class Driveline:
    """Engine to wheels. Either ``power`` [W] or an engine torque table with gears.

    ``engine_speed`` and ``shift_speed`` in rad/s, torques in N m, ``wheel_radius`` in m, ``wheel_inertia`` in kg m2 for
    each wheel. ``overrun_torque`` is the drag of the closed-throttle engine at the crank (positive), or at the driven
    wheels together when the engine is a plain ``power``. ``front_torque_share`` counts for all-wheel drive only.
    """

    driven: Literal["front", "rear", "all"]
    efficiency: float
    wheel_radius: float
    wheel_inertia: float
    power: float | None = None
    engine_speed: tuple[float, ...] = ()
    engine_torque: tuple[float, ...] = ()
    gear_ratios: tuple[float, ...] = ()
    final_drive: float = 1.0
    shift_speed: float = 0.0
    overrun_torque: float = 0.0
    front_torque_share: float = 0.0
    differential: Differential = Differential()


@dataclass(frozen=True)
class Steering:
    """Hand-wheel angle over road-wheel angle, and the hand wheel's travel to either side [rad]."""

    ratio: float
    max_wheel: float


@dataclass(frozen=True)
class Driver:
    """What hands and feet can do: hand-wheel rate [rad/s], times [s] for the full travel of each pedal, and
    ``grip_margin``, the share of peak grip left unused.
    """

    max_wheel_rate: float
    brake_rise: float
    brake_release: float
    throttle_rise: float
    throttle_release: float
    grip_margin: float = 0.0


@dataclass(frozen=True)
class Vehicle:
    """The full four-wheel car."""

    name: str
    chassis: Chassis
    aero: Aero
    tyres: Tyres
    brakes: Brakes
    driveline: Driveline
    steering: Steering
    driver: Driver


@dataclass(frozen=True)
class FrictionCircle:
    """The teaching car: a point mass whose tyre force stays inside a circle.

    ``grip`` and ``accel_limit`` are in units of g (so friction coefficients), ``power`` in W or None,
    ``mass`` in kg, areas in m2, air density in kg/m3.
    """

    name: str
    grip: float
    mass: float = 1000.0
    accel_limit: float | None = None
    power: float | None = None
    drag_area: float = 0.0
    downforce_area: float = 0.0
    air_density: float = 1.2


AnyVehicle = Vehicle | FrictionCircle
