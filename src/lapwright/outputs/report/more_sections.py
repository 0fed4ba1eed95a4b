"""The rest of a report: laps of the session, smoothness, several laps, grip seen, how the lap was laid on the road."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lapwright.outputs.report.markup import Markup, joined, table, tag
from lapwright.outputs.report.words import number, seconds, time_words


def background(record: Mapping[str, Any]) -> Markup:
    """All of it, driver by driver."""
    several = len(record["drivers"]) > 1
    return joined([_driver(driver, record, several) for driver in record["drivers"]])


def _driver(driver: Mapping[str, Any], record: Mapping[str, Any], several: bool) -> Markup:
    parts = [
        tag("h2", driver["name"]) if several else None,
        _laps(driver),
        _several(driver),
        _smoothness(driver),
        _fit(driver),
        _laid(driver, record),
    ]
    return tag("section", *parts)


def _laps(driver: Mapping[str, Any]) -> Markup:
    rows = [
        (
            joined([number(lap["lap"]), " ", tag("strong", "compared") if lap["compared"] else None]),
            joined([lap["status"], ": " if lap["why"] else None, lap["why"]]),
            time_words(lap["time_s"]),
        )
        for lap in driver["laps"]
    ]
    return joined([tag("h3", "Laps of the session"), table(("Lap", "", "Time"), rows, words=2)])


def _several(driver: Mapping[str, Any]) -> Markup | None:
    several = driver["several"]
    if several is None:
        return None
    laps = ", ".join(number(lap) for lap in several["laps"])
    sections = [(one["name"], number(one["lap"]), seconds(one["best_s"], 3)) for one in several["sections"]]
    spread = [
        (one["corner"], one["what"], number(one["spread"], one["unit"], 1)) for one in several["spread"]
    ]
    trend = several.get("trend")
    return joined(
        [
            tag("h3", "Several laps"),
            tag(
                "p",
                f"Laps {laps}. The best of each section put together: {time_words(several['best_sections_s'])}.",
            ),
            tag("p", f"Over these laps: {trend['words']}.") if trend else None,
            tag("details", tag("summary", "Best sections"), table(("Section", "Lap", "Time"), sections)),
            tag(
                "details",
                tag("summary", "Spread from lap to lap"),
                table(("Corner", "Of what", "Spread"), spread, words=2),
            ),
        ]
    )


def _smoothness(driver: Mapping[str, Any]) -> Markup | None:
    smooth = driver["smoothness"]
    kinds = [(key, words) for key, words in (("brake", "Brake"), ("steering", "Steering")) if smooth[key]]
    if not kinds:
        return None
    made = []
    for key, words in kinds:
        rows = [
            (one["corner"], number(one["driver"], "", 2), number(one["reference"], "", 2))
            for one in smooth[key]
        ]
        made.append(tag("details", tag("summary", words), table(("Corner", "Driver", "Reference"), rows)))
    return joined([tag("h3", "Smoothness"), tag("p", smooth["definition"], class_="quiet"), *made])


FITTED = (("front_grip", "Grip, front"), ("rear_grip", "Grip, rear"), ("power", "Power"), ("drag", "Drag"))
"""What of the car is read from a log: beginning of the keys, words."""


def _fit(driver: Mapping[str, Any]) -> Markup | None:
    fit = driver["fit"]
    if fit is None:
        return None
    rows = [
        (
            words,
            joined([shown["kind"], ": " if shown["words"] else None, shown["words"]]),
            number(shown["scale"], "", 3),
            number(shown["error"], "", 3),
        )
        for key, words in FITTED
        if (shown := fit.get(key)) is not None
    ]
    asks = [
        tag(
            "li",
            tag("strong", one["corner"]),
            f", {number(one['from_m'])} to {number(one['to_m'])} m: {one['words']}",
        )
        for one in fit.get("asks_more", ())
    ]
    return joined(
        [
            tag("h3", "Grip and power that the car showed"),
            table(("", "Remarks", "Share of the file's", "give or take"), rows, words=2) if rows else None,
            tag("p", "Where the reference asks for more than the car showed:") if asks else None,
            tag("ul", *asks) if asks else None,
        ]
    )  # fmt: skip


NOISES = (
    ("across_m", "Place across the road", "m", 2),
    ("along_m", "Place along the road", "m", 2),
    ("speed_kmh", "Speed", "km/h", 2),
    ("brake", "Brake, share", "", 4),
    ("throttle", "Throttle, share", "", 4),
    ("steering_deg", "Hand wheel", "deg", 2),
)
"""What is left of the noise of a log: key, words, unit, decimals."""


def _laid(driver: Mapping[str, Any], record: Mapping[str, Any]) -> Markup:
    laid, noise = driver["alignment"], driver["noise"]
    stretch = laid["stretch"]
    rows = [
        ("Laid on the road by", laid["method"]),
        ("Distance of the log over that of the road", NONE if stretch is None else f"{100 * stretch:+.2f} %"),
        ("Closing error spread over the lap", number(laid["closing_m"], "m", 2)),
        ("Line crossings moved against the log's own times", seconds(laid["clock_s"], 3)),
        ("Fixes off the road, median", number(laid["median_off_m"], "m", 2)),
        ("Filter", laid["filter"]),
        ("Delay of the filter", seconds(laid["delay_s"], 3)),
    ]
    left = [(words, number(noise[key], unit, decimals)) for key, words, unit, decimals in NOISES]
    reference = record["reference"]
    margin = reference["grip_margin"]
    return joined(
        [
            tag("h3", "How far to trust this"),
            tag("p", f"The reference is exact to {seconds(reference['mesh_error_s'], 3)} of its lap time; it leaves "
                     f"{100 * (margin or 0.0):.0f} % of the grip unused."),
            tag("p", f"The line: {driver['line_words']}.") if driver["line_words"] else None,
            *(tag("p", words, class_="notice") for words in driver.get("notices", ())),
            tag("details", tag("summary", "How the lap was laid on the road"), table(("", ""), rows, words=2)),
            tag("details", tag("summary", "Noise left in the log, one standard deviation"), table(("", ""), left)),
        ]
    )  # fmt: skip


NONE = "-"
