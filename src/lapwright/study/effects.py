"""What each number of a car is worth on a lap, where on the lap, and whether a solve with the number changed agrees.

The optimum's derivative by a parameter of the problem is that of its Lagrange function (``solver.sensitivity``). A number of
the vehicle file moves one or several parameters, and perhaps bounds; the chain rule is done here. The engine's force at the
wheels is a curve over speed whose own parameters jump when a gear moves, so that its derivative is taken over speed.

What was minimised is the lap time and a little effort of hands and feet (``problem.car``), so the derivative is that of
their sum. On four circuits with four cars it stood within about a millisecond a step of that of the lap time alone; an effect
of some milliseconds is known no better than that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lapwright.errors import InputError, NoSolutionError
from lapwright.lap.lap import Array
from lapwright.lap.spans import Span, split_up
from lapwright.problem.car import car_parameters, car_states
from lapwright.reference.solve import ReferenceLap, solve_again
from lapwright.solver.sensitivity import bound_gradient, parameter_slopes
from lapwright.solver.solution import Solution
from lapwright.study.numbers import SetupNumber
from lapwright.track.track import Track
from lapwright.vehicle.driveline import SHIFT_SPAN, wheel_forces
from lapwright.vehicle.parameters import Driveline, Vehicle

SMALL = 1e-3
"""Step of the differences by which a number's effect on parameters and bounds is found, as a share of its practical step."""

DRIVE = "drive."
"""Prefix of the parameters of the drive curve."""

FORCE_GRID = 0.02
"""Spacing [m/s] on which the force at the wheels is compared; gears move by less than that of the drive curve."""

GEAR_STEP = 0.1
"""Share of a practical step by which gears are moved for that."""

AGREE, LAPS = 0.1, 2e-3
"""First order and solves agree when they differ by less than this share, or by less than two laps may be wrong against each
other [s]."""


@dataclass(frozen=True)
class Effect:
    """What a number of the car does to the lap time, to first order, from the multipliers of one solve.

    Attributes
    ----------
    number : which
    value : of the car, in the unit of the file
    per_step : change of the lap time for one step up [s], negative is quicker; the sum of ``parts``
    parts : the same by piece of the lap, in the order of ``lap.spans.leaves``: where the change acts, with what follows from
        it on the rest of the lap counted there
    check : by solves with the number changed; None when there were none
    """

    number: SetupNumber
    value: float
    per_step: float
    parts: tuple[float, ...]
    check: Check | None = None


@dataclass(frozen=True)
class Check:
    """Two solves, with a number one step up and one step down.

    Attributes
    ----------
    up, down : change of the lap time [s]; None where there was no solution, or the number may not go so far
    central : half of the difference of the two [s per step]: to be held against ``Effect.per_step``
    agrees : whether it does, within a tenth of it or the accuracy of two laps
    words : what the solves say that the first order does not; empty when they agree
    """

    up: float | None
    down: float | None
    central: float | None
    agrees: bool
    words: str


@dataclass(frozen=True, eq=False)
class Pair:
    """A number's two changed laps, None where there was no solution."""

    up: ReferenceLap | None
    down: ReferenceLap | None


def slopes_of(result: ReferenceLap, track: Track, numbers: Sequence[SetupNumber]) -> Array:
    """(K, N) derivative of the lap time by each of K numbers, interval by interval [s per unit of the file].

    Parameters
    ----------
    result
        A solved lap of a full car.
    track
        Its road.
    numbers
        Numbers of its car.
    """
    solution, vehicle = result.solution, result.vehicle
    assert isinstance(vehicle, Vehicle)
    slopes = parameter_slopes(solution)
    names = solution.nlp.problem.model.parameters
    plain = [i for i, name in enumerate(names) if not name.startswith(DRIVE)]
    rows = []
    for number in numbers:
        by_parameter = _parameter_changes(vehicle, number, [names[i] for i in plain])
        found = np.tensordot(by_parameter, slopes[plain], axes=1).sum(axis=1)
        if any(name.startswith(DRIVE) for name in names):
            found = found + _by_drive(solution, vehicle, number, slopes)
        rows.append(found + _by_bounds(result, track, number))
    return np.array(rows).reshape(len(numbers), solution.nlp.mesh.intervals)


