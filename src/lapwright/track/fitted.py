"""A fitted plane spline measured along its arc, and its passage to a curve given by curvature."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import BSpline, CubicSpline

from lapwright.track.plan import PlanCurve, plan_curve
from lapwright.track.road import Array

SAMPLES = 5
"""Samples of the curvature taken over for each knot of the fitted spline."""
_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(6)


@dataclass(frozen=True, eq=False)
class FittedCurve:
    """A spline (x, y) of a parameter from 0 to ``end`` that is close to arc length but not equal to it."""

    spline: BSpline
    end: float
    closed: bool

    def value(self, t: Array, order: int = 0) -> np.ndarray:
        """Position, or a derivative by the parameter, as x + iy."""
        xy = self.spline(t, order)
        out: np.ndarray = xy[..., 0] + 1j * xy[..., 1]
        return out

    @cached_property
    def _grid(self) -> Array:
        return np.linspace(0.0, self.end, max(16, math.ceil(2.0 * self.end / self._step)) + 1)

    @property
    def _step(self) -> float:
        return float(self.spline.t[1] - self.spline.t[0])

    @cached_property
    def _arcs(self) -> Array:
        return np.concatenate([[0.0], np.cumsum(self._partial(self._grid[:-1], np.diff(self._grid)))])

    def _partial(self, start: Array, span: Array) -> Array:
        nodes = start[:, None] + 0.5 * span[:, None] * (1.0 + _GAUSS_X)
        partial: Array = 0.5 * span * (np.abs(self.value(nodes, 1)) @ _GAUSS_W)
        return partial

    @property
    def length(self) -> float:
        """Arc length [m]."""
        return float(self._arcs[-1])

    def arc(self, t: Array) -> Array:
        """Arc length [m] from the start to parameter ``t``."""
        cell = np.clip(np.searchsorted(self._grid, t, side="right") - 1, 0, len(self._grid) - 2)
        return self._arcs[cell] + self._partial(self._grid[cell], t - self._grid[cell])

    def at_arc(self, s: Array) -> Array:
        """Parameter at arc length ``s`` [m]."""
        t = np.interp(s, self._arcs, self._grid)
        for _ in range(4):
            t = np.clip(t - (self.arc(t) - s) / np.abs(self.value(t, 1)), 0.0, self.end)
        return t

    def nearest(self, place: np.ndarray, t: Array) -> Array:
        """Parameter of the point of the curve nearest to each place, by Newton's method from ``t``."""
        for _ in range(6):
            # A lap's parameter may pass the line; off an open curve the end is nearest.
            t = np.mod(t, self.end) if self.closed else np.clip(t, 0.0, self.end)
            miss, along, bend = place - self.value(t), self.value(t, 1), self.value(t, 2)
            slope = np.maximum(np.abs(along) ** 2 - (miss * np.conj(bend)).real, 0.2 * np.abs(along) ** 2)
            step = np.clip((miss * np.conj(along)).real / slope, -self._step, self._step)
            t = t + step
            if np.max(np.abs(step)) < 1e-9:
                break
        return np.mod(t, self.end) if self.closed else np.clip(t, 0.0, self.end)

    def plan(self) -> PlanCurve:
        """The same curve given by its curvature, a cubic spline of arc length."""
        count = max(16, math.ceil(SAMPLES * self.length / self._step))
        s = np.linspace(0.0, self.length, count + 1)
        t = self.at_arc(s)
        along, bend = self.value(t, 1), self.value(t, 2)
        curvature = (np.conj(along) * bend).imag / np.abs(along) ** 3
        heading, place = float(np.angle(along[0])), complex(self.value(t[:1])[0])
        if not self.closed:
            return _from_spline(s, curvature, False, heading, place)
        return _closed_plan(s, curvature, heading, place)


def _from_spline(s: Array, curvature: Array, closed: bool, heading: float, place: complex) -> PlanCurve:
    spline = CubicSpline(s, curvature, bc_type="periodic" if closed else "natural")
    return plan_curve(s, spline.c[::-1].T, heading, place)


def _closed_plan(s: Array, curvature: Array, heading: float, place: complex) -> PlanCurve:
    """Take out what rounding and interpolation leave open, with the least change of curvature that does it.

    A change k(s) of curvature turns the end by the integral of k and moves it by i times the integral of
    (end - r(s)) k. The least square of k with given moments is a combination of 1, x(s) and y(s).
    """
    curvature = curvature.copy()
    curvature[-1] = curvature[0]
    for _ in range(6):
        curve = _from_spline(s, curvature, True, heading, place)
        error = math.remainder(curve.turn, 2.0 * math.pi)
        if abs(curve.gap) < 1e-11 * curve.length and abs(error) < 1e-13:
            break
        lever = curve.place(s) - np.mean(curve.places)
        shapes = np.column_stack([np.ones(len(s)), lever.real, lever.imag])
        shapes[-1] = shapes[0]
        weights = np.full(len(s), curve.length / (len(s) - 1))
        weights[[0, -1]] *= 0.5
        moved = 1j * (curve.places[-1] - curve.place(s))
        effect = np.vstack([np.ones(len(s)), moved.real, moved.imag]) * weights
        change = np.linalg.solve(effect @ shapes, [-error, -curve.gap.real, -curve.gap.imag])
        curvature = curvature + shapes @ change
    return curve
