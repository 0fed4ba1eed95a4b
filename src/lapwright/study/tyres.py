"""Cold tyres, front and rear separately: what the lap looks like then, and what brake share suits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from lapwright.errors import InputError, NoSolutionError
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.lap.spans import Span
from lapwright.reference.solve import ReferenceLap, solve_again
from lapwright.study.balance import TyreState
from lapwright.study.brakes import SIDE, ShareLaps
from lapwright.study.entry import entries_of
from lapwright.track.track import Track
from lapwright.vehicle.parameters import Tyres, Vehicle

COLD = 0.90
"""Share of its grip that a cold tyre has when nobody says (common practice: a racing tyre below its temperature lacks a tenth
or more)."""

STATES = (
    ("hot", False, False),
    ("cold front", True, False),
    ("cold rear", False, True),
    ("cold", True, True),
)
"""Name, whether the front, whether the rear tyres are cold."""

FEWER, WIDER = 2, 0.03
"""Brake shares tried to either side with cold tyres, and their distance."""


def with_grip(vehicle: Vehicle, front: float, rear: float) -> Vehicle:
    """The car with the grip of its front and rear tyres multiplied."""
    tyres = vehicle.tyres
    return replace(
        vehicle,
        tyres=Tyres(
            replace(tyres.front, grip_scale=tyres.front.grip_scale * front),
            replace(tyres.rear, grip_scale=tyres.rear.grip_scale * rear),
        ),
    )


def tyre_states(
    result: ReferenceLap,
    track: Track,
    reports: Sequence[CornerReport],
    spans: Sequence[Span],
    shares: ShareLaps,
    *,
    cold: float = COLD,
    only: str = "",
    progress: Callable[[str], None] | None = None,
) -> tuple[tuple[TyreState, ...], tuple[str, ...]]:
    """The lap with hot tyres as the file has them, with cold ones in front, behind, and all round.

    Parameters
    ----------
    result, track
        The lap as the file has it, and the road.
    reports, spans, shares
        Its corners and pieces, and its laps at several brake shares.
    cold
        Share of its grip that a cold tyre has.
    only
        Name of the one corner whose entry is wanted; empty for all.
    progress
        Called with a few words before each solve.

    Returns
    -------
    states, notices
        A state without a solution is left out, and a notice says so. Laps are solved with every state's tyres up to the best
        shares of the others: a lap may have two shares from which either way is slower, and the quicker one counts.

    Raises
    ------
    InputError
        For a share of grip that is not between 0.3 and 1.
    """
    if not 0.3 <= cold < 1.0:
        raise InputError(
            f"the grip of cold tyres is {cold:g} of that of hot ones: a share from 0.3 to below 1 is allowed"
        )
    assert isinstance(result.vehicle, Vehicle)
    found, notices = [], []
    tried: list[tuple[ShareLaps, int]] = []
    for name, front, rear in STATES:
        factors = (cold if front else 1.0, cold if rear else 1.0)
        if progress is not None:
            progress(f"{name} tyres")
        lap, laps, side, corners = result, shares, SIDE, tuple(reports)
        if front or rear:
            try:
                lap = solve_again(result, track, with_grip(result.vehicle, *factors))
            except NoSolutionError as failure:
                notices.append(f"no lap with {name} tyres: {failure}")
                continue
            corners = corner_reports(lap.lap, track)
            laps, side = ShareLaps(lap, track, spans, WIDER, progress), FEWER
        assert isinstance(lap.vehicle, Vehicle)
        entries = entries_of(track, lap.vehicle, lap.lap, corners, only)
        tried.append((laps, side))
        found.append(TyreState(name, factors, lap.time, entries, corners, laps.scan(side)))
    best = [state.scan.best_share for state in found]
    reach = (min(best), max(best))
    states = (
        replace(state, scan=laps.scan(side, reach)) for state, (laps, side) in zip(found, tried, strict=True)
    )
    return tuple(states), tuple(notices)
