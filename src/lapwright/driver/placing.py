"""Where a log's places lie on the circuit: the rotation and the shift between its axes and those of the track file.

The place of the circuit on the earth is not in the track file, so it is found: the bends of the driven trace are matched with
those of the road, and the trace is then laid on the line that it ought to have by the best rigid motion (Kabsch, Acta Cryst.
A32 (1976) 922) of nearest points, again and again (Besl & McKay, IEEE Trans. PAMI 14 (1992) 239) [both from memory].
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.lap.lap import Lap
from lapwright.track.track import Track

Array = NDArray[np.float64]

STEP = 5.0
"""Spacing [m] of the points by which a trace is matched."""

CHORD = 20.0
"""Length [m] over which the direction of a trace is told."""

TRIES = 8
"""Places round the circuit from which the trace is laid on it."""

MOST_PIECES = 12
"""Pieces of a long trace that are tried on an open road."""

ROUNDS = 60
"""Rounds of nearest points at the most."""

MOST_POINTS = 3000
"""Points of a trace that are laid on the road."""

KEPT = 0.9
"""Share of the points, the nearest ones, that count in a round: pits, spins and outliers do not."""

BACKWARD = 0.6
"""Share of a trace that runs against the road when it is driven the other way round. Over an open road the car comes back as
far as it went."""

AS_THEY_ARE = "the log is in the circuit file's own axes"

NEAR = 15.0
"""Median distance from the middle of the road [m] up to which a trace counts as driven on it."""


@dataclass(frozen=True)
class Placing:
    """A rigid motion from a log's axes to those of the track: z -> turn z + shift, in the complex plane.

    Attributes
    ----------
    turn : e^(i angle); shift : [m]
    off : (2,) median and 95th percentile of the distance from the line that the trace was laid on [m]
    words : how it was found
    backward : True when the trace runs against the road's direction
    """

    turn: complex
    shift: complex
    off: tuple[float, float]
    words: str
    backward: bool = False

    def apply(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Places in the track's axes [m]."""
        moved = self.turn * (x + 1j * y) + self.shift
        return moved.real, moved.imag


def place_on(track: Track, x: Array, y: Array, geographic: bool, target: Lap | None = None) -> Placing:
    """Lay a trace on a road.

    Parameters
    ----------
    track
        The road.
    x, y
        (M,) places in driving order [m]; pieces where the car stands are allowed.
    geographic
        True when the axes are east and north: the track's own axes are then not even tried.
    target
        A lap whose line the trace is laid on; the centreline when left out. A real line is nearer to it.

    Returns
    -------
    The best motion found; whether it is good enough is for the caller to say (``off``).
    """
    line = _line(track, target)
    trace = _even(x + 1j * y)
    if trace.size < 8:
        return Placing(1.0, 0.0, (np.inf, np.inf), "too short a trace")
    if not geographic:
        off = _off(line, _thinned(trace))
        if off[0] <= NEAR:
            backward = _backward(line, trace)
            return Placing(1.0, 0.0, off, AS_THEY_ARE, backward)
    best: Placing | None = None
    for points in (trace, trace[::-1]):
        for turn, shift in _starts(line, points, track.closed):
            found = _laid(line, _thinned(points), turn, shift)
            if best is None or found.off[0] < best.off[0]:
                best = found
    assert best is not None
    # Nearest points know nothing of a direction: a trace may have come to lie on the road against it.
    return replace(best, backward=_backward(line, best.turn * trace + best.shift))


def _line(track: Track, target: Lap | None) -> NDArray[np.complex128]:
    """Points of the line every ``STEP`` metres."""
    count = max(round(track.length / STEP), 16)
    s = np.linspace(0.0, track.length, count + 1)
    if track.closed:
        s = s[:-1]
    if target is not None:
        n = np.interp(s, target.s, target.n)
        x, y, _ = track.to_world(s, n)
        return np.asarray(x + 1j * y)
    return np.asarray(track.curve.place(s))


def _even(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """A trace smoothed over some points and read every ``STEP`` metres of its way."""
    z = z[np.isfinite(z)]
    if z.size < 8:
        return z
    # Noise makes a way longer: points nearer than a step to the one before are left out first.
    kept = [0]
    for i in range(1, z.size):
        if abs(z[i] - z[kept[-1]]) >= STEP:
            kept.append(i)
    z = z[kept]
    if z.size < 8:
        return z
    soft = np.convolve(np.pad(z, 2, mode="edge"), np.full(5, 0.2), "valid")
    way = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(soft)))])
    at = np.arange(0.0, way[-1], STEP)
    return np.interp(at, way, soft.real) + 1j * np.interp(at, way, soft.imag)


