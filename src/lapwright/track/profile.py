"""Quantities given at stations and smooth between them: elevation, bank, widths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from lapwright.track.road import Array
from lapwright.track.splines import monotone_cubics, natural_spline, periodic_spline


class Curve(Protocol):
    """A function of the station with derivatives, such as ``splines.Cubics`` or a spline of ``scipy.interpolate``."""

    def __call__(self, x: Array, nu: int = 0, /) -> Array:
        """Value, or the derivative of an order, at stations ``x``."""
        ...


@dataclass(frozen=True)
class Profile:
    """A smooth function of the station; ``low`` and ``high`` bound the stations it was made from.

    On a closed track stations are wrapped into one lap. On an open one the function goes on straight
    (``straight_on``) or level beyond its stations.
    """

    spline: Curve
    low: float
    high: float
    closed: bool
    straight_on: bool = False

    def at(self, s: Array) -> Array:
        """Value at stations ``s`` in [0, length]."""
        inside = self._inside(s)
        value = self.spline(inside)
        if not self.closed and self.straight_on:
            value = value + self.spline(inside, 1) * (s - inside)
        return value

    def slope(self, s: Array) -> Array:
        """First derivative by station."""
        inside = self._inside(s)
        slope = self.spline(inside, 1)
        return slope if self.closed or self.straight_on else np.where(inside == s, slope, 0.0)

    def bend(self, s: Array) -> Array:
        """Second derivative by station."""
        inside = self._inside(s)
        bend = self.spline(inside, 2)
        return bend if self.closed else np.where(inside == s, bend, 0.0)

    def _inside(self, s: Array) -> Array:
        if self.closed:
            return np.where(s < self.low, s + (self.high - self.low), s)
        return np.clip(s, self.low, self.high)


def smooth_profile(at: Array, value: Array, length: float, closed: bool, straight_on: bool) -> Profile:
    """Cubic spline with a continuous second derivative through the stations.

    Periodic on a closed track; natural (no curvature at the ends) on an open one, where it goes on straight
    beyond the stations (``straight_on``) or else holds the first and last value as if given at either end.
    """
    if closed:
        at, value = _lap(at, value, length)
        return Profile(periodic_spline(at, value), float(at[0]), float(at[-1]), True)
    if len(at) == 1:
        at, value = np.array([0.0, length]), np.repeat(value, 2)
    if not straight_on:
        if at[0] > 0.0:
            at, value = np.append(0.0, at), np.append(value[0], value)
        if at[-1] < length:
            at, value = np.append(at, length), np.append(value, value[-1])
    spline = natural_spline(at, value)
    return Profile(spline, float(at[0]), float(at[-1]), False, straight_on)


def monotone_profile(at: Array, value: Array, length: float, closed: bool) -> Profile:
    """Monotone cubic through the stations: never beyond its neighbours' values."""
    if closed:
        at, value = _lap(at, value, length)
        # The slopes of a monotone cubic depend on the neighbouring stations only, so three of them, repeated
        # a lap before and after, make it periodic.
        lap_at = np.concatenate([at[:-1] - length, at, at[1:] + length])
        lap_value = np.concatenate([value[:-1], value, value[1:]])
        spline = monotone_cubics(lap_at, lap_value)
        return Profile(spline, float(at[0]), float(at[-1]), True)
    if len(at) == 1:
        at, value = np.array([0.0, length]), np.repeat(value, 2)
    return Profile(monotone_cubics(at, value), float(at[0]), float(at[-1]), False)


def _lap(at: Array, value: Array, length: float) -> tuple[Array, Array]:
    """The stations with the first repeated a lap later."""
    if at[-1] < at[0] + length:
        at, value = np.append(at, at[0] + length), np.append(value, value[0])
    return at, value
