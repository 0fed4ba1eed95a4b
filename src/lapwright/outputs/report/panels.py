"""The panels over distance and the map of a report, as bokeh figures that share one table of columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from bokeh.models import ColumnDataSource, CustomJS, FixedTicker, Range1d
from bokeh.models.annotations import Span
from bokeh.plotting import figure

from lapwright.outputs.figures.compare_people import Look
from lapwright.outputs.figures.style import BAND, EDGE, INK
from lapwright.outputs.report.columns import Traces

LEFT, RIGHT = 62, 14
"""Free edge of every panel [pixels]: the scales stand exactly over one another."""


@dataclass(frozen=True)
class Panel:
    """One panel: the column it shows, its heading, its height [pixels], limits (None: as the values want).

    ``missing`` is what is said of a driver whose log does not have it.
    """

    column: str
    heading: str
    height: int
    limits: tuple[float, float] | None
    missing: str = ""


PANELS = (
    Panel("difference", "Running time difference [s]: rises where the driver is slower", 190, None),
    Panel("speed", "Speed [km/h]", 240, None),
    Panel("brake", "Brake [%]", 130, (-4.0, 106.0), "no brake"),
    Panel("throttle", "Throttle [%]", 130, (-4.0, 106.0), "no throttle"),
    Panel("wheel", "Hand wheel [deg], + left", 160, None, "no steering"),
    Panel("gear", "Gear", 110, None, "no gear"),
    Panel("n", "Place across the road [m], + left; grey: the edges", 170, None, "no place on the road"),
    Panel("g", "Grip asked for: total acceleration [g]", 140, None, "no acceleration"),
)


def shown_panels(found: Traces, people: Sequence[Look]) -> list[Panel]:
    """All panels, but gear only when a driver's log has it."""
    drivers = people[1:]
    return [
        panel
        for panel in PANELS
        if panel.column != "gear" or any(found.has(f"{d.key}_gear") for d in drivers)
    ]


def source_of(found: Traces) -> ColumnDataSource:
    """The table that all panels and the script of the page read."""
    return ColumnDataSource(data=dict(found.values), name="traces")


def panel_figure(
    panel: Panel,
    found: Traces,
    source: ColumnDataSource,
    people: Sequence[Look],
    across: Range1d,
    bands: ColumnDataSource,
) -> Any:
    """One panel, as wide as the page, with the cursor of the page."""
    made: Any = figure(
        name=f"panel-{panel.column}", height=panel.height, sizing_mode="stretch_width", x_range=across,
        y_range=_range(*(panel.limits or (0.0, 1.0))), tools="", toolbar_location=None,
        min_border_left=LEFT, min_border_right=RIGHT, min_border_top=4, min_border_bottom=4,
    )  # fmt: skip
    _dress(made)
    made.vstrip(x0="start", x1="end", source=bands, fill_color=BAND, line_color=None, level="underlay")
    if panel.column == "n":
        for side in ("left", "right"):
            made.line("s", side, source=source, line_color=EDGE, line_width=3)
    if panel.column in ("difference", "wheel", "n"):
        made.add_layout(
            Span(location=0.0, dimension="width", line_color="#888888", line_width=1, level="underlay")
        )
    if panel.column == "gear":
        made.yaxis.ticker = FixedTicker(ticks=list(range(0, 13)))
    for who in people:
        column = f"{who.key}_{panel.column}"
        if not found.has(column):
            continue
        style: dict[str, Any] = {"line_color": who.colour, "line_width": 2.6, "line_dash": _dash(who, 2.6)}
        if panel.column == "gear":
            made.step("s", column, source=source, mode="after", **style)
        else:
            made.line("s", column, source=source, **style)
    made.add_layout(
        Span(
            name=f"cursor-{made.name}",
            location=0.0,
            dimension="height",
            line_color=INK,
            line_width=2,
            level="overlay",
        )
    )
    _point(made, "cb_obj.x")
    return made