def _moved(vehicle: Vehicle, number: SetupNumber, share: float) -> tuple[Vehicle, Vehicle, float]:
    """The car with a number a little up and a little down, and the difference, in the unit of the file.

    A number at the end of what is possible, such as a preload of nothing, is moved to one side.
    """
    value, step = number.value(vehicle), share * number.step
    high = value + step if number.allows(value + step) else value
    low = value - step if number.allows(value - step) else value
    return number.changed(vehicle, high), number.changed(vehicle, low), high - low


def _parameter_changes(vehicle: Vehicle, number: SetupNumber, names: Sequence[str]) -> Array:
    """Derivative of the plain parameters by a number."""
    up, down, span = _moved(vehicle, number, SMALL)
    # The drive curve is left out: it has a derivative of its own.
    more, less = car_parameters(up, None), car_parameters(down, None)
    return np.array([(more[name] - less[name]) / span for name in names])


def smooth_forces(line: Driveline, speed: Array) -> tuple[Array, Array]:
    """Full-throttle and overrun force [N] at any speeds [m/s], blurred over shifts as the drive curve is."""
    half = SHIFT_SPAN / 2.0 + FORCE_GRID
    grid = np.arange(0.0, float(speed.max()) + 2.0 * half + FORCE_GRID, FORCE_GRID)
    window = np.hanning(round(2.0 * half / FORCE_GRID) | 1)
    window /= window.sum()
    edge = len(window) // 2
    blurred = [
        np.convolve(np.pad(force, edge, mode="edge"), window, mode="valid")[: len(grid)]
        for force in wheel_forces(line, grid)
    ]
    return np.interp(speed, grid, blurred[0]), np.interp(speed, grid, blurred[1])


def _by_drive(solution: Solution, vehicle: Vehicle, number: SetupNumber, slopes: Array) -> Array:
    """(N,) effect of a number by way of the force at the wheels: what a newton more is worth is known from the levels of the
    drive curve.
    """
    if not number.key.startswith("driveline."):
        return np.zeros(solution.nlp.mesh.intervals)
    up, down, span = _moved(vehicle, number, GEAR_STEP)
    model = solution.nlp.problem.model
    speed = solution.point_states[:, :, model.state_index("u")]
    changes = [
        (more - less) / span
        for more, less in zip(
            smooth_forces(up.driveline, speed.ravel()),
            smooth_forces(down.driveline, speed.ravel()),
            strict=True,
        )
    ]
    names = model.parameters
    found = np.zeros(speed.shape)
    for name, change in zip(("drive.level", "drive.drag_level"), changes, strict=True):
        found += slopes[names.index(name)] * change.reshape(speed.shape)
    return np.asarray(found.sum(axis=1))


def _by_bounds(result: ReferenceLap, track: Track, number: SetupNumber) -> Array:
    """(N,) effect of a number by way of the bounds: the road's edges for the width of the car, the lock of the steering."""
    solution, vehicle = result.solution, result.vehicle
    assert isinstance(vehicle, Vehicle)
    up, down, span = _moved(vehicle, number, SMALL)
    found = np.zeros(solution.nlp.mesh.intervals)
    wider = (up.chassis.width - down.chassis.width) / span
    if wider:
        # Half of the width on either side: the left edge comes in, the right one too.
        found -= 0.5 * wider * bound_gradient(solution, "n", True).sum(axis=1)
        found -= 0.5 * wider * bound_gradient(solution, "n", False).sum(axis=1)
    locks = [{state.name: state for state in car_states(car)}["delta"].upper for car in (up, down)]
    turned = (locks[0] - locks[1]) / span
    if turned:
        found += turned * bound_gradient(solution, "delta", True).sum(axis=1)
        found += turned * bound_gradient(solution, "delta", False).sum(axis=1)
    return found


