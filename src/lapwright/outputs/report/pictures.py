"""The part of a report that moves: buttons, replay and the places of map and panels, which the script fills."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lapwright.driver.session import DriverLap
from lapwright.outputs.figures.compare_people import Look
from lapwright.outputs.report.columns import Traces
from lapwright.outputs.report.markup import Markup, tag
from lapwright.outputs.report.panels import Panel
from lapwright.outputs.report.sections import stroke
from lapwright.outputs.report.words import NONE


def key(people: Sequence[Look]) -> Markup:
    """Whose line is which."""
    items = [tag("li", stroke(who), f" {who.name} ({who.word})") for who in people]
    return tag("ul", *items, class_="key")


def pictures(
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
        "Point at the map or a panel, or use the arrow keys: all cars at the same place. Play: all at the same time since "
        "the line, or since the beginning of the corner that is shown, so the gap shows. Numbers on the map are those of "
        "the findings; the sand-coloured band is wider where more time is lost."
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
        key(people),
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
