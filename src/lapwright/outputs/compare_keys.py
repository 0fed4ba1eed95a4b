"""What the keys of compare.json mean; docs/nomenclature.md shows them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

COMPARE_KEYS: tuple[tuple[str, str], ...] = (
    ("track.name", "name of the track"),
    ("track.length_m", "length in plan"),
    ("track.closed", "true for a circuit"),
    ("vehicle.name", "name of the car"),
    ("reference.lap_time_s", "lap time of the optimum"),
    ("reference.mesh_error_s", "its mesh error"),
    ("reference.grip_margin", "share of the grip that it leaves unused"),
    ("drivers[].key", "driver-1 and so on, one for each log"),
    ("drivers[].name", "of the driver, from the log or its name"),
    ("drivers[].log", "file"),
    ("drivers[].lap", "number of the lap that is compared, counted in the log from 1"),
    ("drivers[].lap_time_s", "its time from line to line"),
    ("drivers[].difference_s", "that less the reference's"),
    (
        "drivers[].line_s",
        "what the line costs: the optimum on the driver's line less the reference; null without places",
    ),
    ("drivers[].inputs_s", "what pedals and wheel cost: the driver less the optimum on his line"),
    ("drivers[].line_words", "how close to the driver's line that optimum was held, or why there is none"),
    ("drivers[].have[]", "what was logged"),
    ("drivers[].withheld[]", "what is not said for want of a channel, and why"),
    ("drivers[].notices[]", "what was repaired or left out of the log, and how it was placed"),
    ("drivers[].alignment.method", "position, or distance and speed"),
    ("drivers[].alignment.stretch", "distance by the speed channel over that on the road, less one"),
    ("drivers[].alignment.closing_m", "what that makes in a lap"),
    ("drivers[].alignment.clock_s", "line crossing later than the log's own lap counter; null without one"),
    ("drivers[].alignment.median_off_m", "distance of the raw places from the road, half of them are nearer"),
    ("drivers[].alignment.worst_off_m", "the farthest"),
    ("drivers[].alignment.filter", "the filter of the places, in words"),
    ("drivers[].alignment.delay_s", "its delay"),
    ("drivers[].noise.across_m", "standard deviation of the line after the filter"),
    ("drivers[].noise.raw_m", "of one place before it"),
    ("drivers[].noise.along_m", "of a station at a given time"),
    ("drivers[].noise.speed_kmh", "of the speed"),
    ("drivers[].noise.brake", "of the brake, share of full"),
    ("drivers[].noise.throttle", "of the throttle, share of full"),
    ("drivers[].noise.steering_deg", "of the hand wheel"),
    ("drivers[].laps[].lap", "number"),
    ("drivers[].laps[].time_s", "from line to line; null for a lap without"),
    ("drivers[].laps[].status", "whole, out-lap, in-lap, stopped, missing piece, off the road or wrong way"),
    ("drivers[].laps[].why", "why it is not whole"),
    ("drivers[].laps[].compared", "true for the one that is compared"),
    ("drivers[].parts[].kind", "corner, straight or phase"),
    ("drivers[].parts[].name", "of the corner, or of the straight by the corner it leads to"),
    ("drivers[].parts[].start_m", "where it begins"),
    ("drivers[].parts[].end_m", "where it ends; before its start when it runs across the line"),
    ("drivers[].parts[].driver_s", "the driver's time"),
    ("drivers[].parts[].reference_s", "the reference's time"),
    ("drivers[].parts[].difference_s", "driver less reference; the parts add up to the whole"),
    ("drivers[].parts[].line_s", "of that, what the line costs"),
    ("drivers[].parts[].inputs_s", "of that, what pedals and wheel cost"),
    (
        "drivers[].parts[].caused_s",
        "what was lost there, the speed missing at its end priced by the rest of the lap",
    ),
    ("drivers[].parts[].phases[]", "of a corner: braking (lift), entry, exit, with the same keys"),
    ("drivers[].corners[].name", "name of the corner"),
    ("drivers[].corners[].direction", "left, right, or both in order for a complex"),
    ("drivers[].corners[].start_m", "station of its start"),
    ("drivers[].corners[].end_m", "station of its end"),
    ("drivers[].corners[].driver", "readings of the driver's lap: the driver_ columns of corners.csv"),
    ("drivers[].corners[].reference", "readings of the reference: the reference_ columns of corners.csv"),
    ("drivers[].findings[].rank", "1 is the dearest"),
    ("drivers[].findings[].corner", "name of the corner"),
    ("drivers[].findings[].key", "which difference, for programs"),
    ("drivers[].findings[].words", "what was done"),
    ("drivers[].findings[].advice", "what to try"),
    ("drivers[].findings[].landmark", "where, by a landmark"),
    ("drivers[].findings[].size", "how much"),
    ("drivers[].findings[].unit", "unit of that: m, s, km/h, % or deg"),
    ("drivers[].findings[].from_m", "where it was done, from"),
    ("drivers[].findings[].to_m", "and to"),
    (
        "drivers[].findings[].loss_s",
        "what it cost: imposed by itself on the reference, no more than was lost in the corner",
    ),
    (
        "drivers[].findings[].imposed_s",
        "what it costs imposed on the reference by itself; null when that was not solved",
    ),
    ("drivers[].findings[].priced", "solved, first order, not solved or off the road"),
    (
        "drivers[].findings[].first_order_s",
        "what was lost from from_m to to_m, all causes together, by the worth of speed",
    ),
    ("drivers[].findings[].style", "true when it costs less than a hundredth"),
    ("drivers[].findings[].off_road", "true when nobody could have stayed on the road"),
    ("drivers[].along[]", "what follows from a finding (it shows when that is imposed), with the same keys"),
    ("drivers[].along[].goes_with", "words of that finding"),
    ("drivers[].style[]", "differences that cost nothing, with the same keys"),
    ("drivers[].try_next[].corner", "of the at most three things to try"),
    ("drivers[].try_next[].words", "what to try"),
    ("drivers[].try_next[].why", "what was done"),
    ("drivers[].try_next[].worth_s", "what it is worth"),
    ("drivers[].try_next[].landmark", "where"),
    ("drivers[].try_next[].finding", "rank of the finding"),
    ("drivers[].smoothness.definition", "of the measure"),
    ("drivers[].smoothness.brake[]", "corner, driver, reference"),
    ("drivers[].smoothness.steering[]", "the same of the hand wheel"),
    ("drivers[].several", "of all whole laps of the log; null for one"),
    (
        "drivers[].fair_lap_time_s",
        "the reference with the grip, power and drag that the car showed; null when as in the file",
    ),
    ("drivers[].fit", "the grip, power and drag that the car showed"),
)
"""Keys and meanings; ``several`` and ``fit`` have keys that say themselves."""


def written(value: Any, path: str = "") -> Iterator[str]:
    """Every path of a record, lists as ``[]``."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from written(item, f"{path}.{key}" if path else key)
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for item in value:
            yield from written(item, f"{path}[]")
    else:
        yield f"{path}[]" if isinstance(value, list) else path


def explained(path: str) -> bool:
    """Whether a path, or one that it lies in, is in ``COMPARE_KEYS``."""
    known = {key for key, _ in COMPARE_KEYS}
    pieces = path.split(".")
    return any(".".join(pieces[:n]) in known for n in range(1, len(pieces) + 1))