def names_figure(across: Range1d, names: ColumnDataSource, bands: ColumnDataSource) -> Any:
    """The strip with the corners' names along the top, in two rows."""
    made: Any = figure(
        name="panel-names", height=58, sizing_mode="stretch_width", x_range=across, y_range=_range(0.0, 2.0), tools="",
        toolbar_location=None, min_border_left=LEFT, min_border_right=RIGHT, min_border_top=0, min_border_bottom=0,
    )  # fmt: skip
    _dress(made)
    made.axis.visible = False
    made.xgrid.visible = made.ygrid.visible = False
    made.vstrip(x0="start", x1="end", source=bands, fill_color=BAND, line_color=None, level="underlay")
    made.text(
        "at", "row", text="shown", source=names, text_align="center", text_baseline="middle", text_color=INK,
        text_font_size="15px", text_font_style="bold",
    )  # fmt: skip
    return made


def map_figure(
    found: Traces, source: ColumnDataSource, people: Sequence[Look], plan: Mapping[str, Any]
) -> Any:
    """The road from above with everybody's line, what was lost where, and a mark for each car."""
    made: Any = figure(
        name="map", height=520, sizing_mode="stretch_width", x_range=_range(0.0, 1.0), y_range=_range(0.0, 1.0), tools="",
        toolbar_location=None, min_border=4,
    )  # fmt: skip
    _dress(made)
    made.axis.visible = False
    made.xgrid.visible = made.ygrid.visible = False
    made.multi_line("x", "y", source=ColumnDataSource(plan["lost"]), line_width="width", line_color="#B9A86A",
                    line_alpha=0.75, line_cap="butt")  # fmt: skip
    made.patch(plan["x"], plan["y"], fill_color="#E3E3E3", line_color=None)
    made.multi_line("x", "y", source=ColumnDataSource(plan["edges"]), line_color=EDGE, line_width=1.5)
    made.line(*plan["line"], line_color=INK, line_width=5)
    for who in people:
        if found.has(f"{who.key}_x"):
            made.line(
                f"{who.key}_x",
                f"{who.key}_y",
                source=source,
                line_color=who.colour,
                line_width=2.2,
                line_dash=_dash(who, 2.2),
            )
    style = {
        "text_align": "center",
        "text_baseline": "middle",
        "x_offset": "dx",
        "y_offset": "dy",
        "text_color": INK,
    }
    made.text(
        "x",
        "y",
        text="shown",
        source=ColumnDataSource(plan["names"] | {"shown": plan["names"]["name"]}, name="map-names"),
        text_font_size="15px",
        text_font_style="bold",
        **style,
    )
    made.text(
        "x", "y", text="rank", source=ColumnDataSource(plan["ranks"], name="map-ranks"), text_font_size="14px",
        background_fill_color="white",
        border_line_color=INK, border_radius=4, padding=3, **style,
    )  # fmt: skip
    for who in reversed(people):
        mark = ColumnDataSource({"x": [np.nan], "y": [np.nan]}, name=f"mark-{who.key}")
        marker = "circle" if who.key == "ref" else "square"
        made.scatter("x", "y", source=mark, size=17, marker=marker, fill_color=who.colour, line_color=INK, line_width=2.5,
                     level="overlay")  # fmt: skip
    _point(made, "null, cb_obj.x, cb_obj.y")
    return made


def _range(low: float, high: float) -> Range1d:
    return Range1d(start=low, end=high)


def _dress(made: Any) -> None:
    made.background_fill_color = made.border_fill_color = "white"
    made.outline_line_color = None
    made.axis.major_label_text_font_size = "14px"
    made.axis.major_label_text_color = INK
    made.axis.minor_tick_line_color = None
    made.axis.axis_line_color = "#555555"
    made.grid.grid_line_color = "#D5D5D5"
    if made.yaxis:
        made.yaxis.ticker.desired_num_ticks = 4


def _point(made: Any, place: str) -> None:
    """Let the page know where a person points at."""
    for event in ("mousemove", "tap"):
        made.js_on_event(event, CustomJS(code=f"window.lapReport && window.lapReport.point({place})"))


def _dash(who: Look, width: float) -> list[int]:
    return [max(1, round(width * part)) for part in who.dash]
