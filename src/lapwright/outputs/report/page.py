"""report.html: everything that a comparison says, in one file that needs no network."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from bokeh.document import Document
from bokeh.models import ColumnDataSource, Range1d
from bokeh.resources import Resources

from lapwright.driver.session import DriverLap
from lapwright.lap.lap import Array, Lap
from lapwright.outputs.figures.compare_people import Look, corner_columns, looks
from lapwright.outputs.report.columns import Traces, traces
from lapwright.outputs.report.markup import Markup, joined, json_script, plain, tag
from lapwright.outputs.report.more_sections import background
from lapwright.outputs.report.panels import (
    Panel,
    map_figure,
    names_figure,
    panel_figure,
    shown_panels,
    source_of,
)
from lapwright.outputs.report.pictures import key, pictures
from lapwright.outputs.report.plan import plan_of
from lapwright.outputs.report.sections import corner_tables, opening, parts_table, what_to_do
from lapwright.outputs.report.still import still_picture
from lapwright.track.track import Track

POLICY = "default-src 'none'; script-src 'unsafe-inline' 'unsafe-eval'; style-src 'unsafe-inline'; img-src data: blob:"
"""What the page may do: nothing may be fetched from anywhere (W3C Content Security Policy Level 3)."""

AROUND = (30.0, 30.0)
"""Road shown before and after a corner's part [m]."""


def write_report(
    path: Path,
    record: Mapping[str, Any],
    target: Lap,
    track: Track,
    drives: Sequence[DriverLap],
    running: Sequence[Array],
) -> None:
    """Write the report of a comparison as one HTML file.

    Parameters
    ----------
    path
        Of the file.
    record
        From ``compare_record``: the only source of the words and numbers.
    target
        The reference, a row about every metre.
    track
        The road.
    drives
        The drivers' laps in the order of the record, rows at the stations of ``target``.
    running
        Running time difference of each [s], driver less reference, at the same stations.

    Raises
    ------
    ValueError
        When the laps have not the same stations.
    """
    path.write_text(report_text(record, target, track, drives, running), encoding="utf-8", newline="\n")


def report_text(
    record: Mapping[str, Any],
    target: Lap,
    track: Track,
    drives: Sequence[DriverLap],
    running: Sequence[Array],
) -> str:
    """The text of the report; see ``write_report``."""
    people = looks(record)
    found = traces(record, target, track, drives, running)
    panels = shown_panels(found, people)
    bands, names = corner_columns(record, track.length)
    title = f"{record['track']['name']}, {record['vehicle']['name']}"
    body = [
        tag("header", opening(record, people)),
        tag(
            "main",
            what_to_do(record, people),
            pictures(record, found, panels, people, list(drives)),
            tag(
                "section",
                tag("h2", "Traces"),
                key(people),
                still_picture(found, panels, people, {**bands, **names}),
                class_="paper",
            ),
            parts_table(record, people),
            corner_tables(record, people),
            background(record),
        ),
        tag("footer", tag("p", record["caution"])),
        json_script("facts", _facts(record, found, panels, people)),
        json_script("plots", _plots(record, found, panels, people, track, (bands, names))),
        *(Markup(f"<script>{text}</script>") for text in _scripts()),
    ]
    head = [
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=POLICY),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title),
        Markup(f"<style>{_own('report.css')}</style>"),
    ]
    page = joined([tag("head", *head), tag("body", *body)])
    return f'<!DOCTYPE html>\n<html lang="en">{page}</html>\n'


def _own(name: str) -> str:
    return files("lapwright.outputs.report").joinpath(name).read_text(encoding="utf-8")


@cache
def _scripts() -> tuple[str, ...]:
    """The plotting library, only the part of it that is used, and our own script."""
    library = Resources(mode="inline", components=["bokeh"], minified=True, log_level="warn").js_raw
    return tuple(text.replace("</script", "<\\/script") for text in [*library, _own("report.js")])


def _facts(
    record: Mapping[str, Any], found: Traces, panels: Sequence[Panel], people: Sequence[Look]
) -> dict[str, Any]:
    """What the script has to know besides the traces."""
    length = float(record["track"]["length_m"])
    first = record["drivers"][0]
    corners = {}
    for part in first["parts"]:
        if part["kind"] == "corner":
            start, end = float(part["start_m"]), float(part["end_m"])
            end += length if end < start else 0.0
            corners[plain(part["name"])] = [start - AROUND[0], end + AROUND[1]]
    return {
        "people": [who.key for who in people],
        "rows": found.rows,
        "closed": bool(record["track"]["closed"]),
        "corners": [{"name": name, "from": ends[0], "to": ends[1]} for name, ends in corners.items()],
        "panels": [
            {
                "name": f"panel-{panel.column}",
                "columns": [c for who in people if found.has(c := f"{who.key}_{panel.column}")]
                + (["left", "right"] if panel.column == "n" else []),
                "limits": list(panel.limits) if panel.limits else None,
                "least": {"difference": 0.1, "n": 4.0, "wheel": 20.0, "speed": 20.0}.get(panel.column, 1.0),
            }
            for panel in panels
        ],
    }


def _plots(
    record: Mapping[str, Any],
    found: Traces,
    panels: Sequence[Panel],
    people: Sequence[Look],
    track: Track,
    corners: Any,
) -> dict[str, Any]:
    """All plots as one document of the plotting library, and where each belongs on the page."""
    source = source_of(found)
    s = found.values["s"]
    across = Range1d(start=float(s[0]), end=float(s[found.rows - 1]), name="across")
    bands = ColumnDataSource(corners[0])
    said = [plain(name) for name in corners[1]["name"]]
    names = ColumnDataSource(corners[1] | {"name": said, "shown": said}, name="strip-names")
    plots = [map_figure(found, source, people, plan_of(record, track, found.origin))]
    plots.append(names_figure(across, names, bands))
    plots += [panel_figure(panel, found, source, people, across, bands) for panel in panels]
    book = Document(title="")
    for plot in plots:
        book.add_root(plot)
    places = {plot.id: plot.name for plot in plots}
    return {
        "documents": {"lap": book.to_json(deferred=False)},
        "items": [{"docid": "lap", "roots": places, "root_ids": list(places)}],
    }
