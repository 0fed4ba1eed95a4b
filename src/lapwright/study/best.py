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
from lapwright.study.entry import BRAKING, Entry, entries_of
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

SHARP = 20.0
"""How sharply the largest growth stands out in the smooth stand-in for it, times its size [s]: (1/k) ln sum exp(k g)
(Kreisselmeier & Steinhauser, IFAC 1979 [from memory]). It never lies below the largest: on shipped circuits 0.01 to 0.1 1/s
above, so that a limit it keeps is kept."""

PROBE = 0.02
"""Share of a number's range by which it is moved to see what it does to the stability."""

SLACK = 0.05
"""Growth [1/s] over the limit that still counts as kept."""

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
        self.first = np.clip(
            (np.array([c.number.value(self.vehicle) for c in choices]) - self.low) / self.span, 0.0, 1.0
        )
        self.laps: dict[bytes, tuple[Array, ReferenceLap | None]] = {}
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

    def doublings(self, x: Array, only: str) -> float:
        """How often a deviation would double on all entries together [-]."""
        return float(sum(e.doublings for e in self.entries(x, only)))

    def growth(self, x: Array, only: str) -> float:
        """A smooth stand-in for the largest growth with the brake on in all entries [1/s]."""
        rows = [e.growth[e.brake >= BRAKING] for e in self.entries(x, only)]
        values = np.concatenate(rows) if rows else np.zeros(0)
        if not values.size:
            return 0.0
        top = float(values.max())
        return top + float(np.log(np.sum(np.exp(SHARP * (values - top))))) / SHARP


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
    most_growth: float | None = None,
    no_less_stable: bool = False,
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
    most_growth
        Largest rate [1/s] at which a deviation may grow on an entry with the brake on; None for no limit.
    no_less_stable
        Whether the entries together may have no more doublings (``Entry.doublings``) than with the car as it is.
    only
        Name of the one corner whose entry the limits are for; empty for all.
    progress
        Called with a few words after each solve.
    """
    search = _Search(result, track, choices, progress)
    limits = _Limits(search, most_growth, no_less_stable, only)
    try:
        words = _searched(search, limits)
    except _EnoughError:
        words = f"{search.solves} laps were not enough"
    return _told(search, _pick(search, limits), known, spans, limits, words)


def _searched(search: _Search, limits: _Limits) -> str:
    """Search until nothing more is gained; words when a search did not end well."""
    x, words = search.first, ""
    for _ in range(ROUNDS):
        found = minimize(
            search.time,
            x,
            jac=search.slope,
            bounds=[(0.0, 1.0)] * len(search.choices),
            constraints=limits.constraints(),
            method="SLSQP",
            options={"ftol": ACCURACY, "maxiter": MOST_STEPS},
        )
        words = "" if found.success else str(found.message)
        before, x = search.time(x), _pick(search, limits)
        if before - search.time(x) < WORTH_ANOTHER or limits.excess(search.entries(x, limits.only)) > 0.0:
            break
    return words


class _Limits:
    """What the stability of the entries must keep."""

    def __init__(self, search: _Search, most_growth: float | None, no_less_stable: bool, only: str) -> None:
        self.search, self.most_growth, self.only = search, most_growth, only
        self.most_doublings: float | None = None
        if no_less_stable:
            vehicle = search.vehicle
            reports = corner_reports(search.result.lap, search.track)
            entries = entries_of(search.track, vehicle, search.result.lap, reports, only)
            self.most_doublings = sum(e.doublings for e in entries)

    def constraints(self) -> list[dict[str, Any]]:
        """As ``scipy.optimize.minimize`` takes them."""
        found = []
        if self.most_growth is not None:
            most = self.most_growth
            found.append(self._constraint(lambda x: most - self.search.growth(x, self.only)))
        if self.most_doublings is not None:
            doublings = self.most_doublings
            found.append(self._constraint(lambda x: doublings - self.search.doublings(x, self.only)))
        return found

    def _constraint(self, room: Callable[[Array], float]) -> dict[str, Any]:
        def slope(x: Array) -> Array:
            here, found = room(x), np.zeros(x.size)
            for i in range(x.size):
                moved = x.copy()
                moved[i] += PROBE if x[i] + PROBE <= 1.0 else -PROBE
                found[i] = (room(moved) - here) / (moved[i] - x[i])
            return found

        return {"type": "ineq", "fun": room, "jac": slope}

    def excess(self, entries: Sequence[Entry]) -> float:
        """By how much the limits are broken [-]: each over its size; 0 or less when they are kept."""
        worst = 0.0
        if self.most_growth is not None:
            worst = max(worst, (_largest(entries) - self.most_growth - SLACK) / max(self.most_growth, 1.0))
        if self.most_doublings is not None:
            doublings = sum(e.doublings for e in entries)
            worst = max(worst, doublings / max(self.most_doublings, 1e-9) - 1.0 - SLACK_SHARE)
        return worst


def _pick(search: _Search, limits: _Limits) -> Array:
    """The quickest of all setups solved that keep the limits; when none does, the one that breaks them least.

    The last step of a search need not be the best one.
    """
    tried = [(at, lap) for at, lap in search.laps.values() if lap is not None]
    tried.append((search.first, search.result))
    tried.sort(key=lambda pair: pair[1].time)
    excess = []
    for at, _ in tried:
        excess.append(limits.excess(search.entries(at, limits.only)))
        if excess[-1] <= 0.0:
            return at
    return tried[int(np.argmin(excess))][0]


def _largest(entries: Sequence[Entry]) -> float:
    return max((e.nervous.growth for e in entries if e.nervous is not None), default=-np.inf)


def _told(
    search: _Search, x: Array, known: KeptLap, spans: Sequence[Span], limits: _Limits, words: str
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
        most_growth=limits.most_growth,
        held=limits.excess(search.entries(x, limits.only)) <= 0.0,
        solves=search.solves,
        words=words,
        most_doublings=limits.most_doublings,
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
