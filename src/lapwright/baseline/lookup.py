"""The envelope's tables made ready for many look-ups: what the passes ask for, over an even grid of speeds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.track.road import Array

if TYPE_CHECKING:
    from lapwright.baseline.envelope import TrimEnvelope

SPEED_STEP = 1.0
"""Spacing [m/s] of the tables, which keeps apart what gear and engine give from node to node of the envelope."""

BLOCK = 4096
"""Points that are looked up at once: what is worked with stays in the processor's cache."""

COLUMNS = 5

Index = NDArray[np.int64]


@dataclass(frozen=True)
class Range:
    """Longitudinal forces at M points [m/s2], drag not taken off: ``most`` and ``least`` of the tyres beside a lateral
    force, ``held`` with all that the brakes give; with a drive force of ``full`` [m/s2] the engine gives
    ``level + rise * full``.
    """

    most: Array
    least: Array
    held: Array
    level: Array
    rise: Array


class Lookup:
    """Tables of R grip scales, S even speeds, N loads and K lateral forces, in units of the load times the grip scale."""

    def __init__(self, envelope: TrimEnvelope) -> None:
        speeds = envelope.speeds
        count = int(np.ceil((speeds[-1] - speeds[0]) / SPEED_STEP)) + 1
        self.first, self.step = float(speeds[0]), float(speeds[-1] - speeds[0]) / (count - 1)
        even = np.linspace(speeds[0], speeds[-1], count)
        low = np.clip(np.searchsorted(speeds, even, side="right") - 1, 0, speeds.size - 2)
        ahead = (even - speeds[low]) / (speeds[low + 1] - speeds[low])
        self.envelope, self.normals, self.grips, self.count = (
            envelope,
            envelope.normals,
            envelope.grips,
            count,
        )

        def between(table: Array) -> Array:
            share = ahead.reshape(1, -1, *(1,) * (table.ndim - 2))
            return np.asarray((1.0 - share) * table[:, low] + share * table[:, low + 1])

        self.lat_most = between(envelope.lat_most)
        self.nodes = envelope.long.shape[3]
        self._pairs = _neighbours(_columns(envelope, even, between(envelope.long), between(envelope.effort)))

    def lateral_most(self, speed: Array, normal: Array, grip: Array) -> Array:
        """Largest lateral specific force [m/s2] with engine and brakes no limit."""
        share = sum(
            weight * self.lat_most.ravel()[index] for index, weight in self._corners(speed, normal, grip)
        )
        return np.asarray(share * self.envelope.load(speed, normal) * grip)

    def range(self, speed: Array, normal: Array, lateral: Array, grip: Array) -> Range:
        """Longitudinal forces beside a lateral one [m/s2]; a lateral force out of reach counts as the largest one."""
        columns = np.empty((COLUMNS, speed.size))
        for first in range(0, speed.size, BLOCK):
            some = slice(first, first + BLOCK)
            self._block(speed[some], normal[some], lateral[some], grip[some], columns[:, some])
        return Range(*columns)

    def _block(self, speed: Array, normal: Array, lateral: Array, grip: Array, columns: Array) -> None:
        corners = self._corners(speed, normal, grip)
        flat = self.lat_most.ravel()
        scale = self.envelope.load(speed, normal) * grip
        most = sum(weight * flat[index] for index, weight in corners) * scale
        place = np.arcsin(np.minimum(np.abs(lateral) / np.maximum(most, 1e-9), 1.0)) * (
            (self.nodes - 1) / (0.5 * np.pi)
        )
        low = np.minimum(place.astype(np.int64), self.nodes - 2)
        pair = np.zeros((speed.size, 2 * COLUMNS))
        for index, weight in corners:
            pair += weight[:, None] * self._pairs.take(index * (self.nodes - 1) + low, axis=0)
        ahead = (place - low)[:, None]
        columns[...] = (pair[:, :COLUMNS] + ahead * (pair[:, COLUMNS:] - pair[:, :COLUMNS])).T
        columns[:-1] *= scale

    def _corners(self, speed: Array, normal: Array, grip: Array) -> list[tuple[Index, Array]]:
        """Condition numbers around each point and their weights (linear in each axis, held at the ends)."""
        place = np.clip((speed - self.first) / self.step, 0.0, self.count - 1.0)
        v = np.minimum(place.astype(np.int64), self.count - 2)
        fast, slow = place - v, 1.0 - (place - v)
        n, heavy = bracket(self.normals, normal)
        base, width = v * self.normals.size + n, self.normals.size
        light = 1.0 - heavy
        four = [
            (base, slow * light),
            (base + 1, slow * heavy),
            (base + width, fast * light),
            (base + width + 1, fast * heavy),
        ]
        if self.grips.size == 1:
            return four
        low, ahead = bracket(self.grips, grip)
        block = self.count * width
        return [
            (index + (low + step) * block, weight * share)
            for index, weight in four
            for step, share in ((0, 1.0 - ahead), (1, ahead))
        ]


def _columns(envelope: TrimEnvelope, speeds: Array, long: Array, effort: Array) -> Array:
    """The columns of ``Range``, (R, S, N, K, COLUMNS), from tables of force and effort (R, S, N, K, C)."""
    from lapwright.baseline.envelope import Blend

    full, brakes = envelope.efforts(speeds)
    load = envelope.load(speeds[:, None], envelope.normals[None, :])
    scale = load * envelope.grips[:, None, None]
    shape = long.shape[:4]
    flat = Blend(np.zeros(0), long.reshape(-1, long.shape[4]), effort.reshape(-1, long.shape[4]), None)
    asked, held = (
        np.broadcast_to((part[None, :, None] / scale)[..., None], shape).ravel() for part in (full, brakes)
    )
    driven, rise = flat.at_effort(asked)
    columns = [flat.long[:, -1], flat.long[:, 0], flat.at_effort(held)[0], driven - rise * asked, rise]
    return np.stack(columns, axis=-1).reshape(*shape, COLUMNS)


def _neighbours(columns: Array) -> Array:
    """Rows of the columns at a lateral force and at the next one, side by side: (R S N (K - 1), 2 COLUMNS)."""
    both = np.concatenate([columns[..., :-1, :], columns[..., 1:, :]], axis=-1)
    return both.reshape(-1, 2 * COLUMNS)


def bracket(nodes: Array, value: Array) -> tuple[Index, Array]:
    """Lower node and share of the way to the next, held at the ends."""
    if nodes.size == 1:
        return np.zeros(np.shape(value), dtype=np.int64), np.zeros(np.shape(value))
    low = np.clip(np.searchsorted(nodes, value, side="right") - 1, 0, nodes.size - 2)
    ahead = (value - nodes[low]) / (nodes[low + 1] - nodes[low])
    return low, np.clip(ahead, 0.0, 1.0)
