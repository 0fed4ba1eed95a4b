"""Everybody's traces over distance: speed, brake, throttle, hand wheel, place across the road."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from lapwright.driver.session import DriverLap
from lapwright.lap.lap import Lap
from lapwright.outputs.figures.compare_frame import (
    STRIPS,
    above_key,
    draw_strip,
    headed,
    mark_corners,
    people_key,
    stack,
)
from lapwright.outputs.figures.compare_people import looks
from lapwright.outputs.figures.style import A3, styled
from lapwright.outputs.figures.traces import PAGE_LENGTH
from lapwright.track.track import Track


@styled
def draw_overlay(
    record: Mapping[str, Any], target: Lap, track: Track, drives: Sequence[DriverLap]
) -> tuple[Figure, ...]:
    """The traces on A3 pages, no more than ``traces.PAGE_LENGTH`` of road on each, cut on straights where there is one.

    Parameters
    ----------
    record
        See ``outputs.compare_record``.
    target, track, drives
        The reference, the road and the drivers' laps, in the order of the record.
    """
    people = looks(record)
    cuts = page_cuts(record, float(target.s[0]), float(target.s[-1]))
    span = max(b - a for a, b in pairwise(cuts))
    pages = []
    for number, start in enumerate(cuts[:-1], 1):
        what = "Traces" if len(cuts) == 2 else f"Traces, page {number} of {len(cuts) - 1}"
        figure = headed(A3, record, target, what)
        end = min(start + span, float(target.s[-1]))
        panels = stack(
            figure, [one.height for one in STRIPS], (start, end), (0.115, above_key(people), 0.985, 0.85)
        )
        for axes, one in zip(panels, STRIPS, strict=True):
            draw_strip(axes, one, target, drives, people, track)
        mark_corners(figure, panels, record)
        people_key(figure, people)
        pages.append(figure)
    return tuple(pages)


def page_cuts(record: Mapping[str, Any], first: float, last: float) -> list[float]:
    """Stations where pages begin and end [m]: even parts, moved to the middle of the nearest straight within a third."""
    count = int(np.ceil((last - first) / PAGE_LENGTH - 1e-9))
    straights = [
        0.5 * (part["start_m"] + part["end_m"])
        for part in record["drivers"][0]["parts"]
        if part["kind"] == "straight" and part["start_m"] < part["end_m"]
    ]
    cuts = [first]
    for i in range(1, count):
        wanted = first + (last - first) * i / count
        near = min(straights, key=lambda at: abs(at - wanted), default=wanted)
        reach = (last - first) / count / 3.0
        cuts.append(near if abs(near - wanted) < reach else wanted)
    return [*cuts, last]
