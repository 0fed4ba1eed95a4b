"""Logs made from a known lap: sampled in time, with the noise that is asked for. What was driven is then known exactly."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d

from lapwright.driver.log import Log, Signal

ALL = (
    "speed", "x", "y", "brake_pressure", "throttle", "steering_wheel", "gear", "accel_long", "accel_lat", "yaw_rate",
)  # fmt: skip


def log_of(
    lap, *, rate=100.0, fixes=10.0, white=0.0, wander=0.0, turn=0.0, shift=0.0, laps=1.0, begin=0.0, speed_noise=0.0,
    scale=1.0, seed=0, geographic=False, names=ALL,
):  # fmt: skip
    """A log of ``laps`` laps from ``begin`` seconds into one, its places turned [rad] and shifted [complex, m]."""
    random = np.random.default_rng(seed)
    t = np.arange(0.0, laps * lap.time + 1e-9, 1.0 / rate)
    if laps == 1.0 and not begin:
        t = np.append(t, lap.time) if lap.time - t[-1] > 1e-6 else t
        at = t
    else:
        at = (t + begin) % lap.time
    rows = np.arange(t.size)

    def channel(name):
        return PchipInterpolator(lap.t, getattr(lap, name))(at)

    signals = {}
    for name in names:
        if name in ("x", "y"):
            continue
        values = channel(name) if name != "gear" else np.rint(np.interp(at, lap.t, lap.gear))
        if name == "speed":
            values = scale * values + speed_noise * random.standard_normal(t.size)
        signals[name] = Signal(t, values, rows, 1, name)
    if "x" in names:
        pick = rows[:: max(round(rate / fixes), 1)]
        if pick[-1] != rows[-1] and not white:
            pick = np.append(pick, rows[-1])

        def noise():
            slow = gaussian_filter1d(random.standard_normal(pick.size + 4000), 20.0 * fixes)[
                2000 : 2000 + pick.size
            ]
            return white * random.standard_normal(pick.size) + (wander * slow / slow.std() if wander else 0.0)

        z = (channel("x") + 1j * channel("y"))[pick] + noise() + 1j * noise()
        z = z * np.exp(1j * turn) + shift
        signals["x"] = Signal(t[pick], z.real, pick, 2, "x")
        signals["y"] = Signal(t[pick], z.imag, pick, 3, "y")
    return Log("made.csv", "made", signals, geographic, rows + 2)


def without(log, *names):
    """The log without some channels."""
    return Log(
        log.file,
        log.driver,
        {k: v for k, v in log.signals.items() if k not in names},
        log.geographic,
        log.line,
    )


def cut(signal, keep):
    """A channel with the samples for which ``keep`` (of its times) holds."""
    rows = keep(signal.t)
    return Signal(
        signal.t[rows], signal.values[rows], signal.row[rows], signal.column, signal.title, signal.switch
    )
