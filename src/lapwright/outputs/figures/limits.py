"""The page for the sceptic: convergence, mesh, where each limit is active and what it costs."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from lapwright.lap.corners import CornerReport
from lapwright.lap.lap import Array, Lap
from lapwright.outputs.figures.style import A3, BAND, INK, REFERENCE, page, renderer, shown, styled
from lapwright.outputs.words import lap_heading
from lapwright.reference.evidence import Evidence, LimitUse

NAME_SIZE = 12
"""Type of the names of the limits [pt]."""

FLOOR = 1e-16
"""Smallest value on a logarithmic axis: a zero is drawn there."""


@styled
def draw_limits(lap: Lap, evidence: Evidence, reports: Sequence[CornerReport]) -> Figure:
    """Convergence history, mesh and its error, active limits along the lap and their cost, on one A3 page.

    Parameters
    ----------
    lap
        The target lap.
    evidence
        From the solver.
    reports
        From ``corner_reports``; the corners become light bands.
    """
    error = float(np.sum(np.abs(evidence.mesh_error)))
    subtitle = (
        f"{lap_heading(lap)}   "
        f"{evidence.nodes.size - 1} intervals, {evidence.objective.size} iterations   "
        f"mesh error {_milliseconds(error)} over the whole {'lap' if lap.closed else 'section'}, "
        f"asked {_milliseconds(evidence.tolerance)}   {evidence.solver}"
    )
    figure = page(A3, lap, subtitle)
    _objective(figure.add_axes((0.07, 0.67, 0.25, 0.2)), evidence)
    _residuals(figure.add_axes((0.40, 0.67, 0.25, 0.2)), evidence)
    left = _room_for_names(figure, evidence)
    _costs(figure.add_axes((0.77, 0.135, 0.21, 0.41)), evidence)
    along = [
        figure.add_axes((left, 0.135, 0.735 - left, 0.41)),
        figure.add_axes((0.73, 0.79, 0.255, 0.08)),
        figure.add_axes((0.73, 0.67, 0.255, 0.08)),
    ]
    _strips(along[0], evidence)
    _mesh(along[1], along[2], evidence)
    for axes in along:
        axes.set_xlim(evidence.nodes[0], evidence.nodes[-1])
        _bands(axes, lap, reports)
    return figure


def _room_for_names(figure: Figure, evidence: Evidence) -> float:
    """Where the strips begin, as a share of the page, so that the longest name of a limit fits beside
    them.
    """
    widest = 0.0
    for limit in evidence.limits:
        text = figure.text(0, 0, shown(limit.name), fontsize=NAME_SIZE)
        widest = max(widest, text.get_window_extent(renderer(figure)).width / figure.bbox.width)
        text.remove()
    return min(0.03 + widest, 0.4)


def _milliseconds(seconds: float) -> str:
    return f"{1000 * seconds:.2g} ms"


def _objective(axes: Axes, evidence: Evidence) -> None:
    """Distance of the objective from its last value: what is left to gain at each iteration."""
    values = np.abs(evidence.objective - evidence.objective[-1])
    axes.semilogy(np.arange(values.size)[:-1], np.maximum(values[:-1], FLOOR), color=REFERENCE, linewidth=2)
    axes.set_title("Objective: distance from the last value [s]", loc="left")
    axes.set_xlabel("Iteration")
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    axes.grid(True)


def _residuals(axes: Axes, evidence: Evidence) -> None:
    lines: list[tuple[str, Array, object]] = [
        ("primal infeasibility", evidence.primal_infeasibility, "-"),
        ("dual infeasibility", evidence.dual_infeasibility, (0, (5, 1.5))),
    ]
    if np.any(evidence.barrier > 0):
        lines.append(("barrier parameter", evidence.barrier, ":"))
    for (name, values, style), colour in zip(lines, (REFERENCE, INK, "#7F7F7F"), strict=False):
        shown = np.maximum(np.abs(values), FLOOR)
        axes.semilogy(np.arange(values.size), shown, color=colour, linestyle=style, linewidth=2, label=name)  # type: ignore[arg-type]
    axes.set_title("Residuals, scaled by the solver [-]", loc="left")
    axes.set_xlabel("Iteration")
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    axes.grid(True)
    axes.legend(frameon=False, fontsize=11, handlelength=2.6)


def _mesh(length: Axes, error: Axes, evidence: Evidence) -> None:
    nodes = evidence.nodes
    length.stairs(np.diff(nodes), nodes, color=REFERENCE, linewidth=1.5, baseline=None)
    length.set_title("Mesh: interval length [m]", loc="left")
    length.set_ylim(bottom=0)
    length.tick_params(labelbottom=False)
    shown = np.maximum(1e6 * np.abs(evidence.mesh_error), 1e-6)
    error.stairs(shown, nodes, color=INK, linewidth=1.2, baseline=None)
    error.set_yscale("log")
    error.set_title("Error of each interval [microseconds]", loc="left")
    error.set_xlabel("Distance [m]")
    for axes in (length, error):
        axes.grid(True)


def _strips(axes: Axes, evidence: Evidence) -> None:
    """One strip for each limit, dark where it is active."""
    limits = _ordered(evidence)
    for row, limit in enumerate(limits):
        y = len(limits) - 1 - row
        axes.axhline(y, color="#DDDDDD", linewidth=0.8, zorder=1)
        spans = [(start, end - start) for start, end in limit.stretches]
        axes.broken_barh(
            spans, (y - 0.32, 0.64), facecolors=REFERENCE, edgecolors=REFERENCE, linewidth=0.6, zorder=2
        )
    axes.set_ylim(-0.7, len(limits) - 0.3)
    axes.set_yticks(range(len(limits)), [shown(limit.name) for limit in reversed(limits)], fontsize=NAME_SIZE)
    axes.tick_params(axis="y", length=0)
    axes.set_title("Where each limit is active", loc="left")
    axes.set_xlabel("Distance along the centreline [m]")


def _costs(axes: Axes, evidence: Evidence) -> None:
    limits = _ordered(evidence)
    costs = [limit.cost for limit in reversed(limits)]
    axes.barh(range(len(limits)), [cost or 0.0 for cost in costs], height=0.64, color=REFERENCE)
    largest = max([abs(cost) for cost in costs if cost is not None], default=0.0) or 1.0
    for row, cost in enumerate(costs):
        text = "not known" if cost is None else f"{cost:.3f}" if abs(cost) >= 5e-4 else "under 0.001"
        axes.text(max(cost or 0.0, 0.0) + 0.02 * largest, row, text, va="center", fontsize=12)
    axes.set_xlim(min(0.0, *(cost or 0.0 for cost in costs), 0.0), 1.3 * largest)
    axes.set_ylim(-0.7, len(limits) - 0.3)
    axes.set_yticks([])
    axes.xaxis.set_major_locator(MaxNLocator(4))
    axes.set_title("What it is worth", loc="left")
    axes.set_xlabel("\n".join(textwrap.wrap(evidence.cost_of, 30)))


def _ordered(evidence: Evidence) -> list[LimitUse]:
    """Dearest first; among equals the one active on more road."""
    return sorted(evidence.limits, key=lambda limit: (-(limit.cost or 0.0), -limit.length))


def _bands(axes: Axes, lap: Lap, reports: Sequence[CornerReport]) -> None:
    around = float(lap.s[-1] - lap.s[0]) if lap.closed else 0.0
    low, high = axes.get_xlim()
    for report in reports:
        end = report.end + (around if report.end < report.start else 0.0)
        for shift in (-around, 0.0, around) if around else (0.0,):
            a, b = max(report.start + shift, low), min(end + shift, high)
            if b > a:
                axes.axvspan(a, b, color=BAND, linewidth=0, zorder=0)
