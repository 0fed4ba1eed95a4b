"""What a report says before a person asks for a picture: whose lap, what to try next, what each difference costs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lapwright.outputs.figures.compare_people import Look
from lapwright.outputs.report.markup import Markup, joined, tag
from lapwright.outputs.report.markup import table as html_table
from lapwright.outputs.report.words import (
    headline,
    number,
    priced_words,
    seconds,
    split_words,
    stretch_words,
    worth_words,
)


def stroke(look: Look) -> Markup:
    """A piece of somebody's line, as the panels draw it."""
    dash = ",".join(f"{3 * part:g}" for part in look.dash) or None
    line = tag(
        "line", x1="1", y1="6", x2="53", y2="6", stroke=look.colour, stroke_width="4", stroke_dasharray=dash
    )
    return tag("svg", line, class_="stroke", viewBox="0 0 54 12", width="54", height="12", aria_hidden="true")


def opening(record: Mapping[str, Any], people: list[Look]) -> Markup:
    """Caution, circuit and car, everybody's lap."""
    track, vehicle = record["track"], record["vehicle"]
    laps = [_lap(driver, record, look) for driver, look in zip(record["drivers"], people[1:], strict=True)]
    notices = [tag("p", notice, class_="notice") for notice in record.get("notices", ())]
    return joined(
        [
            tag("p", record["caution"], class_="caution"),
            tag("h1", f"{track['name']}, {vehicle['name']}"),
            *laps,
            *notices,
        ]
    )


def _lap(driver: Mapping[str, Any], record: Mapping[str, Any], look: Look) -> Markup:
    size = tag("strong", seconds(driver["difference_s"], sign=True), class_="size")
    left_out = [tag("p", f"{words[:1].upper()}{words[1:]}.", class_="notice") for words in driver["withheld"]]
    return tag(
        "div",
        tag("h2", stroke(look), " ", driver["name"]),
        tag("p", headline(driver, record), " ", tag("span", f"({driver['log']})", class_="quiet")),
        tag("p", size, " to the reference. ", split_words(driver), "."),
        *left_out,
        class_="who",
    )


def what_to_do(record: Mapping[str, Any], people: list[Look]) -> Markup:
    """What to try next, then all findings, of every driver."""
    parts = []
    for driver, look in zip(record["drivers"], people[1:], strict=True):
        whose = f" - {driver['name']}" if len(record["drivers"]) > 1 else ""
        parts += [
            tag("h2", f"Try next{whose}"),
            _try_next(driver, look),
            tag("h2", f"What it costs{whose}"),
            _findings(driver, look),
            _along(driver),
            _style(driver),
        ]
    return tag("section", *parts, id="findings")


def _try_next(driver: Mapping[str, Any], look: Look) -> Markup:
    if not driver["try_next"]:
        return tag("p", "Nothing was found that is worth more than what the log can show.")
    ranks = {finding["rank"]: finding for finding in driver["findings"]}
    items = []
    for one in driver["try_next"]:
        finding = ranks.get(one.get("finding")) or next(
            (f for f in driver["findings"] if f["corner"] == one["corner"]), None
        )
        items.append(
            tag(
                "li",
                tag("p", tag("strong", one["words"])),
                tag("p", f"Worth {seconds(one['worth_s'])}. ", f"Where: {one['landmark']}. " if one["landmark"] else None,
                    f"Seen: {one['why']}." if one.get("why") else None),
                _show_button(finding, look) if finding else None,
            )
        )  # fmt: skip
    return tag("ol", *items, class_="next")


def _show_button(finding: Mapping[str, Any], look: Look) -> Markup:
    at = finding["from_m"]
    label = (
        f"Show {finding['corner']}, finding {finding['rank']}"
        if finding["rank"]
        else f"Show {finding['corner']}"
    )
    return tag(
        "button", "Show me", type="button", class_="show", data_corner=finding["corner"], data_at=at, data_who=look.key,
        aria_label=label,
    )  # fmt: skip


def _findings(driver: Mapping[str, Any], look: Look) -> Markup:
    if not driver["findings"]:
        return tag("p", "No difference costs more than the threshold.")
    rows = [
        (
            str(finding["rank"]),
            tag("strong", finding["corner"]),
            joined([finding["words"], ". ", tag("span", priced_words(finding), class_="quiet")]),
            worth_words(finding),
            _show_button(finding, look),
        )
        for finding in driver["findings"]
    ]
    note = tag(
        "p",
        "Each worth is what the reference loses when this one difference is imposed on it. Worths are not shares of a whole: "
        "they may overlap, and do not add up to the difference of the laps.",
        class_="quiet",
    )
    return joined(
        [note, html_table(("No.", "Corner", "What was done", "Worth", ""), rows, words=3, class_="findings")]
    )