def effects_of(
    result: ReferenceLap, track: Track, numbers: Sequence[SetupNumber], spans: Sequence[Span]
) -> tuple[Effect, ...]:
    """The effect of each number on the lap time, largest first.

    Parameters
    ----------
    result, track
        A solved lap of a full car, and its road.
    numbers
        Numbers of its car.
    spans
        From ``spans_of``: the pieces that effects are told by.
    """
    assert isinstance(result.vehicle, Vehicle)
    nodes = result.solution.nlp.mesh.nodes
    found = []
    for number, slopes in zip(numbers, slopes_of(result, track, numbers), strict=True):
        parts = split_up(nodes, number.step * slopes, spans)
        value = number.value(result.vehicle)
        found.append(Effect(number, value, float(parts.sum()), tuple(map(float, parts))))
    return tuple(sorted(found, key=lambda effect: -abs(effect.per_step)))


def check_effect(result: ReferenceLap, track: Track, effect: Effect) -> tuple[Effect, Pair]:
    """An effect with its check, and the two laps that were solved for it.

    Parameters
    ----------
    result, track
        The lap that the effect is of.
    effect
        From ``effects_of``.
    """
    assert isinstance(result.vehicle, Vehicle)
    laps: list[ReferenceLap | None] = []
    for sign in (1.0, -1.0):
        value = effect.value + sign * effect.number.step
        if not effect.number.allows(value):
            # Less than nothing, as of a preload, says nothing about the car.
            laps.append(None)
            continue
        try:
            laps.append(solve_again(result, track, effect.number.changed(result.vehicle, value)))
        except (InputError, NoSolutionError, ValueError):
            laps.append(None)
    up, down = (None if lap is None else lap.time - result.time for lap in laps)
    return replace(effect, check=_check(effect, up, down)), Pair(*laps)


def _check(effect: Effect, up: float | None, down: float | None) -> Check:
    first_order = effect.per_step
    if up is None or down is None:
        return _check_one_side(effect, up, down)
    central = 0.5 * (up - down)
    agrees = _agree(central, first_order)
    words = ""
    if not agrees:
        words = f"first order says {first_order:+.4f} s a step, two solves {central:+.4f} s"
    elif up > LAPS and down > LAPS:
        words = "either way is slower: the car is near its best"
    elif min(abs(up), abs(down)) < 0.5 * max(abs(up), abs(down)) and max(abs(up), abs(down)) > 2.0 * LAPS:
        words = "the two steps differ: the effect bends"
    return Check(up, down, central, agrees, words)


def _agree(central: float, first_order: float) -> bool:
    return abs(central - first_order) <= max(AGREE * abs(central), LAPS)


def _check_one_side(effect: Effect, up: float | None, down: float | None) -> Check:
    """A check of which one lap at most is there, with the reason."""
    number = effect.number
    if up is not None:
        central, missing, value, end = up, "down", effect.value - number.step, f"at least {number.low:g}"
    elif down is not None:
        central, missing, value, end = -down, "up", effect.value + number.step, f"at most {number.high:g}"
    else:
        return Check(None, None, None, False, "neither step has a solution")
    words = (
        f"no lap for the step {missing}" if number.allows(value) else f"no step {missing}: {end} is allowed"
    )
    agrees = _agree(central, effect.per_step)
    if not agrees:
        words += f"; first order says {effect.per_step:+.4f} s a step, one solve {central:+.4f} s"
    return Check(up, down, central, agrees, words)


def check_effects(
    result: ReferenceLap,
    track: Track,
    effects: Sequence[Effect],
    most: int,
    progress: Callable[[str], None] | None = None,
) -> tuple[tuple[Effect, ...], dict[str, Pair]]:
    """The effects with the ``most`` largest of them checked, and the laps solved for it by the number's key."""
    done, pairs = [], {}
    for i, effect in enumerate(effects):
        if i < most:
            if progress is not None:
                progress(effect.number.words)
            effect, pairs[effect.number.key] = check_effect(result, track, effect)
        done.append(effect)
    return tuple(done), pairs
