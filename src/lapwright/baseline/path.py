"""The driven line as a body feels it: everything between the road and a speed, worked out once per station.

All that the road does to a body on a given line is linear in the squared speed (gravity, the pull of bends,
crests, dips and twist), so each station needs only the two coefficients of each part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright.track.road import Array, grip_scale
from lapwright.vehicle.motion import RoadFrame, ride

if TYPE_CHECKING:
    from lapwright.track.track import Track

DERIVATIVE_STEP = 1e-3
"""Distance [m] over which the change of the road's own scale is measured."""


@dataclass(frozen=True)
class Offsets:
    """A line over the road: lateral offset as a curve.

    ``curve`` is a scipy spline n(s) [m] with continuous second derivative, or None for the centreline; ``length`` wraps
    stations to ``start`` and beyond, 0 for an open road. Where the curvature of the line is known better than by the
    spline, ``bends`` are stations and curvatures in the road surface [1/m].
    """

    curve: Any = None
    length: float = 0.0
    start: float = 0.0
    bends: tuple[Array, Array] | None = None

    def at(self, s: Array) -> tuple[Array, Array, Array]:
        """Offset [m] and its first and second derivative [-, 1/m] at stations ``s`` [m], each (M,)."""
        if self.curve is None:
            zero = np.zeros_like(s)
            return zero, zero, zero
        at = self._wrapped(s)
        return self.curve(at), self.curve(at, 1), self.curve(at, 2)

    def curvature(self, s: Array) -> Array | None:
        """Curvature of the line [1/m] at stations ``s``, None when it follows from the spline."""
        return None if self.bends is None else np.interp(self._wrapped(s), *self.bends)

    def _wrapped(self, s: Array) -> Array:
        return self.start + np.mod(s - self.start, self.length) if self.length else s


@dataclass(frozen=True)
class PathRoad:
    """The road along a line at M stations; fields are (M,) arrays. w is the squared speed along the line [m2/s2].

    Attributes
    ----------
    s, n, xi : station [m], offset [m], direction of the line from the road's [rad]
    metric : metres of line per plan metre of centreline [-]
    curvature : of the line in the road surface [1/m, positive left]
    gravity_long, gravity_lat : gravity along and across the line [m/s2]
    spin_long, spin_lat : acceleration from rising with a twisting road, per w [1/m]
    normal_rest, normal_rate : specific force of the road along its normal, at rest [m/s2] and per w [1/m]
    tilt_long, tilt_lat : lean of the surface normal along and across the line [-]
    grip : grip scale of the road [-]
    frame : (M, 9) the road frame's numbers without bands, the grip of the line in place of the base
    """

    s: Array
    n: Array
    xi: Array
    metric: Array
    curvature: Array
    gravity_long: Array
    gravity_lat: Array
    spin_long: Array
    spin_lat: Array
    normal_rest: Array
    normal_rate: Array
    tilt_long: Array
    tilt_lat: Array
    grip: Array
    frame: Array

    def normal(self, w: Array) -> Array:
        """Specific force of the road along its normal [m/s2] at squared speed ``w``."""
        return self.normal_rest + self.normal_rate * w

    def lateral(self, w: Array, normal: Array) -> Array:
        """Specific force across the line that the tyres must give [m/s2, positive left]."""
        return (self.curvature - self.spin_lat) * w - self.gravity_lat - self.tilt_lat * normal

    def pull(self, w: Array, normal: Array) -> Array:
        """Acceleration along the line [m/s2] that is there without any tyre force or drag."""
        return self.gravity_long + self.spin_long * w + self.tilt_long * normal

    def take(self, rows: Any) -> PathRoad:
        """The same at some of the stations."""
        return PathRoad(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})


def path_road(track: Track, offsets: Offsets, s: Array, side: str = "right") -> PathRoad:
    """The road along a line at stations ``s`` [m], (M,).

    The line's direction against the road is xi = atan2(n', k) with k = stretch - n omega_z (both per plan metre), its
    length per plan metre sqrt(k^2 + n'^2), its curvature in the surface (xi' + omega_z) over that length.

    Parameters
    ----------
    track, offsets
        The road and the line on it.
    s
        Stations; they are wrapped on a closed track.
    side
        The limit taken where the curvature of the road jumps, "left" or "right".
    """
    s = np.asarray(s, dtype=float)
    road = track.road(s, side)
    n, slope, bend = offsets.at(s)
    scale = road.stretch - n * road.omega_z
    metric = np.hypot(scale, slope)
    xi = np.arctan2(slope, scale)
    turning = np.zeros_like(s)
    known = offsets.curvature(s)
    if offsets.curve is not None and known is None:
        step = DERIVATIVE_STEP if side == "right" else -DERIVATIVE_STEP
        ahead = track.road(s + step, side)
        change = (ahead.stretch - road.stretch - n * (ahead.omega_z - road.omega_z)) / step
        turning = (bend * scale - slope * (change - slope * road.omega_z)) / (metric * metric)
    bands = tuple(
        (road.grip_bands[:, b, 0], road.grip_bands[:, b, 1], road.grip_bands[:, b, 2])
        for b in range(road.grip_bands.shape[1])
    )
    frame = RoadFrame(
        road.stretch, road.omega_x, road.omega_y, road.omega_z, road.omega_x_rate,
        road.up_x, road.up_y, road.up_z, road.grip_base, bands,
    )  # fmt: skip
    rest = ride(frame, n, xi, 0.0, 0.0)
    moving = ride(frame, n, xi, 1.0, 0.0)
    grip = np.asarray(grip_scale(n, road.grip_base, list(bands)), dtype=float) + np.zeros_like(s)
    return PathRoad(
        s=s,
        n=n,
        xi=xi,
        metric=metric,
        curvature=(turning + road.omega_z) / metric if known is None else known,
        gravity_long=rest.gravity_long,
        gravity_lat=rest.gravity_lat,
        spin_long=moving.spin_long - rest.spin_long,
        spin_lat=moving.spin_lat - rest.spin_lat,
        normal_rest=rest.normal,
        normal_rate=moving.normal - rest.normal,
        tilt_long=rest.tilt_long,
        tilt_lat=rest.tilt_lat,
        grip=grip,
        frame=np.column_stack([*frame[:8], grip]),
    )
