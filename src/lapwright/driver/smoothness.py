"""How smooth a movement of foot or hands is: the spectral arc length of its rate.

Balasubramanian, Melendez-Calderon, Roby-Brami & Burdet, J. NeuroEng. Rehab. 12 (2015) 112 [from memory]: the length of the
curve that the normalised magnitude spectrum of the speed profile makes up to a cut-off, negative; the nearer to zero, the
smoother. Of the measures they compare it is the one that neither the size nor the duration of a movement changes, and that
noise changes least; a jerk-based one needs two derivatives more than a log can give.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.driver.session import Noise
from lapwright.lap.lap import Lap

Array = NDArray[np.float64]

RATE, CUTOFF, THRESHOLD, PADDING = 100.0, 10.0, 0.05, 4
"""Samples a second at which a movement is read [Hz], highest frequency that counts [Hz], share of the spectrum's peak below
which the rest is left out, and powers of two by which the spectrum is made finer; all but the first as published."""

LEAST = {"brake": 0.1, "steering": 0.05}
"""Range of a channel (share of full pressure, rad) below which there is no movement to speak of."""

DEFINITION = (
    "spectral arc length of the rate of brake and hand wheel (Balasubramanian and others, J. NeuroEng. Rehab. 12:112, 2015), "
    f"up to {CUTOFF:g} Hz: negative, and the nearer to zero the smoother; a single clean movement has about -1.5, every "
    "hesitation adds a few tenths"
)


def smoothness(lap: Lap, channel: str, start: float, end: float, noise: Noise) -> float:
    """Smoothness of a channel from one station to another [-]; NaN when nothing moves there.

    Parameters
    ----------
    lap
        A lap, or a piece of one.
    channel
        "brake" or "steering".
    start, end
        Stations of ``lap`` [m].
    noise
        Of the log; a movement that is not well above it is none.
    """
    values = lap.brake if channel == "brake" else lap.steering_wheel
    rows = (lap.s >= start) & (lap.s <= end)
    if np.sum(rows) < 8 or not np.all(np.isfinite(values[rows])):
        return float("nan")
    t = lap.t[rows]
    at = np.arange(t[0], t[-1], 1.0 / RATE)
    movement = np.interp(at, t, values[rows])
    level = noise.brake if channel == "brake" else noise.steering
    least = max(LEAST[channel], 6.0 * level) if np.isfinite(level) else LEAST[channel]
    if movement.size < 16 or np.ptp(movement) < least:
        return float("nan")
    return spectral_arc_length(np.abs(np.gradient(movement, 1.0 / RATE)), RATE)


def spectral_arc_length(speed: Array, rate: float) -> float:
    """Spectral arc length of a speed profile [-], negative.

    Parameters
    ----------
    speed
        (M,) size of the velocity, evenly sampled.
    rate
        Samples a second [Hz].
    """
    size = 2 ** (int(np.ceil(np.log2(speed.size))) + PADDING)
    spectrum = np.abs(np.fft.rfft(speed, size))
    frequency = np.fft.rfftfreq(size, 1.0 / rate)
    spectrum = spectrum / spectrum.max()
    inside = frequency <= CUTOFF
    frequency, spectrum = frequency[inside], spectrum[inside]
    last = int(np.flatnonzero(spectrum >= THRESHOLD)[-1])
    frequency, spectrum = frequency[: last + 1], spectrum[: last + 1]
    if last == 0:
        return 0.0
    across = np.diff(frequency) / (frequency[-1] - frequency[0])
    return float(-np.sum(np.hypot(across, np.diff(spectrum))))
