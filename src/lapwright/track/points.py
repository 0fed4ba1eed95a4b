"""Centreline from surveyed points: smooth in curvature, close to every point."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from lapwright.errors import InputError
from lapwright.track.definition import PointLine
from lapwright.track.fitted import FittedCurve
from lapwright.track.line import Line, point_fault
from lapwright.track.plan import PlanCurve
from lapwright.track.profile import Profile
from lapwright.track.road import Array
from lapwright.track.smoothing import Smoother
from lapwright.track.survey import Survey, read_survey

KNOT_STEP = 2.5
"""Spacing [m] of the knots of the fitted curve."""
SHORTEST_WAVE, LONGEST_WAVE = 6.0, 120.0
"""Range [m] of wavelengths among which the smoothing is chosen: a hairpin of 6 m radius, an airfield bend."""
FIRST_WAVE = 15.0
"""Wavelength [m] of the smoothing while the points are being put in order along the road."""
HEIGHT_STEP = 5.0
HEIGHT_WAVES = (25.0, 400.0)
"""Knots and wavelengths [m] for heights and banks: cars feel their second derivatives."""
UNSEEN = 0.005
"""A residual below this share of the tolerance does not stop the smoothing."""
STRETCH = (0.5, 4.0)
"""Bounds of the factor on the wavelength of the smoothing along a road."""
LEAST_PACE = 0.4
"""The fitted curve advances at least this much per metre along the points."""
LISTED = 5
"""Points named in an error; the others are counted."""
_CHOICES = 25


def build_points(line: PointLine, closed: bool) -> Line:
    """Smooth the points, and pass from them to a curve given by its curvature.

    Raises
    ------
    InputError
        Points that cannot be used, a lap that does not close, or points further than the tolerance from every
        smooth line.
    """
    survey = read_survey(line, closed)
    # Map coordinates run to millions of metres: fitted about their middle they keep their last digits.
    origin = complex(np.mean(survey.place))
    survey = replace(survey, place=survey.place - origin)
    waves = _waves(survey)
    t, length = survey.along, survey.length
    for _ in range(3):
        smoother = _smoother(t, survey, length, closed)
        fitted = FittedCurve(smoother.spline(float(np.clip(FIRST_WAVE, waves[0], waves[-1]))), length, closed)
        _refuse_reversal(line, survey, fitted, t)
        t, length = fitted.arc(fitted.nearest(survey.place, t)), fitted.length
    smoother = _smoother(t, survey, length, closed)
    wave = smoother.best_waves(waves, UNSEEN * line.tolerance)[1]
    stretch = _stretch(FittedCurve(smoother.spline(wave), length, closed), wave)
    smoother = replace(smoother, stretch=stretch)
    short, long = smoother.best_waves(waves, UNSEEN * line.tolerance)
    waves = waves[(waves >= short) & (waves <= long)]
    wave = _longest(waves, lambda w: _fits(line, np.abs(_missed(survey, smoother, w, t)[2])))
    curve, made, stray = _missed(survey, smoother, wave, t)
    if not _fits(line, stray):
        raise _astray(line, survey, made, stray)
    order = np.argsort(made, kind="stable")
    return Line(
        source=line,
        curve=replace(curve, places=curve.places + origin),
        given=np.array([0.0, curve.length]),
        made=np.array([0.0, curve.length]),
        items=made[order],
        positions=survey.kept[order],
        gap=survey.gap,
        stray_max=float(np.max(stray)),
        stray_rms=math.sqrt(float(np.mean(stray**2))),
        height=_heights(line, survey, made, curve.length, closed),
        notices=survey.notices,
        chord=survey.chord,
        at_chord=made,
    )


def smooth_along(made: Array, value: Array, length: float, closed: bool, unseen: float) -> Profile:
    """A smooth function of the station through noisy values at stations ``made``.

    The amount of smoothing is found from the values; ``unseen`` is a residual too small to matter.
    """
    usual = length / len(made)
    smoother = Smoother(
        made, value[:, None], length, closed, min(max(HEIGHT_STEP, 0.5 * usual), length / 60.0)
    )
    low = min(max(HEIGHT_WAVES[0], 1.2 * usual), length / 6.0)
    waves = np.geomspace(low, min(max(HEIGHT_WAVES[1], 2.0 * low), length / 3.0), _CHOICES)
    spline = smoother.spline(smoother.best_waves(waves, unseen)[1])
    spline.c = spline.c[:, 0]
    return Profile(spline, 0.0, length, closed, straight_on=True)


def _waves(survey: Survey) -> Array:
    """Wavelengths [m] among which the smoothing is chosen: long enough to hold points, short enough for the
    road.
    """
    shortest = max(SHORTEST_WAVE, 1.2 * float(np.median(np.diff(survey.chord))))
    shortest = min(shortest, survey.length / 6.0)
    longest = min(max(LONGEST_WAVE, 2.0 * shortest), survey.length / 3.0)
    return np.geomspace(shortest, longest, _CHOICES)


def _smoother(t: Array, survey: Survey, length: float, closed: bool) -> Smoother:
    data = np.column_stack([survey.place.real, survey.place.imag])
    # Where points are far apart, knots half as far apart hold all that they can say.
    step = max(KNOT_STEP, 0.5 * float(np.percentile(np.diff(survey.chord), 10)))
    return Smoother(t, data, length, closed, min(step, length / 60.0))


def _stretch(fitted: FittedCurve, wave: float) -> Array:
    """Factors on the wavelength along the curve: the wider the bend, the longer it may be smoothed.

    Roads are laid out so: ramps and bends are long where radii are large (road design handbooks tie the
    parameter of a clothoid to its radius; common practice). The square root and the bounds were found by
    trial on invented surveys: they bring the curvature nearest to the true one.
    """
    t = np.linspace(0.0, fitted.end, max(64, math.ceil(fitted.end)) + 1)
    along, bend = fitted.value(t, 1), fitted.value(t, 2)
    curvature = np.abs((np.conj(along) * bend).imag) / np.abs(along) ** 3
    rising = np.sort(curvature)
    turned = np.cumsum(rising)
    tight = float(rising[np.searchsorted(turned, 0.8 * turned[-1])])
    if tight == 0.0:
        return np.ones(len(t))
    step = fitted.end / (len(t) - 1)
    mode = "wrap" if fitted.closed else "nearest"
    widest = maximum_filter1d(curvature, 2 * round(wave / step) + 1, mode=mode)
    ratio = gaussian_filter1d(
        0.5 * np.log(tight / np.maximum(widest, 1e-3 * tight)), 0.5 * wave / step, mode=mode
    )
    stretch: Array = np.clip(np.exp(ratio), *STRETCH)
    return stretch


def _refuse_reversal(line: PointLine, survey: Survey, fitted: FittedCurve, t: Array) -> None:
    """Refuse points that turn back on themselves: there the fitted curve comes almost to a stop."""
    even = np.linspace(0.0, fitted.end, max(64, math.ceil(fitted.end)) + 1)
    pace = np.abs(fitted.value(even, 1))
    slowest = int(np.argmin(pace))
    if pace[slowest] >= LEAST_PACE:
        return
    index = int(survey.kept[np.argmin(np.abs(t - even[slowest]))])
    x, y = line.points[index][:2]
    text = (
        f"the points turn back on themselves near point {index + 1} (x {x:.2f}, y {y:.2f}): they must follow "
        "the road in driving order, without spikes"
    )
    raise InputError(point_fault(line, index, text))


def _missed(survey: Survey, smoother: Smoother, wave: float, t: Array) -> tuple[PlanCurve, Array, Array]:
    """The curve for one amount of smoothing, the stations of the points and their distances from it [m]."""
    fitted = FittedCurve(smoother.spline(wave), smoother.length, smoother.closed)
    curve = fitted.plan()
    s = fitted.arc(fitted.nearest(survey.place, t))
    for _ in range(3):
        miss = (survey.place - curve.place(s)) * np.exp(-1j * curve.heading(s))
        s = s + miss.real
        s = np.mod(s, curve.length) if smoother.closed else np.clip(s, 0.0, curve.length)
    return curve, s, np.abs(survey.place - curve.place(s))


def _fits(line: PointLine, stray: Array) -> bool:
    return bool(np.max(stray) <= line.tolerance)


def _longest(waves: Array, fits: Callable[[float], bool]) -> float:
    """The longest of the rising ``waves`` that fits, by bisection; the shortest when none does."""
    if fits(float(waves[-1])):
        return float(waves[-1])
    low, high = 0, len(waves) - 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fits(float(waves[middle])) else (low, middle)
    return float(waves[low])


def _astray(line: PointLine, survey: Survey, made: Array, stray: Array) -> InputError:
    worst = np.argsort(-stray)
    worst = worst[stray[worst] > line.tolerance]
    faults = []
    for index in worst[:LISTED]:
        x, y = line.points[survey.kept[index]][:2]
        text = (
            f"point {survey.kept[index] + 1} (x {x:.2f}, y {y:.2f}) is {stray[index]:.3f} m from the smooth "
            f"line at {made[index]:.1f} m, more than tolerance_m {line.tolerance:g}: correct or remove the "
            "point, or allow more (all points lie within "
            f"{math.ceil(100.0 * float(np.max(stray))) / 100.0:g} m)"
        )
        faults.append(point_fault(line, int(survey.kept[index]), text))
    if len(worst) > LISTED:
        text = f"and {len(worst) - LISTED} more of {len(stray)} points are further off than tolerance_m"
        faults.append(point_fault(line, int(survey.kept[worst[LISTED]]), text))
    return InputError(faults)


def _heights(line: PointLine, survey: Survey, made: Array, length: float, closed: bool) -> Profile | None:
    if len(line.points[0]) == 2:
        return None
    z = np.array([line.points[index][2] for index in survey.kept])
    return smooth_along(made, z, length, closed, UNSEEN * line.tolerance)
