"""Tyre forces: load-sensitive friction and normalised combined slip.

With a = alpha / alpha_peak, k = kappa / kappa_peak and rho = sqrt(a^2 + k^2) the force is

    (F_x, F_y) = (mu_x, mu_y) F_z D(rho) (k, a) / rho,     D(rho) = sin(Q atan(S rho)).

D is the sine-of-arctangent curve of Bakker, Nyborg & Pacejka (SAE 870421, 1987) with its curvature factor at zero;
the normalisation of the two slips is the similarity method (Pacejka, Tyre and Vehicle Dynamics, ch. 4; both from
memory). S = tan(pi / (2 Q)) puts the peak at exactly rho = 1, and Q follows from the grip left when sliding.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from lapwright.vehicle.parameters import Tyre

SLIP_FLOOR = 1e-3
"""Added in quadrature to rho where it divides: keeps derivatives finite at zero slip, changes D by under 1e-6."""


class TyreForce(NamedTuple):
    """Forces in wheel axes [N], peak forces at this load [N] and the squared normalised slip [-]."""

    long: Any
    lat: Any
    peak_long: Any
    peak_lat: Any
    rho_squared: Any
    use: Any


def shape_factors(sliding_grip_ratio: Any) -> tuple[Any, Any]:
    """Shape Q and stiffness S [-] of the force curve for the share of peak grip left at full sliding.

    D(infinity) = sin(Q pi / 2) = ``sliding_grip_ratio`` on the far side of the peak gives
    Q = 2 - (2 / pi) asin(ratio); D'(1) = 0 gives S = tan(pi / (2 Q)).
    """
    q = 2.0 - (2.0 / np.pi) * np.arcsin(sliding_grip_ratio)
    return q, np.tan(np.pi / (2.0 * q))


def grip_curve(rho: Any, sliding_grip_ratio: Any) -> Any:
    """Share of the peak force D [-] at normalised slip ``rho`` [-]."""
    q, stiffness = shape_factors(sliding_grip_ratio)
    return np.sin(q * np.arctan(stiffness * rho))


def slip_at_margin(grip_margin: Any, sliding_grip_ratio: Any) -> Any:
    """Normalised slip [-] on the near side of the peak where D = 1 - ``grip_margin``."""
    q, stiffness = shape_factors(sliding_grip_ratio)
    return np.tan(np.arcsin(1.0 - grip_margin) / q) / stiffness


def friction(tyre: Tyre, load: Any, grip: Any = 1.0) -> tuple[Any, Any]:
    """Peak friction coefficients (longitudinal, lateral) [-] at a wheel load [N] on a road of grip scale ``grip``."""
    fall = tyre.load_sensitivity * (load - tyre.reference_load)
    scale = tyre.grip_scale * grip
    return (tyre.peak_mu_long - fall) * scale, (tyre.peak_mu_lat - fall) * scale


def tyre_force(tyre: Tyre, load: Any, slip_ratio: Any, slip_angle: Any, grip: Any = 1.0) -> TyreForce:
    """Force of one tyre in combined slip.

    Parameters
    ----------
    tyre
        The axle's tyre.
    load
        Wheel load [N].
    slip_ratio
        (omega R - V) / V [-], positive when driving.
    slip_angle
        Angle [rad] from the wheel's velocity to its heading; positive gives a force to the left.
    grip
        Grip scale of the road [-].
    """
    mu_long, mu_lat = friction(tyre, load, grip)
    peak_long, peak_lat = mu_long * load, mu_lat * load
    k = slip_ratio / tyre.peak_slip_ratio
    a = slip_angle / tyre.peak_slip_angle
    rho_squared = k * k + a * a
    rho = np.sqrt(rho_squared + SLIP_FLOOR**2)
    curve = grip_curve(rho, tyre.sliding_grip_ratio)
    gain = curve / rho
    return TyreForce(
        peak_long * gain * k,
        peak_lat * gain * a,
        peak_long,
        peak_lat,
        rho_squared,
        gain * np.sqrt(rho_squared + 1e-12),
    )
