"""The best setup within bounds: a search on laps that are solved anew, led by their multipliers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import minimize

from lapwright.driver.shares import running
from lapwright.errors import NoSolutionError
from lapwright.lap.corners import corner_reports
from lapwright.lap.lap import Array
from lapwright.lap.resample import lap_at
from lapwright.lap.spans import Span, growth, leaves
from lapwright.reference.kept import KeptLap
from lapwright.reference.solve import ReferenceLap, solve_again
from lapwright.study.balance import BestSetup, Chosen
from lapwright.study.effects import slopes_of
from lapwright.study.entry import Entry, entries_of
from lapwright.study.numbers import SetupNumber
from lapwright.track.track import Track
from lapwright.vehicle.parameters import Vehicle

ACCURACY = 2e-5
"""Gain [s] below which the search ends."""

MOST_STEPS = 30
"""Steps of a search at most."""

MOST_SOLVES = 40
"""Laps of a search at most, and as many again for each number: one whose limits cannot be kept would go on and on."""

ROUNDS, WORTH_ANOTHER = 4, 2e-4
"""Searches one after the other at most, and the gain [s] of one from which another begins where it ended, with its idea of
the curvature forgotten: laps bend where a limit comes or goes, and a search may take such a bend for the bottom."""

PROBE = 0.02
"""Share of a number's range by which it is moved to see what it does to the stability."""

SLACK_SHARE = 0.005
"""Share of the doublings over the limit that still counts as kept."""

AT_BOUND = 1e-3
"""Share of its range from a bound within which a number counts as on it."""

REFUSED = 5.0
"""Seconds that a setup without a solution is taken to cost."""


@dataclass(frozen=True)
class Bounded:
    """A number and the bounds that it may move between, in the unit of the file."""

    number: SetupNumber
    low: float
    high: float


class _EnoughError(Exception):
    """A search has had its laps."""


class _Search:
    """Laps by setup, each solved once, from the nearest that is known."""

    def __init__(
        self,
        result: ReferenceLap,
        track: Track,
        choices: Sequence[Bounded],
        progress: Callable[[str], None] | None,
    ) -> None:
        assert isinstance(result.vehicle, Vehicle)
        self.result, self.track, self.choices, self.progress = result, track, choices, progress
        self.vehicle = result.vehicle
        self.low = np.array([c.low for c in choices])
        self.span = np.array([c.high - c.low for c in choices])
        own = (np.array([c.number.value(self.vehicle) for c in choices]) - self.low) / self.span
        self.first = _rounded(own)
        self.laps: dict[bytes, tuple[Array, ReferenceLap | None]] = {}
        if np.allclose(own, self.first, rtol=0.0, atol=1e-8):
            self.laps[self.first.tobytes()] = (self.first, result)
        self.read: dict[tuple[bytes, str], tuple[Entry, ...]] = {}
        self.solves, self.best = 0, result.time

    def car(self, x: Array) -> Vehicle:
        """The car of a setup; ``x`` in shares of the ranges."""
        vehicle = self.vehicle
        for choice, value in zip(self.choices, self.low + x * self.span, strict=True):
            vehicle = choice.number.changed(vehicle, float(value))
        return vehicle

    def lap(self, x: Array) -> ReferenceLap | None:
        """The lap of a setup, None without a solution."""
        x = _rounded(x)
        key = x.tobytes()
        if key not in self.laps:
            known = [(float(np.sum((at - x) ** 2)), lap) for at, lap in self.laps.values() if lap is not None]
            known.append((float(np.sum((self.first - x) ** 2)), self.result))
            nearest = min(known, key=lambda pair: pair[0])[1]
            if self.solves >= MOST_SOLVES * (1 + len(self.choices)):
                raise _EnoughError
            self.solves += 1
            try:
                lap: ReferenceLap | None = solve_again(nearest, self.track, self.car(x))
            except NoSolutionError:
                lap = None
            self.laps[key] = (x, lap)
            if lap is not None:
                self.best = min(self.best, lap.time)
            if self.progress is not None:
                self.progress(f"lap {self.solves}, quickest {self.best:.3f} s")
        return self.laps[key][1]

    def time(self, x: Array) -> float:
        """Lap time [s]."""
        lap = self.lap(x)
        return self.result.time + REFUSED if lap is None else lap.time

    def slope(self, x: Array) -> Array:
        """Its derivative by the setup [s per range]."""
        lap = self.lap(x)
        if lap is None:
            return np.zeros(len(self.choices))
        found = slopes_of(lap, self.track, [c.number for c in self.choices])
        return np.asarray(found.sum(axis=1) * self.span)

    def entries(self, x: Array, only: str) -> tuple[Entry, ...]:
        """The entries of a setup's lap; none without a solution."""
        lap = self.lap(x)
        if lap is None:
            return ()
        assert isinstance(lap.vehicle, Vehicle)
        key = (_rounded(x).tobytes(), only)
        if key not in self.read:
            reports = corner_reports(lap.lap, self.track)
            self.read[key] = entries_of(self.track, lap.vehicle, lap.lap, reports, only)
        return self.read[key]


def _rounded(x: Array) -> Array:
    """A setup as it is remembered."""
    return np.clip(np.round(x, 9), 0.0, 1.0)


