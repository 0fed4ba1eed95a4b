"""The finished track: a ribbon that answers questions at any station."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lapwright.track.definition import Landmark
from lapwright.track.road import Array, RoadPoints, distinct, grip_scale

if TYPE_CHECKING:
    from lapwright.track.grip import GripMap
    from lapwright.track.plan import PlanCurve
    from lapwright.track.profile import Profile


@dataclass(frozen=True)
class Corner:
    """A corner of the road (not yet of a lap).

    ``start``, ``end`` and ``apex`` are stations [m]; ``start > end`` runs across the line of a closed track.
    ``direction`` is "left", "right" or, for a complex that turns both ways, "left-right" and so on.
    ``apex`` is where the centreline is tightest (the middle of the tightest stretch), ``radius`` its radius
    there [m], ``angle`` how much the road turns altogether, to whichever side [rad].
    """

    name: str
    start: float
    end: float
    apex: float
    direction: str
    radius: float
    angle: float


@dataclass(frozen=True)
class TrackReport:
    """What was done to the user's centreline. Lengths in m, angle in rad.

    ``closure_gap`` and ``closure_heading`` are as given, before any was spread over the lap (for points the
    gap is the offset sideways, and the heading 0: the smoothed line has no kink); ``smoothing_max`` and
    ``smoothing_rms`` are distances from the given points to the smoothed line (0 for elements). ``notices``
    are sentences for the user.
    """

    length: float
    closure_gap: float
    closure_heading: float
    smoothing_max: float
    smoothing_rms: float
    radius_min: float
    radius_min_at: float
    height_range: float
    gradient_max: float
    notices: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Track:
    """A road as a ribbon over its centreline; made by :func:`lapwright.track.build.build_track`.

    ``length`` is in plan [m]. ``breaks`` are the stations strictly between 0 and ``length`` where the
    curvature or its slope jumps: a mesh puts a node on each.
    """

    name: str
    closed: bool
    length: float
    corners: tuple[Corner, ...]
    landmarks: tuple[Landmark, ...]
    report: TrackReport
    breaks: Array
    curve: PlanCurve
    height: Profile
    banking: Profile
    left: Profile
    right: Profile
    grip_map: GripMap

    def wrap(self, s: Array) -> Array:
        """Stations in [0, length]: wrapped into the lap on a closed track, as they are on an open one."""
        s = np.asarray(s, dtype=float)
        if not self.closed:
            return s
        inside = (s >= 0.0) & (s <= self.length)
        return np.where(inside, s, np.mod(s, self.length))

    def road(self, s: Array, side: str = "right") -> RoadPoints:
        """The road at stations ``s`` [m], shape (M,).

        On a closed track stations are wrapped and the heading goes on counting, lap after lap. Beyond the
        ends of an open track the centreline goes straight on.

        Parameters
        ----------
        s
            Stations, plan metres.
        side
            "right" (default) or "left": the limit taken where the curvature jumps, as in
            ``numpy.searchsorted``. A mesh interval that ends on a break wants "left" at its end.
        """
        given = np.atleast_1d(np.asarray(s, dtype=float))
        at = self.wrap(given)
        laps = np.round((given - at) / self.length) if self.closed else np.zeros_like(at)
        place = self.curve.place(at)
        heading = self.curve.heading(at) + laps * self.curve.turn
        bend, bend_rate = self.curve.curvature(at, side)
        gradient, gradient_rate = self.height.slope(at), self.height.bend(at)
        slope = np.arctan(gradient)
        slope_rate = gradient_rate / (1.0 + gradient * gradient)
        bank, bank_rate, bank_bend = self.banking.at(at), self.banking.slope(at), self.banking.bend(at)
        sin_slope, cos_slope, sin_bank, cos_bank = np.sin(slope), np.cos(slope), np.sin(bank), np.cos(bank)
        base = self.grip_map.base(at)
        return RoadPoints(
            s=given,
            x=place.real,
            y=place.imag,
            z=self.height.at(at),
            heading=heading,
            slope=slope,
            bank=bank,
            stretch=1.0 / cos_slope,
            curvature=bend,
            omega_x=bank_rate + bend * sin_slope,
            omega_y=-slope_rate * cos_bank + bend * cos_slope * sin_bank,
            omega_z=slope_rate * sin_bank + bend * cos_slope * cos_bank,
            omega_x_rate=bank_bend + bend_rate * sin_slope + bend * cos_slope * slope_rate,
            up_x=sin_slope,
            up_y=cos_slope * sin_bank,
            up_z=cos_slope * cos_bank,
            width_left=self.left.at(at),
            width_right=self.right.at(at),
            grip_base=base,
            grip_bands=self.grip_map.bands(at, base),
        )

    def grip(self, s: Array, n: Array) -> Array:
        """Grip scale [-] at stations ``s`` and lateral offsets ``n`` [m, positive left], both (M,)."""
        at = self.wrap(np.atleast_1d(np.asarray(s, dtype=float)))
        base = self.grip_map.base(at)
        bands = self.grip_map.bands(at, base)
        slots = [(bands[:, b, 0], bands[:, b, 1], bands[:, b, 2]) for b in range(bands.shape[1])]
        scale: Array = grip_scale(np.asarray(n, dtype=float), base, slots)
        return scale

    def to_world(self, s: Array, n: Array) -> tuple[Array, Array, Array]:
        """World x, y, z [m] at stations ``s`` and lateral offsets ``n`` [m, in the road surface]."""
        from lapwright.track.locate import lateral_axis

        at = self.wrap(np.atleast_1d(np.asarray(s, dtype=float)))
        across, rise = lateral_axis(self, at)
        place = self.curve.place(at) + np.asarray(n, dtype=float) * across
        return place.real, place.imag, self.height.at(at) + np.asarray(n, dtype=float) * rise

    def project(self, x: Array, y: Array, near: Array | None = None) -> tuple[Array, Array]:
        """Station and lateral offset [m] of the road point over plan positions ``x``, ``y`` [m], all (M,).

        See :func:`lapwright.track.locate.project`; ``near`` gives expected stations where the road passes
        over itself.
        """
        from lapwright.track.locate import project

        return project(self, x, y, near)

    def edges(self, step: float = 2.0) -> tuple[Array, Array]:
        """Left and right edge, polylines (M, 3) of world x, y, z [m] with ``step`` [m] or less between."""
        count = max(2, int(np.ceil(self.length / step)))
        s = distinct(np.concatenate([np.linspace(0.0, self.length, count + 1), self.breaks]))
        left = np.column_stack(self.to_world(s, self.left.at(s)))
        right = np.column_stack(self.to_world(s, -self.right.at(s)))
        return left, right
