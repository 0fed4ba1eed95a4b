"""A sweep as plain objects: the numbers that are varied, every case with its car and road, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    # Only the annotations need them, and who hands out cases and writes answers down need not wait for CasADi.
    from lapwright.problem.lap import EndState
    from lapwright.reference.solve import LapOptions
    from lapwright.track.track import Track
    from lapwright.vehicle.parameters import AnyVehicle

SOLVED, NO_SOLUTION, FAULT, LOST = "solved", "no solution", "fault", "lost"
"""What can become of a case: an answer; none to the problem asked, or none found; numbers that do not fit together; the
process that worked on it died, more than once."""

COLD, NEAR, COLD_AFTER = "cold", "neighbour", "cold after neighbour"
"""What a case was begun from: a first guess, a solved neighbour, or a first guess because the neighbour led nowhere."""


@dataclass(frozen=True)
class Axis:
    """One number that a study varies.

    Attributes
    ----------
    name : as the study writes it, with its unit: "vehicle.brakes.front_share", "track.width_m", "conditions.grip_scale"
    label : short words for tables and figures, with the unit, e.g. "brakes.front_share" or "mass [kg]"
    words : whether the values are words, such as the type of a differential, and not numbers
    low, high : range of the values over all cases, in the unit of the file; 0, 0 for words
    """

    name: str
    label: str
    words: bool
    low: float
    high: float


@dataclass(frozen=True)
class Case:
    """One solve of a study.

    Attributes
    ----------
    number : 0 for the car and road as their files have them, then from 1 in the order of the study
    circuit, car : names of the files without their ending
    values : one for each axis, in the unit of the file; at number 0 what the files have (None where they do not say)
    track : index in ``Study.tracks``
    vehicle : the car of this case
    start, end : how an open road is entered and left
    key : digest of everything that decides the answer; equal keys are the same case
    fault : why the case cannot be asked, in words; empty when it can
    """

    number: int
    circuit: str
    car: str
    values: tuple[float | str | None, ...]
    track: int
    vehicle: AnyVehicle | None
    start: EndState
    end: EndState
    key: str
    fault: str = ""


@dataclass(frozen=True)
class Study:
    """A sweep, checked and ready to run.

    Attributes
    ----------
    name : in words
    plan : "grid", "one at a time", "side by side" or "hypercube"
    axes : what is varied
    tracks : every road that occurs, changed ones included
    cases : the one of number 0 of each pair of circuit and car first, then the others in order
    options : of every solve
    corners : names of the corners that the table tells, the same on every circuit that has them; empty for all
    """

    name: str
    plan: str
    axes: tuple[Axis, ...]
    tracks: tuple[Track, ...]
    cases: tuple[Case, ...]
    options: LapOptions
    corners: tuple[str, ...] = ()


@dataclass(frozen=True)
class CornerNumbers:
    """What a table tells of a corner: time [s], brake-on before its start [m] (None without), slowest speed [m/s]."""

    name: str
    time: float
    brake_on_before_start: float | None
    slowest_speed: float


@dataclass(frozen=True)
class CaseResult:
    """What became of a case.

    Attributes
    ----------
    key : of the case
    status : ``SOLVED``, ``NO_SOLUTION``, ``FAULT`` or ``LOST``
    words : why there is no answer; empty when there is one
    lap_time, mesh_error : [s]; None without an answer
    iterations : of all solves that it took
    begun : ``COLD``, ``NEAR`` or ``COLD_AFTER``; empty when it was not begun
    seconds : of the processor's clock, for the progress; not part of the answer
    corners : of a solved lap, in driving order
    """

    key: str
    status: str
    words: str = ""
    lap_time: float | None = None
    mesh_error: float | None = None
    iterations: int = 0
    begun: str = ""
    seconds: float = 0.0
    corners: tuple[CornerNumbers, ...] = ()


@dataclass(frozen=True)
class Step:
    """A case in the order of work.

    Attributes
    ----------
    case : index in ``Study.cases``
    near : indexes of the cases whose answers it begins from; all of them come earlier in the order
    keep : whether other steps begin from its answer
    """

    case: int
    near: tuple[int, ...] = ()
    keep: bool = False


@dataclass(frozen=True)
class Answer:
    """What a solve of a step gives back: the result, and for a step with ``keep`` what others begin from, as bytes."""

    result: CaseResult
    start: bytes | None = None
