"""The smallest problem with a closed form: a level straight along which the car pulls as hard as it may."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import sqrt

import numpy as np

from lapwright.problem.lap import EndState, lap_problem
from lapwright.problem.model import Guess
from lapwright.quantities import G
from lapwright.solver.solution import Start
from lapwright.track.build import build_track
from lapwright.track.definition import ElementLine, Station, Straight, TrackDefinition
from lapwright.transcription.mesh import uniform_mesh
from lapwright.transcription.nlp import Nlp, transcribe
from lapwright.vehicle.parameters import FrictionCircle

LENGTH, ENTRY, PULL = 90.0, 12.0, 7.0
CAR = FrictionCircle("sprinter", grip=2.0, accel_limit=PULL / G)


@cache
def sprint() -> Nlp:
    """A level straight entered at ``ENTRY``, along which the car may pull ``PULL``."""
    width = (Station(0.0, 4.0),)
    track = build_track(TrackDefinition("straight", False, ElementLine((Straight(LENGTH),)), width, width))
    problem = lap_problem(track, CAR, EndState(ENTRY, 0.0))
    return transcribe(problem, uniform_mesh(0.0, LENGTH, 3.0))


def begin(speed: float = 15.0) -> Start:
    s = np.array([0.0, LENGTH])
    states = np.array([[0.0, 0.0], [0.0, 0.0], [speed, speed]])
    return Start(sprint().pack(Guess(s, states, np.zeros((2, 2)), np.zeros((0, 2)))))


def best_time(pull: float = PULL) -> float:
    """v^2 = v0^2 + 2 a s and t = (v - v0) / a."""
    return (sqrt(ENTRY**2 + 2.0 * pull * LENGTH) - ENTRY) / pull


def too_fast_an_end() -> Nlp:
    """100 m/s asked for after 90 m: that would take 54 m/s2."""
    nlp = sprint()
    lower, upper = nlp.lower.copy(), nlp.upper.copy()
    last = nlp.layout.nodes[-1, nlp.problem.model.state_index("u")]
    lower[last] = upper[last] = 100.0 / nlp.scale[last]
    return replace(nlp, lower=lower, upper=upper)
