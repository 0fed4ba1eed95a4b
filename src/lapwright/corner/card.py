"""Everything a corner card says, as numbers."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from lapwright.corner.confidence import Learner, OwnLaps, Variant, grip_variants, human_variants
from lapwright.corner.impose import Known
from lapwright.corner.mistakes import Mistake, mistakes
from lapwright.corner.reading import Reading, read_corner
from lapwright.corner.section import Drive, Section
from lapwright.corner.stretch import Stretch, stretch_of
from lapwright.corner.trail import TrailWorth, trail_worth
from lapwright.corner.why import LoadPoint, Phase, load_points, phases_of
from lapwright.errors import NoSolutionError
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.lap.unrolled import unroll
from lapwright.reference.kept import KeptLap
from lapwright.track.track import Track
from lapwright.transcription.pointfunctions import PointFunctions

StepCallback = Callable[[str, str], None]
"""Called with the corner's name and what is being worked out."""


@dataclass(frozen=True)
class Against:
    """How the section's own solve agrees with the lap inside the corner: ``time`` [s] longer from the entry to the corner's
    end, ``speed`` [m/s] greatest difference.
    """

    time: float
    speed: float


@dataclass(frozen=True)
class CornerCard:
    """One corner: what to do, why, what it is worth.

    Attributes
    ----------
    reading : what is done where
    stretch : the section that was solved
    drive : its lap and solution
    phases, loads : why
    trail : worth of trail braking, None where there is no trail
    mistakes : what each costs
    grip, human : the corner for other grip, and for other feet and hands
    learner : what the human variants assume
    against : how the section agrees with the lap
    solves, iterations, seconds : of everything together
    """

    name: str
    reading: Reading
    stretch: Stretch
    drive: Drive
    phases: tuple[Phase, ...]
    loads: tuple[LoadPoint, ...]
    trail: TrailWorth | None
    mistakes: tuple[Mistake, ...]
    grip: tuple[Variant, ...]
    human: tuple[Variant, ...]
    learner: Learner
    against: Against
    solves: int
    iterations: int
    seconds: float


def make_card(
    track: Track,
    known: KeptLap,
    report: CornerReport,
    *,
    step: float | None = None,
    learner: Learner | None = None,
    laps: OwnLaps | None = None,
    functions: PointFunctions | None = None,
    progress: StepCallback | None = None,
) -> tuple[CornerCard, PointFunctions]:
    """The card of one corner.

    Parameters
    ----------
    track, known, report
        The road, a lap on it and one of the lap's corners, from ``corner_reports(known.lap, track)``.
    step
        Interval of the mesh in the corner [m]; None for 1 to 2 m, by the length of the corner.
    learner
        Whom the human variants are for.
    laps
        Laps of changed cars, shared by the cards of a booklet.
    functions
        Point functions that an earlier card of the same car came with; they save half a second.
    progress
        Told what is being worked out.

    Raises
    ------
    NoSolutionError
        When the section itself was not solved: says where and what to try.
    """
    began, learner, laps = time.perf_counter(), learner or Learner(), laps or OwnLaps(track, known)

    def say(what: str) -> None:
        if progress is not None:
            progress(report.name, what)

    say("solving the corner")
    stretch = stretch_of(known.lap, report, known.nodes)
    try:
        section = Section(track, known, stretch, step, functions)
    except NoSolutionError as error:
        raise NoSolutionError(f"{report.name}: {error}") from None
    reading = read_corner(section.base.lap, track, stretch, report.name)
    taken = Known(section.base.lap, reading, stretch, known.vehicle)
    say("worth of trail braking")
    trail = trail_worth(section, taken)
    say("mistakes")
    made = mistakes(section, taken)
    say("grip and margin")
    grip = grip_variants(section, reading, laps)
    say("feet and hands")
    human = human_variants(section, reading, learner, laps)
    card = CornerCard(
        name=report.name,
        reading=reading,
        stretch=stretch,
        drive=section.base,
        phases=phases_of(section, reading),
        loads=load_points(section.base.lap, stretch, reading),
        trail=trail,
        mistakes=made,
        grip=grip,
        human=human,
        learner=learner,
        against=_against(section, known),
        solves=section.solves,
        iterations=section.iterations,
        seconds=time.perf_counter() - began,
    )
    return card, section.nlp.functions


def make_booklet(
    track: Track,
    known: KeptLap,
    *,
    step: float | None = None,
    learner: Learner | None = None,
    laps: OwnLaps | None = None,
    progress: StepCallback | None = None,
) -> Iterator[CornerCard]:
    """The cards of all corners, one after the other; see ``make_card``."""
    functions: PointFunctions | None = None
    laps = laps or OwnLaps(track, known)
    for report in corner_reports(known.lap, track):
        card, functions = make_card(
            track,
            known,
            report,
            step=step,
            learner=learner,
            laps=laps,
            functions=functions,
            progress=progress,
        )
        yield card


def _against(section: Section, known: KeptLap) -> Against:
    """The section's drive against the lap between the entry and the corner's end."""
    road, lap, stretch = unroll(known.lap), section.base.lap, section.stretch
    ends = [stretch.entry, stretch.corner_end]
    ours = np.diff(np.interp(ends, lap.s, lap.t))[0]
    theirs = road.at("t", ends[1]) - road.at("t", ends[0])
    rows = (lap.s >= ends[0]) & (lap.s <= ends[1])
    speed = np.interp(lap.s[rows], road.s, road.speed)
    return Against(float(ours - theirs), float(np.max(np.abs(lap.speed[rows] - speed))))
