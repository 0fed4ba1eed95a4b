"""An invented history of a solve, in the shape that the page for the sceptic reads."""

import numpy as np

from lapwright.lap.lap import Lap
from lapwright.reference.evidence import Evidence, LimitUse, active_stretches


def invented_evidence(lap: Lap) -> Evidence:
    k = np.arange(58)
    wobble = np.exp(0.8 * np.sin(7.0 * k) * np.cos(3.0 * k))
    middle = 0.5 * (lap.s[1:] + lap.s[:-1])
    bend = np.abs(np.interp(middle, lap.s, lap.curvature))
    grip = lap.grip_use > 0.93
    uses = [
        ("grip, front left", grip[:, 0], 1.21),
        ("grip, front right", grip[:, 1], 0.93),
        ("grip, rear left", grip[:, 2], 1.74),
        ("grip, rear right", grip[:, 3], 1.12),
        ("road edge, left", lap.n > 4.3, 0.62),
        ("road edge, right", lap.n < -4.3, 0.71),
        ("engine power", lap.throttle >= 1.0, 3.10),
        ("brake pressure", lap.brake >= 1.0, 0.04),
        ("brake rise time", np.gradient(lap.brake, lap.t) > 4.0, 0.02),
        ("hand-wheel rate", np.abs(np.gradient(lap.steering_wheel, lap.t)) > 3.0, 0.0002),
        ("hand-wheel travel", np.zeros(lap.s.size, bool), 0.0),
    ]
    return Evidence(
        solver="IPOPT 3.14.19",
        objective=lap.time + 9.0 * np.exp(-0.25 * k),
        primal_infeasibility=2.0 * np.exp(-0.35 * k) * wobble,
        dual_infeasibility=8.0 * np.exp(-0.32 * k) * wobble**2,
        barrier=10.0 ** -np.floor(np.minimum(k / 8.0, 7.0)),
        nodes=lap.s,
        mesh_error=2e-6 * (1.0 + 400.0 * bend) ** 2,
        tolerance=5e-3,
        limits=tuple(LimitUse(n, active_stretches(lap.s, np.asarray(a)), c) for n, a, c in uses),
    )
