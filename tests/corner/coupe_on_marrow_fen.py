"""The full car on the main circuit, solved once for all tests of corners."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from lapwright.corner.impose import Known
from lapwright.corner.reading import read_corner
from lapwright.corner.section import Section
from lapwright.corner.stretch import stretch_of
from lapwright.inputs.files import load_track, load_vehicle
from lapwright.lap.corners import corner_reports
from lapwright.reference.kept import keep
from lapwright.reference.solve import solve_lap

ROOT = Path(__file__).parents[2]


@cache
def lap():
    """Track, reference lap and what is kept of it."""
    track = load_track(ROOT / "tracks" / "marrow-fen.yaml")
    result = solve_lap(track, load_vehicle(ROOT / "vehicles" / "cup-coupe.yaml"))
    return track, result, keep(result, track)


@cache
def report(name):
    track, _, known = lap()
    return next(r for r in corner_reports(known.lap, track) if r.name == name)


@cache
def functions():
    """The point functions that all sections of this car share."""
    return section("Heron", first=True).nlp.functions


@cache
def section(name, step=None, first=False):
    track, _, known = lap()
    stretch = stretch_of(known.lap, report(name), known.nodes)
    return Section(track, known, stretch, step, None if first else functions())


@cache
def reading(name, step=None):
    made = section(name, step)
    return read_corner(made.base.lap, made.track, made.stretch, name)


def known(name, step=None):
    made = section(name, step)
    return Known(made.base.lap, reading(name, step), made.stretch, made.known.vehicle)
