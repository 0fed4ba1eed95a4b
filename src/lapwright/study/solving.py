"""The cases of a study solved one from another: in which order, and how one of them is solved.

Every case begins where a neighbour came by on the central path. Which neighbour follows from the study alone, not from who
was ready first, so that a sweep gives the same numbers to the last digit on one core or on many, in one go or in several.
"""

from __future__ import annotations

import io
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lapwright.errors import InputError, NoSolutionError
from lapwright.lap.corners import corner_reports
from lapwright.lap.lap import Array, Lap
from lapwright.problem.lap import lap_problem
from lapwright.problem.parameters import same_form
from lapwright.reference.channels import lap_of
from lapwright.reference.solve import LapOptions, Work
from lapwright.solver.solution import Solution, Start
from lapwright.solver.structured import solve_structured
from lapwright.study.cases import (
    COLD,
    COLD_AFTER,
    FAULT,
    NEAR,
    NO_SOLUTION,
    SOLVED,
    Answer,
    Case,
    CaseResult,
    CornerNumbers,
    Step,
    Study,
)
from lapwright.track.track import Track
from lapwright.transcription.mesh import Mesh
from lapwright.transcription.meshcheck import mesh_error, parts
from lapwright.transcription.nlp import transcribe
from lapwright.transcription.pointfunctions import PointFunctions, point_functions
from lapwright.transcription.transfer import carry_multipliers, carry_unknowns

ONWARD = 1e-5
"""Barrier parameter of the point on a neighbour's central path from which a case is begun: neighbours of a study lie near one
another, so that it may lie close to their answers."""

STARTS_SHARE, FEWEST_STARTS = 0.125, 16
"""Share of a group's cases from which others begin, and how many there are at least where the group has so many."""

COARSER = 1.2
"""Mean interval of the mesh of a sweep over that of a lap, where the study does not say; the error allowed is the same."""

MOST = 150
"""Iterations after which a case that began from a neighbour is begun anew."""


# -- order -------------------------------------------------------------------------------------------------------------------


def steps_of(study: Study) -> tuple[Step, ...]:
    """Every case of a study that can be asked, once, in the order of work.

    Cases are put into groups that share their formulas and the length of their road. In each the case nearest to the files'
    own is solved first; then those farthest from all before, one after the other (Gonzalez, Theoretical Computer Science 38
    (1985) 293 [from memory]: they cover the group about as evenly as can be), each from its nearest before; then all others,
    each from the nearest of these.
    """
    groups: list[tuple[Case, list[int]]] = []
    for i, case in enumerate(study.cases):
        if case.vehicle is None or case.fault:
            continue
        for first, members in groups:
            if _alike(study, first, case):
                members.append(i)
                break
        else:
            groups.append((case, [i]))
    steps: list[Step] = []
    for _, members in groups:
        steps += _group_steps(study, members)
    # First of all that which others wait for.
    return tuple(sorted(steps, key=lambda step: not step.keep))


def _alike(study: Study, one: Case, other: Case) -> bool:
    """Whether two cases share formulas and mesh."""
    a, b = study.tracks[one.track], study.tracks[other.track]
    return (
        (one.circuit, one.car, one.start, one.end) == (other.circuit, other.car, other.start, other.end)
        and same_form(one.vehicle, other.vehicle)
        and (a is b or (abs(a.length - b.length) < 1e-9 * a.length and a.closed == b.closed))
        and (a is b or np.array_equal(a.breaks, b.breaks))
        and (a is b or _bands(a) == _bands(b))
    )


def _bands(track: Track) -> int:
    return int(track.road(np.array([0.0])).grip_bands.shape[1])


