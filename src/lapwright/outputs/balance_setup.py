"""Of the record of a balance: the brake share, tyres of other temperatures, and the best setup."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from lapwright.lap.corners import CornerReport
from lapwright.lap.spans import leaves
from lapwright.outputs.balance_values import number, number_record, parts_record
from lapwright.outputs.balance_words import NOTHING, capital, piece_words, seconds
from lapwright.outputs.words import lap_time
from lapwright.quantities import KMH, G
from lapwright.study.balance import Balance, BestSetup, BrakeCorner, Chosen, ShareScan, TyreState
from lapwright.study.brakes import NEAR
from lapwright.study.entry import Entry
from lapwright.vehicle.parameters import Vehicle

SHARE = "brakes.front_share"

ALIKE = 5e-4
"""Brake shares that differ by less are one."""

METRES = 1.0
"""A brake point that moves by less than this [m] stays where it is."""


STEADY, STEADY_SHARE = 0.5, 0.05
"""Change of the doublings of an entry below which it is as stable as before: so many, or that share of them."""


def own_share(balance: Balance) -> float | None:
    """The car's front brake share; None for a car without one."""
    vehicle = balance.known.vehicle
    return vehicle.brakes.front_share if isinstance(vehicle, Vehicle) else None


# -- brake share -------------------------------------------------------------------------------------------------------------


def share_record(balance: Balance) -> dict[str, Any] | None:
    """What the brake share is worth, and in which corner another one would suit; None without a share."""
    share, scan = own_share(balance), balance.scan
    if share is None:
        return None
    worth = None if scan is None else balance.known.lap.time - scan.best_time
    return {
        "front_share": number(share, 5),
        "best_share": None if scan is None else number(scan.best_share, 4),
        "best_lap_time_s": None if scan is None else number(scan.best_time, 4),
        "worth_s": number(worth, 4),
        "at_end": None if scan is None else scan.at_end,
        "near": [] if scan is None else _near(scan),
        "scan": [] if scan is None else _scan(scan),
        "corners": [_brake_corner(one, balance, share) for one in balance.brakes],
        "said": _share_words(share, scan, worth),
    }


def _scan(scan: ShareScan) -> list[dict[str, Any]]:
    return [
        {"front_share": number(share, 5), "lap_time_s": number(time, 4)}
        for share, time in zip(scan.shares.tolist(), scan.lap_times.tolist(), strict=True)
    ]


def _share_words(share: float, scan: ShareScan | None, worth: float | None) -> str:
    if scan is None or worth is None or not math.isfinite(worth):
        return f"The car brakes with {share:.3f} to the front; other shares were not tried."
    said = f"The car brakes with {share:.3f} to the front"
    if worth < NOTHING:
        said += ": of the shares tried none is worth 1 ms a lap more."
    else:
        said += f"; quickest is {scan.best_share:.3f}, worth {seconds(worth)} a lap."
    if scan.at_end:
        said += " It is the end of what was tried: a better one may lie beyond."
    return f"{said} {_near_words(scan)}"


def _near(scan: ShareScan) -> list[dict[str, Any]]:
    return [{"low_share": number(low, 4), "high_share": number(high, 4)} for low, high in scan.near]


def _near_words(scan: ShareScan) -> str:
    """Which other shares are as good."""
    if scan.near == ((scan.shares[0], scan.shares[-1]),):
        return f"None of them, from {scan.shares[0]:.3f} to {scan.shares[-1]:.3f}, is {NEAR:g} s slower than the quickest."
    stretches = " and ".join(f"from {low:.3f} to {high:.3f}" for low, high in scan.near)
    return f"Within {NEAR:g} s of the quickest lap: {stretches}."


