"""Driving a car under its peak grip."""

from __future__ import annotations

from dataclasses import replace

from lapwright.errors import InputError
from lapwright.vehicle.parameters import AnyVehicle, FrictionCircle


def with_margin(vehicle: AnyVehicle, grip_margin: float | None) -> AnyVehicle:
    """The car driven ``grip_margin`` under its peak grip; None leaves it as it is.

    Raises
    ------
    InputError
        For a margin outside 0 to 0.5.
    """
    if grip_margin is None:
        return vehicle
    if not 0.0 <= grip_margin <= 0.5:
        raise InputError(
            f"grip margin is {grip_margin:g}: a share from 0 to 0.5 is allowed (0.03 leaves three percent unused)"
        )
    if isinstance(vehicle, FrictionCircle):
        return replace(vehicle, grip=vehicle.grip * (1.0 - grip_margin))
    return replace(vehicle, driver=replace(vehicle.driver, grip_margin=grip_margin))
