"""Parts of a corner card's page: why, worth of trail braking, what mistakes cost."""

from __future__ import annotations

import re

from lapwright.outputs.card_statements import NOTHING, Record, metres, percent, seconds
from lapwright.outputs.markdown import paragraph, table

TIED = 0.002
"""Seconds by which two mistakes differ at least when one of them is called dearer."""

GAINED = 50.0
"""Newtons from which the grip of an axle is said to have changed."""

SMALL = (
    "brake_5_m_early", "brake_5_m_late", "lift_5_m_early", "lift_5_m_late", "peak_10_percent_low", "slowest_3_kmh_low",
    "throttle_half_closed",
)  # fmt: skip
"""Mistakes that a good driver makes every day."""

SHORTEST = 0.5
"""Phases of less than this [m] are not told."""

MOMENTS = {
    "brake built up": "With the brake built up",
    "turn-in": "At turn-in",
    "release half done": "With the release half done",
    "brake off": "Where the brake goes off",
    "slowest point": "At the slowest point",
    "throttle picked up": "Where the throttle is picked up",
    "full throttle": "At full throttle",
}
"""Moments of the load table as they open a sentence."""


def why_section(record: Record) -> list[str]:
    """Phase by phase what holds the car, and what the moving load gives and takes."""
    circle = record["corner"]["model"] == "friction_circle"
    uses = ("grip_use",) if circle else ("grip_use_front", "grip_use_rear")
    heads = ("grip use",) if circle else ("front use", "rear use")
    rows = [
        (
            phase["phase"],
            f"{phase['length_m']:.0f}",
            f"{phase['time_s']:.2f}",
            *(percent(phase[use]) for use in uses),
            _held_by(phase),
        )
        for phase in record["phases"]
        if phase["length_m"] >= SHORTEST
    ]
    head = ("phase", "metres", "seconds", *heads, "what holds the car, and for how much of the phase")
    parts = [table(head, rows, (0, len(head) - 1))]
    note = (
        "Use: share of the grip that is used, on average over the phase. "
        "A road edge holds the car where the line runs along it."
    )
    if circle:
        return [*parts, paragraph(note + " This car is a point mass: it has no axles whose load could move.")]
    return [*parts, paragraph(note), *_loads(record)]


def _held_by(phase: Record) -> str:
    return re.sub(r"(?<!\d)0 %", "touched", phase["held_by"])


def _loads(record: Record) -> list[str]:
    rows = []
    for point in record["loads"]:
        moved = point["moment"] != "before"
        cells = [point["moment"]]
        for what in ("load", "grip"):
            for axle in ("front", "rear"):
                change = point[f"{what}_{axle}_change_N"]
                cells += [f"{point[f'{what}_{axle}_N']:.0f}", _signed(change) if moved else NOTHING]
        rows.append((*cells, _gains(point) if moved else NOTHING))
    loads = [f"{axle} {what} N" for what in ("load", "grip") for axle in ("front", "rear")]
    head = ("moment", *(name for load in loads for name in (load, "change")), "gains grip")
    note = (
        f"Changes are held against the first row, {_before(record)}. Grip: the greatest force to the side that the axle's "
        "tyres could give. Besides the load that moves between the axles, the downforce that goes with the speed and "
        "the shape of the road change both."
    )
    return [table(head, rows, (0, len(head) - 1)), paragraph(f"{_load_words(record)} {note}")]


def _before(record: Record) -> str:
    if record["lift"] is not None:
        return "where the foot leaves the throttle"
    return "where the brake goes on" if record["brake"] is not None else "on the way in"


def _gains(point: Record) -> str:
    front, rear = (point[f"grip_{axle}_change_N"] >= GAINED for axle in ("front", "rear"))
    return "both" if front and rear else "front" if front else "rear" if rear else "neither"