def _brake_corner(one: BrakeCorner, balance: Balance, share: float) -> dict[str, Any]:
    best = math.nan if balance.scan is None else balance.scan.best_entries.get(one.corner, math.nan)
    worth = entry_worth(balance, one.corner, share, best)
    trace = trace_rows(one, balance)
    ideal, first = one.trace.ideal[trace], one.trace.first[trace]
    known = ideal[np.isfinite(ideal)]
    rear = float(np.mean(first == "rear")) if first.size else math.nan
    return {
        "corner": one.corner,
        "speed_kmh": number(KMH * one.speed, 1),
        "locks_straight_share": number(one.locks_straight, 4),
        "locks_straight_first": first_axle(share, one.locks_straight),
        "locks_turn_share": number(one.locks_turn, 4),
        "locks_turn_first": first_axle(share, one.locks_turn),
        "accel_lat_g": [number(a / G, 3) for a in one.accel_lat.tolist()],
        "best_entry_share": number(best, 4),
        "best_entry_worth_s": number(worth, 4),
        "trace_ideal_low_share": number(float(known.min()), 4) if known.size else None,
        "trace_ideal_high_share": number(float(known.max()), 4) if known.size else None,
        "trace_rear_first_percent": number(100.0 * rear, 0),
        "said": brake_words(one, share, best, worth),
    }


def first_axle(share: float, locks: float | None) -> str | None:
    """The axle that reaches its limit first with a share, when both do together at another one."""
    if locks is None or not math.isfinite(locks):
        return None
    return "both" if abs(share - locks) < ALIKE else ("front" if share > locks else "rear")


def entry_worth(balance: Balance, corner: str, share: float, best: float) -> float | None:
    """What the best share for one entry is worth there [s]: the integral of that entry's slope over the shares tried.

    Where there was no such integral, the parabola whose slope is that of the multipliers at the car's share and vanishes at
    ``best``. None where either is not known, or the slope leads away from there.
    """
    if balance.scan is not None and corner in balance.scan.worth_entries:
        return max(balance.scan.worth_entries[corner], 0.0)
    effect = next((one for one in balance.effects if one.number.key == SHARE), None)
    if effect is None or not math.isfinite(best):
        return None
    slope = sum(
        part
        for (span, leaf), part in zip(leaves(balance.spans), effect.parts, strict=True)
        if span.name == corner and span.kind == "corner" and leaf.name in ("braking", "lift", "entry")
    )
    worth = -0.5 * slope / effect.number.step * (best - share)
    # A slope that leads away from there is no parabola's; within a millisecond it is the accuracy of the two.
    return max(worth, 0.0) if worth > -NOTHING else None


def trace_rows(one: BrakeCorner, balance: Balance) -> Any:
    """Indices of the rows of a corner's trace that lie in its entry, in driving order."""
    entry = next((e for e in balance.entries if e.corner == one.corner), None)
    s, lap = one.trace.s, balance.known.lap
    if entry is None:
        return np.arange(s.size)
    past = s - entry.start
    if lap.closed:
        past = past % float(lap.s[-1] - lap.s[0])
    inside = np.flatnonzero((past >= 0.0) & (past <= entry.slowest - entry.start))
    return inside[np.argsort(past[inside], kind="stable")]


def brake_words(one: BrakeCorner, share: float, best: float, worth: float | None) -> str:
    """Which axle is first in a corner with the car's ``share``, and which share suits its entry, in a sentence.

    ``best`` is NaN when no share of those tried does; ``worth`` [s] is what it gains, None when that is not known.
    """
    said = []
    for where, locks in (("straight", one.locks_straight), ("in the turn", one.locks_turn)):
        first = first_axle(share, locks)
        if first is not None:
            ahead = "both axles together" if first == "both" else f"the {first} first"
            said.append(f"braking {where} {ahead} (together at {locks:.3f})")
    if math.isfinite(best):
        small = worth is None or abs(worth) < NOTHING
        gain = "" if worth is None else (", worth less than 1 ms" if small else f", worth {worth:.3f} s")
        said.append(f"this entry alone would like {best:.3f}{gain}")
    else:
        said.append("the best for this entry alone is not among the shares that were tried")
    return f"{one.corner}: {'; '.join(said)}."


# -- tyres -------------------------------------------------------------------------------------------------------------------


def tyre_record(balance: Balance) -> list[dict[str, Any]]:
    """Tyres of other temperatures, each held against the first, the hot ones."""
    return [_tyres(state, balance.tyres[0]) for state in balance.tyres]


