"""Corner cards of real sections, made once: one whole card, the others without their changed sections, which take long."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from lapwright.corner.card import Against, CornerCard, make_card
from lapwright.corner.confidence import Learner, OwnLaps
from lapwright.corner.reading import read_corner
from lapwright.corner.section import Section
from lapwright.corner.stretch import stretch_of
from lapwright.corner.why import load_points, phases_of
from lapwright.inputs.files import load_track, load_vehicle
from lapwright.lap.corners import corner_reports
from lapwright.outputs.card_record import card_record
from lapwright.reference.kept import keep
from lapwright.reference.solve import solve_lap

ROOT = Path(__file__).parents[2]
WHOLE = ("cup-coupe", "Gate")
STEP = 3.0


@cache
def lap(car):
    track, vehicle = load_track(ROOT / "tracks/marrow-fen.yaml"), load_vehicle(ROOT / f"vehicles/{car}.yaml")
    result = solve_lap(track, vehicle)
    return track, vehicle, result, keep(result, track)


@cache
def card(car, name):
    track, _, result, known = lap(car)
    report = next(r for r in corner_reports(known.lap, track) if r.name == name)
    if (car, name) == WHOLE:
        return make_card(track, known, report, step=STEP, laps=OwnLaps(track, known, result))[0]
    stretch = stretch_of(known.lap, report, known.nodes)
    section = Section(track, known, stretch, STEP)
    lap_here = section.base.lap
    reading = read_corner(lap_here, track, stretch, name)
    return CornerCard(
        name, reading, stretch, section.base, phases_of(section, reading), load_points(lap_here, stretch, reading),
        None, (), (), (), Learner(), Against(0.0, 0.0), section.solves, section.iterations, 0.0,
    )  # fmt: skip


def record(car="cup-coupe", name="Gate"):
    track, vehicle, _, _ = lap(car)
    return card_record(card(car, name), track, vehicle)
