"""A plan curve given by its curvature; heading and position are its integrals, so the three agree."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lapwright.track.road import Array

_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(10)
_MAX_TURN = 0.5
"""Largest turn [rad] of one piece: ten Gauss points then integrate cos and sin to rounding error."""
_HAIR = 1e-6
"""A station this close [m] beyond an end is rounding and still has the curvature of the end."""


@dataclass(frozen=True)
class PlanCurve:
    """A curve in the plane whose curvature is a piecewise polynomial of arc length.

    ``nodes`` (K+1,) are the stations that bound the pieces [m], ``bends`` (K, D) the coefficients of the
    curvature of each piece in rising powers of the distance from its node, ``headings`` (K+1,) [rad] and
    ``places`` (K+1,) (x + iy) [m] the values at the nodes. Beyond its ends the curve goes straight on. Use
    :func:`plan_curve` to make one.
    """

    nodes: Array
    bends: Array
    headings: Array
    places: np.ndarray

    @property
    def length(self) -> float:
        """Arc length [m]."""
        return float(self.nodes[-1])

    @property
    def turn(self) -> float:
        """Heading change from the first to the last station [rad]."""
        return float(self.headings[-1] - self.headings[0])

    @property
    def gap(self) -> complex:
        """Last place minus first (x + iy) [m]."""
        return complex(self.places[-1] - self.places[0])

    def _locate(self, s: Array, side: str) -> tuple[np.ndarray, Array]:
        piece = np.searchsorted(self.nodes, s, side="right" if side == "right" else "left") - 1
        piece = np.clip(piece, 0, len(self.bends) - 1)
        return piece, s - self.nodes[piece]

    def curvature(self, s: Array, side: str = "right") -> tuple[Array, Array]:
        """Curvature [1/m, positive left] and its slope [1/m2]; ``side`` chooses where they jump."""
        piece, t = self._locate(s, side)
        bend = self.bends[piece]
        value, slope = np.zeros_like(t), np.zeros_like(t)
        for power in range(bend.shape[1] - 1, -1, -1):
            slope = slope * t + value
            value = value * t + bend[:, power]
        beyond = np.abs(s - self._inside(s)) > _HAIR
        return np.where(beyond, 0.0, value), np.where(beyond, 0.0, slope)

    def heading(self, s: Array) -> Array:
        """Heading [rad, continuous, positive left] at stations ``s``."""
        piece, t = self._locate(self._inside(s), "right")
        return self._heading_in(piece, t)

    def _inside(self, s: Array) -> Array:
        return np.clip(s, self.nodes[0], self.nodes[-1])

    def _heading_in(self, piece: np.ndarray, t: Array) -> Array:
        bend = self.bends[piece]
        turned = np.zeros_like(t)
        for power in range(bend.shape[1] - 1, -1, -1):
            factor = bend[:, power] / (power + 1)
            turned = (turned + (factor if t.ndim == 1 else factor[:, None])) * t
        start = self.headings[piece]
        return turned + (start if t.ndim == 1 else start[:, None])

    def place(self, s: Array) -> np.ndarray:
        """Position x + iy [m] at stations ``s``, by Gauss-Legendre quadrature of the heading."""
        inside = self._inside(s)
        piece, t = self._locate(inside, "right")
        steps = 0.5 * t[:, None] * (1.0 + _GAUSS_X)
        chord = np.exp(1j * self._heading_in(piece, steps)) @ _GAUSS_W
        onward = np.exp(1j * self._heading_in(piece, t)) * (s - inside)
        return self.places[piece] + 0.5 * t * chord + onward

    def breaks(self, tolerance: float = 1e-10) -> Array:
        """Stations strictly inside the curve where the curvature or its slope jumps [m]."""
        inner = self.nodes[1:-1]
        before = np.column_stack(self.curvature(inner, "left"))
        after = np.column_stack(self.curvature(inner, "right"))
        return inner[np.any(np.abs(after - before) > tolerance, axis=1)]


def plan_curve(nodes: Array, bends: Array, heading: float = 0.0, place: complex = 0.0) -> PlanCurve:
    """Make a curve from the curvature of its pieces.

    Parameters
    ----------
    nodes
        Bounds of the pieces [m], (P+1,), strictly rising.
    bends
        Curvature of each piece [1/m, positive left], (P, D): coefficients of rising powers of the distance
        [m] from the start of the piece.
    heading, place
        Heading [rad] and position x + iy [m] at the first node.
    """
    nodes, bends = _subdivide(np.asarray(nodes, float), np.asarray(bends, float))
    span = np.diff(nodes)
    powers = np.arange(1, bends.shape[1] + 1)
    turns = np.sum(bends * span[:, None] ** powers / powers, axis=1)
    headings = heading + np.concatenate([[0.0], np.cumsum(turns)])
    bare = PlanCurve(nodes, bends, headings, np.zeros(len(nodes), complex))
    steps = 0.5 * span[:, None] * (1.0 + _GAUSS_X)
    chords = 0.5 * span * (np.exp(1j * bare._heading_in(np.arange(len(span)), steps)) @ _GAUSS_W)
    places = place + np.concatenate([[0.0], np.cumsum(chords)])
    return PlanCurve(nodes, bends, headings, places)


def _subdivide(nodes: Array, bends: Array) -> tuple[Array, Array]:
    span = np.diff(nodes)
    powers = np.arange(bends.shape[1])
    turn_bound = np.sum(np.abs(bends) * span[:, None] ** (powers + 1), axis=1)
    parts = np.maximum(1, np.ceil(turn_bound / _MAX_TURN)).astype(int)
    if np.all(parts == 1):
        return nodes, bends
    owner = np.repeat(np.arange(len(span)), parts)
    rank = np.arange(len(owner)) - np.repeat(np.cumsum(parts) - parts, parts)
    offset = rank * (span / parts)[owner]
    moved = np.zeros((len(owner), bends.shape[1]))
    for low in range(bends.shape[1]):
        for high in range(low, bends.shape[1]):
            moved[:, low] += math.comb(high, low) * bends[owner, high] * offset ** (high - low)
    return np.append(nodes[owner] + offset, nodes[-1]), moved