def _tyres(state: TyreState, hot: TyreState) -> dict[str, Any]:
    corners = [_tyre_corner(entry, state, hot) for entry in state.entries]
    moves = None if state is hot else state.scan.best_share - hot.scan.best_share
    slower = state.lap_time - hot.lap_time
    return {
        "name": state.name,
        "front_factor": number(state.factors[0], 4),
        "rear_factor": number(state.factors[1], 4),
        "lap_time_s": number(state.lap_time, 4),
        "difference_s": number(slower, 4),
        "best_share": number(state.scan.best_share, 4),
        "best_share_at_end": state.scan.at_end,
        "best_share_moves": number(moves, 4),
        "corners": corners,
        "said": _tyre_words(state, slower, None if hot.scan.at_end or state.scan.at_end else moves),
    }


def _tyre_words(state: TyreState, slower: float, moves: float | None) -> str:
    """Lap time and brake share; ``moves`` from that of the hot tyres is None where one of the two is not known."""
    share = "no brake share is known to suit"
    if math.isfinite(state.scan.best_share):
        end = " (the end of what was tried)" if state.scan.at_end else ""
        share = f"the brake share that suits is {state.scan.best_share:.3f}{end}"
    head = f"{capital(state.name)}: {lap_time(state.lap_time)}"
    if slower:
        head += f", {abs(slower):.3f} s {'slower' if slower > 0.0 else 'quicker'} than hot"
    if moves is None or not math.isfinite(moves):
        return f"{head}; {share}."
    side = "more to the front than hot" if moves > 0.0 else "more to the rear than hot"
    return f"{head}; {share}, {'the same as hot' if abs(moves) < ALIKE else f'{abs(moves):.3f} {side}'}."


def report_of(state: TyreState, corner: str) -> CornerReport | None:
    """A corner of the lap with these tyres; None when it is not there."""
    return next((report for report in state.reports if report.name == corner), None)


def _tyre_corner(entry: Entry, state: TyreState, hot: TyreState) -> dict[str, Any]:
    base = next((one for one in hot.entries if one.corner == entry.corner), None)
    places = [
        None if r is None else r.brake_on_before_start
        for r in (report_of(state, entry.corner), report_of(hot, entry.corner))
    ]
    earlier = None if places[0] is None or places[1] is None else number(places[0] - places[1], 1)
    spot = entry.nervous
    return {
        "corner": entry.corner,
        "first_limit": entry.first_limit,
        "first_limit_hot": None if base is None else base.first_limit,
        "brake_on_earlier_m": earlier,
        "slowest_kmh": number(KMH * float(entry.speed[-1]), 1),
        "growth_1ps": None if spot is None else number(spot.growth, 3),
        "doubling_s": None if spot is None else number(spot.doubling, 3),
        "said": _tyre_corner_words(entry, base, earlier),
    }


def _tyre_corner_words(entry: Entry, base: Entry | None, earlier: float | None) -> str:
    said = []
    if earlier is not None and abs(earlier) >= METRES:
        said.append(f"brake {abs(earlier):.0f} m {'earlier' if earlier > 0.0 else 'later'}")
    if base is not None and base.first_limit != entry.first_limit:
        said.append(f"first limit {entry.first_limit} (hot: {base.first_limit})")
    return f"{entry.corner}: {', '.join(said) or 'as hot'}"


# -- best setup --------------------------------------------------------------------------------------------------------------


def best_record(balance: Balance) -> dict[str, Any] | None:
    """The best setup within bounds; None when it was not asked for."""
    best = balance.best
    if best is None:
        return None
    before = {entry.corner: entry for entry in balance.entries}
    entries = [_best_entry(before[after.corner], after) for after in best.entries if after.corner in before]
    return {
        "before_s": number(best.before, 4),
        "after_s": number(best.after, 4),
        "gain_s": number(best.before - best.after, 4),
        "numbers": [_chosen(one) for one in best.chosen],
        "parts": parts_record(best.parts, balance),
        "entries": entries,
        "most_doublings": number(best.most_doublings, 3),
        "held": None if best.most_doublings is None else best.held,
        "solves": best.solves,
        "words": best.words,
        "said": _best_words(best, balance, entries),
    }


def _chosen(one: Chosen) -> dict[str, Any]:
    unit = one.number.unit
    return {
        **number_record(one.number),
        "before": number(one.before, 6),
        "after": number(one.after, 6),
        "low": number(one.low, 6),
        "high": number(one.high, 6),
        "at_bound": one.at_bound,
        "further_s": number(one.further, 5),
        "said": f"{capital(one.number.words)}: {_fine(one, one.before)} to {_fine(one, one.after)} {unit}".rstrip()
        + _bound(one),
    }


