"""balance.json: everything that a balance says, as plain values with units in the names of the keys, words included.

None (null in the file) stands for what is not known or does not apply. Stations [m] lie in the lap. The text on the terminal
and the tables are written from this record alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from lapwright.lap.spans import leaves
from lapwright.outputs.balance_setup import best_record, share_record, tyre_record
from lapwright.outputs.balance_values import number, number_record, parts_record, station
from lapwright.outputs.balance_words import (
    brake_on,
    effect_words,
    entry_words,
    is_nothing,
    limit_stretches,
    moved_words,
    place_words,
    spare_while,
)
from lapwright.quantities import CAUTION, DEG, KMH, G
from lapwright.study.balance import Balance, Moved
from lapwright.study.effects import Check, Effect
from lapwright.study.entry import Entry, Nervous


def balance_record(balance: Balance) -> dict[str, Any]:
    """A balance as plain values: dictionaries, lists, text, numbers, True, False and None.

    Parameters
    ----------
    balance
        Of a car on a circuit.

    Returns
    -------
    dict
        Keys as in ``balance_keys.BALANCE_KEYS``; ready for ``json.dumps(..., allow_nan=False)``.
    """
    lap = balance.known.lap
    return {
        "track": {
            "name": lap.track_name,
            "length_m": number(float(lap.s[-1] - lap.s[0]), 2),
            "closed": lap.closed,
        },
        "vehicle": {"name": lap.vehicle_name},
        "lap_time_s": number(lap.time, 4),
        "mesh_error_s": number(balance.known.mesh_error, 4),
        "corner": balance.corner or None,
        "effects": [_effect(effect, balance, rank) for rank, effect in enumerate(balance.effects, 1)],
        "entries": [_entry(entry, balance) for entry in balance.entries],
        "moved": [_moved(moved) for moved in balance.moved],
        "brake_share": share_record(balance),
        "tyres": tyre_record(balance),
        "best": best_record(balance),
        "notices": list(balance.notices),
        "caution": CAUTION,
    }


def _effect(effect: Effect, balance: Balance, rank: int) -> dict[str, Any]:
    return {
        "rank": rank,
        **number_record(effect.number),
        "value": number(effect.value, 6),
        "step": effect.number.step,
        "per_step_s": number(effect.per_step, 6),
        "nothing": is_nothing(effect),
        "parts": parts_record(effect.parts, balance),
        "check": None if effect.check is None else _check(effect.check),
        "said": effect_words(effect, leaves(balance.spans)),
    }


def _check(check: Check) -> dict[str, Any]:
    return {
        "up_s": number(check.up, 5),
        "down_s": number(check.down, 5),
        "central_s": number(check.central, 5),
        "agrees": check.agrees,
        "words": check.words,
    }


def _entry(entry: Entry, balance: Balance) -> dict[str, Any]:
    def at(place: float | None) -> float | None:
        return station(place, balance)

    front, rear = (spare_while(entry, axle) for axle in ("rear", "front"))
    return {
        "corner": entry.corner,
        "direction": entry.direction,
        "start_m": at(entry.start),
        "brake_on_m": at(brake_on(entry)),
        "turn_in_m": at(entry.turn_in),
        "brake_off_m": at(entry.brake_off),
        "slowest_m": at(entry.slowest),
        "end_m": at(entry.end),
        "slowest_kmh": number(KMH * float(entry.speed[-1]), 2),
        "first_limit": entry.first_limit,
        "time_front_percent": _percent(entry.shares, "front"),
        "time_rear_percent": _percent(entry.shares, "rear"),
        "time_both_percent": _percent(entry.shares, "both"),
        "time_none_percent": _percent(entry.shares, "none"),
        "limits": [
            {
                "axle": axle,
                "from_m": at(a),
                "to_m": at(b),
                "length_m": number(b - a, 1),
                "from_words": place_words(entry, a),
                "to_words": place_words(entry, b),
            }
            for axle, a, b in limit_stretches(entry)
        ],
        "changes": [
            {
                "at_m": at(change.station),
                "words": place_words(entry, change.station),
                "before": change.before,
                "after": change.after,
                "wheel": change.wheel or None,
            }
            for change in entry.changes
        ],
        "front_spare_while_rear_limited_N": number(front, 0),
        "rear_spare_while_front_limited_N": number(rear, 0),
        "least_turn_moment_Nm": _least(entry.turn_moment),
        "least_hold_moment_Nm": _least(entry.hold_moment),
        "understeer_entry_deg": number(entry.understeer_entry / DEG, 2),
        "understeer_exit_deg": number(entry.understeer_exit / DEG, 2),
        "doublings": number(entry.doublings, 3),
        "nervous": None if entry.nervous is None else _nervous(entry, entry.nervous, balance),
        "said": entry_words(entry),
    }


def _percent(shares: Mapping[str, float], axle: str) -> float | None:
    return number(100.0 * shares.get(axle, 0.0), 1)


def _least(values: Any) -> float | None:
    """Of what is known; None when nothing is."""
    known = np.asarray(values)[np.isfinite(values)]
    return number(float(known.min()), 0) if known.size else None


def _nervous(entry: Entry, spot: Nervous, balance: Balance) -> dict[str, Any]:
    stretches = [
        {"from_m": station(a, balance), "to_m": station(b, balance), "length_m": number(b - a, 1)}
        for a, b in spot.stretches
    ]
    return {
        "at_m": station(spot.station, balance),
        "words": place_words(entry, spot.station),
        "to_turn_in_m": number(spot.to_turn_in, 1),
        "growth_1ps": number(spot.growth, 3),
        "doubling_s": number(spot.doubling, 3),
        "brake_percent": number(100.0 * spot.brake, 1),
        "accel_lat_g": number(spot.accel_lat / G, 3),
        "speed_kmh": number(KMH * spot.speed, 1),
        "axle": spot.axle,
        "grows_from_m": station(spot.begins, balance),
        "stretches": stretches,
        "growing_m": number(sum(b - a for a, b in spot.stretches), 1),
    }


def _moved(moved: Moved) -> dict[str, Any]:
    corners = list(
        dict.fromkeys(
            [
                *moved.growth,
                *moved.begins,
                *moved.length,
                *moved.station,
                *moved.understeer_entry,
                *moved.understeer_exit,
            ]
        )
    )

    def of(values: Mapping[str, float], name: str, scale: float, decimals: int) -> float | None:
        return number(values.get(name, math.nan) * scale, decimals)

    return {
        **number_record(moved.number),
        "step": moved.number.step,
        "corners": [
            {
                "corner": name,
                "least_stable_m": of(moved.station, name, 1.0, 1),
                "growth_1ps": of(moved.growth, name, 1.0, 3),
                "grows_from_m": of(moved.begins, name, 1.0, 2),
                "growing_m": of(moved.length, name, 1.0, 2),
                "understeer_entry_deg": of(moved.understeer_entry, name, 1.0 / DEG, 3),
                "understeer_exit_deg": of(moved.understeer_exit, name, 1.0 / DEG, 3),
            }
            for name in corners
        ],
        "said": moved_words(moved),
    }