def _along(driver: Mapping[str, Any]) -> Markup | None:
    """What goes with a finding: it is said, and not counted again."""
    along = driver.get("along")
    if not along:
        return None
    items = [
        tag("li", tag("strong", one["corner"]), f": {one['words']}. Goes with: {one['goes_with']}.")
        for one in along
    ]
    summary = tag("summary", f"{len(items)} differences that go with one of these, and are not counted again")
    return tag("details", summary, tag("ul", *items))


def _style(driver: Mapping[str, Any]) -> Markup | None:
    if not driver["style"]:
        return None
    items = [
        tag("li", tag("strong", one["corner"]), f": {one['words']} ({worth_words(one)})")
        for one in driver["style"]
    ]
    summary = tag("summary", f"{len(items)} differences that cost next to nothing: a matter of style")
    return tag("details", summary, tag("ul", *items))


PART_HEADS = (
    "Part",
    "From, to",
    "Driver",
    "Reference",
    "Difference",
    "made here",
    "of it line",
    "of it inputs",
)


def parts_table(record: Mapping[str, Any], people: list[Look]) -> Markup:
    """Where the time is: corner by corner, straight by straight, with the phases of the corners."""
    made = []
    for driver in record["drivers"]:
        rows: list[list[Any]] = []
        for part in driver["parts"]:
            rows.append([tag("strong", part["name"]), stretch_words(part), *_times(part)])
            rows += [
                [tag("span", phase["name"], class_="phase"), stretch_words(phase), *_times(phase)]
                for phase in part.get("phases", ())
            ]
        whole = {"driver_s": driver["lap_time_s"], "reference_s": record["reference"]["lap_time_s"]}
        whole |= {key: driver[key] for key in ("difference_s", "line_s", "inputs_s")}
        rows.append([tag("strong", "Whole"), "", *_times(whole)])
        made += [tag("h3", driver["name"]), html_table(PART_HEADS, rows, words=2)]
    note = (
        "Difference: lost between the two ends of the part; the parts add up to the whole. Made here: what was lost there "
        "through what was done there, the speed that is missing at its end priced by what it costs on the way on. The "
        "line and the inputs are shares of the difference."
    )
    return tag("section", tag("h2", "Where the time is"), tag("p", note, class_="quiet"), *made, id="parts")


def _times(part: Mapping[str, Any]) -> list[str]:
    plain = [seconds(part.get(key), 3) for key in ("driver_s", "reference_s")]
    signed = ("difference_s", "caused_s", "line_s", "inputs_s")
    return plain + [seconds(part.get(key), 3, sign=True) for key in signed]


READINGS: tuple[tuple[str, str, str], ...] = (
    ("brake_on_before_start_m", "Brake on before the corner", "m"),
    ("brake_on_landmark", "Brake on, by landmark", ""),
    ("brake_on_kmh", "Speed there", "km/h"),
    ("peak_percent", "Highest brake", "%"),
    ("release_from_slowest_m", "Release begins, + past slowest", "m"),
    ("brake_off_past_slowest_m", "Brake off, + past slowest", "m"),
    ("turn_in_m", "Turn-in, from the corner's start", "m"),
    ("slowest_kmh", "Slowest", "km/h"),
    ("slowest_m", "Slowest, from the corner's start", "m"),
    ("pick_up_past_slowest_m", "Throttle on, + past slowest", "m"),
    ("full_past_slowest_m", "Full throttle, + past slowest", "m"),
    ("exit_kmh", "Speed at the end", "km/h"),
    ("min_gap_inside_m", "Nearest to the inside edge", "m"),
)
"""What is read of a corner: key, words, unit."""


def corner_tables(record: Mapping[str, Any], people: list[Look]) -> Markup:
    """Each corner: everybody beside the reference; closed until a person opens it."""
    made = []
    for number_of, corner in enumerate(record["drivers"][0]["corners"]):
        all_of = [driver["corners"][number_of] for driver in record["drivers"]]
        rows = [
            [words, *(_reading(one["driver"].get(key), key, unit) for one in all_of),
             _reading(corner["reference"].get(key), key, unit)]
            for key, words, unit in READINGS
        ]  # fmt: skip
        heads = ["", *(driver["name"] for driver in record["drivers"]), "Reference"]
        summary = tag("summary", tag("strong", corner["name"]), f", {corner['direction']}")
        made.append(tag("details", summary, html_table(heads, rows)))
    note = tag("p", "What is open is printed, here and below.", class_="quiet screen")
    return tag("section", tag("h2", "Corner by corner"), note, *made, id="corners", class_="leaves")


def _reading(value: Any, key: str, unit: str) -> str:
    if isinstance(value, str):
        return value
    return number(value, unit, 1 if key == "min_gap_inside_m" else 0)
