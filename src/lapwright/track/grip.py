"""Grip of the road by station and lateral offset."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapwright.track.definition import GripPatch
from lapwright.track.road import Array

BLEND = 5.0
"""Length [m] over which grip changes at either end of a patch, centred on its stated end."""
FAR = 100.0
"""Lateral limit [m] that stands for a band without one: beyond any road edge."""


@dataclass(frozen=True)
class GripMap:
    """Grip patches ready to be asked.

    ``whole`` are patches across the full width; ``slots`` are lists of banded patches, each list free of
    overlap along the road, so that one slot can carry them one after the other.
    """

    whole: tuple[GripPatch, ...]
    slots: tuple[tuple[GripPatch, ...], ...]
    length: float
    closed: bool

    def base(self, s: Array) -> Array:
        """Grip scale [-] away from any band at stations ``s``; overlapping patches multiply."""
        scale = np.ones_like(s)
        for patch in self.whole:
            scale = scale * (1.0 + (patch.scale - 1.0) * self._presence(patch, s))
        return scale

    def bands(self, s: Array, base: Array) -> Array:
        """Band slots (M, B, 3): change of scale, right and left limit [m]."""
        out = np.zeros((len(s), len(self.slots), 3))
        for index, slot in enumerate(self.slots):
            # An empty stretch keeps the limits of the nearest patch: with no change they mean nothing, but
            # they stay finite and in order.
            nearest = np.full(len(s), np.inf)
            for patch in slot:
                away = self._away(patch, s)
                near = away < nearest
                nearest = np.where(near, away, nearest)
                limits = (_limit(patch.band_right, -1.0), _limit(patch.band_left, 1.0))
                out[near, index, 1], out[near, index, 2] = limits
                out[:, index, 0] += base * (patch.scale - 1.0) * self._presence(patch, s)
        return out

    def _presence(self, patch: GripPatch, s: Array) -> Array:
        """1 inside the patch, 0 outside, with two continuous derivatives over the blend at either end."""
        depth = -self._away(patch, s)
        half = 0.5 * min(BLEND, _span(patch, self.length))
        t = np.clip(0.5 + 0.5 * depth / half, 0.0, 1.0)
        blend: Array = t**3 * (10.0 - 15.0 * t + 6.0 * t * t)
        return blend

    def _away(self, patch: GripPatch, s: Array) -> Array:
        """Distance along the road to the nearer end of the patch [m], negative inside."""
        span = _span(patch, self.length)
        from_middle = s - (patch.start + 0.5 * span)
        if self.closed:
            from_middle = (from_middle + 0.5 * self.length) % self.length - 0.5 * self.length
        return np.abs(from_middle) - 0.5 * span


def grip_map(patches: tuple[GripPatch, ...], length: float, closed: bool) -> GripMap:
    """Sort patches into full-width ones and as few band slots as their overlaps allow."""
    whole = tuple(p for p in patches if p.band_left is None and p.band_right is None)
    banded = sorted((p for p in patches if p not in whole), key=lambda p: p.start)
    slots: list[list[GripPatch]] = []
    for patch in _wrapping_first(banded):
        for slot in slots:
            if not any(_overlap(patch, other, length, closed) for other in slot):
                slot.append(patch)
                break
        else:
            slots.append([patch])
    return GripMap(whole, tuple(tuple(slot) for slot in slots), length, closed)


def _wrapping_first(patches: list[GripPatch]) -> list[GripPatch]:
    # Taken in order of their start, intervals fill the fewest slots; those across the line occupy its
    # beginning.
    return [p for p in patches if p.start > p.end] + [p for p in patches if p.start <= p.end]


def _overlap(a: GripPatch, b: GripPatch, length: float, closed: bool) -> bool:
    apart = (b.start + 0.5 * _span(b, length)) - (a.start + 0.5 * _span(a, length))
    if closed:
        apart = (apart + 0.5 * length) % length - 0.5 * length
    return abs(apart) < 0.5 * (_span(a, length) + _span(b, length)) + BLEND


def _span(patch: GripPatch, length: float) -> float:
    return patch.end - patch.start if patch.end >= patch.start else patch.end - patch.start + length


def _limit(value: float | None, side: float) -> float:
    return side * FAR if value is None else value
