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
from lapwright.outputs.report.columns import Traces, traces
from lapwright.outputs.report.looks import Look, looks
from lapwright.outputs.report.markup import Markup, joined, json_script, plain, tag
from lapwright.outputs.report.more_sections import background
from lapwright.outputs.report.panels import (
    Panel,
    corner_columns,
    map_figure,
    names_figure,
    panel_figure,
    shown_panels,
    source_of,
)
from lapwright.outputs.report.plan import plan_of
from lapwright.outputs.report.sections import corner_tables, opening, parts_table, stroke, what_to_do
from lapwright.outputs.report.still import still_picture
from lapwright.outputs.report.words import NONE
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
            _pictures(record, found, panels, people, list(drives)),
            tag(
                "section",
                tag("h2", "Traces"),
                _key(people),
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


def _key(people: Sequence[Look]) -> Markup:
    """Whose line is which."""
    items = [tag("li", stroke(who), f" {who.name} ({who.word})") for who in people]
    return tag("ul", *items, class_="key")


def _pictures(
    record: Mapping[str, Any],
    found: Traces,
    panels: Sequence[Panel],
    people: Sequence[Look],
    drives: Sequence[DriverLap],
) -> Markup:
    """The buttons of the corners, the replay, the map and the panels; filled by the script."""
    first = record["drivers"][0]
    buttons = [
        tag(
            "button",
            part["name"],
            type="button",
            class_="corner",
            data_corner=part["name"],
            aria_pressed="false",
        )
        for part in first["parts"]
        if part["kind"] == "corner"
    ]
    whole = tag("button", "Whole lap", type="button", class_="corner", data_corner="", aria_pressed="true")
    note = (
        "Point at the map or a panel, or use the arrow keys: both cars at the same place. Play: both at the same time, so the "
        "gap shows. Numbers on the map are those of the findings; the sand-coloured band is wider where more time is lost."
    )
    made: list[Markup] = []
    for panel in panels:
        absent = [
            _missing(panel, who, found) for who in people[1:] if not found.has(f"{who.key}_{panel.column}")
        ]
        made.append(tag("h3", panel.heading))
        if panel.column == "brake":
            absent += [
                f"{who.name}: the brake is only known to be on or off."
                for who, drive in zip(people[1:], drives, strict=True)
                if drive.brake_switch
            ]
        made += [tag("p", words, class_="notice") for words in absent]
        made.append(tag("div", id=f"panel-{panel.column}", class_="plot"))
    lost = f" Lost time and numbers are those of {first['name']}." if len(people) > 2 else ""
    return tag(
        "section",
        tag("h2", "Show me"),
        tag("p", note, lost, class_="quiet"),
        _key(people),
        tag(
            "noscript", tag("p", "These pictures need JavaScript; the still traces are on the printed page.")
        ),
        tag("div", whole, *buttons, class_="corners", role="group", aria_label="Zoom to a corner"),
        tag("div", tag("div", id="map", class_="plot"), _cockpit(people, found), class_="beside"),
        tag("div", id="panel-names", class_="plot"),
        *made,
        tag("p", "Distance along the centreline [m]", class_="quiet axis"),
        id="show",
        tabindex="-1",
    )


def _missing(panel: Panel, who: Look, found: Traces) -> str:
    return f"{who.name}: {panel.missing or 'nothing of this'} in the log; nothing is drawn."


def _cockpit(people: Sequence[Look], found: Traces) -> Markup:
    """The replay: buttons, and what everybody's feet and hands do."""
    rates = [
        tag(
            "button",
            label,
            type="button",
            class_="rate",
            data_rate=rate,
            aria_pressed="true" if rate == 1 else "false",
        )
        for rate, label in ((0.25, "1/4x"), (0.5, "1/2x"), (1, "1x"), (2, "2x"))
    ]
    return tag(
        "div",
        tag(
            "div",
            tag("button", "Play", type="button", id="play"),
            *rates,
            class_="rates",
            role="group",
            aria_label="Replay",
        ),
        tag(
            "input",
            type="range",
            id="moment",
            min="0",
            max="1000",
            value="0",
            step="any",
            aria_label="Moment of the replay",
        ),
        tag("p", "", id="where", aria_live="off"),
        *(_person(who, found) for who in people),
        class_="cockpit",
    )


def _person(who: Look, found: Traces) -> Markup:
    def bar(column: str, word: str) -> Markup:
        if not found.has(f"{who.key}_{column}"):
            return tag("div", tag("span", word), tag("span", "not logged", class_="quiet"), class_="foot")
        level = tag("i", class_=column, data_level=f"{who.key}_{column}")
        return tag(
            "div",
            tag("span", word),
            tag("b", level),
            tag("output", NONE, data_value=f"{who.key}_{column}"),
            class_="foot",
        )

    if found.has(f"{who.key}_wheel"):
        rim = tag("circle", cx="40", cy="40", r="33", fill="none", stroke=who.colour, stroke_width="7")
        spoke = tag("path", d="M40 40V9", stroke="#1A1A1A", stroke_width="7", stroke_linecap="round")
        hub = tag("circle", cx="40", cy="40", r="6", fill="#1A1A1A")
        turned = tag("g", rim, spoke, hub, data_turn=f"{who.key}_wheel")
        wheel = tag(
            "svg",
            turned,
            viewBox="0 0 80 80",
            width="80",
            height="80",
            role="img",
            aria_label=f"Hand wheel of {who.name}",
        )
    else:
        wheel = tag("span", "steering not logged", class_="quiet")
    return tag(
        "div",
        tag("h4", stroke(who), f" {who.name}"),
        tag(
            "div",
            wheel,
            tag(
                "div",
                tag("p", tag("output", NONE, data_value=f"{who.key}_speed", class_="speed"), " km/h",
                    Markup(" &nbsp; gear ") if found.has(f"{who.key}_gear") else None,
                    tag("output", NONE, data_value=f"{who.key}_gear") if found.has(f"{who.key}_gear") else None),
                bar("throttle", "throttle"),
                bar("brake", "brake"),
                class_="feet",
            ),
            class_="hands",
        ),
        class_="person",
        data_who=who.key,
    )  # fmt: skip


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
                "columns": [c for who in people if found.has(c := f"{who.key}_{panel.column}")],
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
    bands, names = (ColumnDataSource(columns) for columns in corners)
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