def _group_steps(study: Study, members: list[int]) -> list[Step]:
    """The steps of one group; ``members`` are indexes of cases."""
    places = _places(study, members)
    count = min(len(members), max(FEWEST_STARTS, round(STARTS_SHARE * len(members))))
    current = [k for k, i in enumerate(members) if study.cases[i].number == 0]
    first = current[0] if current else int(np.argmin(np.sum((places - places.mean(axis=0)) ** 2, axis=1)))
    chosen, parents = [first], {first: first}
    distance = _distances(places, places[first])
    nearest = np.zeros(len(members), dtype=np.int64)
    while len(chosen) < count:
        k = int(np.argmax(distance))
        if distance[k] <= 0.0:
            break
        parents[k] = chosen[nearest[k]]
        chosen.append(k)
        away = _distances(places, places[k])
        nearest[away < distance] = len(chosen) - 1
        distance = np.minimum(distance, away)
    keep = set(chosen)
    steps = [Step(members[first], (), True)]
    steps += [Step(members[k], (members[parents[k]],), True) for k in chosen[1:]]
    rest = [k for k in range(len(members)) if k not in keep]
    # Those that begin from the same case follow one another: a worker then has it at hand.
    rest.sort(key=lambda k: (int(nearest[k]), k))
    steps += [Step(members[k], (members[chosen[nearest[k]]],), False) for k in rest]
    used = {i for step in steps for i in step.near}
    return [replace(step, keep=step.case in used) for step in steps]


def _places(study: Study, members: list[int]) -> Array:
    """(K, axes) values of the numbers of each case, over their range in the study."""
    rows = []
    for i in members:
        row = []
        for axis, value in zip(study.axes, study.cases[i].values, strict=True):
            span = axis.high - axis.low
            numeric = isinstance(value, (int, float)) and not axis.words and span > 0.0
            row.append((float(value) - axis.low) / span if numeric else 0.0)  # type: ignore[arg-type]
        rows.append(row)
    return np.array(rows, dtype=float).reshape(len(members), len(study.axes))


def _distances(places: Array, place: Array) -> Array:
    return np.asarray(np.sqrt(np.sum((places - place) ** 2, axis=1)))


# -- starts ------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Known:
    """A solved neighbour: its mesh and a point of its central path."""

    nodes: Array
    start: Start


def _onward(solution: Solution) -> Start | None:
    """Where a solution came by at ``ONWARD`` on the central path; None when it kept no path."""
    return next((q for q in solution.path if q.barrier is not None and q.barrier <= 2.0 * ONWARD), None)


def _packed(solution: Solution) -> bytes | None:
    """What others begin from, as bytes; None for a solution that kept no path."""
    point, sink = _onward(solution), io.BytesIO()
    if point is None:
        return None
    assert point.row_multipliers is not None and point.bound_multipliers is not None
    np.savez(
        sink,
        nodes=solution.nlp.mesh.nodes,
        x=point.x,
        rows=point.row_multipliers,
        bounds=point.bound_multipliers,
        barrier=np.array(point.barrier),
    )
    return sink.getvalue()


def _unpacked(data: bytes) -> _Known:
    with np.load(io.BytesIO(data), allow_pickle=False) as found:
        start = Start(found["x"], found["rows"], found["bounds"], float(found["barrier"]))
        return _Known(found["nodes"], start)


# -- one case ----------------------------------------------------------------------------------------------------------------


