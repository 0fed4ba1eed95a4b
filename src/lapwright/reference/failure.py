"""Why a problem was not solved, in words: which limit, where on the lap, what to try."""

from __future__ import annotations

import numpy as np

from lapwright.baseline.quick import quick_speed_profile
from lapwright.problem.lap import EndState
from lapwright.quantities import KMH
from lapwright.reference.limits import limits_near
from lapwright.solver.solution import Solution
from lapwright.track.track import Track
from lapwright.vehicle.parameters import AnyVehicle

WORDS = {
    "n": "moving across the road",
    "xi": "turning with the road",
    "u": "slowing down or speeding up",
    "v": "sliding sideways",
    "r": "yawing",
    "delta": "steering",
    "pedal": "moving the pedals",
    "accel_long": "moving load between the axles",
    "accel_lat": "moving load between the sides",
}


def why_not(solution: Solution, track: Track, vehicle: AnyVehicle, start: EndState) -> str:
    """Sentences about a failed solve.

    Parameters
    ----------
    solution
        The failed one.
    track, vehicle, start
        What it was asked for.
    """
    station, what, size = _worst(solution)
    lines = [f"no solution: {solution.status.words} (after {solution.iterations} iterations)."]
    lines.append(
        f"Worst at {station:.0f} m{_corner_words(track, station)}: {what} misses by {size:.2g} (scaled)."
    )
    near = limits_near(solution, station)
    if near:
        lines.append("Limits reached around there: " + ", ".join(limit.name for limit in near) + ".")
    advice = [limit.advice for limit in near if limit.advice]
    if solution.status.advice and not advice:
        advice = [solution.status.advice]
    fast = too_fast(track, vehicle, start)
    if fast:
        lines.append(fast)
    if advice:
        lines.append("What to try: " + "; ".join(dict.fromkeys(advice)) + ".")
    return "\n".join(lines)


def _worst(solution: Solution) -> tuple[float, str, float]:
    nlp = solution.nlp
    model, layout = nlp.problem.model, nlp.layout
    rows = nlp.evaluator.rows(solution.x, solution.p)
    missed = np.nan_to_num(np.maximum(rows - nlp.row_upper, nlp.row_lower - rows), nan=np.inf)
    place = int(np.argmax(missed))
    for index, names in (
        (layout.defects, [WORDS.get(v.name, v.name) for v in model.states]),
        (layout.balances, list(model.balances)),
        (layout.limits, [limit.name for limit in model.limits]),
    ):
        found = np.argwhere(index == place)
        if len(found):
            k, j, i = found[0]
            return float(nlp.stations[k, j]), names[i], float(missed[place])
    raise AssertionError("every row belongs to a block")


def _corner_words(track: Track, station: float) -> str:
    for corner in track.corners:
        inside = corner.start <= station <= corner.end
        if corner.start > corner.end:
            inside = station >= corner.start or station <= corner.end
        if inside:
            return f" ({corner.name})"
    ahead = [c for c in track.corners if c.start >= station]
    return f" (before {ahead[0].name})" if ahead else ""


def too_fast(track: Track, vehicle: AnyVehicle, start: EndState) -> str:
    """A word about the start speed when even a quasi-steady car could not slow down in time."""
    if track.closed or start.speed is None:
        return ""
    most = float(quick_speed_profile(track, vehicle, np.array([0.0]))[0])
    if start.speed <= most:
        return ""
    return (
        f"The road is entered at {start.speed:.1f} m/s ({start.speed * KMH:.0f} km/h); a rough estimate "
        f"says that from more than about {most:.1f} m/s ({most * KMH:.0f} km/h) the car cannot slow "
        "down in time: try a lower --start-speed-mps."
    )