def _load_words(record: Record) -> str:
    """The moving load at turn-in where the car turns in on the brake, elsewhere at the moment when it has moved most."""
    points = [p for p in record["loads"] if p["moment"] in MOMENTS]
    point = max(points, key=lambda p: abs(p["load_front_change_N"]))
    if record["turn_in"] is not None and record["turn_in"]["brake_left"] is not None:
        point = next(p for p in points if p["moment"] == "turn-in")
    told = [
        f"the {axle} axle carries {_more(point[f'load_{axle}_change_N'])} and can push "
        f"{_more(point[f'grip_{axle}_change_N'])} to the side"
        for axle in ("front", "rear")
    ]
    gains = {"both": "both axles have gained grip", "neither": "neither axle has gained grip"}
    gain = gains.get(_gains(point), f"the {_gains(point)} axle has gained grip, the other has not")
    return f"{MOMENTS[point['moment']]} {told[0]}; {told[1]}: {gain}."


def _more(newtons: float) -> str:
    return f"{abs(newtons):.0f} N {'less' if newtons < 0 else 'more'}"


def _signed(value: float) -> str:
    text = f"{value:+.0f}"
    return "0" if text in ("+0", "-0") else text


# -- worth of trail braking --------------------------------------------------------------------------------------------


def trail_section(record: Record) -> list[str]:
    """Seconds over the point where the brake is off, and what that says."""
    worth = record["worth_of_trail"]
    if worth is None:
        return [paragraph(_why_no_trail(record))]
    inside = record["slowest"]["where"] == "inside"
    rows = [
        (
            _trail_words(point),
            f"{point['past_turn_in_m']:+.0f}".replace("+0", "0").replace("-0", "0"),
            *((_signed(point["past_slowest_m"]),) if inside else ()),
            point["status"] if point["loss_s"] is None else seconds(point["loss_s"]),
        )
        for point in worth["points"]
    ]
    head = ("brake off", "m from turn-in", *(("m from slowest",) if inside else ()), "seconds lost")
    return [table(head, rows), paragraph(_trail_sentence(record))]


def _trail_words(point: Record) -> str:
    if point["asked"] == "best":
        return "best: where it is quickest"
    if point["asked"] == "off by here" and f"{abs(point['past_turn_in_m']):.2f}" == "0.00":
        return "off by turn-in: no trail"
    return point["asked"]


def _trail_sentence(record: Record) -> str:
    worth = record["worth_of_trail"]
    cost = worth["no_trail_s"]
    if cost is None:
        point = next(p for p in worth["points"] if _trail_words(p).endswith("no trail"))
        if point["status"] == "off the road":
            return "With the brake off by turn-in no way was found that stays on the road."
        return "What it costs to have the brake off by turn-in was not found."
    if seconds(cost) == "0.000":
        return "With the brake off by turn-in, without any trail, this corner takes as long: it is worth nothing here."
    half = worth["half_lost_m"]
    more = (
        "" if half is None else f" Half of that is lost with the brake off {metres(half)} earlier than best."
    )
    return f"With the brake off by turn-in, without any trail, this corner costs {cost:.3f} s more.{more}"


def _why_no_trail(record: Record) -> str:
    brake = record["brake"]
    if record["light_brake"] is not None:
        return "Only a light brake is used here, less than counts as a braking zone: what it is worth was not worked out."
    if brake is None:
        how = "flat" if record["corner"]["entry"] == "flat" else "without the brake"
        return f"The corner is taken {how}: there is no trail to be had."
    if record["turn_in"] is None:
        return "The car is turning already when it comes here: no turn-in parts the trail from the braking before it."
    if brake["trail_m"] > 0.0:
        return f"The brake is on while turning for {metres(brake['trail_m'])}; what that is worth was not worked out."
    return "The brake is off by turn-in: there is no trail here."


def trail_short(record: Record) -> str:
    """What going without trail braking costs, in a few words."""
    worth = record["worth_of_trail"]
    if worth is None:
        brake = record["brake"]
        if record["light_brake"] is not None:
            return "light brake only"
        return "no braking" if brake is None else "no trail" if brake["trail_m"] == 0.0 else "not worked out"
    return (
        "no answer found" if worth["no_trail_s"] is None else f"{seconds(worth['no_trail_s']).lstrip('+')} s"
    )


def trail_line(record: Record) -> str:
    """The same in a sentence."""
    return _trail_sentence(record) if record["worth_of_trail"] is not None else _why_no_trail(record)