def find_best(
    result: ReferenceLap,
    known: KeptLap,
    track: Track,
    choices: Sequence[Bounded],
    spans: Sequence[Span],
    *,
    most_doublings: float | None = None,
    only: str = "",
    progress: Callable[[str], None] | None = None,
) -> BestSetup:
    """The setup with the least lap time within bounds, near the car as it is.

    Sequential quadratic programming (Kraft, DFVLR-FB 88-28 (1988), as in ``scipy.optimize.minimize``) on laps that are solved
    anew, with derivatives from their multipliers. The optimum is a local one.

    Parameters
    ----------
    result, known, track
        The lap of the car as it is, what is kept of it, and the road.
    choices
        The numbers that may change, and their bounds.
    spans
        The pieces of the lap.
    most_doublings
        How often a deviation may double on all entries together (``Entry.doublings``) if nobody caught it; None for no limit.
    only
        Name of the one corner whose entry the limit is for; empty for all.
    progress
        Called with a few words after each solve.
    """
    search = _Search(result, track, choices, progress)
    limit = _Limit(search, most_doublings, only)
    try:
        words = _searched(search, limit)
    except _EnoughError:
        words = f"{search.solves} laps were not enough"
    return _told(search, _pick(search, limit), known, spans, limit, words)


def _searched(search: _Search, limit: _Limit) -> str:
    """Search until nothing more is gained; words when a search did not end well."""
    x, words = search.first, ""
    for _ in range(ROUNDS):
        found = minimize(
            search.time,
            x,
            jac=search.slope,
            bounds=[(0.0, 1.0)] * len(search.choices),
            constraints=limit.constraints(),
            method="SLSQP",
            options={"ftol": ACCURACY, "maxiter": MOST_STEPS},
        )
        words = "" if found.success else str(found.message)
        before, x = search.time(x), _pick(search, limit)
        if before - search.time(x) < WORTH_ANOTHER or not limit.kept(search.entries(x, limit.only)):
            break
    return words


class _Limit:
    """What the stability of the entries must keep."""

    def __init__(self, search: _Search, most: float | None, only: str) -> None:
        self.search, self.most, self.only = search, most, only

    def constraints(self) -> list[dict[str, Any]]:
        """As ``scipy.optimize.minimize`` takes them."""
        if self.most is None:
            return []
        return [{"type": "ineq", "fun": self._room, "jac": self._room_slope}]

    def _room(self, x: Array) -> float:
        """Share of the limit that is left."""
        return -self.excess(self.search.entries(x, self.only))

    def _room_slope(self, x: Array) -> Array:
        here, found = self._room(x), np.zeros(x.size)
        for i in range(x.size):
            moved = x.copy()
            moved[i] += PROBE if x[i] + PROBE <= 1.0 else -PROBE
            found[i] = (self._room(moved) - here) / (moved[i] - x[i])
        return found

    def excess(self, entries: Sequence[Entry]) -> float:
        """Share by which the limit is broken; 0 or less when it is kept."""
        if self.most is None:
            return 0.0
        return sum(e.doublings for e in entries) / max(self.most, 1e-9) - 1.0

    def kept(self, entries: Sequence[Entry]) -> bool:
        """Whether it is, within ``SLACK_SHARE``."""
        return self.excess(entries) <= SLACK_SHARE


def _pick(search: _Search, limit: _Limit) -> Array:
    """The quickest of all setups solved that keep the limit; when none does, the one that breaks it least.

    The last step of a search need not be the best one.
    """
    tried = [(at, lap) for at, lap in search.laps.values() if lap is not None]
    if not tried:
        raise NoSolutionError("none of the setups that were tried within the bounds has a lap")
    tried.sort(key=lambda pair: pair[1].time)
    for at, _ in tried:
        if limit.kept(search.entries(at, limit.only)):
            return at
    return min(tried, key=lambda pair: limit.excess(search.entries(pair[0], limit.only)))[0]


def _told(
    search: _Search, x: Array, known: KeptLap, spans: Sequence[Span], limit: _Limit, words: str
) -> BestSetup:
    lap = search.lap(x)
    assert lap is not None and isinstance(lap.vehicle, Vehicle)
    slopes = search.slope(x) / search.span
    run = running(lap_at(lap.lap, known.lap.s), known.lap, known)
    parts = tuple(growth(run.s, run.value, leaf.start, leaf.end) for _, leaf in leaves(spans))
    return BestSetup(
        chosen=tuple(
            _chosen(search, choice, float(x[i]), float(slopes[i])) for i, choice in enumerate(search.choices)
        ),
        vehicle=lap.vehicle,
        before=search.result.time,
        after=lap.time,
        parts=parts,
        entries=search.entries(x, ""),
        most_doublings=limit.most,
        held=limit.kept(search.entries(x, limit.only)),
        solves=search.solves,
        words=words,
    )


def _chosen(search: _Search, choice: Bounded, x: float, slope: float) -> Chosen:
    """A number of the answer; ``slope`` [s per unit of the file]."""
    at = "low" if x < AT_BOUND else "high" if x > 1.0 - AT_BOUND else ""
    step = choice.number.step * (-1.0 if at == "low" else 1.0)
    return Chosen(
        number=choice.number,
        before=choice.number.value(search.vehicle),
        # The car's own value would be 1 for a whole table, whatever it was multiplied by.
        after=choice.low + x * (choice.high - choice.low),
        low=choice.low,
        high=choice.high,
        at_bound=at,
        further=max(-slope * step, 0.0) if at else 0.0,
    )