class Bench:
    """A place of work: one for each process, with everything at hand that cases share.

    Parameters
    ----------
    study
        What is asked.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self._functions: list[tuple[Any, int, PointFunctions]] = []
        self._known: dict[int, _Known] = {}

    def solve(self, step: Step, starts: Mapping[int, bytes]) -> Answer:
        """Solve a case.

        Parameters
        ----------
        step
            From ``steps_of``.
        starts
            What the neighbours of the step gave back, by index of the case; those that there are.

        Returns
        -------
        Answer
            Also of a case without a solution: its status says why. It follows from the arguments alone.
        """
        case = self.study.cases[step.case]
        began = time.process_time()
        near = [i for i in step.near if i in starts]
        try:
            if case.vehicle is None or case.fault:
                return Answer(CaseResult(case.key, FAULT, case.fault or "there is no car"))
            found = self._from(case, self._start(near[0], starts[near[0]])) if near else None
            begun = NEAR if found else COLD_AFTER if near else COLD
            solution, error, lap, iterations = found or self._cold(case)
        except NoSolutionError as failure:
            words = " ".join(str(failure).split())
            begun = COLD_AFTER if near else COLD
            return Answer(
                CaseResult(case.key, NO_SOLUTION, words, begun=begun, seconds=time.process_time() - began)
            )
        except InputError as failure:
            words = "; ".join(fault.message for fault in failure.faults)
            return Answer(CaseResult(case.key, FAULT, words, seconds=time.process_time() - began))
        result = CaseResult(
            key=case.key,
            status=SOLVED,
            lap_time=lap.time,
            mesh_error=error,
            iterations=iterations,
            begun=begun,
            seconds=time.process_time() - began,
            corners=self._corners(case, lap),
        )
        return Answer(result, _packed(solution) if step.keep else None)

    def _start(self, index: int, data: bytes) -> _Known:
        if index not in self._known:
            while len(self._known) >= 32:
                self._known.pop(next(iter(self._known)))
            self._known[index] = _unpacked(data)
        return self._known[index]

    def _shared(self, vehicle: Any, road_size: int, model: Any) -> PointFunctions:
        """The point functions of all cars of a form on roads with so many numbers."""
        for known, size, functions in self._functions:
            if size == road_size and same_form(known, vehicle):
                return functions
        functions = point_functions(model)
        self._functions.append((vehicle, road_size, functions))
        return functions

    def _from(self, case: Case, known: _Known) -> tuple[Solution, float, Lap, int] | None:
        """The case from a neighbour, on its mesh; None when that leads to no answer that is good enough.

        Where the mesh is too coarse for this case, though it was not for the neighbour, its bad intervals are split and the
        search goes on from where it came by on the central path.
        """
        track = self.study.tracks[case.track]
        options = sweep_options(track.length, self.study.options)
        assert case.vehicle is not None
        problem = lap_problem(track, case.vehicle, case.start, case.end)
        functions = self._shared(case.vehicle, problem.model.road_size, problem.model)
        nlp = transcribe(problem, Mesh(known.nodes), options.degree, functions)
        start, iterations = known.start, 0
        for _ in range(1 + options.refinements):
            solution = solve_structured(nlp, start, max_iterations=MOST)
            iterations += solution.iterations
            if not solution.status.solved:
                return None
            error = mesh_error(nlp, solution.x, solution.row_multipliers, solution.p)
            cut = parts(error, options.tolerance)
            if np.all(cut == 1):
                return solution, error.total, lap_of(solution, track, case.vehicle), iterations
            finer = transcribe(problem, nlp.mesh.split(cut), options.degree, functions)
            point = _onward(solution)
            if point is None:
                return None
            assert point.row_multipliers is not None and point.bound_multipliers is not None
            rows, bounds = carry_multipliers(nlp, point.row_multipliers, point.bound_multipliers, finer)
            start = Start(carry_unknowns(nlp, point.x, finer), rows, bounds, point.barrier)
            nlp = finer
        return None

    def _cold(self, case: Case) -> tuple[Solution, float, Lap, int]:
        """The case from a first guess, by the recipe of a reference lap."""
        track = self.study.tracks[case.track]
        assert case.vehicle is not None
        options = sweep_options(track.length, self.study.options)
        work = Work(track, case.vehicle, case.start, case.end, options, None)
        model = work.problem.model
        work.functions = self._shared(case.vehicle, model.road_size, model)
        solution, error = work.solve()
        iterations = sum(stage.iterations for stage in work.stages)
        return solution, error.total, lap_of(solution, track, case.vehicle), iterations

    def _corners(self, case: Case, lap: Lap) -> tuple[CornerNumbers, ...]:
        # All of them: the key of a case does not depend on which of them the table tells.
        return tuple(
            CornerNumbers(report.name, report.time, report.brake_on_before_start, report.slowest_speed)
            for report in corner_reports(lap, self.study.tracks[case.track])
        )


def sweep_options(length: float, options: LapOptions) -> LapOptions:
    """The options of a sweep on a road of ``length`` [m]: a coarser mesh than that of a lap unless one was asked for."""
    return options if options.mesh is not None else replace(options, mesh=COARSER * options.step(length))