def _fine(one: Chosen, value: float) -> str:
    """A value to a tenth of a step."""
    decimals = max(1 - math.floor(math.log10(one.number.step)), 0)
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _bound(one: Chosen) -> str:
    if not one.at_bound:
        return f", within {_fine(one, one.low)} to {_fine(one, one.high)} {one.number.unit}".rstrip()
    end = "lowest" if one.at_bound == "low" else "highest"
    if not math.isfinite(one.further):
        return f", the {end} that is allowed"
    if abs(one.further) < NOTHING:
        return f", the {end} that is allowed; a step further would gain less than 1 ms"
    return f", the {end} that is allowed; a step further would gain another {abs(one.further):.3f} s"


def _best_entry(before: Entry, after: Entry) -> dict[str, Any]:
    spots = (before.nervous, after.nervous)
    growths = [None if spot is None else spot.growth for spot in spots]
    change = None if growths[0] is None or growths[1] is None else after.doublings - before.doublings
    least = max(STEADY, STEADY_SHARE * before.doublings)
    state = None if change is None else ("less" if change > least else "more" if change < -least else "same")
    return {
        "corner": before.corner,
        "growth_before_1ps": number(growths[0], 3),
        "growth_after_1ps": number(growths[1], 3),
        "doubling_before_s": number(None if spots[0] is None else spots[0].doubling, 3),
        "doubling_after_s": number(None if spots[1] is None else spots[1].doubling, 3),
        "doublings_before": number(before.doublings, 3),
        "doublings_after": number(after.doublings, 3),
        "stability": state,
    }


def _best_words(best: BestSetup, balance: Balance, entries: list[dict[str, Any]]) -> str:
    gain = best.before - best.after
    if not best.held:
        said = f"No setup that was tried keeps the limit; the one that comes nearest takes {lap_time(best.after)}."
    elif gain < NOTHING:
        said = f"Nothing within the bounds gains 1 ms on {lap_time(best.before)}."
    else:
        said = f"{lap_time(best.before)} becomes {lap_time(best.after)}: {seconds(gain)} quicker{_from_where(best, balance)}."
    known = [one for one in entries if one["stability"] is not None]
    if known:
        before, after = (sum(one[f"doublings_{when}"] for one in known) for when in ("before", "after"))
        said += (
            f" A disturbance would double {before:.0f} times on all {len(known)} entries together before, "
            f"{after:.0f} times after, if nobody caught it; "
        )
        said += _less_stable([one for one in known if one["stability"] == "less"], len(known))
    return said + _limit_words(best)


def _less_stable(less: list[dict[str, Any]], count: int) -> str:
    """Which entries got less stable."""
    if not less:
        return "no entry is less stable than before."
    worst = max(less, key=lambda one: one["doublings_after"] - one["doublings_before"])
    return (
        f"{len(less)} of {count} {'is' if len(less) == 1 else 'are'} less stable than before, most {worst['corner']}: "
        f"{worst['doublings_before']:.1f} times before, {worst['doublings_after']:.1f} after."
    )


def _limit_words(best: BestSetup) -> str:
    """Which limit on the stability was asked for, and whether it is kept."""
    if best.most_doublings is None:
        return ""
    kept = "kept" if best.held else "NOT kept"
    return f" Asked for, and {kept}: at most {best.most_doublings:.1f} doublings."


def _from_where(best: BestSetup, balance: Balance) -> str:
    """The pieces of the lap that gained most, and the one that lost, when it lost a millisecond."""
    pieces = leaves(balance.spans)
    order = np.argsort(best.parts, kind="stable")
    gains = [int(k) for k in order[:3] if best.parts[int(k)] <= -NOTHING]
    if not gains:
        return ""
    said = ", most " + ", ".join(f"{piece_words(pieces[k])} ({seconds(best.parts[k])})" for k in gains)
    worst = int(order[-1])
    if best.parts[worst] >= NOTHING:
        said += f"; slower {piece_words(pieces[worst])} ({seconds(best.parts[worst])})"
    return said