def _thinned(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    return z[:: max(1, -(-z.size // MOST_POINTS))]


def _turning(z: NDArray[np.complex128], closed: bool) -> Array:
    """Change of direction from chord to chord at every point [rad]."""
    k = round(CHORD / STEP)
    if closed:
        before, after = z - np.roll(z, k), np.roll(z, -k) - z
    else:
        padded = np.pad(z, k, mode="reflect", reflect_type="odd")
        before, after = z - padded[: z.size], padded[2 * k :] - z
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.nan_to_num(np.angle(after / before))


def _starts(
    line: NDArray[np.complex128], trace: NDArray[np.complex128], closed: bool
) -> list[tuple[complex, complex]]:
    """Motions by which a piece of the trace lies on the line where both bend alike, the likeliest first."""
    length = min(line.size, trace.size)
    # Any lap of a closed road will do; over an open one a piece may be half a run and half the way back.
    spare = trace.size - length
    firsts = [spare // 2] if closed else list(range(0, spare + 1, max(length // 4, 1)))[:MOST_PIECES]
    return [start for first in firsts for start in _starts_of(line, trace[first : first + length], closed)]


def _starts_of(
    line: NDArray[np.complex128], piece: NDArray[np.complex128], closed: bool
) -> list[tuple[complex, complex]]:
    """The same for one piece that is no longer than the line."""
    length = piece.size
    road, bends = _turning(line, closed), _turning(piece, False)
    size = line.size + length
    likeness = np.fft.irfft(np.fft.rfft(road, 2 * size) * np.conj(np.fft.rfft(bends, 2 * size)), 2 * size)
    if closed:
        shifts = np.arange(line.size)
        score = likeness[: line.size].copy()
        score[1:] += likeness[2 * size - line.size + 1 :]
    else:
        shifts = np.arange(-(length // 2), line.size - length // 2)
        score = likeness[shifts]
    found: list[tuple[complex, complex]] = []
    taken: list[int] = []
    for index in np.argsort(-score):
        shift = int(shifts[index])
        if any(abs(shift - other) < 6 for other in taken):
            continue
        taken.append(shift)
        rows = np.arange(length) + shift
        ok = np.ones(length, dtype=bool) if closed else (rows >= 0) & (rows < line.size)
        if np.sum(ok) >= 8:
            found.append(_motion(piece[ok], line[rows[ok] % line.size]))
        if len(taken) >= TRIES:
            break
    return found


def _motion(points: NDArray[np.complex128], goals: NDArray[np.complex128]) -> tuple[complex, complex]:
    """The rotation and shift that bring points to their goals with the least squares."""
    a, b = points.mean(), goals.mean()
    cross = np.sum(np.conj(points - a) * (goals - b))
    turn = cross / abs(cross) if abs(cross) > 0.0 else 1.0 + 0.0j
    return complex(turn), complex(b - turn * a)


def _laid(
    line: NDArray[np.complex128],
    points: NDArray[np.complex128],
    turn: complex,
    shift: complex,
) -> Placing:
    """Nearest points, the best motion to them, and again."""
    from scipy.spatial import cKDTree

    tree = cKDTree(np.column_stack([line.real, line.imag]))
    tangent = np.gradient(line)
    tangent /= np.abs(tangent)
    for _ in range(ROUNDS):
        moved = turn * points + shift
        distance, index = tree.query(np.column_stack([moved.real, moved.imag]))
        near = distance <= np.quantile(distance, KEPT)
        # The nearest place of the line lies between its points: along it the trace is free.
        along = ((moved - line[index]) * np.conj(tangent[index])).real
        goal = line[index] + np.clip(along, -STEP, STEP) * tangent[index]
        new_turn, new_shift = _motion(points[near], goal[near])
        still = abs(new_turn - turn) < 1e-7 and abs(new_turn * points[0] + new_shift - moved[0]) < 1e-3
        turn, shift = new_turn, new_shift
        if still:
            break
    off = _off(line, turn * points + shift)
    return Placing(turn, shift, off, "laid on the circuit by its bends")


def _off(line: NDArray[np.complex128], points: NDArray[np.complex128]) -> tuple[float, float]:
    from scipy.spatial import cKDTree

    tree = cKDTree(np.column_stack([line.real, line.imag]))
    index = tree.query(np.column_stack([points.real, points.imag]))[1]
    tangent = np.gradient(line)
    apart = (points - line[index]) * np.conj(tangent[index] / np.abs(tangent[index]))
    # Across the line; along it only what is beyond its next point.
    distance = np.hypot(apart.imag, np.maximum(np.abs(apart.real) - STEP, 0.0))
    return float(np.median(distance)), float(np.quantile(distance, 0.95))


def _backward(line: NDArray[np.complex128], trace: NDArray[np.complex128]) -> bool:
    """Whether a trace in the circuit's own axes runs against its direction."""
    from scipy.spatial import cKDTree

    tree = cKDTree(np.column_stack([line.real, line.imag]))
    index = tree.query(np.column_stack([trace.real, trace.imag]))[1]
    tangent = np.gradient(line)
    way = np.gradient(trace)
    return bool(np.mean((way * np.conj(tangent[index])).real < 0.0) > BACKWARD)