# -- mistakes ----------------------------------------------------------------------------------------------------------


def mistake_section(record: Record) -> list[str]:
    """What each mistake costs, and which side to err on."""
    made = record["mistakes"]
    if not made:
        return ["No mistake was worked out for this corner."]
    rows = [(m["words"], *_mistake_cells(m)) for m in made]
    head = ("mistake", "seconds lost", "off the line", "road left m", "one more costs")
    note = (
        "Everything but the mistake is driven as well as possible. Off the line: the greatest distance from the "
        "reference's line, and where. Road left: from the side of the car to the nearer road edge, at the least, from "
        "turn-in on. One more: one more metre, per cent or km/h of the same mistake, to first order, where that is known."
    )
    said = " ".join(part for part in (_early_or_late(made), note) if part)
    return [table(head, rows, (0, 2)), paragraph(said)]


def _mistake_cells(mistake: Record) -> tuple[str, str, str, str]:
    if mistake["status"] == "off the road":
        where = f"by {mistake['off_road_by_m']:.1f} m at {mistake['off_road_at_m']:.0f} m"
        return "off the road", where, NOTHING, NOTHING
    if mistake["loss_s"] is None:
        return "no answer found", NOTHING, NOTHING, NOTHING
    price = mistake["price_s"]
    return (
        seconds(mistake["loss_s"]),
        f"{_sideways(mistake['moved_m'])} at {mistake['moved_at_m']:.0f} m",
        f"{mistake['edge_m']:.1f}",
        NOTHING if price is None else f"{price:.4f} s per {mistake['unit']}",
    )


def _sideways(moved: float) -> str:
    text = f"{abs(moved):.1f} m"
    return text if text == "0.0 m" else f"{text} {'left' if moved > 0 else 'right'}"


def _early_or_late(made: list[Record]) -> str:
    """Which side of the brake or lift point is dearer."""
    found = {m["mistake"]: m for m in made}
    verb = next(
        (v for v in ("brake", "lift") if f"{v}_10_m_early" in found and f"{v}_10_m_late" in found), None
    )
    if verb is None:
        return ""
    early, late = found[f"{verb}_10_m_early"], found[f"{verb}_10_m_late"]
    word = "Braking" if verb == "brake" else "Lifting"
    told = f"{word} {early['size']:.0f} m early {_outcome(early)}, as much late {_outcome(late)}"
    if early["loss_s"] is None or late["loss_s"] is None:
        if late["status"] == "off the road" and early["loss_s"] is not None:
            return f"{told}: when in doubt, be early."
        return f"{told}."
    if abs(early["loss_s"] - late["loss_s"]) < TIED:
        side = "either side costs the same"
    elif late["loss_s"] > early["loss_s"]:
        side = "late is the dearer side; when in doubt, be early"
    else:
        side = "early is the dearer side in seconds"
    return f"{told}: {side}. Early leads {_away(early)} off the line, late {_away(late)}."


def _away(mistake: Record) -> str:
    return f"{abs(mistake['moved_m']):.1f} m"


def _outcome(mistake: Record) -> str:
    if mistake["status"] == "off the road":
        return f"leads off the road by {mistake['off_road_by_m']:.1f} m"
    if mistake["loss_s"] is None:
        return "has no answer that was found"
    return f"costs {mistake['loss_s']:.3f} s"


def mistake_short(mistake: Record) -> str:
    """A mistake and its cost in a few words."""
    if mistake["status"] == "off the road":
        return f"{mistake['words']}: off the road"
    if mistake["loss_s"] is None:
        return f"{mistake['words']}: no answer found"
    return f"{mistake['words']} {seconds(mistake['loss_s'])} s"


def dearest(record: Record) -> str:
    """The small mistake that costs most, one that leads off the road before all."""
    small = [m for m in record["mistakes"] if m["mistake"] in SMALL]
    off = [m for m in small if m["status"] == "off the road"]
    driven = [m for m in small if m["loss_s"] is not None]
    if off:
        return mistake_short(max(off, key=lambda m: float(m["off_road_by_m"])))
    return mistake_short(max(driven, key=lambda m: float(m["loss_s"]))) if driven else "not worked out"
