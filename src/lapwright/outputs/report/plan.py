"""The road from above, as the points that the map of a report draws."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lapwright.lap.lap import Array
from lapwright.outputs.report.markup import plain
from lapwright.track.track import Track

STEP = 3.0
"""Distance between the points of the edges [m]."""

WIDEST = 34.0
"""Width of the band where most time is lost for each metre [pixels]."""

NAME_OUT, RANK_OUT = 34.0, 24.0
"""How far beside the road names and numbers stand [pixels]."""


def plan_of(record: Mapping[str, Any], track: Track, origin: tuple[float, float]) -> dict[str, Any]:
    """Points of the map, x and y counted from ``origin`` [m].

    Returns
    -------
    dict
        "x", "y" (outline of the surface), "edges", "lost" (where the first driver loses time: the more for each metre, the
        wider), "line" (start/finish, or the start), "names" (of corners), "ranks" (numbers of the findings).
    """
    s = np.linspace(0.0, track.length, max(int(track.length / STEP), 8) + 1)
    road = track.road(s)
    left = _from(track.to_world(s, road.width_left), origin)
    right = _from(track.to_world(s, -road.width_right), origin)
    outline = np.concatenate([left, right[:, ::-1]], axis=1)
    start = np.stack([left[:, 0], right[:, 0]], axis=1)
    middle = start.mean(axis=1, keepdims=True)
    line = middle + 1.8 * (start - middle)
    driver = record["drivers"][0]
    return {
        "x": outline[0],
        "y": outline[1],
        "edges": {"x": [left[0], right[0]], "y": [left[1], right[1]]},
        "line": (line[0], line[1]),
        "lost": _lost(driver["parts"], track, origin),
        "names": _names(driver["corners"], track, origin),
        "ranks": _ranks(driver["findings"], track, origin),
    }


def _from(points: Sequence[Array], origin: tuple[float, float]) -> Array:
    return np.stack([points[0] - origin[0], points[1] - origin[1]])


def _lost(
    parts: Sequence[Mapping[str, Any]], track: Track, origin: tuple[float, float]
) -> dict[str, list[Any]]:
    """A band along every part in which time is lost."""
    found: dict[str, list[Any]] = {"x": [], "y": [], "width": []}
    spans = [(part, _span(part, track)) for part in parts]
    rates = [max(part["difference_s"] or 0.0, 0.0) / max(end - start, 1.0) for part, (start, end) in spans]
    most = max(rates, default=0.0)
    for rate, (_, (start, end)) in zip(rates, spans, strict=True):
        if rate <= 0.02 * most or most <= 0.0:
            continue
        s = np.linspace(start, end, max(int((end - start) / STEP), 2) + 1)
        x, y = _from(track.to_world(_wrapped(s, track), np.zeros(s.size)), origin)
        found["x"].append(x)
        found["y"].append(y)
        found["width"].append(6.0 + (WIDEST - 6.0) * rate / most)
    return found


def _span(part: Mapping[str, Any], track: Track) -> tuple[float, float]:
    start, end = float(part["start_m"]), float(part["end_m"])
    return (start, end + track.length) if end < start and track.closed else (start, end)


def _wrapped(s: Array, track: Track) -> Array:
    return np.asarray(track.wrap(s)) if track.closed else np.clip(s, 0.0, track.length)


def _beside(
    at: float, track: Track, origin: tuple[float, float], out: float, left: bool
) -> tuple[float, float, float, float]:
    """A point of an edge, and the way from there away from the road [pixels, y downward]."""
    station = _wrapped(np.array([at]), track)
    road = track.road(station)
    width = road.width_left if left else -road.width_right
    x, y = _from(track.to_world(station, width), origin)
    away = float(road.heading[0]) + (np.pi / 2 if left else -np.pi / 2)
    return float(x[0]), float(y[0]), out * float(np.cos(away)), -out * float(np.sin(away))


def _names(
    corners: Sequence[Mapping[str, Any]], track: Track, origin: tuple[float, float]
) -> dict[str, list[Any]]:
    """Names on the outside of the corners."""
    found: dict[str, list[Any]] = {"x": [], "y": [], "dx": [], "dy": [], "name": []}
    for corner in corners:
        start, end = _span(corner, track)
        name = plain(corner["name"])
        left = not str(corner["direction"]).startswith("left")
        x, y, dx, dy = _beside(0.5 * (start + end), track, origin, NAME_OUT, left)
        wide = 1.0 + 0.1 * len(
            name
        )  # a long name is set farther out to the side, where half of it reaches back
        for key, value in zip(found, (x, y, wide * dx, dy, name), strict=True):
            found[key].append(value)
    return found


def _ranks(
    findings: Sequence[Mapping[str, Any]], track: Track, origin: tuple[float, float]
) -> dict[str, list[Any]]:
    """The number of each finding where it happens, beside the left edge; those of one place stand one behind another."""
    found: dict[str, list[Any]] = {"x": [], "y": [], "dx": [], "dy": [], "rank": []}
    taken: list[float] = []
    for finding in findings:
        at = float(finding["from_m"])
        near = sum(abs(at - other) < 45.0 for other in taken)
        taken.append(at)
        x, y, dx, dy = _beside(at, track, origin, RANK_OUT * (1 + near), True)
        for key, value in zip(found, (x, y, dx, dy, str(finding["rank"])), strict=True):
            found[key].append(value)
    return found
